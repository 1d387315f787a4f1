"""Temperature and water where the seed lies.

Where what is
-------------
``series``
    The soil temperature series and the weather Dataset: how they are built, checked and taken from
    pandas and xarray.
``quality``
    Suspect values of a logger.
``convert``
    From one depth to another by the damped wave; from grass to bare soil or under a cover.
``site_readings``, ``site_correction``
    Readings of a site with their file, and the one correction that all commands make with them.
``model``
    The physics between weather and seed, and the seedbed's water.
``readers``
    Files of loggers, stations and services into the types above.

One correction
--------------
``site_correction.site_correction`` is asked by ``soil model --readings``, the season's
``readings_file`` and ``soil check``; what it finds stands as ``correction`` (``corrected`` in the
check) in the document of each. It is kriging of readings minus series. The covariances are sums of
a shift that stays, differences of the ground that act through the weather
(``model.temperature.SITE_DIFFERENCES``), errors of months and of days that fade, the daily swing
and its lateness. Readings are of instants, means of days, or pairs of a max-min thermometer; the
stamps tell which, and where they do not the readings themselves. ``weeks_sd_K`` and
``offset_sd_K`` are one standard deviation of what is left in the mean of the next three weeks and
of the season; forecasts draw ``attrs["site_sd_K"]`` of the series.

A difference of sites is one entry in ``SITE_DIFFERENCES`` and a new fit of the spread by
``python -m reference_data.build.soil_parameters``. The differences of grass are as wide as keeps
the stated spread true at stations left out; wider ones fit the coming weeks better (0.88 K in place
of 1.00 K) and spoil the season of single stations by up to 0.5 K. Tried and left: a part that
fades as the ground warms (its sd fits as nothing), differences that fade by the month (they last:
350 days), more of them (nine fit the past better and July worse), none of them (season 1.29 K in
place of 1.18 K).
"""
