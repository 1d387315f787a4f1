"""Past years of one long record as members of a coming season."""

from __future__ import annotations

import numpy as np
import xarray as xr

from thermosprout.arrays import FloatArray, IntArray
from thermosprout.errors import CoverageError

_HELD_SHARE = 0.9


def years_as_members(
    series: xr.DataArray,
    start: np.datetime64,
    days: int,
    *,
    must_d: int | None = None,
    slowing: FloatArray | None = None,
) -> tuple[xr.DataArray, FloatArray | None]:
    """Cut a record into seasons that begin on one calendar day, one member each.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Hourly; a series whose members differ is cut to the season and its members kept. [degC]
    start : numpy.datetime64
        First instant of the season (UTC).
    days : int
        Length of the season. [d]
    must_d : int, optional
        Days at its start of which a year must hold nine tenths to count; half the season when
        absent. [d]
    slowing : ndarray of the shape of series, optional
        Factor on progress in drying soil; members of one temperature differ in it alone.

    Returns
    -------
    series : xarray.DataArray, dims (member, time)
        Years are laid over each other by the day of the year. The coordinate ``year`` names
        each member's year; hours a year does not hold are NaN.
    slowing : ndarray, shape (member, time), or None
        Cut alike.

    Raises
    ------
    CoverageError
        When no year of the record holds enough of the season.
    """
    must = 24 * (days // 2 if must_d is None else min(must_d, days)) + 1
    first = start.astype("datetime64[h]")
    size = 24 * days + 1
    season = first + np.arange(size) * np.timedelta64(1, "h")
    values = np.atleast_2d(series.values.astype(float))
    factors = None if slowing is None else np.broadcast_to(slowing, values.shape)
    stamps = series["time"].values.astype("datetime64[h]")
    if not (values[1:] == values[:1]).all():
        inside = (stamps >= season[0]) & (stamps <= season[-1])
        if inside.sum() < _HELD_SHARE * must:
            raise _too_short(series, season)
        return series.isel(time=inside), None if factors is None else factors[:, inside]
    month_day = first - first.astype("datetime64[Y]").astype("datetime64[h]")
    years, places = [], []
    for year in range(int(str(stamps[0])[:4]), int(str(stamps[-1])[:4]) + 1):
        begin = np.datetime64(f"{year}-01-01T00", "h") + month_day
        place = ((begin - stamps[0]) / np.timedelta64(1, "h")).astype(int) + np.arange(size)
        if np.isfinite(_at(values[0], place)[:must]).mean() >= _HELD_SHARE:
            years.append(year)
            places.append(place)
    if not years:
        raise _too_short(series, season)
    attrs = dict(series.attrs)
    if len(years) > 1:
        attrs["source"] = f"{attrs.get('source', 'record')}, years {years[0]} to {years[-1]}"
    # Few years are each seen at every level of drought; many take the levels in turn.
    levels = 1 if factors is None else factors.shape[0]
    members = len(years) * (levels if len(years) < levels else 1)
    year_of = np.arange(members) % len(years)
    level_of = np.arange(members) // len(years) if members > len(years) else year_of % levels
    cut = xr.DataArray(
        np.stack([_at(values[0], place) for place in places])[year_of],
        dims=("member", "time"),
        coords={
            "time": season.astype("datetime64[ns]"),
            "member": np.arange(members),
            "year": ("member", np.array(years)[year_of]),
            "member_weight": ("member", np.full(members, 1.0 / members)),
        },
        name=series.name,
        attrs=attrs,
    )
    if "depth" in series.coords:
        cut = cut.assign_coords(depth=series["depth"])
    if factors is None:
        return cut, None
    slow = np.stack([_at(factors[level_of[m]], places[year_of[m]], 1.0) for m in range(members)])
    return cut, slow


def _at(values: FloatArray, place: IntArray, beyond: float = np.nan) -> FloatArray:
    """Values at places in a row, another one beyond its ends."""
    inside = (place >= 0) & (place < values.size)
    return np.where(inside, values[np.clip(place, 0, values.size - 1)], beyond)


def _too_short(series: xr.DataArray, season: np.ndarray) -> CoverageError:
    ends = series["time"].values
    return CoverageError(
        f"the record runs from {str(ends[0])[:10]} to {str(ends[-1])[:10]} and holds no season "
        f"from {str(season[0])[5:10]} on",
        hint="give a longer record, or ask for a shorter season",
    )
