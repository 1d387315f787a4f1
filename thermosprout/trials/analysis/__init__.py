"""Analysis of a trial: what its counts show, what they do not, and how large the rest could be.

For contributors
----------------
``timing`` turns counts into intervals in which seedlings came, puts them on the thermal clock and
says what the looks can tell of time at all; ``curves`` fits them with and without a shape;
``measures`` gives every plot its scores. ``block_model`` takes blocks out,
``pairs`` tests two treatments by Student's t and by permutation, ``compare`` puts the tests
together for a set of plots. ``sentences`` and ``cautions`` put all of it in words, ``results`` is
the document, ``analyse`` the way in, which also sums up each treatment.

Decisions
---------
- Time is compared only where half emergence lies between looks and the stand is not still coming;
  a stand only where the rate of coming bounds what is to come. What is not compared is listed
  without a p value, never left out in silence.
- Half emergence comes from a log-normal fit to each plot, unless the step curve contradicts it
  (chi-square over the looks, all plots together); then the step curve gives it for all plots.
- A pair is tested with the scatter of its own plots. Where pairs scatter alike each borrows two
  degrees of freedom at most, which keeps false alarms near 5 % whatever the scatter.
- The size of a next trial is averaged over what the variance could be.
- Claims are checked by simulators that share no code with the model (tests/trials/simulators).
- A new measure goes into ``measures.COMPARED`` with its sentence.
"""
