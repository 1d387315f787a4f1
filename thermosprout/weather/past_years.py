"""Past seasons as departures from the usual course of the year.

They carry the spread of what weather can come. The usual course is two harmonics of the year, or a
cubic where only seasons are known; departures are widened for the small number of years.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import soil_series

Stamps = npt.NDArray[np.datetime64]

SHIFT_DAYS = (-10, 0, 10)
"""Each past season is used three times, moved by more days than a departure lasts. [d]"""
INDEPENDENT_PER_YEAR = 1.5
"""Past seasons that one year counts for: between 1 (moved copies tell nothing new) and 2.2 (three
copies 10 days apart whose departures fade in 7 days: 9 / (3 + 4 e^(-10/7) + 2 e^(-20/7)))."""
BRIDGED_DAYS = 5
"""Longest hole in a past season that a straight line of departures may close. [d]"""
FEWEST_YEARS = 3


@dataclass(frozen=True, kw_only=True)
class PastSeasons:
    """Departures of past seasons from the usual year, on the target's times.

    Attributes
    ----------
    usual : ndarray, shape (time,)
        Usual course of the year. [degC]
    departures : ndarray, shape (season, time)
        Already widened for the small number of years. [K]
    years : int
        Number of years they come from.
    """

    usual: FloatArray
    departures: FloatArray
    years: int


def widening(years: int, independent: float = INDEPENDENT_PER_YEAR) -> float:
    """Factor by which the spread of few seasons must grow to be honest about a new one.

    The interval for one more draw from a normal distribution known by ``n`` draws is that of a
    Student t with ``n - 1`` degrees of freedom times ``sqrt(1 + 1/n)`` (any statistics textbook,
    prediction interval); the factor is its ratio to the normal at 80 %.
    """
    from scipy.stats import norm, t

    count = max(years * independent, 2.0)
    return float(np.sqrt(1.0 + 1.0 / count) * t.ppf(0.9, count - 1.0) / norm.ppf(0.9))


def climatology_members(
    history: xr.DataArray | Sequence[xr.DataArray], start: np.datetime64, end: np.datetime64
) -> xr.DataArray:
    """Members from past years alone, joined to nothing: for planning a season not begun.

    Parameters
    ----------
    history : DataArray or sequence, dims (time,)
        Past years of the place. [degC]
    start, end : datetime64
        First and last time wanted, UTC.

    Returns
    -------
    DataArray, dims (member, time)

    Raises
    ------
    CoverageError
        When fewer than three years cover the season.
    """
    series = as_list(history)
    if not series:
        raise InputError("a climatology needs past years")
    step = step_of(series[0])
    grid = np.arange(to_ns(start), to_ns(end) + step, step)
    past = past_seasons(series, grid)
    out = soil_series(
        grid,
        past.usual + past.departures,
        depth_cm=100.0 * float(series[0].coords.get("depth", np.nan)),
        source=f"seasons of {past.years} past years ({series[0].attrs.get('source', 'history')})",
        surface=str(series[0].attrs.get("surface", "unknown")),
    )
    out.attrs["notes"] = ""
    return out


def past_seasons(history: Sequence[xr.DataArray], grid: Stamps) -> PastSeasons:
    """Departures of each past season on the target's times.

    Parameters
    ----------
    history : sequence of DataArray, dims (time,)
        Past years, in any number of pieces. [degC]
    grid : datetime64 array, shape (time,)
        Target times, regular.

    Raises
    ------
    CoverageError
        When fewer than :data:`FEWEST_YEARS` years cover the season.
    """
    step = grid[1] - grid[0]
    first, values = _one_line(history, step)
    time = first + step * np.arange(values.size)
    usual, fitted = _usual_year(time, values, grid)
    departures = _bridge(values - fitted, int(np.timedelta64(BRIDGED_DAYS, "D") / step))
    per_day = int(np.timedelta64(1, "D") / step)
    target = int((grid[0] - first) / step)
    rows, years = [], set()
    for back in range(-200, 201):
        if back == 0:
            continue
        for shift in SHIFT_DAYS:
            at = target + (round(365.2425 * back) + shift) * per_day
            if at < 0 or at + grid.size > values.size:
                continue
            row = departures[at : at + grid.size]
            if np.isfinite(row).all():
                rows.append(row)
                years.add(back)
    if len(years) < FEWEST_YEARS:
        raise CoverageError(
            f"{len(years)} past years cover the season without a long hole, at least "
            f"{FEWEST_YEARS} are needed",
            hint="give more past years, or let a service supply them",
        )
    stacked = np.vstack(rows)
    centre = stacked.mean(axis=0)
    widened = centre + widening(len(years)) * (stacked - centre)
    return PastSeasons(usual=usual, departures=widened, years=len(years))


def to_ns(moment: np.datetime64) -> np.datetime64:
    """Return the instant in nanoseconds, the unit of every time axis here."""
    exact: np.datetime64 = moment.astype("datetime64[ns]")
    return exact


def as_list(series: xr.DataArray | Sequence[xr.DataArray] | None) -> list[xr.DataArray]:
    """Return one series, several or none as a list."""
    if series is None:
        return []
    return [series] if isinstance(series, xr.DataArray) else list(series)


def step_of(series: xr.DataArray) -> np.timedelta64:
    """Return the step of hourly values or daily means.

    Raises
    ------
    InputError
        For one value alone, or another step.
    """
    if series.sizes["time"] < 2:
        raise InputError("a series of one value has no step", hint="give two values at least")
    steps = np.diff(series["time"].values)
    step = np.median(steps.astype("int64")).astype("timedelta64[ns]")
    if step not in (np.timedelta64(1, "h"), np.timedelta64(1, "D")):
        raise InputError(f"members are joined from hourly series or daily means, found {step}")
    return np.timedelta64(step)


def _one_line(
    history: Sequence[xr.DataArray], step: np.timedelta64
) -> tuple[np.datetime64, FloatArray]:
    """Put all pieces on one regular line of time."""
    for part in history:
        if part.ndim != 1 or step_of(part) != step:
            raise InputError("past years must have one dimension and the step of the other series")
    first = min(part["time"].values[0] for part in history)
    last = max(part["time"].values[-1] for part in history)
    values = np.full(int((last - first) / step) + 1, np.nan)
    for part in history:
        at = ((part["time"].values - first) / step).round().astype(int)
        values[at] = part.values
    return to_ns(first), values


def _day_of_year(time: Stamps) -> FloatArray:
    day = time.astype("datetime64[D]")
    return np.asarray((day - day.astype("datetime64[Y]")).astype(float))


def _harmonics(time: Stamps) -> FloatArray:
    year = time.astype("datetime64[Y]")
    angle = 2 * np.pi * ((time - year) / np.timedelta64(1, "D")) / 365.25
    waves = [wave(k * angle) for k in (1, 2) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones(time.size), *waves])


def _cubic(time: Stamps, middle: np.datetime64) -> FloatArray:
    """Powers of the distance to the middle of the season, whatever the year."""
    away = (time - middle) / np.timedelta64(1, "D")
    away = ((away + 182.625) % 365.25 - 182.625) / 90.0
    return np.column_stack([away**power for power in range(4)])


def _usual_year(time: Stamps, values: FloatArray, grid: Stamps) -> tuple[FloatArray, FloatArray]:
    """Usual course on the target's and on the history's times.

    Two harmonics of the year; a cubic through the season where only seasons are given.
    """
    present = np.isfinite(values)
    if np.unique(_day_of_year(time[present])).size > 300:
        design, target = _harmonics(time), _harmonics(grid)
    else:
        middle = grid[grid.size // 2]
        design, target = _cubic(time, middle), _cubic(grid, middle)
    # Hours of a day say the same about the year, so a few of them are enough for the fit.
    rows = np.flatnonzero(present)[:: 7 if present.sum() > 20_000 else 1]
    terms = np.linalg.lstsq(design[rows], values[rows], rcond=None)[0]
    return np.asarray(target @ terms), np.asarray(design @ terms)


def _bridge(values: FloatArray, longest: int) -> FloatArray:
    """Close holes of at most ``longest`` steps by a straight line."""
    present = np.flatnonzero(np.isfinite(values))
    if present.size < 2:
        return values
    out = values.copy()
    for left in np.flatnonzero((np.diff(present) > 1) & (np.diff(present) <= longest + 1)):
        a, b = present[left], present[left + 1]
        out[a + 1 : b] = np.interp(np.arange(a + 1, b), [a, b], [values[a], values[b]])
    return out
