"""A few thermometer readings, or a logger for a while, correct a series for its site.

Sward height, shade, soil and slope shift a site by about a degree, which no weather can know. The
correction is an offset and a factor on the daily swing, both held near none when readings are few;
what is left from day to day is a fading memory of the last readings.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.depth import to_depth
from thermosprout.soil.ground import fitted_parameters
from thermosprout.soil.series import hours_since_epoch, soil_series

FloatArray = npt.NDArray[np.float64]

SWING_SD = 0.25
"""Prior sd of the factor on the daily swing. Assumption."""
READING_SD_K = 0.4
"""Of a kitchen or soil thermometer, its depth and its reader. [K] Common practice, no source."""
COLUMNS = ("time_utc", "depth_cm", "soil_temp_C")


@dataclass(frozen=True, kw_only=True)
class Correction:
    """What readings say about a site.

    Attributes
    ----------
    series : xarray.DataArray
        The corrected series; ``attrs["site_sd_K"]`` is the spread that is left.
    offset_K, offset_sd_K : float
    swing, swing_sd : float
        Factor on the daily swing (1 = none) and its sd.
    readings : int
        Number that fell into the series.
    before_bias_K, before_rmse_K : float
        Of the series against the readings before the correction.
    memory_sd_K, memory_d : float
        Day-to-day spread that remains [K] and its memory [d].
    """

    series: xr.DataArray
    offset_K: float
    offset_sd_K: float
    swing: float
    swing_sd: float
    readings: int
    before_bias_K: float
    before_rmse_K: float
    memory_sd_K: float
    memory_d: float

    def sentence(self) -> str:
        """Plain words for the grower."""
        if not self.readings:
            return f"no readings: a site like yours may differ by ± {self.offset_sd_K:.1f} °C"
        return (
            f"{self.readings} readings: shifted by {self.offset_K:+.1f} ± {self.offset_sd_K:.1f} "
            f"°C, daily swing x {self.swing:.2f}"
        )


def site_spread(series: xr.DataArray) -> float:
    """Spread of an unknown site about a series, to be drawn once per forecast draw. [K]"""
    given = series.attrs.get("site_sd_K")
    return float(given) if given is not None else fitted_parameters().site_sd_K


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


def correct(
    series: xr.DataArray, readings: pd.DataFrame, *, reading_sd_K: float = READING_SD_K
) -> Correction:
    """Correct a series by readings taken on the spot.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Modelled or service series.
    readings : pandas.DataFrame
        Columns ``time_utc`` (naive UTC or with zone), ``depth_cm``, ``soil_temp_C``.
    reading_sd_K : float
        Error of a reading. [K]

    Returns
    -------
    Correction

    Raises
    ------
    InputError
        For missing columns or values that no soil has.
    CoverageError
        When there are readings but none falls into the series.

    Notes
    -----
    Generalised least squares with normal priors: offset N(0, site_sd), swing factor N(1, 0.25),
    day-to-day error with exponentially fading correlation and white reading error. The fading part
    is predicted beyond the readings too (simple kriging), so it matters for days, not for weeks.
    """
    numbers = fitted_parameters()
    table = _checked(readings)
    prior_sd = site_spread(series)
    sd, memory = numbers.daily_sd_K, numbers.daily_memory_d
    time_h = hours_since_epoch(series["time"].values)
    at = hours_since_epoch(table["time_utc"].to_numpy()) if len(table) else np.empty(0)
    inside = (at >= time_h[0]) & (at <= time_h[-1])
    if len(table) and not inside.any():
        raise CoverageError(
            f"none of the {len(table)} readings falls between "
            f"{str(series['time'].values[0])[:10]} and {str(series['time'].values[-1])[:10]}",
            hint="check the year and the time zone of the readings",
        )
    table, at = table[inside], at[inside]
    centre = _ensemble_mean(series)
    guess, swing = _at_readings(centre, table, at)
    known = np.isfinite(guess)
    table, at, guess, swing = table[known], at[known], guess[known], swing[known]
    residual = table["soil_temp_C"].to_numpy(dtype=float) - guess
    count = residual.size
    if not count:
        left = _attach(series, series.values, prior_sd, sd, memory, series.attrs["source"])
        return Correction(
            series=left,
            offset_K=0.0,
            offset_sd_K=prior_sd,
            swing=1.0,
            swing_sd=SWING_SD,
            readings=0,
            before_bias_K=float("nan"),
            before_rmse_K=float("nan"),
            memory_sd_K=sd,
            memory_d=memory,
        )
    design = np.stack([np.ones(count), swing], axis=1)
    fading = sd**2 * np.exp(-np.abs(at[:, None] - at[None, :]) / 24.0 / memory)
    noise = fading + reading_sd_K**2 * np.eye(count)
    solved = np.linalg.solve(noise, np.column_stack([design, residual]))
    precision = design.T @ solved[:, :2] + np.diag([1.0 / prior_sd**2, 1.0 / SWING_SD**2])
    covariance = np.linalg.inv(precision)
    mean = covariance @ (design.T @ solved[:, 2])
    weights = np.linalg.solve(noise, residual - design @ mean)
    fade = np.zeros(time_h.size)
    for instant, weight in zip(at, weights, strict=True):
        fade += weight * sd**2 * np.exp(-np.abs(time_h - instant) / 24.0 / memory)
    values = series.values
    daily = running_mean(values, 24)
    corrected = daily + (1.0 + mean[1]) * (values - daily) + mean[0] + fade
    source = f"{series.attrs['source']}, corrected by {count} readings"
    offset_sd = float(np.sqrt(covariance[0, 0]))
    return Correction(
        series=_attach(series, corrected, offset_sd, sd, memory, source),
        offset_K=float(mean[0]),
        offset_sd_K=offset_sd,
        swing=float(1.0 + mean[1]),
        swing_sd=float(np.sqrt(covariance[1, 1])),
        readings=count,
        before_bias_K=float(-residual.mean()),
        before_rmse_K=float(np.sqrt(np.mean(residual**2))),
        memory_sd_K=sd,
        memory_d=memory,
    )


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


def _checked(readings: pd.DataFrame) -> pd.DataFrame:
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


def _ensemble_mean(series: xr.DataArray) -> xr.DataArray:
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


def _at_readings(
    series: xr.DataArray, table: pd.DataFrame, at: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Series and its daily swing at the time and depth of each reading."""
    guess, swing = np.full(at.size, np.nan), np.full(at.size, np.nan)
    time_h = hours_since_epoch(series["time"].values)
    depths = table["depth_cm"].to_numpy(dtype=float)
    for depth in np.unique(depths):
        moved = to_depth(series, float(depth)).values
        pick = depths == depth
        guess[pick] = np.interp(at[pick], time_h, moved)
        swing[pick] = np.interp(at[pick], time_h, moved - running_mean(moved, 24))
    return guess, swing


def _attach(
    series: xr.DataArray,
    values: FloatArray,
    offset_sd: float,
    sd: float,
    memory: float,
    source: str,
) -> xr.DataArray:
    out = series.copy(data=values)
    out.attrs = dict(series.attrs)
    out.attrs.update(
        source=source,
        site_sd_K=float(offset_sd),
        daily_sd_K=float(sd),
        daily_memory_d=float(memory),
    )
    return out
