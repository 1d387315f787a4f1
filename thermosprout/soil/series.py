"""The soil temperature series that flows through the program, and the checks it must pass."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError

SURFACES = ("bare", "grass", "unknown")
"""Ground a series was measured or modelled under."""


def soil_series(
    time: npt.ArrayLike,
    values: npt.ArrayLike,
    *,
    depth_cm: float,
    source: str,
    surface: str = "unknown",
    weights: npt.ArrayLike | None = None,
) -> xr.DataArray:
    """Build the ``soil_temperature`` array that forecasts take.

    Parameters
    ----------
    time : array_like of datetime64, shape (time,)
        UTC instants (naive), hourly; values are the temperature at the instant.
    values : array_like, shape (time,) or (member, time)
        Soil temperature. [degC]
    depth_cm : float
        Depth of the series. [cm]
    source : str
        Where it comes from, in words a grower reads.
    surface : {"bare", "grass", "unknown"}
        Ground it was measured or modelled under.
    weights : array_like, shape (member,), optional
        Odds of the members; equal when absent.

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        With scalar coordinate ``depth`` [m, positive down] and CF attributes.

    Raises
    ------
    InputError
        When shapes do not match, times are not strictly rising, or a value is impossible.
    """
    stamps = np.asarray(time, dtype="datetime64[ns]")
    array = np.asarray(values, dtype=float)
    coords: dict[str, object] = {"time": stamps, "depth": depth_cm / 100.0}
    dims = ("time",)
    if array.ndim == 2:
        dims = ("member", "time")  # type: ignore[assignment]
        coords["member"] = np.arange(array.shape[0])
        odds = np.ones(array.shape[0]) if weights is None else np.asarray(weights, dtype=float)
        coords["member_weight"] = ("member", odds / odds.sum())
    series = xr.DataArray(
        array,
        dims=dims,
        coords=coords,
        name="soil_temperature",
        attrs={
            "units": "degC",
            "standard_name": "soil_temperature",
            "source": source,
            "surface": surface,
        },
    )
    series["depth"].attrs = {"units": "m", "positive": "down", "standard_name": "depth"}
    return check_soil_series(series)


def check_soil_series(series: xr.DataArray) -> xr.DataArray:
    """Return the series, or say what is wrong with it.

    Raises
    ------
    InputError
        When it is not a ``soil_temperature`` array in degC with rising UTC times.
    """
    if "time" not in series.dims or series.sizes["time"] < 2:
        raise InputError("a soil temperature series needs at least two times")
    if series.attrs.get("units") != "degC":
        raise InputError(f"soil temperature must be in degC, found {series.attrs.get('units')!r}")
    if series.attrs.get("surface") not in SURFACES:
        raise InputError(f"surface is one of {', '.join(SURFACES)}")
    steps = np.diff(series["time"].values)
    if (steps <= np.timedelta64(0, "ns")).any():
        raise InputError("the times of a soil temperature series must rise")
    values = series.values[np.isfinite(series.values)]
    if values.size and (values.min() < -60 or values.max() > 75):
        raise InputError(
            f"soil temperature runs from {values.min():.1f} to {values.max():.1f} °C, "
            "which no soil reaches",
            hint="check the unit and the missing-value code",
        )
    return series


def hours_since_epoch(time: npt.ArrayLike) -> FloatArray:
    """UTC instants as hours since 1970-01-01T00:00."""
    stamps = np.asarray(time, dtype="datetime64[ns]")
    return np.asarray(stamps.astype("int64") / 3.6e12)
