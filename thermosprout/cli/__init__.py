"""Command line: thin commands that ask the package a question and print the answer.

``app`` knows where each command lives, imports the one that is run, and turns every error into one
sentence and an exit code. One file a group: ``season`` (forecast, week, report, demo, start,
method), ``record`` (record and a trial's records), ``decide`` (compare, presprout, window,
stations, succession, sow-again), ``trial`` (design, analyse), ``calibrate``, ``crops`` (crops,
lot), ``soil``, ``map``.

Decisions, one place each:

- ``options``: every option that several commands share, its bounds and its default. Numbers are
  made by ``number`` and dates by ``day``, ``days`` or ``moment``, so that nan, year 1 and twenty
  digits are refused before anything runs. Planning commands name the options they want in ``asks``
  and get one ``Sowing``. A command run beside a ``season.toml`` takes it and says so.
- ``output``: the answer goes to standard output, notes and progress to standard error. Files are
  written by ``write_output`` and ``write_figure`` alone: never over an input, a file of the season,
  a foreign file (without ``--force``) or a device.
- ``app.MAP``: help as a map of the job; values are named FILE, DIR, DATE, N.

To add a command: a function with a docstring whose first sentence is its help and whose last line
is an example, imports of science inside it, its name in ``app.MAP``.
``tests/cli/test_every_option.py`` then walks its options.
"""
