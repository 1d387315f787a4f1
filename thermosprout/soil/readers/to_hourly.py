"""Values on the UTC hour out of whatever step a file has.

Readings every few minutes or hours (:func:`to_hourly`), daily means of the soil
(:func:`hours_from_days`) and days of weather (:func:`hours_of_days`); holes are filled only when
short.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermosprout.errors import CoverageError
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.weather import day_starts_utc, hourly_from_daily, spread_radiation
from thermosprout.soil.quality import DAMPING_CM, runs_of
from thermosprout.soil.readers.table import Gap

Stamps = npt.NDArray[np.datetime64]
SURFACE_PEAK_H = 13.5
"""Local hour at which a bare surface is warmest: an hour and a half after noon; from memory."""


def hours_from_days(
    starts: Stamps, means: FloatArray, half_range: FloatArray | None, depth_cm: float
) -> tuple[Stamps, FloatArray]:
    """Hourly soil temperature from daily means.

    The slow part is the derivative of a cubic spline through the running sum of the days, which
    keeps each daily mean. The daily wave, where a range is known, is a sine whose peak comes later
    with depth (a damped wave: delay = depth / damping depth x 24 / 2 pi hours).

    Parameters
    ----------
    starts : datetime64 array, shape (day,)
        UTC instants at which the days begin, strictly rising.
    means : float array, shape (day,)
        Mean of each day, NaN where missing. [degC]
    half_range : float array, shape (day,), optional
        Half the daily range at the depth. [K]
    depth_cm : float
        Depth, NaN where not known (the peak is then put where it is at 5 cm). [cm]
    """
    from scipy.interpolate import CubicSpline

    hour = np.timedelta64(1, "h")
    first = starts[0].astype("datetime64[h]")
    if first < starts[0]:
        first = first + hour
    end = starts[-1] + np.timedelta64(1, "D")
    time = np.arange(first.astype("datetime64[ns]"), end, hour)
    values = np.full(time.size, np.nan)
    position = (time - starts[0]) / np.timedelta64(1, "D")
    days = (starts - starts[0]) / np.timedelta64(1, "D")
    present = np.isfinite(means)
    joined = np.concatenate([[False], present[1:] & present[:-1] & (np.diff(days) < 1.1)])
    delay_h = (depth_cm if np.isfinite(depth_cm) else 5.0) / DAMPING_CM * 24.0 / (2.0 * np.pi)
    for run in np.split(np.arange(days.size), np.flatnonzero(~joined)):
        if run.size == 0 or not present[run[0]]:
            continue
        edges = np.append(days[run], days[run[-1]] + 1.0)
        inside = (position >= edges[0]) & (position < edges[-1])
        if run.size < 3:
            values[inside] = (
                means[run[0]]
                if run.size == 1
                else np.repeat(means[run], np.histogram(position[inside], edges)[0])
            )
        else:
            total = np.concatenate([[0.0], np.cumsum(means[run] * np.diff(edges))])
            # The mean of 24 values on the hour stands for the half hour before them.
            at = np.clip(position[inside] + 0.5 / 24.0, edges[0], edges[-1])
            values[inside] = CubicSpline(edges, total, bc_type="natural")(at, 1)
        if half_range is not None:
            day = np.searchsorted(edges, position[inside], side="right") - 1
            clock = (position[inside] - edges[day]) * 24.0
            swing = np.nan_to_num(half_range[run])[day]
            values[inside] += swing * np.cos(
                2.0 * np.pi * (clock - SURFACE_PEAK_H - delay_h) / 24.0
            )
    return time, values


AIR = ("air", "air_tmin", "air_tmax")
"""Temperatures of the air that a table may hold: a mean, a minimum, a maximum."""


def hours_of_days(
    dates: Stamps,
    columns: dict[str, FloatArray],
    latitude: float,
    longitude: float,
    *,
    utc_offset_h: float,
) -> tuple[dict[str, npt.NDArray[np.generic]], list[str], int]:
    """Hourly weather from daily values.

    Parameters
    ----------
    dates : datetime64[D] array, shape (day,)
        Local days, rising; holes of at most three days are closed by a straight line.
    columns : dict of arrays, shape (day,)
        Any of air, air_tmin, air_tmax [degC], ghi (mean of the day) [W m-2], precipitation [mm],
        relative_humidity [%], wind_speed [m s-1].
    latitude, longitude : float
        Degrees north and east.
    utc_offset_h : float
        Fixed offset of the days. [h]

    Returns
    -------
    data, notes, filled
        Arrays by name with ``time``, what was done, and hours filled.

    Raises
    ------
    CoverageError
        When no day has a temperature.
    """
    days, full, filled = _every_day(dates, columns)
    days, full, present = _between_ends(days, full)
    starts = day_starts_utc(days, utc_offset_h=utc_offset_h)
    time = np.arange(starts[0], starts[-1] + np.timedelta64(24, "h"), np.timedelta64(1, "h"))
    air = np.full(time.size, np.nan)
    for run in np.split(np.arange(days.size), np.flatnonzero(np.diff(present)) + 1):
        if present[run[0]]:
            part, values = hourly_from_daily(
                days[run],
                latitude=latitude,
                longitude=longitude,
                tmin=full["air_tmin"][run] if "air_tmin" in full else None,
                tmax=full["air_tmax"][run] if "air_tmax" in full else None,
                tmean=full["air"][run] if "air" in full else None,
                utc_offset_h=utc_offset_h,
            )
            air[np.searchsorted(time, part[0]) :][: values.size] = values
    day = np.clip(np.searchsorted(starts, time, side="right") - 1, 0, days.size - 1)
    data: dict[str, npt.NDArray[np.generic]] = {"time": time, "air_temperature": air}
    if "ghi" in full:
        data["ghi"] = spread_radiation(time, starts, full["ghi"], latitude, longitude)
    if "precipitation" in full:
        data["precipitation"] = full["precipitation"][day] / 24.0
    for name in ("relative_humidity", "wind_speed"):
        if name in full:
            data[name] = full[name][day]
    notes = []
    if not present.all():
        hole = days[int(np.flatnonzero(~present)[0])]
        notes.append(
            f"{int((~present).sum())} days without air temperature stay empty, the first {hole}."
        )
    notes.append("Hourly values were made from the daily ones and keep their means.")
    return data, notes, filled


def _every_day(
    dates: Stamps, columns: dict[str, FloatArray]
) -> tuple[Stamps, dict[str, FloatArray], int]:
    """Values for every day from the first to the last, and hours of air temperature filled."""
    days = np.arange(dates[0], dates[-1] + np.timedelta64(1, "D"))
    at = (dates - days[0]).astype(int)
    full: dict[str, FloatArray] = {}
    filled = 0
    for name, values in columns.items():
        spread = np.full(days.size, np.nan)
        spread[at] = values
        holes = int((~np.isfinite(spread)).sum())
        if name in (*AIR, "relative_humidity", "wind_speed"):
            spread = pd.Series(spread).interpolate(limit=3, limit_area="inside").to_numpy()
        if name in AIR:
            filled = max(filled, 24 * (holes - int((~np.isfinite(spread)).sum())))
        full[name] = spread
    return days, full, filled


def _between_ends(
    days: Stamps, full: dict[str, FloatArray]
) -> tuple[Stamps, dict[str, FloatArray], npt.NDArray[np.bool_]]:
    """Cut to the days between the first and the last with a temperature; True where it is known."""
    ends = [name for name in ("air_tmin", "air_tmax") if name in full]
    decisive = ends if len(ends) == 2 else ["air"]
    present = np.all([np.isfinite(full[name]) for name in decisive], axis=0)
    if not present.any():
        raise CoverageError("no day has both a minimum and a maximum, or a mean")
    first, last = int(np.flatnonzero(present)[0]), int(np.flatnonzero(present)[-1])
    keep = slice(first, last + 1)
    return days[keep], {name: values[keep] for name, values in full.items()}, present[keep]


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
    filled_hours: int = 0

    @property
    def gaps(self) -> tuple[Gap, ...]:
        """Stretches without a value."""
        return gaps_of(self.time, self.values)

    def entries(self) -> dict[str, Any]:
        """Entries of a :class:`~thermosprout.soil.readers.table.Reading`."""
        return {
            "step": step_in_words(self.step_seconds),
            "start": str(self.time[0])[:16],
            "end": str(self.time[-1])[:16],
            "gaps": self.gaps,
            "filled_hours": self.filled_hours,
        }


def trim(hourly: Hourly, *, empty: CoverageError) -> Hourly:
    """Cut what is empty before the first and after the last value; ``empty`` below two values."""
    present = np.flatnonzero(np.isfinite(hourly.values))
    if present.size < 2:
        raise empty
    keep = slice(int(present[0]), int(present[-1]) + 1)
    return replace(hourly, time=hourly.time[keep], values=hourly.values[keep])


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


def to_hourly(time: Stamps, values: FloatArray) -> Hourly:
    """Put readings on the UTC hour.

    Steps under 20 minutes are averaged over the hour centred on the stamp (less noise, and 0.3 %
    off a daily wave at most); other steps are interpolated between the two neighbours.

    Parameters
    ----------
    time : datetime64 array, shape (reading,)
        Strictly rising UTC instants.
    values : float array, shape (reading,)
        NaN where missing.
    """
    step = step_of(time)
    present = np.isfinite(values)
    stamps = time.astype("datetime64[ns]").astype("int64")
    first, last = -(-stamps[0] // _HOUR_NS), stamps[-1] // _HOUR_NS
    hours = np.arange(first, last + 1, dtype="int64") * _HOUR_NS
    grid = hours.astype("datetime64[ns]")
    if present.sum() < 2 or hours.size == 0:
        return Hourly(time=grid, values=np.full(hours.size, np.nan), step_seconds=step)
    x, y = stamps[present], values[present]
    filled = np.interp(hours, x, y)
    after = np.clip(np.searchsorted(x, hours, side="left"), 0, x.size - 1)
    exact = x[after] == hours
    before = np.clip(after - 1, 0, x.size - 1)
    bracket = (x[after] - x[before]) / _HOUR_NS
    outside = (hours < x[0]) | (hours > x[-1])
    own = exact | (bracket <= max(step / 3600.0 * 1.5, 1.0))
    near = own | (bracket <= max(step / 3600.0, 1.0) + FILL_HOURS)
    if step < 1200:
        filled = _centred(x, y, hours, filled)
    out = np.where(near & ~outside, filled, np.nan)
    return Hourly(
        time=grid,
        values=out,
        step_seconds=step,
        filled_hours=int((near & ~own & ~outside).sum()),
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


def gaps_of(time: Stamps, values: FloatArray) -> tuple[Gap, ...]:
    """Stretches of hours without a value."""
    return tuple(
        Gap(start=str(time[run[0]])[:16], end=str(time[run[-1]])[:16], hours=int(run.size))
        for run in runs_of(~np.isfinite(values))
    )
