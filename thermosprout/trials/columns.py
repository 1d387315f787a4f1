"""The columns of a records file: one line per plot and inspection.

A line whose ``inspected`` and ``emerged`` are both empty describes a plot that has not been
counted yet, or corrects what is known of it.
"""

from __future__ import annotations

REQUIRED: tuple[str, ...] = (
    "plot",
    "block",
    "variety",
    "seed_lot",
    "treatment",
    "started",
    "planted",
    "seeds_started",
    "seeds_planted",
    "depth_cm",
    "inspected",
    "emerged",
)
"""Columns every records file has."""

OPTIONAL: tuple[str, ...] = (
    "temperature_C",
    "stations_filled",
    "first_harvest",
    "note",
    "observer",
    "format",
    "entered",
)
"""Columns it may have; ``entered`` is the date-time at which the line was written, ``format`` the
number of the layout it was written in."""

FORMAT = "1"
"""Layout of the lines written now; a line without a number is one of the first layout."""

KNOWN: tuple[str, ...] = REQUIRED + OPTIONAL

FACTS: tuple[str, ...] = (
    "block",
    "variety",
    "seed_lot",
    "treatment",
    "started",
    "planted",
    "seeds_started",
    "seeds_planted",
    "depth_cm",
    "temperature_C",
)
"""What belongs to the plot and is repeated on each of its lines."""

TREATMENTS: tuple[str, ...] = ("direct", "soaked", "presprouted")
"""Labels that carry their meaning to the model; any other label is compared as it is."""


def treatment_order(labels: set[str]) -> list[str]:
    """Treatments in the order they are shown: the known ones first, others by name."""
    known = [name for name in TREATMENTS if name in labels]
    return known + sorted(labels - set(known))
