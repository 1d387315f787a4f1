"""Checks of a soil temperature series: what is suspect is named, never mended in silence.

:func:`check_series` judges a series for its depth, place and season; its sentences reach whoever
reads a file, by ``soil read`` or with any answer. :func:`without_suspects` leaves suspect hours out
where the user asks for it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.quantities import BoolArray, FloatArray, IntArray

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
WARMEST_K, COLDEST_K = 28.0, 18.0
"""How far a week of soil may lie above and below the usual air of its latitude and season: Irish
soil at 10 cm in January lies 22 K above it, that of cool coasts in July 9 K below (stations of
Met Eireann and the U.S. Climate Reference Network). [K]"""
JUMP_K = 15.0
"""From one day's median to the next; bare ground on the High Plains changes by 11 K at most. [K]"""
DAMPING_CM = 10.0
"""Depth that damps the daily wave to 1/e in moist soil: sqrt(2 k / omega) with a diffusivity of
0.4 mm2/s gives 10.5 cm. [cm]"""


IMPLAUSIBLE = "Implausible soil temperature"
"""How the sentence of a check begins after which an answer is hardly worth having."""
LONG_FLAT_HOURS = 72
"""Hours of one value that are no longer a short hang of the logger; our judgement."""


@dataclass(frozen=True, kw_only=True)
class Check:
    """One finding: the value there, what was expected, and where.

    An ``impossible`` value was left out; a ``serious`` finding (another unit, a jump, a sensor
    stuck for days) puts every date in doubt, so that the user is asked before it is used.
    """

    name: str
    value: str
    expected: str
    where: str
    impossible: bool = False
    serious: bool = False

    def sentence(self) -> str:
        """Say the finding in one sentence, without semicolons."""
        left_out = " (impossible, left out)" if self.impossible else ""
        name = self.name[0].upper() + self.name[1:]
        if self.serious:
            name = f"{IMPLAUSIBLE} ({self.name})"
        text = f"{name}: {self.value}, {self.where}{left_out}, expected {self.expected}."
        return text.replace(";", ",")


def _span(time: Stamps, mask: BoolArray) -> str:
    rows = np.flatnonzero(mask)
    first, last = str(time[rows[0]])[:16], str(time[rows[-1]])[:16]
    return first + " UTC" if first == last else f"between {first} and {last} UTC"


def runs_of(mask: BoolArray) -> list[IntArray]:
    """Rows of each stretch in which a mask of shape (row,) is true."""
    rows = np.flatnonzero(mask)
    return np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1) if rows.size else []


def spikes(values: FloatArray) -> BoolArray:
    """Mark hours that stand more than :data:`SPIKE_K` off the median of the five hours around."""
    from numpy.lib.stride_tricks import sliding_window_view

    if values.size < 5:
        return np.zeros(values.shape, dtype=bool)
    padded = np.pad(values, 2, constant_values=np.nan)
    windows = sliding_window_view(padded, 5)
    enough = np.isfinite(windows).sum(axis=1) >= 3
    centre = np.full(values.shape, np.nan)
    centre[enough] = np.nanmedian(windows[enough], axis=1)
    return np.asarray(np.abs(values - centre) > SPIKE_K) & np.isfinite(values)


def flat_lines(values: FloatArray, depth_cm: float) -> BoolArray:
    """Mark hours in which one value stands too long: a stuck sensor or a dead battery.

    Thawing or freezing soil stays near 0 degC for weeks, so values within 1 K of it do not count.
    """
    limit = FLAT_HOURS if not depth_cm > 10 else 3 * FLAT_HOURS
    same = np.concatenate([[False], np.abs(np.diff(values)) < 1e-9])
    marked = np.zeros(values.shape, dtype=bool)
    for run in runs_of(same):
        if run.size + 1 >= limit and abs(values[run[0]]) > 1.0:
            marked[run[0] - 1 : run[-1] + 1] = True
    return marked


