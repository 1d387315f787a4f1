"""The types that flow through the program: a soil temperature series and hourly weather.

:func:`soil_series` and :func:`weather_dataset` build and check them, :func:`series_in_memory` takes
xarray arrays and pandas series with a time index; the writers make the files that other commands
read back.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.dates import read_zone
from thermosprout.errors import InputError, Place
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import fitted_parameters
from thermosprout.soil.readers.find_columns import cf_unit, to_celsius
from thermosprout.soil.readers.to_hourly import (
    SPARSEST_HOURS,
    step_in_words,
    step_of,
    to_hourly,
)

if TYPE_CHECKING:
    import pandas as pd

Stamps = npt.NDArray[np.datetime64]
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
    array = np.asarray(values, dtype=float)
    series = xr.DataArray(
        array,
        dims=("member", "time")[-array.ndim :],
        coords={"time": np.asarray(time, dtype="datetime64[ns]"), "depth": depth_cm / 100.0},
        name="soil_temperature",
        attrs={
            "units": "degC",
            "standard_name": "soil_temperature",
            "source": source,
            "surface": surface,
        },
    )
    if array.ndim == 2:
        odds = np.ones(array.shape[0]) if weights is None else np.asarray(weights, dtype=float)
        series = series.assign_coords(
            member=np.arange(odds.size), member_weight=("member", odds / odds.sum())
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


def site_spread(series: xr.DataArray) -> float:
    """Spread of an unknown site about a series under :data:`SITE_SUN_W_M2` of sun. [K]

    Drawn once per forecast draw and scaled by :func:`site_scale` through the season.
    """
    spread = series.attrs.get("site_sd_K")
    return float(spread) if spread is not None else fitted_parameters().site_sd_K


SITE_SUN_W_M2 = 400.0
"""Sun above the atmosphere under which sites differ by ``attrs["site_sd_K"]``: the mean of a day
in late April at 45 degrees. [W m-2]"""
LEAST_SITE_SCALE = 0.3
"""Of what sites differ by under that sun, this much is left in the dark of winter. Assumption."""


def site_scale(series: xr.DataArray) -> FloatArray:
    """How much sites differ at each time, over ``attrs["site_sd_K"]``; shape (time,).

    One throughout where ``attrs["site_latitude"]`` does not say whose sun it is.
    """
    time, latitude = series["time"].values, series.attrs.get("site_latitude")
    return np.ones(time.size) if latitude is None else sun_scale(time, float(latitude))


def sun_scale(time: Stamps, latitude: float) -> FloatArray:
    """Sun above the atmosphere on the day of each time, over :data:`SITE_SUN_W_M2`.

    Sward, shade and soil act through the sun that they take up, so that sites differ more in June
    than in March. The sun of a day is that of FAO-56 eq. 21 (from memory).
    """
    day = 1.0 + (time - time.astype("datetime64[Y]")) / np.timedelta64(1, "D")
    year = 2.0 * np.pi / 365.0 * day
    north, tilt = np.radians(latitude), 0.409 * np.sin(year - 1.39)
    sunset = np.arccos(np.clip(-np.tan(north) * np.tan(tilt), -1.0, 1.0))
    shine = sunset * np.sin(north) * np.sin(tilt) + np.cos(north) * np.cos(tilt) * np.sin(sunset)
    sun = 1361.0 / np.pi * (1.0 + 0.033 * np.cos(year)) * shine
    return np.asarray(np.maximum(sun / SITE_SUN_W_M2, LEAST_SITE_SCALE))


VARIABLES: dict[str, tuple[str, str, str]] = {
    "air_temperature": ("degC", "air_temperature", "air_temp_C"),
    "ghi": ("W m-2", "surface_downwelling_shortwave_flux_in_air", "ghi_W_m2"),
    "precipitation": ("mm", "precipitation_amount", "precip_mm"),
    "relative_humidity": ("%", "relative_humidity", "relative_humidity_pct"),
    "wind_speed": ("m s-1", "wind_speed", "wind_speed_m_s"),
}
"""Name of each variable: its unit, its CF standard name and its column in a file."""


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
        units, standard_name, _ = VARIABLES[name]
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


def distance_km(
    latitude: npt.ArrayLike, longitude: npt.ArrayLike, north: npt.ArrayLike, east: npt.ArrayLike
) -> FloatArray:
    """Great-circle distance between two places, or two arrays of them, in degrees. [km]"""
    a, b, c = (np.radians(np.asarray(x)) for x in (latitude, north, np.subtract(longitude, east)))
    half = np.sin((a - b) / 2) ** 2 + np.cos(a) * np.cos(b) * np.sin(c / 2) ** 2
    return np.asarray(2 * 6371.0 * np.arcsin(np.sqrt(np.clip(half, 0.0, 1.0))))


def soil_csv(series: xr.DataArray) -> str:
    """Series as ``time_utc,soil_temp_C``, an empty cell where a value is missing.

    Raises
    ------
    InputError
        When the series has members.
    """
    return _csv("soil temperature", series.to_dataset(name="soil_temp_C"))


def weather_csv(weather: xr.Dataset) -> str:
    """Hourly weather with columns named by quantity and unit.

    Raises
    ------
    InputError
        When the weather has members.
    """
    names = {name: column for name, (_, _, column) in VARIABLES.items() if name in weather}
    return _csv("weather", weather[list(names)].rename(names))


def _csv(what: str, data: xr.Dataset) -> str:
    if "member" in data.dims:
        raise InputError(f"a {what} file holds one series, this one has members")
    columns = [np.round(array.values.astype(float), 3) for array in data.data_vars.values()]
    stamps = np.datetime_as_string(data["time"].values, unit="m")
    lines = [",".join(["time_utc", *map(str, data.data_vars)])]
    lines += [
        ",".join([f"{stamp}Z", *("" if np.isnan(value) else f"{value:g}" for value in values)])
        for stamp, *values in zip(stamps, *columns, strict=True)
    ]
    return "\n".join(lines) + "\n"


def series_in_memory(
    data: xr.DataArray | xr.Dataset | pd.Series,
    *,
    depth_cm: float | None = None,
    timezone: str | None = None,
    surface: str = "unknown",
    source: str = "",
) -> xr.DataArray:
    """Turn an array or a series into the hourly soil temperature that forecasts take.

    Parameters
    ----------
    data : xarray.DataArray, xarray.Dataset or pandas.Series
        Temperature over time. xarray: dims ([member,] time), times in UTC, units in the attribute
        ``units``; of a Dataset the variable ``soil_temperature`` or its only one. pandas: a
        DatetimeIndex, in degC unless ``attrs["units"]`` says otherwise.
    depth_cm : float, optional
        Depth of the sensor; the coordinate ``depth`` [m] when absent, else taken as seed depth.
    timezone : str, optional
        Zone of a pandas index that carries none.
    surface : {"bare", "grass", "unknown"}
        Ground over the sensor; the attribute ``surface`` where there is one.
    source : str
        Where it comes from, in words a grower reads.

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        Hourly, in UTC. [degC]

    Raises
    ------
    InputError
        For another type, dimension or unit, for times that are naive, unsorted or too far apart,
        and for a series without values.
    """
    weights: FloatArray | None = None
    attrs: dict[str, Any] = {}
    if isinstance(data, xr.Dataset | xr.DataArray):
        array = _variable(data)
        if "time" not in array.dims or set(array.dims) - {"time", "member"}:
            raise InputError(
                f"the soil temperature has the dimensions {', '.join(map(str, array.dims))}; "
                "expected time, or member and time"
            )
        time = array["time"].values
        values = array.transpose(..., "time").values
        units, name = array.attrs.get("units"), str(array.attrs.get("source", ""))
        attrs = {key: value for key, value in array.attrs.items() if key != "units"}
        surface = str(attrs.pop("surface", surface))
        if depth_cm is None and "depth" in array.coords and array["depth"].size == 1:
            depth_cm = 100.0 * float(array["depth"])
        if "member_weight" in array.coords:
            weights = np.asarray(array["member_weight"].values, dtype=float)
    else:
        time, values, units = _of_pandas(data, timezone)
        name = str(data.name or "")
    hours, hourly = _hourly(time, values, units)
    series = soil_series(
        hours,
        hourly,
        depth_cm=float("nan") if depth_cm is None else depth_cm,
        source=source or name or "series given",
        surface=surface,
        weights=weights,
    )
    # What a series of ours says of itself, such as the spread of its site, stays with it.
    return series.assign_attrs({**attrs, **series.attrs})


def _variable(data: xr.Dataset | xr.DataArray) -> xr.DataArray:
    if isinstance(data, xr.DataArray):
        return data
    names = [str(name) for name in data.data_vars]
    if "soil_temperature" in names or len(names) == 1:
        return data["soil_temperature" if "soil_temperature" in names else names[0]]
    raise InputError(
        f"the Dataset holds {', '.join(names) or 'no variable'}; expected soil_temperature",
        hint="pass one variable, as data['...']",
    )


def _of_pandas(data: pd.Series, timezone: str | None) -> tuple[Stamps, npt.NDArray[Any], Any]:
    import pandas as pd

    if not isinstance(data, pd.Series):
        raise InputError(
            f"soil temperature cannot be taken from {type(data).__name__}; expected a pandas "
            "Series or an xarray DataArray",
            hint="of a DataFrame pass one column, as frame['soil_temp_C']",
        )
    index = data.index
    if not isinstance(index, pd.DatetimeIndex):
        raise InputError(
            f"the index of the series is {type(index).__name__}; expected times",
            hint="set it with pandas.to_datetime",
        )
    if index.tz is None:
        if timezone is None:
            raise InputError(
                "the times of the series carry no time zone",
                hint='give timezone="Europe/London", or "UTC"',
            )
        index = index.tz_localize(read_zone(timezone), ambiguous="NaT", nonexistent="NaT")
    stamps = index.tz_convert("UTC").tz_localize(None)
    valid = ~np.asarray(stamps.isna())
    return stamps.values[valid], data.to_numpy()[valid], data.attrs.get("units", "degC")


def _hourly(time: npt.NDArray[Any], values: npt.NDArray[Any], units: Any) -> tuple[Stamps, Any]:
    """Times on the UTC hour and values in degC, or what is wrong with either."""
    if not np.issubdtype(time.dtype, np.datetime64):
        raise InputError(f"the times are {time.dtype}; expected datetime64 in UTC")
    if time.size < 2:
        raise InputError(f"the soil temperature has {time.size} times; expected two or more")
    celsius = celsius_values(time, values, units, "the soil temperature")
    if not np.isfinite(celsius).any():
        raise InputError("the soil temperature holds no value")
    stamps = time.astype("datetime64[ns]")
    members = [to_hourly(stamps, member) for member in np.atleast_2d(celsius)]
    hourly = np.stack([member.values for member in members])
    return members[0].time, hourly if celsius.ndim == 2 else hourly[0]


def celsius_values(time: Stamps, values: npt.NDArray[Any], units: object, name: str) -> FloatArray:
    """Values in degC at times that show the course of a day.

    Raises
    ------
    InputError
        For times that do not rise or lie too far apart, values that are no numbers, another unit.
    """
    if not (np.diff(time) > np.timedelta64(0, "ns")).all():
        raise InputError("the times are not sorted, or some stand twice", hint="sort by time")
    try:
        numbers = np.asarray(values, dtype=float)
    except (TypeError, ValueError):
        raise InputError(f"{name} holds text; expected numbers") from None
    unit = cf_unit(units)
    if unit is None:
        which = "no units" if units is None else f"the units {units!r}"
        raise InputError(
            f"{name} has {which}; expected degC, K or degF", hint="set its attribute 'units'"
        )
    if step_of(time) > SPARSEST_HOURS * 3600:
        raise InputError(
            f"values every {step_in_words(step_of(time))} are too far apart for a series",
            hint=f"give them every {SPARSEST_HOURS} hours or finer",
        )
    return to_celsius(numbers, unit)
