"""One soil temperature series per member: measured to now, the forecast, then past seasons.

Past seasons carry the spread of what weather can come. Each is taken as its departure from the
usual course of the year (two harmonics, or a cubic where only seasons are known), widened for the
small number of years, and joined where the known part ends: the departure at the seam is carried
over and fades, so nothing jumps and the spread grows from none to that of the climate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.soil.quality import runs_of
from thermosprout.soil.readers.to_hourly import step_in_words, step_of
from thermosprout.soil.series import soil_series

Stamps = npt.NDArray[np.datetime64]
_DAY = np.timedelta64(1, "D")

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
    per_day = int(_DAY / step)
    first, values = _one_line(history, step)
    usual, fitted = _usual_year(first + step * np.arange(values.size), values, grid)
    departures = _bridge(values - fitted, BRIDGED_DAYS * per_day)
    target = int((grid[0] - first) / step)
    rows, years = [], set()
    for back, shift in product([*range(-200, 0), *range(1, 201)], SHIFT_DAYS):
        at = target + (round(365.2425 * back) + shift) * per_day
        row = departures[at : at + grid.size] if at >= 0 else departures[:0]
        if row.size == grid.size and np.isfinite(row).all():
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


def _step(series: xr.DataArray) -> np.timedelta64:
    """Step of hourly values or daily means; any other is refused."""
    if series.sizes["time"] < 2:
        raise InputError("a series of one value has no step", hint="give two values at least")
    seconds = step_of(series["time"].values)
    if seconds not in (3600, 86400):
        words = step_in_words(seconds)
        raise InputError(f"members are joined from hourly series or daily means, not every {words}")
    return np.timedelta64(seconds * 1_000_000_000, "ns")


def _one_line(
    history: Sequence[xr.DataArray], step: np.timedelta64
) -> tuple[np.datetime64, FloatArray]:
    """Put all pieces on one regular line of time."""
    for part in history:
        if part.ndim != 1 or _step(part) != step:
            raise InputError("past years must have one dimension and the step of the other series")
    first = min(part["time"].values[0] for part in history)
    last = max(part["time"].values[-1] for part in history)
    values = np.full(int((last - first) / step) + 1, np.nan)
    for part in history:
        at = ((part["time"].values - first) / step).round().astype(int)
        values[at] = part.values
    return first.astype("datetime64[ns]"), values


def _harmonics(time: Stamps) -> FloatArray:
    angle = 2 * np.pi * ((time - time.astype("datetime64[Y]")) / _DAY) / 365.25
    waves = [wave(k * angle) for k in (1, 2) for wave in (np.cos, np.sin)]
    return np.column_stack([np.ones(time.size), *waves])


def _cubic(time: Stamps, middle: np.datetime64) -> FloatArray:
    """Powers of the distance to the middle of the season, whatever the year."""
    away = ((((time - middle) / _DAY) + 182.625) % 365.25 - 182.625) / 90.0
    return np.column_stack([away**power for power in range(4)])


def _usual_year(time: Stamps, values: FloatArray, grid: Stamps) -> tuple[FloatArray, FloatArray]:
    """Usual course on the target's and on the history's times.

    Two harmonics of the year; a cubic through the season where only seasons are given.
    """
    present = np.isfinite(values)
    day = time[present].astype("datetime64[D]")
    if np.unique(day - day.astype("datetime64[Y]")).size > 300:
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
    out = np.interp(np.arange(values.size), present, values[present], left=np.nan, right=np.nan)
    for run in runs_of(np.isnan(values)):
        if run.size > longest:
            out[run] = np.nan
    return out


FADE_DAYS = 7.0
"""e-folding time of a departure of soil temperature at 5 to 10 cm: weather systems last about a
week, and the autocorrelation of daily departures falls so; common practice, no source. [d]"""
FADE_WITHIN_DAY_HOURS = 6.0
"""e-folding time of a difference within the day (a quarter of the daily wave). [h]"""


def join_members(
    measured: xr.DataArray | None,
    forecast_members: xr.DataArray | None,
    past_years: xr.DataArray | Sequence[xr.DataArray] | None,
    *,
    start: np.datetime64,
    end: np.datetime64,
    now: np.datetime64,
) -> xr.DataArray:
    """Join measured values, an ensemble forecast and past seasons to one series per member.

    Parameters
    ----------
    measured : DataArray, dims (time,), optional
        Soil temperature up to now; what is later than ``now`` is not used. Holes are bridged by
        past seasons joined at both ends. [degC]
    forecast_members : DataArray, dims (member, time) or (time,), optional
        Forecast, best with some days before ``now`` so that its offset is seen. [degC]
    past_years : DataArray or sequence, dims (time,), optional
        Other years of the same place and depth, as one long series or several. [degC]
    start, end : datetime64
        First and last time wanted, UTC.
    now : datetime64
        End of what is measured.

    Returns
    -------
    DataArray, dims (member, time)
        With ``member_weight``; ``attrs["notes"]`` says how it was put together. Shorter than
        ``end`` where there is neither forecast nor past season for the rest. The step is that of
        what is given: hourly, or daily for daily means.

    Raises
    ------
    InputError
        When nothing is given, or the steps differ.
    CoverageError
        When neither measured values nor a forecast reach ``now``.
    """
    inputs = [part for part in (measured, forecast_members) if part is not None]
    if not inputs:
        raise InputError("members need measured values or a forecast")
    step = _step(max(inputs, key=lambda part: part.sizes["time"]))
    first, last, today = (one.astype("datetime64[ns]") for one in (start, end, now))
    grid = np.arange(first, last + step, step)
    notes: list[str] = []
    base, seam = np.full((1, grid.size), np.nan), -1
    if measured is not None:
        base = np.where(grid > today, np.nan, _on(measured, grid)[:1])
        seam = int(np.flatnonzero([True, *np.isfinite(base[0])])[-1]) - 1
    past = None
    series = [past_years] if isinstance(past_years, xr.DataArray) else list(past_years or [])
    if series:
        past, base, words = _past_and_bridged(series, grid, base, seam)
        notes += [f"beyond that, seasons of {past.years} past years", *words]
    parts = base
    if forecast_members is not None:
        parts, seam = _with_forecast(base, seam, forecast_members, grid)
        notes.insert(0, f"forecast of {forecast_members.sizes.get('member', 1)} members")
    if seam < 0:
        raise CoverageError(
            "no measured or forecast soil temperature reaches the day of the forecast",
            hint="give newer readings, or a weather service",
        )
    if past is not None and seam < grid.size - 1:
        parts = _with_past(parts, seam, past, grid, step)
        seam = grid.size - 1
    keep = slice(int(np.argmax(np.isfinite(parts).any(axis=0))), seam + 1)
    attrs = inputs[0].attrs
    out = soil_series(
        grid[keep],
        parts[:, keep],
        depth_cm=100.0 * float(inputs[0].coords.get("depth", np.nan)),
        source=str(attrs.get("source", "soil temperature")),
        surface=str(attrs.get("surface", "unknown")),
    )
    own = {
        k: attrs[k]
        for k in ("site_sd_K", "site_latitude", "cover", "moisture", "attribution")
        if k in attrs
    }
    return out.assign_attrs(own, notes="; ".join(notes))


def _on(series: xr.DataArray, grid: Stamps) -> FloatArray:
    """Values at the grid's times, NaN elsewhere; shape (member, time)."""
    return np.atleast_2d(series.reindex(time=grid).transpose(..., "time").values.astype(float))


