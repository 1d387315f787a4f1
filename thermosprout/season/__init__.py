"""The season file, and the one place where a question finds what it stands on.

Reading
    ``schema`` says what the file may hold; ``load`` reads it and turns every fault into a
    sentence with its line; ``write`` makes a first file from a few answers.
Resolving
    ``context`` is the one resolver. A ``Context`` is made from a season file
    (``season_context``), from what a command names or from objects in memory (``open_context``).
    It looks up a ``Question`` (``setting``): crop with its saved estimate, lot aged to the sowing
    day, bed, cover, water, soil temperature at depth with its error, time zone, today. The result
    is a ``Setting`` that forecasts any way of sowing. ``soil`` reads the series, corrects it by
    the site's readings, moves it to depth and under covers, and slows progress in drying soil.
    ``counts`` lays the records beside the rows: what was done wins over what was planned, with a
    note; it also prepares the first count of a row.
Answering
    ``forecast`` forecasts every row, and its curve through time; ``soil_check`` says what an error
    of the soil temperature means in days; ``notes`` point out what is
    likely to be a mistake.

Decisions
    Random numbers are keyed by what they stand for (crop, lot, site, the luck of a row) and never
    by who asks, so the same sowing asked for in two ways has the same draws;
    ``tests/test_one_answer.py`` holds every command to it. No command reads a series, ages a lot
    or corrects by readings on its own: a new kind of source is a new way to make a
    ``SoilSupply``, a new fact of a sowing a new field of ``Question``. What is assumed of the
    water is one sentence (``SoilSupply.water_sentence``) that every plan prints.
"""
