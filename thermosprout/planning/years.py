"""Past years of one long record as members of a coming season."""

from __future__ import annotations

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError

_HELD_SHARE = 0.9


def years_as_members(
    series: xr.DataArray, start: np.datetime64, days: int, *, must_d: int | None = None
) -> xr.DataArray:
    """Cut a record into seasons that begin on one calendar day, one member each.

    Parameters
    ----------
    series : xarray.DataArray, dims (time)
        Hourly; a series that has members already, or that holds the season itself and no other
        year, is cut to the season and returned as it is. [degC]
    start : numpy.datetime64
        First instant of the season wanted (UTC).
    days : int
        Length of the season. [d]
    must_d : int, optional
        Days at its start of which a year must hold nine tenths to count; half the season when
        absent. [d]

    Returns
    -------
    xarray.DataArray, dims (member, time)
        Years are laid over each other by the day of the year. The coordinate ``year`` names
        each member's year; hours a year does not hold are NaN.

    Raises
    ------
    CoverageError
        When no year of the record holds enough of the season.
    """
    must = 24 * (days // 2 if must_d is None else min(must_d, days)) + 1
    first = start.astype("datetime64[h]")
    size = 24 * days + 1
    wanted = first + np.arange(size) * np.timedelta64(1, "h")
    if "member" in series.dims:
        cut = series.sel(time=slice(wanted[0], wanted[-1]))
        if cut.sizes["time"] < _HELD_SHARE * must:
            raise _too_short(series, wanted)
        return cut
    stamps = series["time"].values.astype("datetime64[h]")
    values = series.values.astype(float)
    parts, years = [], []
    month_day = first - first.astype("datetime64[Y]").astype("datetime64[h]")
    for year in range(int(str(stamps[0])[:4]), int(str(stamps[-1])[:4]) + 1):
        begin = np.datetime64(f"{year}-01-01T00", "h") + month_day
        at = ((begin - stamps[0]) / np.timedelta64(1, "h")).astype(int) + np.arange(size)
        inside = (at >= 0) & (at < values.size)
        part = np.where(inside, values[np.clip(at, 0, values.size - 1)], np.nan)
        if np.isfinite(part[:must]).mean() >= _HELD_SHARE:
            parts.append(part)
            years.append(year)
    if not parts:
        raise _too_short(series, wanted)
    attrs = dict(series.attrs)
    if len(years) > 1:
        attrs["source"] = f"{attrs.get('source', 'record')}, years {years[0]} to {years[-1]}"
    result = xr.DataArray(
        np.stack(parts),
        dims=("member", "time"),
        coords={
            "time": wanted.astype("datetime64[ns]"),
            "member": np.arange(len(years)),
            "year": ("member", years),
            "member_weight": ("member", np.full(len(years), 1.0 / len(years))),
        },
        name=series.name,
        attrs=attrs,
    )
    return result if "depth" not in series.coords else result.assign_coords(depth=series["depth"])


def _too_short(series: xr.DataArray, wanted: np.ndarray) -> CoverageError:
    ends = series["time"].values
    return CoverageError(
        f"the record runs from {str(ends[0])[:10]} to {str(ends[-1])[:10]} and holds no season "
        f"from {str(wanted[0])[5:10]} on",
        hint="give a longer record, or ask for a shorter season",
    )
