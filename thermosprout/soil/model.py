"""Soil temperature at seed depth from weather: the physics between air and seed.

Surface energy balance (:mod:`~thermosprout.soil.energy`), daily water balance
(:mod:`~thermosprout.soil.balance`) and conduction (:mod:`~thermosprout.soil.conduction`) with
numbers that hold for all sites (:mod:`~thermosprout.soil.ground`).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.balance import saturation_pressure
from thermosprout.soil.climate import yearly_course
from thermosprout.soil.diurnal import radiation_from_range, sun
from thermosprout.soil.drive import DAY, Driven, Weather, drive
from thermosprout.soil.ground import GroundParameters, fitted_parameters
from thermosprout.soil.series import soil_series
from thermosprout.soil.surfaces import COVERS, Cover
from thermosprout.soil.texture import LOAM, SoilType

FloatArray = npt.NDArray[np.float64]
Surface = Literal["grass", "bare"]

DEPTHS_CM = (0.5, 30.0)
"""Depths that the model answers for. [cm]"""
LONGEST_GAP_H = 72
"""Holes in the weather up to this long are bridged by a straight line, and said. [h]"""
USUAL_WIND = 3.0
"""Wind at 10 m that the fitted exchange stands for. [m s-1] Assumption."""


def soil_temperature(
    weather: xr.Dataset,
    *,
    depth_cm: float | Sequence[float],
    surface: Surface,
    cover: Cover | None = None,
    soil: SoilType = LOAM,
    watering: xr.DataArray | None = None,
    watering_C: float = 10.0,
    ground: GroundParameters | None = None,
) -> xr.DataArray:
    """Model soil temperature from hourly weather.

    Parameters
    ----------
    weather : xarray.Dataset, dims ([member,] time)
        As built by :func:`thermosprout.soil.forcing.weather_dataset`: air temperature and, where
        known, radiation, precipitation, humidity and wind (at 10 m). Without radiation it follows
        from the daily temperature range; without precipitation the soil is taken as fairly moist.
    depth_cm : float or sequence of float
        0.5 to 30. [cm]
    surface : {"grass", "bare"}
    cover : Cover, optional
        Cover on the bed, from :data:`thermosprout.soil.surfaces.COVERS`.
    soil : SoilType
    watering : xarray.DataArray, dims (time,), optional
        Watering in the hour that begins at each time. [mm]
    watering_C : float
        Temperature of that water. [degC]
    ground : GroundParameters, optional
        The fitted global parameters where absent.

    Returns
    -------
    xarray.DataArray, dims ([member,] time), or (depth, [member,] time) for several depths
        Hourly soil temperature at the times of the weather. [degC] ``attrs`` hold ``source``,
        ``surface``, ``cover``, ``site_sd_K`` (spread of unknown sites) and ``notes``.

    Raises
    ------
    InputError
        For a depth, surface or weather that the model cannot take.
    CoverageError
        When the weather has a hole too long to bridge, or less than two days.
    """
    depths = tuple(float(d) for d in np.atleast_1d(np.asarray(depth_cm, dtype=float)))
    for depth in depths:
        if not DEPTHS_CM[0] <= depth <= DEPTHS_CM[1]:
            raise InputError(
                f"depth {depth:g} cm is outside {DEPTHS_CM[0]:g} to {DEPTHS_CM[1]:g} cm, "
                "for which the soil model is made"
            )
    if surface not in ("grass", "bare"):
        raise InputError(f"surface {surface!r} is unknown", hint='use "grass" or "bare"')
    numbers = fitted_parameters() if ground is None else ground
    lid = COVERS["none"] if cover is None else cover
    driven, notes = drive_dataset(
        weather,
        depths_cm=depths,
        surface=surface,
        cover=lid,
        soil=soil,
        watering=watering,
        watering_C=watering_C,
        ground=numbers,
    )
    size = weather.sizes["time"]
    values = driven.temperature[:, :, :size]
    has_members = "member" in weather["air_temperature"].dims
    source = f"modelled from {weather.attrs.get('source', 'weather')}"
    if lid.name != "none":
        source += f", under {lid.name}"
    fields = [
        soil_series(
            weather["time"].values,
            values[i] if has_members else values[i, 0],
            depth_cm=depth,
            source=source,
            surface=surface,
            weights=weather["member_weight"].values if "member_weight" in weather.coords else None,
        )
        for i, depth in enumerate(depths)
    ]
    for field in fields:
        field.attrs.update(
            cover=lid.name,
            site_sd_K=numbers.site_sd_K,
            notes="; ".join(notes),
            moisture="daily balance" if "precipitation" in weather else "assumed moist",
        )
    if np.ndim(depth_cm) == 0:
        return fields[0]
    joined = xr.concat(fields, dim="depth")
    joined.attrs = dict(fields[0].attrs)
    return joined


def drive_dataset(
    weather: xr.Dataset,
    *,
    depths_cm: tuple[float, ...],
    surface: str,
    cover: Cover,
    soil: SoilType,
    ground: GroundParameters,
    watering: xr.DataArray | None = None,
    watering_C: float = 10.0,
) -> tuple[Driven, list[str]]:
    """Run the model on a Dataset; the last part of a day is filled up and cut off by the caller.

    Returns
    -------
    driven : Driven
        ``temperature`` has at least as many hours as the weather.
    notes : list of str
        What was bridged, guessed or assumed.
    """
    inputs, notes = weather_arrays(weather, watering=watering, watering_C=watering_C)
    first = weather["time"].values[0].astype("datetime64[D]")
    day_of_year = float((first - first.astype("datetime64[Y]")).astype(int)) + 1.0
    daily = inputs.air.reshape(inputs.air.shape[0], -1, DAY).mean(axis=2)
    driven = drive(
        inputs,
        depths_cm=depths_cm,
        surface=surface,
        cover=cover,
        texture=soil.name,
        ground=ground,
        course=yearly_course(daily, day_of_year, float(weather.attrs["latitude"])),
        day_of_year=day_of_year,
    )
    return driven, notes


def weather_arrays(
    weather: xr.Dataset, *, watering: xr.DataArray | None = None, watering_C: float = 10.0
) -> tuple[Weather, list[str]]:
    """Turn a Dataset into arrays of whole days; short holes are bridged, what is absent is guessed.

    Returns
    -------
    weather : Weather
    notes : list of str
        What was bridged, guessed or assumed.

    Raises
    ------
    InputError, CoverageError
        See :func:`soil_temperature`.
    """
    time = np.asarray(weather["time"].values, dtype="datetime64[ns]")
    _require_hours(time)
    notes: list[str] = []
    days = -(-time.size // DAY)
    hours = days * DAY
    full = time[0] + np.arange(hours) * np.timedelta64(1, "h")

    def get(name: str) -> FloatArray:
        array = np.atleast_2d(np.asarray(weather[name].values, dtype=float))
        return np.pad(array, ((0, 0), (0, hours - array.shape[1])), mode="edge")

    air = _bridge(get("air_temperature"), full, "air temperature", notes)
    low, high = float(air.min()), float(air.max())
    if low < -65 or high > 62:
        raise InputError(
            f"air temperature runs from {low:.1f} to {high:.1f} °C, which no air reaches",
            hint="check the unit and the missing-value code",
        )
    latitude, longitude = float(weather.attrs["latitude"]), float(weather.attrs["longitude"])
    _, clear, _ = sun(full, latitude, longitude)
    guessed = None
    if "ghi" in weather:
        radiation = get("ghi")
        missing = ~np.isfinite(radiation)
        if missing.any():
            guessed = radiation_from_range(full, air, latitude, longitude)
            radiation = np.where(missing, guessed, radiation)
            hole = missing.any(axis=0).sum()
            notes.append(f"radiation of {hole} h guessed from the daily range")
        radiation = np.maximum(radiation, 0.0)
    else:
        radiation = radiation_from_range(full, air, latitude, longitude)
        notes.append("no radiation: cloudiness guessed from the daily range of air temperature")
    rain_known = "precipitation" in weather
    rain = np.zeros_like(air)
    if rain_known:
        rain = np.nan_to_num(get("precipitation"), nan=0.0)
        rain[:, time.size :] = 0.0
        unknown = int((~np.isfinite(weather["precipitation"].values)).sum())
        if unknown:
            notes.append(f"{unknown} h without precipitation taken as dry")
    else:
        notes.append("no precipitation: soil taken as fairly moist throughout")
    vapour, wind_ratio = None, None
    humidity = _whole(weather, "relative_humidity", get, notes)
    if humidity is not None:
        vapour = np.clip(humidity, 1.0, 100.0) / 100.0 * saturation_pressure(air)
    wind = _whole(weather, "wind_speed", get, notes)
    if wind is not None:
        wind_ratio = np.clip(wind / USUAL_WIND, 0.3, 3.0) ** 0.6
    water = None
    if watering is not None:
        known = watering.reindex(time=full).fillna(0.0).values
        water = np.broadcast_to(np.atleast_2d(known), air.shape)
    warmest = maximum_filter1d(air, DAY + 1, axis=1, mode="nearest")
    coldest = minimum_filter1d(air, DAY + 1, axis=1, mode="nearest")
    following = np.concatenate([air[:, 1:], air[:, -1:]], axis=1)
    daily_rain = rain.reshape(rain.shape[0], days, DAY).sum(axis=2)
    arrays = Weather(
        air=0.5 * (air + following),
        radiation=np.broadcast_to(radiation, air.shape),
        clear=np.broadcast_to(clear, air.shape),
        night_minimum=coldest,
        daily_range=(warmest - coldest).reshape(air.shape[0], days, DAY).mean(axis=2),
        rain=np.broadcast_to(daily_rain, (air.shape[0], days)),
        rain_known=rain_known,
        vapour=vapour,
        wind_ratio=wind_ratio,
        watering=water,
        watering_C=watering_C,
        elevation_m=float(weather.attrs.get("elevation_m", 100.0)),
    )
    return arrays, notes


def _require_hours(time: npt.NDArray[np.datetime64]) -> None:
    if time.size < 2 * DAY:
        raise CoverageError("the soil model needs two days of hourly weather at least")
    uneven = np.diff(time) != np.timedelta64(1, "h")
    if uneven.any():
        at = time[int(np.argmax(uneven))]
        raise InputError(
            f"the weather is not hourly after {str(at)[:16]} UTC",
            hint="make daily values hourly first, or split the series at the hole",
        )


def _whole(
    weather: xr.Dataset, name: str, get: Callable[[str], FloatArray], notes: list[str]
) -> FloatArray | None:
    """Values of a variable that helps but can be done without; holes make it unused."""
    if name not in weather:
        return None
    values = get(name)
    if np.isfinite(values).all():
        return values
    notes.append(f"{name.replace('_', ' ')} has holes and was not used")
    return None


def _bridge(
    values: FloatArray, time: npt.NDArray[np.datetime64], name: str, notes: list[str]
) -> FloatArray:
    """Bridge short holes by straight lines; refuse long ones."""
    missing = ~np.isfinite(values)
    if not missing.any():
        return values
    out = values.copy()
    position = np.arange(values.shape[1])
    for row in range(values.shape[0]):
        hole = missing[row]
        if not hole.any():
            continue
        edges = np.flatnonzero(np.diff(np.concatenate([[0], hole.astype(int), [0]])))
        for first, after in zip(edges[::2], edges[1::2], strict=True):
            if after - first > LONGEST_GAP_H:
                raise CoverageError(
                    f"{name} is missing from {str(time[first])[:16]} to "
                    f"{str(time[after - 1])[:16]} UTC",
                    hint="fill the hole from a neighbouring station, or start after it",
                )
        out[row, hole] = np.interp(position[hole], position[~hole], values[row, ~hole])
    notes.append(f"{int(missing.any(axis=0).sum())} h of {name} bridged by a straight line")
    return out
