"""Temperature and water where the seed lies.

Where what is
-------------
``series``
    The soil temperature series and the weather Dataset: how they are built, checked and taken from
    pandas and xarray.
``quality``
    Suspect values of a logger.
``site_readings``, ``site_correction``
    Readings of a site with their file, and the one correction that all commands make with them.
``model``
    The physics between weather and seed, and the seedbed's water; from one depth to another, and
    from grass to bare soil or under a cover.
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
of the season. Forecasts draw ``attrs["site_sd_K"]`` of the series once for all rows and scale it by
the sun of the season (``series.site_scale``): sites differ by 1.1 K in March and 1.5 K in June, and
one spread for all held 92, 79 and 74 % of sowings of March, April and May where 80 are meant (by
means of days; with the sun 83, 80 and 78). The correction itself is not scaled so: the readings'
likelihood is worse for it (-395 in place of -383), and the sun of the weather in place of that
above the atmosphere is no better (likelihood of rows -38.6 in place of -37.9).

A difference of sites is one entry in ``SITE_DIFFERENCES`` and a new fit of the spread by ``python
-m reference_data.build.soil_parameters``. The differences of grass are as wide as keeps the stated
spread true at stations left out. Widths fitted over the stations (1.8, 3.4 and 1.4 times as wide)
help in the coming weeks (0.87 in place of 0.99 K after 14 means of days in early April; 1.12 in
place of 1.28 K after readings at 7 h), hardly over the season (1.17 in place of 1.18 K), and spoil
it where summers are dry, by up to 0.8 K; half as much of both with a strong pull to the widths by
hand. Also tried and left: no differences (season 1.31 K), a shift of its own before the grass grows
(1.18 K), a part that grows with the season (1.18 K), one that fades as the ground warms (its sd
fits as nothing), differences that fade by the month (they last: 350 days), nine of them (July
worse). A station's shift over the season goes with that of early April by 0.8; what moves within a
station's season, 1.07 K, no readings of April can take away.
"""
