"""One soil temperature series per member: measured to now, the forecast, then past seasons.

Past seasons carry the spread of what weather can come. Each is taken as its departure from the
usual course of the year and joined where the known part ends: the departure at the seam is carried
over and fades, so nothing jumps and the spread grows from none to that of the climate.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import soil_series
from thermosprout.weather.past_years import PastSeasons, as_list, past_seasons, step_of, to_ns

Stamps = npt.NDArray[np.datetime64]

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
    step = step_of(max(inputs, key=lambda part: part.sizes["time"]))
    grid = np.arange(to_ns(start), to_ns(end) + step, step)
    notes: list[str] = []
    row, seam = _measured_part(measured, grid, to_ns(now))
    past, base = None, row
    series = as_list(past_years)
    if series:
        past, base, words = _past_and_bridged(series, grid, row, seam)
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
    first = int(np.argmax(np.isfinite(parts).any(axis=0)))
    source = str(inputs[0].attrs.get("source", "soil temperature"))
    out = soil_series(
        grid[first : seam + 1],
        parts[:, first : seam + 1],
        depth_cm=100.0 * float(inputs[0].coords.get("depth", np.nan)),
        source=source,
        surface=str(inputs[0].attrs.get("surface", "unknown")),
    )
    out.attrs["notes"] = "; ".join(notes)
    for key in ("site_sd_K", "cover", "moisture", "attribution"):
        if key in inputs[0].attrs:
            out.attrs[key] = inputs[0].attrs[key]
    return out


def _on(series: xr.DataArray, grid: Stamps) -> FloatArray:
    """Values at the grid's times, NaN elsewhere; shape (member, time)."""
    values = np.atleast_2d(np.asarray(series.values, dtype=float))
    time = series["time"].values.astype("datetime64[ns]")
    at = np.searchsorted(time, grid)
    inside = np.clip(at, 0, time.size - 1)
    hit = time[inside] == grid
    return np.where(hit, values[:, inside], np.nan)


def _measured_part(
    measured: xr.DataArray | None, grid: Stamps, now: np.datetime64
) -> tuple[FloatArray, int]:
    """Measured values on the grid, shape (1, time), and the index of the last one or -1."""
    if measured is None:
        return np.full((1, grid.size), np.nan), -1
    row = _on(measured, grid)[:1]
    row[:, grid > now] = np.nan
    present = np.flatnonzero(np.isfinite(row[0]))
    return row, int(present[-1]) if present.size else -1


def _past_and_bridged(
    series: Sequence[xr.DataArray], grid: Stamps, row: FloatArray, seam: int
) -> tuple[PastSeasons, FloatArray, list[str]]:
    """Past seasons from the day before the seam on, or from the first hole, which they bridge."""
    per_day = int(np.timedelta64(1, "D") / (grid[1] - grid[0]))
    begin = max(0, seam - per_day) if seam >= 0 else 0
    present = np.flatnonzero(np.isfinite(row[0]))
    lefts = present[:-1][np.diff(present) > 1] if present.size else present
    if lefts.size and lefts[0] < begin:
        try:
            past = _padded(past_seasons(series, grid[lefts[0] :]), int(lefts[0]))
            return past, *_bridged(row, present, past)
        except CoverageError:
            past = _padded(past_seasons(series, grid[begin:]), begin)
            return past, row, ["past seasons do not reach back to the holes, which stay empty"]
    past = _padded(past_seasons(series, grid[begin:]), begin)
    return past, *_bridged(row, present, past)


def _padded(past: PastSeasons, before: int) -> PastSeasons:
    return PastSeasons(
        usual=np.concatenate([np.full(before, np.nan), past.usual]),
        departures=np.pad(past.departures, ((0, 0), (before, 0)), constant_values=np.nan),
        years=past.years,
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
    per_day = int(np.timedelta64(1, "D") / step)
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
    per_day = int(np.timedelta64(1, "D") / step)
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
