"""Checks of a soil temperature series: what is suspect is told as rows, never mended in silence."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray

BoolArray = npt.NDArray[np.bool_]
Stamps = npt.NDArray[np.datetime64]

COLDEST_C, HOTTEST_C = -60.0, 75.0
"""Values outside are impossible in soil and are always masked. [degC]"""
SPIKE_K = 4.0
"""A value this far from the median of its neighbours (5 h) is a spike; common practice. [K]"""
FLAT_HOURS = 24
"""Hours of exactly one value that make a sensor look stuck; longer near freezing and deep."""
FAHRENHEIT_MEDIAN = 38.0
"""A day with a higher median is more likely degF: 38 degF is 3.3 degC. [degC]"""
SURFACE_RANGE_K = 40.0
"""Largest daily range of a bare dry surface; from memory, common practice. [K]"""
DAMPING_CM = 10.0
"""Depth that damps the daily wave to 1/e in moist soil: sqrt(2 k / omega) with a diffusivity of
0.4 mm2/s gives 10.5 cm. [cm]"""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One finding: what was found, what was expected, and where; ``impossible`` was masked."""

    name: str
    found: str
    expected: str
    where: str
    impossible: bool = False

    def sentence(self) -> str:
        """Say the finding in one line."""
        masked = " (impossible: left out)" if self.impossible else ""
        return f"{self.name}: {self.found}; expected {self.expected}; {self.where}{masked}."


def _span(time: Stamps, mask: BoolArray) -> str:
    rows = np.flatnonzero(mask)
    first, last = str(time[rows[0]])[:16], str(time[rows[-1]])[:16]
    return first + " UTC" if first == last else f"between {first} and {last} UTC"


def _runs(mask: BoolArray) -> list[npt.NDArray[np.intp]]:
    rows = np.flatnonzero(mask)
    return np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if rows.size else []


def spikes(values: FloatArray) -> BoolArray:
    """Mark hours that stand more than :data:`SPIKE_K` off the median of the five hours around."""
    from numpy.lib.stride_tricks import sliding_window_view

    if values.size < 5:
        return np.zeros(values.shape, dtype=bool)
    padded = np.pad(values, 2, constant_values=np.nan)
    windows = sliding_window_view(padded, 5)
    known = np.isfinite(windows).sum(axis=1) >= 3
    centre = np.full(values.shape, np.nan)
    centre[known] = np.nanmedian(windows[known], axis=1)
    return np.asarray(np.abs(values - centre) > SPIKE_K) & np.isfinite(values)


def flat_lines(values: FloatArray, depth_cm: float) -> BoolArray:
    """Mark hours in which one value stands too long: a stuck sensor or a dead battery.

    Thawing or freezing soil stays near 0 degC for weeks, so values within 1 K of it do not count.
    """
    limit = FLAT_HOURS if not depth_cm > 10 else 3 * FLAT_HOURS
    same = np.concatenate([[False], np.abs(np.diff(values)) < 1e-9])
    marked = np.zeros(values.shape, dtype=bool)
    for run in _runs(same):
        if run.size + 1 >= limit and abs(values[run[0]]) > 1.0:
            marked[run[0] - 1 : run[-1] + 1] = True
    return marked


def _days(time: Stamps, values: FloatArray) -> tuple[Stamps, FloatArray, FloatArray, BoolArray]:
    """Median and range of each UTC day that holds 18 values, and the day's hours as rows."""
    day = time.astype("datetime64[D]")
    days = np.unique(day)
    start = np.searchsorted(day, days)
    medians, ranges = np.full(days.size, np.nan), np.full(days.size, np.nan)
    for row, part in enumerate(np.split(values, start[1:])):
        known = part[np.isfinite(part)]
        if known.size >= 18:
            medians[row], ranges[row] = np.median(known), np.ptp(known)
    return days, medians, ranges, np.isfinite(medians)


def likely_fahrenheit(time: Stamps, values: FloatArray) -> BoolArray:
    """Mark hours of days whose median is above :data:`FAHRENHEIT_MEDIAN`."""
    days, medians, _, _ = _days(time, values)
    hot = days[medians > FAHRENHEIT_MEDIAN]
    return np.asarray(np.isin(time.astype("datetime64[D]"), hot))


