"""The types that flow through the program: a soil temperature series and hourly weather.

:func:`soil_series` and :func:`weather_dataset` build and check them; the writers make the files
that other commands read back.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError, Place

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


VARIABLES: dict[str, tuple[str, str]] = {
    "air_temperature": ("degC", "air_temperature"),
    "ghi": ("W m-2", "surface_downwelling_shortwave_flux_in_air"),
    "precipitation": ("mm", "precipitation_amount"),
    "relative_humidity": ("%", "relative_humidity"),
    "wind_speed": ("m s-1", "wind_speed"),
}
"""Name of each variable, its unit and its CF standard name."""


def weather_dataset(
    time: npt.ArrayLike,
    *,
    source: str,
    latitude: float,
    longitude: float,
    elevation_m: float | None = None,
    **variables: npt.ArrayLike,
) -> xr.Dataset:
    """Build the hourly weather Dataset.

    Parameters
    ----------
    time : array_like of datetime64, shape (time,)
        UTC instants (naive), hourly. Temperatures, humidity and wind are values at the instant;
        ``ghi`` is the mean and ``precipitation`` the sum over the hour that *begins* at it.
    source : str
        Where the weather comes from, in words a grower reads.
    latitude, longitude : float
        Degrees north and east.
    elevation_m : float, optional
        Height above sea level. [m]
    **variables : array_like, shape (time,) or (member, time)
        Any of :data:`VARIABLES`; ``air_temperature`` is required.

    Returns
    -------
    xarray.Dataset, dims ([member,] time)

    Raises
    ------
    InputError
        For unknown variables, a place that is none, a missing air temperature or shapes that do
        not match.
    """
    unknown = sorted(set(variables) - set(VARIABLES))
    if unknown:
        raise InputError(f"unknown weather variable {unknown[0]!r}")
    if "air_temperature" not in variables:
        raise InputError("weather without air temperature cannot drive the soil")
    require_on_earth(latitude, longitude)
    stamps = np.asarray(time, dtype="datetime64[ns]")
    data: dict[str, Any] = {}
    for name, values in variables.items():
        array = np.asarray(values, dtype=float)
        dims = ("time",) if array.ndim == 1 else ("member", "time")
        if array.shape[-1] != stamps.size:
            raise InputError(f"{name} has {array.shape[-1]} values for {stamps.size} times")
        units, standard_name = VARIABLES[name]
        data[name] = (dims, array, {"units": units, "standard_name": standard_name})
    attrs: dict[str, Any] = {"source": source, "latitude": latitude, "longitude": longitude}
    if elevation_m is not None:
        attrs["elevation_m"] = elevation_m
    return xr.Dataset(data, coords={"time": stamps}, attrs=attrs)


def require_on_earth(latitude: float, longitude: float, place: Place | None = None) -> None:
    """Check a latitude of -90 to 90 and a longitude of -180 to 360 degrees; NaN is not known.

    Raises
    ------
    InputError
        When no place lies there; ``place`` is where it was written.
    """
    if abs(latitude) > 90 or not -180 <= (0.0 if np.isnan(longitude) else longitude) <= 360:
        raise InputError(
            f"no place lies at latitude {latitude:g}, longitude {longitude:g}", place=place
        )


WEATHER_COLUMNS = {
    "air_temperature": "air_temp_C",
    "ghi": "ghi_W_m2",
    "precipitation": "precip_mm",
    "relative_humidity": "relative_humidity_pct",
    "wind_speed": "wind_speed_m_s",
}


def soil_csv(series: xr.DataArray) -> str:
    """Series as ``time_utc,soil_temp_C``, an empty cell where a value is missing.

    Raises
    ------
    InputError
        When the series has members.
    """
    if series.ndim != 1:
        raise InputError("a soil temperature file holds one series, this one has members")
    lines = ["time_utc,soil_temp_C"]
    lines += _rows(series["time"].values, [series.values])
    return "\n".join(lines) + "\n"


def weather_csv(weather: xr.Dataset) -> str:
    """Hourly weather with columns named by quantity and unit.

    Raises
    ------
    InputError
        When the weather has members.
    """
    if "member" in weather.dims:
        raise InputError("a weather file holds one series, this one has members")
    names = [name for name in WEATHER_COLUMNS if name in weather]
    lines = [",".join(["time_utc", *(WEATHER_COLUMNS[name] for name in names)])]
    lines += _rows(weather["time"].values, [weather[name].values for name in names])
    return "\n".join(lines) + "\n"


def _rows(time: np.ndarray, columns: list[np.ndarray]) -> list[str]:
    stamps = np.datetime_as_string(time, unit="m")
    rounded = [np.round(column.astype(float), 3) for column in columns]
    return [
        ",".join([f"{stamp}Z", *("" if np.isnan(value) else f"{value:g}" for value in values)])
        for stamp, *values in zip(stamps, *rounded, strict=True)
    ]