def _days(time: Stamps, values: FloatArray) -> tuple[Stamps, FloatArray, FloatArray, BoolArray]:
    """Each UTC day, its median and range (NaN below 18 values), and whether it has them."""
    days, start, row, size = np.unique(
        time.astype("datetime64[D]"), return_index=True, return_inverse=True, return_counts=True
    )
    medians, ranges = np.full(days.size, np.nan), np.full(days.size, np.nan)
    if days.size == 0:
        return days, medians, ranges, np.isfinite(medians)
    table = np.full((days.size, size.max()), np.nan)
    table[row, np.arange(time.size) - start[row]] = np.where(np.isfinite(values), values, np.nan)
    table.sort(axis=1)  # what is missing goes last
    count = np.isfinite(table).sum(axis=1)
    full = np.flatnonzero(count >= 18)
    count = count[full]
    medians[full] = (table[full, (count - 1) // 2] + table[full, count // 2]) / 2
    ranges[full] = table[full, count - 1] - table[full, 0]
    return days, medians, ranges, np.isfinite(medians)


def likely_fahrenheit(time: Stamps, values: FloatArray) -> BoolArray:
    """Mark hours of days whose median is above :data:`FAHRENHEIT_MEDIAN`."""
    days, medians, _, _ = _days(time, values)
    hot = days[medians > FAHRENHEIT_MEDIAN]
    return np.asarray(np.isin(time.astype("datetime64[D]"), hot))


def out_of_ground(time: Stamps, values: FloatArray, depth_cm: float) -> BoolArray:
    """Mark hours of days that swing more than soil at the depth can; NaN counts as 2 cm. [cm]"""
    depth = depth_cm if np.isfinite(depth_cm) else 2.0
    days, _, ranges, _ = _days(time, values)
    suspect = days[ranges > SURFACE_RANGE_K * np.exp(-depth / DAMPING_CM)]
    return np.asarray(np.isin(time.astype("datetime64[D]"), suspect))


def mask_impossible(values: FloatArray) -> tuple[FloatArray, BoolArray]:
    """Blank what no soil reaches; return the values and what was blanked."""
    wrong = (values < COLDEST_C) | (values > HOTTEST_C)
    return np.where(wrong, np.nan, values), wrong


def usual_air(latitude: float, time: npt.NDArray[np.datetime64]) -> FloatArray:
    """Usual temperature at sea level by latitude and day of the year. [degC]

    The yearly mean is 14.9 - 28 P2(sin latitude) (North 1975, J. Atmos. Sci. 32, 2033, from
    memory); its swing over the year, 20 sin(latitude) with the peak in late July or January,
    joins the zonal means of textbooks roughly: common practice, no source.
    """
    sine = np.sin(np.radians(latitude))
    day = (time - time.astype("datetime64[Y]")) / np.timedelta64(1, "D")
    mean = 14.9 - 28.0 * (3.0 * sine**2 - 1.0) / 2.0
    return np.asarray(mean + 20.0 * sine * np.cos(2.0 * np.pi * (day - 205.0) / 365.25))


def out_of_season(
    time: Stamps, values: FloatArray, latitude: float
) -> tuple[BoolArray, BoolArray, float]:
    """Mark hours of weeks that are too warm, and too cold, for the place and season.

    Returns
    -------
    warm, cold : bool array, shape (time,)
    usual : float
        Usual temperature of the air over the weeks marked. [degC]
    """
    days, medians, _, _ = _days(time, values)
    weeks = pd.Series(medians).rolling(7, center=True, min_periods=4).mean().to_numpy()
    usual = usual_air(latitude, days.astype("datetime64[ns]"))
    warm, cold = weeks > usual + WARMEST_K, weeks < usual - COLDEST_K
    day = time.astype("datetime64[D]")
    level = float(usual[warm | cold].mean()) if (warm | cold).any() else float("nan")
    return np.isin(day, days[warm]), np.isin(day, days[cold]), level


def jumps_of_days(time: Stamps, values: FloatArray) -> tuple[BoolArray, float, float]:
    """Mark the days at which the daily median jumps, with the medians around the first jump."""
    days, medians, _, whole = _days(time, values)
    days, medians = days[whole], medians[whole]
    if days.size < 2:
        return np.zeros(time.shape, dtype=bool), np.nan, np.nan
    near = np.diff(days) <= np.timedelta64(3, "D")
    at = np.flatnonzero(near & (np.abs(np.diff(medians)) > JUMP_K)) + 1
    marked = np.isin(time.astype("datetime64[D]"), days[at])
    first = int(at[0]) if at.size else 1
    return marked, float(medians[first - 1]), float(medians[first])


def check_series(series: xr.DataArray, *, latitude: float | None = None) -> tuple[Check, ...]:
    """Look through an hourly series for what is suspect; nothing is changed.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]
    latitude : float, optional
        Of the place, to judge the level by the season. [degrees north]
    """
    time, values = series["time"].values, np.asarray(series.values, dtype=float)
    depth = 100.0 * float(series["depth"])
    checks: list[Check] = []

    def add(name: str, mask: BoolArray, what: str, expected: str, *, serious: bool = False) -> None:
        if mask.any():
            where = _span(time, mask)
            checks.append(
                Check(name=name, value=what, expected=expected, where=where, serious=serious)
            )

    missing = ~np.isfinite(values)
    holes = runs_of(missing)
    add(
        "gaps", missing, f"{int(missing.sum())} h without a value in {len(holes)} gaps",
        "a value every hour",
    )  # fmt: skip
    spiky = spikes(values)
    add("spikes", spiky, f"{int(spiky.sum())} h", f"within {SPIKE_K:g} K of the hours around")
    stuck = flat_lines(values, depth)
    add(
        "flat line", stuck, f"one value for {int(stuck.sum())} h", "a daily swing, however small",
        serious=bool(stuck.sum() >= LONG_FLAT_HOURS),
    )  # fmt: skip
    hot = likely_fahrenheit(time, values)
    season = "" if hot.any() else " and within the season of the place"
    if latitude is not None:
        warm, cold, usual = out_of_season(time, values, latitude)
        hot |= warm
        low = float(np.nanmedian(values[cold])) if cold.any() else 0.0
        add(
            "too cold for the season", cold, f"median {low:.1f} °C",
            f"soil within {COLDEST_K:g} K of the usual {usual:.0f} °C of the place; read as °C in "
            f"a °F column it is {low * 1.8 + 32:.1f} °C", serious=True,
        )  # fmt: skip
    if hot.any():
        median = float(np.nanmedian(values[hot]))
        add(
            "°F in a °C column", hot, f"median {median:.1f} °C",
            f"soil below {FAHRENHEIT_MEDIAN:g} °C on average{season}; read as °F it is "
            f"{(median - 32) / 1.8:.1f} °C", serious=True,
        )  # fmt: skip
    jumps, before, after = jumps_of_days(time, values)
    add(
        "jump", jumps, f"from {before:.1f} to {after:.1f} °C from one day to the next",
        f"less than {JUMP_K:g} K, as with one unit and one place of the sensor", serious=True,
    )  # fmt: skip
    bare = out_of_ground(time, values, depth) & ~hot
    add(
        "sensor out of the ground", bare,
        f"{int(bare.sum()) // 24} days that swing like the air",
        f"a daily range damped by {depth:g} cm of soil" if np.isfinite(depth) else "a damped range",
    )  # fmt: skip
    return tuple(checks)


def without_suspects(series: xr.DataArray, names: Sequence[str]) -> xr.DataArray:
    """Blank the suspect hours of the named checks, where the user asks for it.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]
    names : sequence of str
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
    return series.copy(data=np.where(wrong, np.nan, values))


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
    swapped = []
    for row in jumps:
        stamp = local[row].astype("datetime64[s]").item()
        if stamp.day > 12:
            continue
        swap = np.datetime64(stamp.replace(month=stamp.day, day=stamp.month))
        gap = abs((swap - local[row - 1]).astype("timedelta64[s]").astype(float))
        if gap <= max(86400.0, 2 * usual):
            swapped.append(int(row))
    return swapped
