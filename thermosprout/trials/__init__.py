"""Side-by-side trials of seed handling: planned, recorded and analysed.

For contributors
----------------
``design`` places plots and writes the calendar and the first records file; ``power`` says what a
plan can show and how large a next trial must be. ``records`` is the file itself, ``analysis``
what it shows. Nothing here knows of the command line, of pictures, or (but for the thermal-time
clock) of the model of emergence: a trial is judged by its counts alone.

- Plots are the replicates, never seeds. Whatever is compared is one score a plot.
- Planned power uses the test of the analysis (:mod:`~thermosprout.trials.analysis.pairs`), on
  simulated plots in arrays, and says what it assumes: the share of plots lost, all varieties
  together, p adjusted for all pairs.
- A new layout goes into ``design.lay_out``; the analysis needs to know of plots and blocks only.
"""