def _past_and_bridged(
    series: Sequence[xr.DataArray], grid: Stamps, row: FloatArray, seam: int
) -> tuple[PastSeasons, FloatArray, list[str]]:
    """Past seasons from the day before the seam on, or from the first hole, which they bridge."""
    per_day = int(_DAY / (grid[1] - grid[0]))
    begin = max(0, seam - per_day)
    present = np.flatnonzero(np.isfinite(row[0]))
    lefts = present[:-1][np.diff(present) > 1]
    words = []
    past = None
    if lefts.size and lefts[0] < begin:
        try:
            past = _seasons_from(series, grid, int(lefts[0]))
        except CoverageError:
            words = ["past seasons do not reach back to the holes, which stay empty"]
    if past is None:
        past = _seasons_from(series, grid, begin)
    return past, *((row, words) if words else _bridged(row, present, past))


def _seasons_from(series: Sequence[xr.DataArray], grid: Stamps, first: int) -> PastSeasons:
    """Past seasons from a step of the grid on, NaN before."""
    past = past_seasons(series, grid[first:])
    pad = [(0, 0), (first, 0)]
    return replace(
        past,
        usual=np.pad(past.usual, pad[1], constant_values=np.nan),
        departures=np.pad(past.departures, pad, constant_values=np.nan),
    )


