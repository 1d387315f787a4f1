"""Records of a trial: one CSV file, read, checked and added to without loss.

For contributors
----------------
``values`` names the columns and reads one cell; ``file`` holds the file on disk (lock, append,
lines and cells); ``plots`` turns lines into checked entries and settles the corrections of a plot;
``read`` hands the whole file on as a table; ``append`` adds counts; ``notebook`` reads counts as a
grower hands them in, and reads and writes tables with days across the top.

- Nothing typed is overwritten: a correction is a new line with a later ``entered``.
- An append is all or none. The lock file notes what is to be written before it is; readers leave
  out a part of it. The lock follows no link and is never taken for another file.
- A file that changed since it was read (a sync program) is read and checked again.
- Every fault names the file, the line and the column, what was there and what was expected.
- A new column goes into ``values.OPTIONAL`` and ``plots.Entry``; old files must stay readable.
"""
