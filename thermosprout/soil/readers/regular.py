"""Readings at any step turned into values on the UTC hour, with holes filled only when short."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.soil.readers.reading import Gap

Stamps = npt.NDArray[np.datetime64]
_HOUR_NS = 3_600_000_000_000
SPARSEST_HOURS = 4
"""Readings further apart than this do not show the course of a day."""
FILL_HOURS = 3
"""Longest hole that a straight line may close: soil at 5 cm moves smoothly over that time."""


@dataclass(frozen=True, kw_only=True)
class Hourly:
    """Hourly values, and what was done to get them."""

    time: Stamps
    values: FloatArray
    step_seconds: int
    filled_hours: int
    gaps: tuple[Gap, ...]


def step_of(time: Stamps) -> int:
    """Usual step between readings. [s]"""
    return int(np.median(np.diff(time).astype("timedelta64[s]").astype(float)))


def step_in_words(seconds: int) -> str:
    """Step as a reader says it."""
    for size, word in ((86400, "day"), (3600, "hour"), (60, "minute")):
        if seconds >= size and seconds % size == 0:
            count = seconds // size
            return word if count == 1 else f"{count} {word}s"
    return f"{seconds} s"


def finer_among_coarse(time: Stamps, step: int) -> str | None:
    """Say how much finer some steps are than the usual one, a day or some hours; None if none is.

    What a line stands for, a day or an hour of it, is then not known from line to line.
    """
    apart = np.diff(time).astype("timedelta64[s]").astype(float)
    finer = np.flatnonzero(apart < 0.75 * step)
    if step <= 3600 or not finer.size:
        return None
    usual, odd = (
        words if words[0].isdigit() else f"one {words}"
        for words in (step_in_words(step), step_in_words(int(apart[finer[0]])))
    )
    return f"the usual step is {usual}, but that after {str(time[finer[0]])[:16]} UTC is {odd}"


def to_hourly(time: Stamps, values: FloatArray, *, fill_hours: int = FILL_HOURS) -> Hourly:
    """Put readings on the UTC hour.

    Steps under 20 minutes are averaged over the hour centred on the stamp (less noise, and 0.3 %
    off a daily wave at most); other steps are interpolated between the two neighbours.

    Parameters
    ----------
    time : datetime64 array, shape (reading,)
        Strictly rising UTC instants.
    values : float array, shape (reading,)
        NaN where missing.
    fill_hours : int
        Longest run of missing hours that is interpolated.
    """
    step = step_of(time)
    kept = np.isfinite(values)
    stamps = time.astype("datetime64[ns]").astype("int64")
    first, last = -(-stamps[0] // _HOUR_NS), stamps[-1] // _HOUR_NS
    hours = np.arange(first, last + 1, dtype="int64") * _HOUR_NS
    grid = hours.astype("datetime64[ns]")
    if kept.sum() < 2 or hours.size == 0:
        return Hourly(time=grid, values=np.full(hours.size, np.nan), step_seconds=step,
                      filled_hours=0, gaps=_gaps(grid, np.ones(hours.size, bool)))  # fmt: skip
    x, y = stamps[kept], values[kept]
    filled = np.interp(hours, x, y)
    after = np.clip(np.searchsorted(x, hours, side="left"), 0, x.size - 1)
    exact = x[after] == hours
    before = np.clip(after - 1, 0, x.size - 1)
    bracket = (x[after] - x[before]) / _HOUR_NS
    outside = (hours < x[0]) | (hours > x[-1])
    own = exact | (bracket <= max(step / 3600.0 * 1.5, 1.0))
    near = own | (bracket <= max(step / 3600.0, 1.0) + fill_hours)
    if step < 1200:
        filled = _centred(x, y, hours, filled)
    out = np.where(near & ~outside, filled, np.nan)
    return Hourly(
        time=grid,
        values=out,
        step_seconds=step,
        filled_hours=int((near & ~own & ~outside).sum()),
        gaps=_gaps(grid, ~np.isfinite(out)),
    )


def _centred(
    x: npt.NDArray[np.int64], y: FloatArray, hours: npt.NDArray[np.int64], fallback: FloatArray
) -> FloatArray:
    """Mean of the readings within half an hour of each hour, where both halves hold some."""
    total = np.concatenate([[0.0], np.cumsum(y)])
    low = np.searchsorted(x, hours - _HOUR_NS // 2, side="left")
    mid = np.searchsorted(x, hours, side="left")
    high = np.searchsorted(x, hours + _HOUR_NS // 2, side="right")
    count = np.maximum(high - low, 1)
    # An uneven window would shift the mean in time, so half-empty ones keep the interpolation.
    balanced = (mid - low >= 2) & (np.abs((high - mid) - (mid - low)) <= 1)
    return np.where(balanced, (total[high] - total[low]) / count, fallback)


def _gaps(grid: Stamps, missing: npt.NDArray[np.bool_]) -> tuple[Gap, ...]:
    rows = np.flatnonzero(missing)
    if rows.size == 0:
        return ()
    runs = np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1)
    return tuple(
        Gap(start=str(grid[run[0]])[:16], end=str(grid[run[-1]])[:16], hours=int(run.size))
        for run in runs
    )
