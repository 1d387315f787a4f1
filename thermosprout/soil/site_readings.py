"""The daily course of a series: its running mean, and the course a quarter of a day later.

Readings of a site, sorted and laid beside a series at their time and depth.

How far a soil temperature series is from a grower's own readings.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.depth import to_depth
from thermosprout.soil.readers.thermometer import COLUMNS
from thermosprout.soil.series import hours_since_epoch, soil_series

QUARTER_H = 6
"""A quarter of a day, by which the part of the swing that is late trails it. [h]"""


def running_mean(values: FloatArray, hours: int) -> FloatArray:
    """Centred running mean along the last axis, shorter at the ends; missing values left out."""
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    zero = np.zeros((*values.shape[:-1], 1))
    total = np.concatenate([zero, np.cumsum(filled, axis=-1)], axis=-1)
    number = np.concatenate([zero, np.cumsum(known, axis=-1)], axis=-1)
    n = values.shape[-1]
    low = np.maximum(np.arange(n) - hours // 2, 0)
    high = np.minimum(np.arange(n) + hours // 2, n)
    count = np.maximum(number[..., high] - number[..., low], 1.0)
    return np.asarray((total[..., high] - total[..., low]) / count)


def trailing(course: FloatArray) -> FloatArray:
    """Daily course a quarter of a day later, along the last axis; zero before it begins."""
    before = np.zeros((*course.shape[:-1], QUARTER_H))
    return np.concatenate([before, course[..., :-QUARTER_H]], axis=-1)


MOST_READINGS = 300
"""More readings than this are thinned evenly: they would say the same again."""
MIDDLE_H = 12.0
"""From the beginning of a day to its middle. [h]"""


class Kind(StrEnum):
    """What a reading is: the value at its instant, or the mean of the day that begins at it."""

    INSTANT = "instant"
    DAY = "day"


def readings_from_series(logger: xr.DataArray, every_h: int = 3) -> pd.DataFrame:
    """Turn an overlapping logger series into readings, thinned to one in ``every_h`` hours."""
    thin = logger.isel(time=slice(None, None, every_h))
    return pd.DataFrame(
        {
            "time_utc": thin["time"].values,
            "depth_cm": 100.0 * float(logger["depth"]),
            "soil_temp_C": thin.values,
        }
    ).dropna()


def kind_of(readings: pd.DataFrame, longitude: float) -> Kind:
    """Tell readings of instants from means of days.

    Nobody reads a thermometer at midnight sharp day after day: stamps that are all at one hour
    within 75 minutes of local solar midnight, one a day, are means of the days they begin.

    Parameters
    ----------
    readings : pandas.DataFrame
        With ``time_utc``.
    longitude : float
        Degrees east.
    """
    if readings.empty:
        return Kind.INSTANT
    stamps = pd.to_datetime(readings["time_utc"], utc=True).dt.tz_localize(None)
    of_day = (stamps - stamps.dt.normalize()).dt.total_seconds() / 3600.0
    if of_day.nunique() > 1 or stamps.dt.normalize().duplicated().any():
        return Kind.INSTANT
    solar = (float(of_day.iloc[0]) + longitude / 15.0 + 12.0) % 24.0 - 12.0
    return Kind.DAY if abs(solar) <= 1.25 else Kind.INSTANT


def series_at_readings(
    series: xr.DataArray, readings: pd.DataFrame, kind: Kind = Kind.INSTANT
) -> tuple[pd.DataFrame, FloatArray]:
    """Readings inside the series, sorted, and the series at their time and depth. [degC]

    Raises
    ------
    InputError, CoverageError
        As :func:`correct`.
    """
    table, at = within(series, checked(readings))
    guess, _ = laid_beside(ensemble_mean(series), table, at, kind)
    return table, guess


def checked(readings: pd.DataFrame) -> pd.DataFrame:
    """Return readings in order of time, naive UTC, without empty ones.

    Raises
    ------
    InputError
        For a missing column, or a value that no soil has.
    """
    missing = [name for name in COLUMNS if name not in readings.columns]
    if missing:
        raise InputError(
            f"readings lack the column {missing[0]!r}", hint=f"columns are {', '.join(COLUMNS)}"
        )
    table = readings.loc[:, list(COLUMNS)].copy()
    stamps = pd.to_datetime(table["time_utc"], utc=True).dt.tz_localize(None)
    table["time_utc"] = stamps.astype("datetime64[ns]")
    table = table.dropna().sort_values("time_utc")
    values = table["soil_temp_C"].astype(float)
    bad = values[(values < -30) | (values > 60)]
    if len(bad):
        raise InputError(
            f"a reading of {bad.iloc[0]:g} °C is not one of soil", hint="readings are in °C"
        )
    return table


def within(series: xr.DataArray, table: pd.DataFrame) -> tuple[pd.DataFrame, FloatArray]:
    """Readings within the series, thinned where they are very many."""
    time = series["time"].values
    at = hours_since_epoch(table["time_utc"].to_numpy()) if len(table) else np.empty(0)
    first, last = hours_since_epoch(time[[0, -1]])
    inside = (at >= first) & (at <= last)
    if len(table) and not inside.any():
        raise CoverageError(
            f"none of the {len(table)} readings falls between {str(time[0])[:10]} and "
            f"{str(time[-1])[:10]}",
            hint="check the year and the time zone of the readings",
        )
    table, at = table[inside], at[inside]
    if at.size > MOST_READINGS:
        pick = np.linspace(0, at.size - 1, MOST_READINGS).round().astype(int)
        table, at = table.iloc[pick], at[pick]
    return table, at


def ensemble_mean(series: xr.DataArray) -> xr.DataArray:
    """Return the weighted mean of the members, or the series itself where it has none."""
    if "member" not in series.dims:
        return series
    weights = series["member_weight"].values
    return soil_series(
        series["time"].values,
        np.tensordot(weights, series.values, axes=(0, 0)),
        depth_cm=100.0 * float(series["depth"]),
        source=series.attrs["source"],
        surface=series.attrs["surface"],
    )


def laid_beside(
    series: xr.DataArray, table: pd.DataFrame, at: FloatArray, kind: Kind
) -> tuple[FloatArray, FloatArray]:
    """Series at the time and depth of each reading, and its daily swing, as it is and trailing."""
    guess, swing = np.full(at.size, np.nan), np.zeros((2, at.size))
    time_h = hours_since_epoch(series["time"].values)
    depths = table["depth_cm"].to_numpy(dtype=float)
    for depth in np.unique(depths):
        moved = to_depth(series, float(depth)).values
        pick = depths == depth
        daily = running_mean(moved, 24)
        if kind is Kind.DAY:
            guess[pick] = np.interp(at[pick] + MIDDLE_H, time_h, daily)
        else:
            guess[pick] = np.interp(at[pick], time_h, moved)
            course = moved - daily
            swing[0, pick] = np.interp(at[pick], time_h, course)
            swing[1, pick] = np.interp(at[pick], time_h, trailing(course))
    return guess, np.nan_to_num(swing)


@dataclass(frozen=True, kw_only=True)
class SeriesCheck:
    """Series against readings.

    Attributes
    ----------
    table : pandas.DataFrame
        ``time_utc``, ``depth_cm``, ``reading_C``, ``series_C`` and ``difference_K`` (series minus
        reading), one line a reading.
    bias_K, rmse_K : float
        Mean and root mean square of the differences.
    outside : int
        Readings that the series does not cover.
    kind : Kind
        How the readings were taken.
    """

    table: pd.DataFrame
    bias_K: float
    rmse_K: float
    outside: int
    kind: Kind

    @property
    def count(self) -> int:
        """Number of readings compared."""
        return len(self.table)


def check_series(
    series: xr.DataArray, readings: pd.DataFrame, *, kind: Kind = Kind.INSTANT
) -> SeriesCheck:
    """Compare a series with readings, each at its own depth and time.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
    readings : pandas.DataFrame
        Columns ``time_utc``, ``depth_cm``, ``soil_temp_C``.
    kind : Kind
        Whether readings are of instants or means of days.

    Raises
    ------
    CoverageError
        When no reading falls into the series.
    """
    table, guess = series_at_readings(series, readings, kind)
    known = np.isfinite(guess)
    if not known.any():
        raise CoverageError("the series has no value at the time of any reading")
    measured = table["soil_temp_C"].to_numpy(dtype=float)[known]
    compared = pd.DataFrame(
        {
            "time_utc": table["time_utc"].to_numpy()[known],
            "depth_cm": table["depth_cm"].to_numpy(dtype=float)[known],
            "reading_C": measured,
            "series_C": guess[known],
            "difference_K": guess[known] - measured,
        }
    )
    difference = compared["difference_K"].to_numpy()
    return SeriesCheck(
        table=compared,
        bias_K=float(difference.mean()),
        rmse_K=float(np.sqrt(np.mean(difference**2))),
        outside=len(readings) - len(compared),
        kind=kind,
    )
