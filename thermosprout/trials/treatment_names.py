"""Names of treatments in a plan: known ones have steps in the calendar, others are one's own."""

from __future__ import annotations

import difflib
from collections.abc import Sequence

from thermosprout.errors import InputError
from thermosprout.trials.columns import TREATMENTS

_LIKE = 0.8


def check_treatments(names: Sequence[str]) -> tuple[str, ...]:
    """Refuse a slip of the pen; say what a plan does not do for a treatment of one's own.

    Parameters
    ----------
    names : sequence of str
        As asked for. A name with a figure, such as ``soaked 6 h``, is meant as it stands.

    Returns
    -------
    tuple of str
        One sentence for each name that is not known.

    Raises
    ------
    InputError
        When a name is nearly that of a known treatment.
    """
    notes = []
    for name in names:
        plain = name.strip().casefold()
        if not plain or plain in TREATMENTS:
            continue
        near = difflib.get_close_matches(plain, TREATMENTS, n=1, cutoff=_LIKE)
        if near and not any(sign.isdigit() for sign in plain):
            raise InputError(
                f"there is no treatment {name!r}",
                hint=f"did you mean {near[0]}? Give one of your own a name that is less like it",
            )
        notes.append(
            f"{name.strip()} is a treatment of your own: the calendar has no steps for it ahead of "
            "planting, and its seed is planned as started on the day it is planted"
        )
    return tuple(notes)
