"""Crops and seed lots: what is known before anything is sown.

crop, estimate
    A crop is an estimate (a normal over transformed parameters) with its stand, cautions and
    practice. ``estimate`` holds the one table of names, scales, units, labels and meanings.
catalogue
    The crops that come with the package, found by any of their names; a generic crop stands for
    one that is not among them. ``reference_data/catalogue.json`` is made by
    ``python -m reference_data.build.catalogue`` from the tables beside it.
saved_estimates
    Estimates from a grower's own records, one readable file each, never overwritten silently.
seed_lots, germination_test
    How much of a lot is alive on a day, how surely, and how much slower an old lot is.

Every figure has a source or is marked as an assumption; a new crop is a row in
``reference_data/crops.csv`` and rows in the tables of evidence, never numbers in code.
"""
