"""Files of loggers, thermometers, weather tables and grids turned into the program's own types.

A reader gives data and a :class:`~thermosprout.soil.readers.table.Reading`, which says how
the file was read; it asks (an ``InputError`` with file, line, column and the option to set) where
two readings are possible, and never mends in silence.

table
    Text as it stands on disk: encoding, preamble, separator, heading, rows. Knows no quantity.
    Also ``Reading`` and ``Gap``: how a file was read.
times
    Stamps to UTC: the one way in which all are written, clock changes, years that cannot be meant.
find_columns
    From a column's name to its quantity, unit and depth; cells to numbers; which column to take.
to_hourly
    Any step to the UTC hour.
logger, weather_table
    Tables of soil temperature and of weather, thin over the four above; single readings are read in
    ``soil.site_readings``.
netcdf
    Soil temperature out of a CF grid.

A new way to write a date goes into ``_SHAPES`` of times, a new word of a column into
``_QUANTITIES`` of find_columns, each with an export in ``tests/soil/readers/exports.py``: a whole
file with invented values, and what has to come of it. Files of single weather networks and typical
years are not read: a grower has none of them.
"""
