"""What a picture of a forecast needs, as plain arrays."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class EmergenceCurve:
    """Seedlings expected through time for one row, and the soil it lies in.

    Attributes
    ----------
    when : list of datetime, length k
        Local times.
    low, middle, high : ndarray, shape (k,)
        10, 50 and 90 % odds of the number of seedlings that show, per 100 seeds planted.
    soil_when, soil_C : list of datetime, ndarray
        Daily mean soil temperature at seed depth, with its 10 and 90 % odds where it has members.
    counts : list of (datetime, float)
        What was counted, per 100 seeds planted.
    """

    row: str
    title: str
    treatment: str
    planted: datetime
    started: datetime
    today: datetime
    when: list[datetime]
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    soil_when: list[datetime]
    soil_C: FloatArray
    soil_low_C: FloatArray
    soil_high_C: FloatArray
    counts: list[tuple[datetime, float]]