def _bridged(
    row: FloatArray, present: npt.NDArray[np.intp], past: PastSeasons
) -> tuple[FloatArray, list[str]]:
    """Fill holes with past seasons that are moved to fit at both ends."""
    lefts = np.flatnonzero(np.diff(present) > 1)
    if lefts.size == 0:
        return row, []
    parts = np.repeat(row, past.departures.shape[0], axis=0)
    missing = 0
    for left in lefts:
        a, b = int(present[left]), int(present[left + 1])
        path = past.usual[a : b + 1] + past.departures[:, a : b + 1]
        share = np.linspace(0.0, 1.0, b - a + 1)
        path = path + np.outer(row[0, a] - path[:, 0], 1 - share)
        path = path + np.outer(row[0, b] - path[:, -1], share)
        parts[:, a + 1 : b] = path[:, 1:-1]
        missing += b - a - 1
    return parts, [f"{missing} missing values bridged by past seasons"]


def _slow(values: FloatArray, at: int, per_day: int) -> FloatArray:
    """Mean of the day that ends at an index; shape (member,)."""
    window = values[:, max(0, at - per_day + 1) : at + 1]
    with np.errstate(invalid="ignore"):
        return np.asarray(np.nanmean(window, axis=1))


def _with_forecast(
    base: FloatArray, seam: int, forecast: xr.DataArray, grid: Stamps
) -> tuple[FloatArray, int]:
    """Continue with the forecast, moved so that it goes on where the measured values end.

    What the forecast was off by on the days before is an offset of the site and stays; what it is
    off by at the seam itself fades within the day.
    """
    members = _on(forecast, grid)
    reach = np.flatnonzero(np.isfinite(members).all(axis=0))
    if reach.size == 0:
        return base, seam
    last = int(reach[-1])
    if seam < 0:
        return members, last
    if last <= seam:
        return base, seam
    step = grid[1] - grid[0]
    per_day = int(_DAY / step)
    one = base.mean(axis=0)
    common = [i for i in reach if seam - 7 * per_day < i <= seam and np.isfinite(one[i])]
    count = max(base.shape[0], members.shape[0])
    out = base[np.arange(count) % base.shape[0]].copy()
    ahead = members[np.arange(count) % members.shape[0]]
    after = np.arange(seam + 1, last + 1)
    hours = (grid[after] - grid[seam]) / np.timedelta64(1, "h")
    days = len(common) / per_day
    offset = (
        (one[common] - ahead[:, common].mean(axis=0)).mean() * days / (days + 1) if common else 0.0
    )
    first = int(reach[0])
    at = seam if first <= seam else first
    rest = out[:, seam] - ahead[:, at] - offset
    fade = FADE_WITHIN_DAY_HOURS if common else FADE_DAYS * 24.0
    out[:, after] = ahead[:, after] + offset + rest[:, None] * np.exp(-hours / fade)
    return out, last


def _with_past(
    parts: FloatArray, seam: int, past: PastSeasons, grid: Stamps, step: np.timedelta64
) -> FloatArray:
    """Continue each member with a past season; departures at the seam are carried and fade."""
    per_day = int(_DAY / step)
    seasons = past.departures.shape[0]
    count = max(parts.shape[0], seasons)
    if parts.shape[0] > 1 and seasons > 1:
        # Every season meets several forecasts: a few more members than the larger of the two.
        count = parts.shape[0] * -(-seasons // parts.shape[0])
    mine = np.arange(count) % parts.shape[0]
    theirs = np.arange(count) * seasons // count if count > seasons else np.arange(count) % seasons
    out = parts[mine].copy()
    season = past.usual + past.departures[theirs]
    after = np.arange(seam + 1, grid.size)
    hours = (grid[after] - grid[seam]) / np.timedelta64(1, "h")
    slow = _slow(out, seam, per_day) - _slow(season, seam, per_day)
    fast = out[:, seam] - season[:, seam] - slow
    out[:, after] = (
        season[:, after]
        + slow[:, None] * np.exp(-hours / (24.0 * FADE_DAYS))
        + fast[:, None] * np.exp(-hours / FADE_WITHIN_DAY_HOURS)
    )
    return np.asarray(out)
