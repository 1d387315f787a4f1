"""The weather that drives the soil: one Dataset type for files, services and past years."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import InputError, Place

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
