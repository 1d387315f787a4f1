"""Weather of a Dataset as arrays of whole days: holes bridged, what is absent guessed and said."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.balance import saturation_pressure
from thermosprout.soil.diurnal import radiation_from_range, sun
from thermosprout.soil.drive import DAY, Weather, daily_mean

FloatArray = npt.NDArray[np.float64]

LONGEST_GAP_H = 72
"""Holes in the weather up to this long are bridged by a straight line, and said. [h]"""
USUAL_WIND = 3.0
"""Wind at 10 m that the fitted exchange stands for. [m s-1] Assumption."""


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
        See :func:`thermosprout.soil.model.soil_temperature`.
    """
    time = np.asarray(weather["time"].values, dtype="datetime64[ns]")
    _require_hours(time)
    table = _WholeDays(weather, time)
    notes: list[str] = []
    air = _bridge(table.values("air_temperature"), table.time, "air temperature", notes)
    _require_possible(air)
    radiation, clear = _radiation(table, air, notes)
    rain = _rain(table, notes)
    vapour, wind_ratio = None, None
    humidity = _without_holes(table, "relative_humidity", notes)
    if humidity is not None:
        vapour = np.clip(humidity, 1.0, 100.0) / 100.0 * saturation_pressure(air)
    wind = _without_holes(table, "wind_speed", notes)
    if wind is not None:
        wind_ratio = np.clip(wind / USUAL_WIND, 0.3, 3.0) ** 0.6
    water = None
    if watering is not None:
        known = watering.reindex(time=table.time).fillna(0.0).values
        water = np.broadcast_to(np.atleast_2d(known), air.shape)
    warmest = maximum_filter1d(air, DAY + 1, axis=1, mode="nearest")
    coldest = minimum_filter1d(air, DAY + 1, axis=1, mode="nearest")
    following = np.concatenate([air[:, 1:], air[:, -1:]], axis=1)
    arrays = Weather(
        air=0.5 * (air + following),
        radiation=np.broadcast_to(radiation, air.shape),
        clear=np.broadcast_to(clear, air.shape),
        night_minimum=coldest,
        daily_range=daily_mean(warmest - coldest),
        rain=np.broadcast_to(rain, (air.shape[0], table.days)),
        rain_known="precipitation" in table,
        vapour=vapour,
        wind_ratio=wind_ratio,
        watering=water,
        watering_C=watering_C,
        elevation_m=float(weather.attrs.get("elevation_m", 100.0)),
    )
    return arrays, notes


class _WholeDays:
    """Variables of a Dataset as arrays of whole days: the last value fills up the last day."""

    def __init__(self, weather: xr.Dataset, time: npt.NDArray[np.datetime64]) -> None:
        self.weather = weather
        self.days = -(-time.size // DAY)
        self.time = time[0] + np.arange(self.days * DAY) * np.timedelta64(1, "h")

    def __contains__(self, name: str) -> bool:
        return name in self.weather

    def values(self, name: str) -> FloatArray:
        """Values of a variable, shape (member, step)."""
        array = np.atleast_2d(np.asarray(self.weather[name].values, dtype=float))
        return np.pad(array, ((0, 0), (0, self.time.size - array.shape[1])), mode="edge")


def _require_possible(air: FloatArray) -> None:
    low, high = float(air.min()), float(air.max())
    if low < -65 or high > 62:
        raise InputError(
            f"air temperature runs from {low:.1f} to {high:.1f} °C, which no air reaches",
            hint="check the unit and the missing-value code",
        )


def _radiation(
    table: _WholeDays, air: FloatArray, notes: list[str]
) -> tuple[FloatArray, FloatArray]:
    """Radiation, guessed where it is not known, and that of a clear sky. [W m-2]"""
    attrs = table.weather.attrs
    latitude, longitude = float(attrs["latitude"]), float(attrs["longitude"])
    _, clear, _ = sun(table.time, latitude, longitude)
    if "ghi" not in table:
        notes.append("no radiation: cloudiness guessed from the daily range of air temperature")
        return radiation_from_range(table.time, air, latitude, longitude), clear
    radiation = table.values("ghi")
    missing = ~np.isfinite(radiation)
    if missing.any():
        guessed = radiation_from_range(table.time, air, latitude, longitude)
        radiation = np.where(missing, guessed, radiation)
        notes.append(f"radiation of {missing.any(axis=0).sum()} h guessed from the daily range")
    return np.maximum(radiation, 0.0), clear


def _rain(table: _WholeDays, notes: list[str]) -> FloatArray:
    """Sum of each day, shape (member, day), or one day of none. [mm]"""
    if "precipitation" not in table:
        notes.append("no precipitation: soil taken as fairly moist throughout")
        return np.zeros((1, 1))
    measured = table.weather["precipitation"].values
    unknown = int((~np.isfinite(measured)).sum())
    if unknown:
        notes.append(f"{unknown} h without precipitation taken as dry")
    rain = np.nan_to_num(table.values("precipitation"), nan=0.0)
    # What fills up the last day of the table has not fallen.
    rain[:, measured.shape[-1] :] = 0.0
    return np.asarray(rain.reshape(rain.shape[0], table.days, DAY).sum(axis=2))


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


def _without_holes(table: _WholeDays, name: str, notes: list[str]) -> FloatArray | None:
    """Values of a variable that helps but can be done without; holes make it unused."""
    if name not in table:
        return None
    values = table.values(name)
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