def out_of_ground(
    time: Stamps, values: FloatArray, depth_cm: float, air: FloatArray | None = None
) -> BoolArray:
    """Mark hours of days in which the sensor swings like the air, or more than soil can.

    Parameters
    ----------
    time : datetime64 array, shape (time,)
        Hourly UTC instants.
    values : float array, shape (time,)
        Soil temperature. [degC]
    depth_cm : float
        Depth; NaN counts as 2 cm. [cm]
    air : float array, shape (time,), optional
        Air temperature. [degC]
    """
    depth = depth_cm if np.isfinite(depth_cm) else 2.0
    days, _, ranges, _ = _days(time, values)
    suspect = ranges > SURFACE_RANGE_K * np.exp(-depth / DAMPING_CM)
    if air is not None and depth >= 3.0:
        _, _, air_ranges, _ = _days(time, air)
        close = np.zeros(days.size, dtype=bool)
        day = time.astype("datetime64[D]")
        for row in np.flatnonzero((air_ranges > 5.0) & (ranges > 0.8 * air_ranges)):
            part = day == days[row]
            both = np.isfinite(values[part]) & np.isfinite(air[part])
            if both.sum() >= 18:
                close[row] = np.corrcoef(values[part][both], air[part][both])[0, 1] > 0.95
        for run in _runs(close):
            suspect[run] |= run.size >= 2
    return np.asarray(np.isin(time.astype("datetime64[D]"), days[suspect]))


def mask_impossible(values: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Blank what no soil reaches; return the values and what was blanked."""
    wrong = (values < COLDEST_C) | (values > HOTTEST_C)
    return np.where(wrong, np.nan, values), wrong


def check_series(series: xr.DataArray, *, air: xr.DataArray | None = None) -> tuple[Check, ...]:
    """Look through an hourly series for what is suspect; nothing is changed.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]
    air : xarray.DataArray, dims (time,), optional
        Hourly air temperature of the same place, to find a sensor that lies in the open. [degC]
    """
    time, values = series["time"].values, np.asarray(series.values, dtype=float)
    depth = 100.0 * float(series["depth"])
    over = None if air is None else air.reindex(time=time).values
    found: list[Check] = []

    def add(name: str, mask: BoolArray, said: str, expected: str) -> None:
        if mask.any():
            found.append(Check(name=name, found=said, expected=expected, where=_span(time, mask)))

    missing = ~np.isfinite(values)
    holes = _runs(missing)
    add(
        "gaps", missing, f"{int(missing.sum())} h without a value in {len(holes)} gaps",
        "a value every hour",
    )  # fmt: skip
    jumps = spikes(values)
    add("spikes", jumps, f"{int(jumps.sum())} h", f"within {SPIKE_K:g} K of the hours around")
    stuck = flat_lines(values, depth)
    add("flat line", stuck, f"one value for {int(stuck.sum())} h", "a daily swing, however small")
    hot = likely_fahrenheit(time, values)
    if hot.any():
        median = float(np.nanmedian(values[hot]))
        add(
            "°F in a °C column", hot, f"median {median:.1f} °C",
            f"soil below {FAHRENHEIT_MEDIAN:g} °C on average; read as °F it is "
            f"{(median - 32) / 1.8:.1f} °C",
        )  # fmt: skip
    bare = out_of_ground(time, values, depth, over) & ~hot
    add(
        "sensor out of the ground", bare,
        f"{int(bare.sum()) // 24} days that swing like the air",
        f"a daily range damped by {depth:g} cm of soil" if np.isfinite(depth) else "a damped range",
    )  # fmt: skip
    return tuple(found)


def masked(series: xr.DataArray, names: tuple[str, ...] = ("spikes", "flat line")) -> xr.DataArray:
    """Blank the suspect hours of the named checks; only to be called when the user asked.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]
    names : tuple of str
        Any of "spikes", "flat line", "°F in a °C column", "sensor out of the ground".
    """
    time, values = series["time"].values, np.asarray(series.values, dtype=float)
    depth = 100.0 * float(series["depth"])
    marks = {
        "spikes": lambda: spikes(values),
        "flat line": lambda: flat_lines(values, depth),
        "°F in a °C column": lambda: likely_fahrenheit(time, values),
        "sensor out of the ground": lambda: out_of_ground(time, values, depth),
    }
    wrong = np.zeros(values.shape, dtype=bool)
    for name in names:
        wrong |= marks[name]()
    out = series.copy(data=np.where(wrong, np.nan, values))
    out.attrs = dict(series.attrs)
    return out


def swapped_day_and_month(local: Stamps) -> list[int]:
    """Rows at which a run of stamps begins that fits only with day and month swapped.

    A spreadsheet that reads 03/04 its own way turns part of the dates: the series then jumps by
    months there, and swapping day and month of the run closes the jump.
    """
    if local.size < 3:
        return []
    steps = np.diff(local).astype("timedelta64[s]").astype(float)
    usual = float(np.median(np.abs(steps)))
    jumps = np.flatnonzero(np.abs(steps) > max(86400.0 * 1.5, 3 * usual)) + 1
    found = []
    for row in jumps:
        stamp = local[row].astype("datetime64[s]").item()
        if stamp.day > 12:
            continue
        swap = np.datetime64(stamp.replace(month=stamp.day, day=stamp.month))
        gap = abs((swap - local[row - 1]).astype("timedelta64[s]").astype(float))
        if gap <= max(86400.0, 2 * usual):
            found.append(int(row))
    return found
