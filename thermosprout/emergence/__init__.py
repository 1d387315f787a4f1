"""When and whether seed comes up: from a crop's estimate and a temperature to draws of dates.

What is where
-------------
response
    How fast seed moves on at a temperature: the straight and the curved response, and their draws.
course_table, running_sums, thermal_time
    The one clock. A :class:`~.course_table.CourseTable` says how long an hourly series was at
    which temperature, day by day, slowed by drought; :class:`~.running_sums.RunningSums` adds up
    the thermal time of draws over it; a :class:`~.thermal_time.ThermalClock` reads dates off the
    sums. ``start_h`` is one hour or one for each column, so that one planting day and hundreds of
    them, soil and air, one series and members are the same call. Rows of one depth share a table,
    crops of one bed too.
treatments
    Where soaking and sprouting put the seed on its path, and who is left.
stand
    How many of the seeds come up, and which seedling is the first, the middle, the last but a few.
forecast
    One row (:func:`~.forecast.forecast_row`), or one sowing on each of many days with the very same
    draws (:func:`~.forecast.forecast_days`).
harvest
    From half emergence to first harvest on the temperature of the air, and frosts.
count_likelihood, conditioning
    Counts of seedlings, how well draws agree with them, and the forecast that has seen them.
weighted_draws
    The one weighted quantile (NaN is left out, inf is later than all), and draws brought to a
    sharper density step by step, where few agree with the counts.

Decisions
---------
- A draw lives under one member, by weight and without chance
  (:func:`~.course_table.assign_members`).
  A member ends at its own first hole: what lies past it is inf (later than is known). One planting
  day must be known to all members; of many days a member, such as a year that ends early, may lack
  some, and its draws are then NaN (not known) on those days.
- Random numbers are keyed by seed and purpose (:func:`~.forecast.generator`), not by row: the same
  sowing has the same draws whoever asks. Sowings with another ``luck`` differ in it.
- Two measures of the stand, never mixed: ``stand`` is drawn, seedlings over seeds planted;
  ``share`` is its expectation for a draw, before chance.
- Few instants are placed inside their day, many on the whole hourly course laid out once; the
  sums are the same. Above 160 MB the course is not laid out.
- ``curve`` reads many hours of one start from the time at each temperature: quicker, and within
  0.02 C d of ``progress``.

A new treatment belongs into ``treatments`` (scale, credit, who is left), a new shape of the
response into ``response``; nothing else need know.
"""
