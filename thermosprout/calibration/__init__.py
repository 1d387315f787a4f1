"""Parameters learnt from records.

A calibration starts from a crop's estimate (the prior), takes the plots of one or more records
files with the soil temperature they lay in, and returns the estimate after the records, for the
crop and for each variety and seed lot, with what the records cannot tell.

What is where
-------------
plots
    What was sown where and what was counted, from tables of records or files of single dates.
hierarchy, fit
    The vector that is fitted: crop, varieties and lots; then what each planting (soil error and
    season), each season (stand) and each untested lot has of its own.
predict, likelihood
    What the forecast's own model expects of every plot, and how likely the counts are.
posterior, sampling
    Gradient and curvature plot by plot, and draws of the fit with a prior.
maximum_likelihood
    The fit without a prior: only what the records pin down is moved.
fit_checks
    Where prior, fit and records do not agree.
findings, result, scores
    Figures, intervals and warnings; the answer, its document and files; forecasts of what is left
    out.
crop_curve
    A crop's curve beside published figures; one germination test read out.

Decisions
---------
- Varieties, lots and seasons take shares of the prior's spread, so that the prior of a lot is the
  same however many layers the records name.
- Soil temperature is never exact: a series states its error (``site_sd_K``), else half a degree
  is taken; the error lasts as the soil model's own errors do.
- A lot nobody tested is alive in a share that is not known, so "live seed that emerges" stays
  wide until it is tested.
- The work does not grow with the number of varieties: slopes are taken with each plot's own
  parameters, all plots at once, and varieties are drawn in blocks.
- A figure far from the prior, plots that do not fit and two flushes are warned of with plot, day
  and what to do. An estimate that makes forecasts of left-out seasons or dates worse is not saved.

To add a parameter, add it to ``thermosprout.crops.estimate``; the fit takes it from there. To
let varieties or lots differ in it, name it in ``hierarchy.OF_VARIETY`` or ``OF_LOT``. Test on
growers that share no code with the model (``tests/calibration/seedbeds.py``).
"""
