"""What is taken of rows that are lost whole."""

FAILED_BEFORE = 0.03
"""Odds before anything is seen that a row is lost: washed out, dried up, eaten, crusted over
(common practice, no source)."""

FAILED_SHARE, FAILED_RHO = 0.1, 0.35
"""What a lost row still has of a good stand, and how much that varies: mostly nothing, now and
then a few (common practice, no source)."""

FAILED_BELOW = 0.25
"""A row counts as failed when less than this part of the stand expected at sowing comes."""
