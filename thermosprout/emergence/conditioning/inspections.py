"""The inspections of a row after it was planted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.counts import Count, increments
from thermosprout.emergence.forecast import RowForecast
from thermosprout.errors import InputError

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Inspections:
    """When a row was looked at after planting, and the seedlings new each time, (inspection,)."""

    hours: FloatArray
    new: FloatArray

    @property
    def total(self) -> int:
        """Seedlings that have come up by the last inspection."""
        return int(self.new.sum())


def inspections_after_planting(row: RowForecast, counts: Sequence[Count]) -> Inspections | None:
    """Put the counts of a row in order; none when nobody looked since it was planted.

    Raises
    ------
    InputError
        When counts fall, are above the seeds planted, or seedlings were seen before planting.
    """
    planted = row.sowing.planted_h
    ordered = sorted(counts, key=lambda count: count.hour)
    for count in ordered:
        if count.hour <= planted and count.emerged > 0:
            raise InputError(
                f"row {row.sowing.row}: {count.emerged} seedlings are recorded before it was "
                "planted"
            )
    after = [count for count in ordered if count.hour > planted]
    if not after:
        return None
    try:
        new = increments([count.emerged for count in after], row.sowing.seeds_planted)
    except InputError as error:
        raise InputError(f"row {row.sowing.row}: {error.what}") from None
    return Inspections(np.array([count.hour for count in after]), new)
