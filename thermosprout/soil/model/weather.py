"""Weather as arrays of whole days: sun, hours out of days, holes bridged, what is absent guessed.

The formulas of the sun are pvlib's, of which only the modules of the sun are imported: the whole
library takes longer to import than a forecast takes to make.
"""

from __future__ import annotations

from functools import cache, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr
from numpy.lib.stride_tricks import sliding_window_view

from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.run import DAY, Weather, daily_mean
from thermosprout.soil.model.water import saturation_pressure
from thermosprout.soil.quality import runs_of
from thermosprout.special import import_part

TimeArray = npt.NDArray[np.datetime64]

_IDLE = ("h5py", "scipy.interpolate", "scipy.linalg", "scipy.optimize")
"""What modules of the sun import for functions that are not called here."""

HOUR, HALF_HOUR = np.timedelta64(1, "h"), np.timedelta64(30, "m")


@cache
def _pvlib() -> Any:
    """Pvlib with the modules of the sun alone, or the whole where it is imported already."""
    return import_part("pvlib", ["solarposition", "clearsky", "irradiance"], idle=_IDLE)


def sun(time: TimeArray, latitude: float, longitude: float) -> tuple[FloatArray, FloatArray]:
    """Sun at the middle of each hour that begins at ``time`` (hourly, no gaps).

    Returns
    -------
    cosine, clear : ndarray, shape (time,)
        Cosine of the zenith angle (zero at night), and clear-sky radiation after Haurwitz (1945),
        J. Meteorol. 2:154-166. [W m-2]
    """
    stamps = np.asarray(time, dtype="datetime64[ns]")
    return _sun(
        int(stamps[0].astype("int64")),
        int(stamps.size),
        round(float(latitude), 4),
        round(float(longitude), 4),
    )


@lru_cache(maxsize=32)
def _sun(
    first: int, count: int, latitude: float, longitude: float
) -> tuple[FloatArray, FloatArray]:
    middle = np.datetime64(first, "ns") + np.arange(count) * HOUR + HALF_HOUR
    zenith = 90.0 - sun_elevation(middle, latitude, longitude)
    cosine = np.maximum(np.cos(np.radians(zenith)), 0.0)
    clear = _pvlib().clearsky.haurwitz(pd.Series(zenith))["ghi"].to_numpy(copy=True)
    cosine.setflags(write=False)
    clear.setflags(write=False)
    return cosine, clear


def sun_elevation(time: TimeArray, latitude: float, longitude: float) -> FloatArray:
    """Elevation of the sun's centre without refraction, as ``pvlib.solarposition.ephemeris``.

    Parameters
    ----------
    time : ndarray of datetime64, shape (time,)
        UTC.
    latitude, longitude : float
        Degrees north and east.

    Returns
    -------
    ndarray, shape (time,)
        Good to about 0.01 degrees. [deg]
    """
    place = _pvlib().solarposition.ephemeris(pd.DatetimeIndex(time, tz="UTC"), latitude, longitude)
    return np.array(place["elevation"], dtype=float)


TYPICAL_RANGE_K = 10.0
"""Daily range taken where only a daily mean is known: an assumption."""
HARGREAVES = 0.165
"""Clearness per root of the daily range [K-0.5]: Hargreaves & Samani (1982), J. Irrig. Drain. Div.
108:225-230; 0.16 inland, 0.19 by the sea; from memory."""
SUNRISE_LEAD_H = 0.5
"""The minimum falls this long after sunrise. [h] Assumption, as in Parton & Logan (1981)."""
MAXIMUM_LAG_H = 2.0
"""The maximum falls this long after solar noon: Parton & Logan (1981), Agric. Meteorol. 23:205-216
give 1.9 h at 150 cm; from memory. [h]"""


def day_starts_utc(dates: npt.ArrayLike, *, utc_offset_h: float) -> TimeArray:
    """UTC instants at which local days begin, by the fixed offset of stations. [h]"""
    shift = np.timedelta64(round(utc_offset_h * 3600), "s")
    return np.asarray(np.asarray(dates, dtype="datetime64[D]").astype("datetime64[ns]") - shift)


def sunrise_sunset(
    dates: npt.ArrayLike, latitude: float, longitude: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Sunrise, solar noon and sunset in hours UTC counted from 00 UTC of each date.

    Notes
    -----
    Where the sun does not rise or set the day is taken as one of 1 h or 23 h.
    """
    days = pd.DatetimeIndex(np.asarray(dates, dtype="datetime64[D]"))
    number = days.dayofyear.to_numpy()
    solar = _pvlib().solarposition
    declination = solar.declination_spencer71(number)
    minutes = solar.equation_of_time_spencer71(number)
    cosine = -np.tan(np.radians(latitude)) * np.tan(declination) - 0.0145 / (
        max(np.cos(np.radians(latitude)), 1e-3) * np.cos(declination)
    )
    half = np.degrees(np.arccos(np.clip(cosine, -1.0, 1.0))) / 15.0
    half = np.clip(half, 0.5, 11.5)
    noon = 12.0 - longitude / 15.0 - minutes / 60.0
    return noon - half, noon, noon + half


def hourly_from_daily(
    dates: npt.ArrayLike,
    *,
    latitude: float,
    longitude: float,
    tmin: npt.ArrayLike | None = None,
    tmax: npt.ArrayLike | None = None,
    tmean: npt.ArrayLike | None = None,
    utc_offset_h: float | None = None,
) -> tuple[TimeArray, FloatArray]:
    """Hourly air temperature from daily minimum and maximum, or from the daily mean.

    The curve rises as half a cosine from the minimum, half an hour after sunrise, to the maximum,
    two hours after solar noon, falls as a sine to sunset and from there with the square root of
    time to the next minimum. Where the daily mean is given, a smooth correction keeps the mean of
    each day.

    Parameters
    ----------
    dates : array_like of datetime64, shape (day,)
        Local days, without gaps.
    latitude, longitude : float
        Degrees north and east.
    tmin, tmax, tmean : array_like, shape (day,) or (member, day), optional
        Either minimum and maximum, or the mean, or all three. [degC]
    utc_offset_h : float, optional
        Fixed offset of the days; the whole hour nearest to solar time where absent. [h]

    Returns
    -------
    time : ndarray of datetime64, shape (time,)
        Hourly UTC instants from the start of the first to the end of the last day.
    values : ndarray, shape (time,) or (member, time)
        Temperature at the instants. [degC]

    Raises
    ------
    InputError
        When neither min and max nor the mean is given.

    Notes
    -----
    Shape after Parton & Logan (1981), Agric. Meteorol. 23:205-216, and de Wit et al. (1978), with
    a square-root fall at night (Cesaraccio et al. 2001, Int. J. Biometeorol. 45:161-169).
    """
    days = np.asarray(dates, dtype="datetime64[D]")
    if tmin is None or tmax is None:
        if tmean is None:
            raise InputError("daily temperature needs a minimum and a maximum, or a mean")
        middle = np.asarray(tmean, dtype=float)
        low, high = middle - TYPICAL_RANGE_K / 2, middle + TYPICAL_RANGE_K / 2
        mean: FloatArray | None = middle
    else:
        low, high = np.asarray(tmin, dtype=float), np.asarray(tmax, dtype=float)
        mean = None if tmean is None else np.asarray(tmean, dtype=float)
    offset_h = round(longitude / 15.0) if utc_offset_h is None else utc_offset_h
    starts = day_starts_utc(days, utc_offset_h=offset_h)
    time = np.arange(starts[0], starts[-1] + 24 * HOUR, HOUR)
    # solar events of the local day, in hours from the first instant
    rise, noon, fall = sunrise_sunset(days, latitude, longitude)
    from_start = (days.astype("datetime64[ns]") - starts[0]) / HOUR
    t_min = from_start + rise + SUNRISE_LEAD_H
    t_max = np.minimum(from_start + noon + MAXIMUM_LAG_H, from_start + fall - 0.5)
    t_max = np.maximum(t_max, t_min + 1.0)
    t_set = np.maximum(from_start + fall, t_max + 0.25)
    hours = np.arange(time.size, dtype=float)
    values = _curve(hours, t_min, t_max, t_set, low, high)
    if mean is not None:
        values = _keep_means(values, mean, (starts - starts[0]) / HOUR, hours)
    return time, values


def _curve(
    hours: FloatArray,
    t_min: FloatArray,
    t_max: FloatArray,
    t_set: FloatArray,
    low: FloatArray,
    high: FloatArray,
) -> FloatArray:
    """Join the minima and maxima; hours before the first minimum use the first day again."""
    day = np.clip(np.searchsorted(t_min, hours, side="right") - 1, -1, t_min.size - 1)
    now = np.maximum(day, 0)
    after = np.minimum(day + 1, t_min.size - 1)
    begin = np.where(day < 0, t_min[0] - 24.0, t_min[now])
    peak = np.where(day < 0, t_max[0] - 24.0, t_max[now])
    dusk = np.where(day < 0, t_set[0] - 24.0, t_set[now])
    end = np.where(day == t_min.size - 1, t_min[-1] + 24.0, t_min[after])
    t_low, t_high, t_next = low[..., now], high[..., now], low[..., after]
    rising = t_low + (t_high - t_low) * 0.5 * (
        1.0 - np.cos(np.pi * np.clip((hours - begin) / (peak - begin), 0.0, 1.0))
    )
    # afternoon: a sine towards a dusk value that is 0.55 of the fall already done
    t_dusk = t_high - 0.45 * (t_high - t_next)
    afternoon = t_dusk + (t_high - t_dusk) * np.cos(
        0.5 * np.pi * np.clip((hours - peak) / (dusk - peak), 0.0, 1.0)
    )
    night = t_dusk + (t_next - t_dusk) * np.sqrt(np.clip((hours - dusk) / (end - dusk), 0.0, 1.0))
    return np.asarray(np.where(hours < peak, rising, np.where(hours < dusk, afternoon, night)))


def _keep_means(
    values: FloatArray, mean: FloatArray, starts: FloatArray, hours: FloatArray
) -> FloatArray:
    """Add a smooth correction so that each day has its mean; days without a mean are left."""
    day = np.clip(np.searchsorted(starts, hours, side="right") - 1, 0, starts.size - 1)
    counts = np.bincount(day, minlength=starts.size).astype(float)
    edges = np.searchsorted(day, np.arange(starts.size))
    centres = starts + 0.5 * counts
    at = np.interp(hours + 0.5, centres, np.arange(starts.size))
    left = np.minimum(at.astype(int), starts.size - 2) if starts.size > 1 else np.zeros(1, int)
    share = at - left
    out = values
    for _ in range(12):
        means = np.add.reduceat(out, edges, axis=-1) / counts
        lack = np.where(np.isfinite(mean), mean - means, 0.0)
        if np.abs(lack).max(initial=0.0) < 5e-4:
            break
        if starts.size == 1:
            return np.asarray(out + lack)
        out = out + lack[..., left] * (1.0 - share) + lack[..., left + 1] * share
    return np.asarray(out)


def daily_range(air: FloatArray) -> FloatArray:
    """Range of the 24 hours around each hour, shape like ``air``. [K]"""
    coldest, warmest = extremes_around(air, min(DAY + 1, air.shape[-1]))
    return warmest - coldest


def extremes_around(air: FloatArray, size: int) -> tuple[FloatArray, FloatArray]:
    """Coldest and warmest of the ``size`` hours around each hour, the ends repeated. [degC]"""
    pad = [(0, 0)] * (air.ndim - 1) + [(size // 2, size - size // 2 - 1)]
    around = sliding_window_view(np.pad(air, pad, mode="edge"), size, axis=-1)
    return np.asarray(around.min(axis=-1)), np.asarray(around.max(axis=-1))


def spread_radiation(
    time: TimeArray, starts: TimeArray, daily_w: FloatArray, latitude: float, longitude: float
) -> FloatArray:
    """Hourly radiation with the shape of a clear day and the given mean of each day. [W m-2]

    Parameters
    ----------
    time : ndarray, shape (time,)
        Hourly UTC instants.
    starts : ndarray, shape (day,)
        UTC instants at which the days begin.
    daily_w : ndarray, shape (day,) or (member, day)
        Mean of each day; NaN stays NaN. [W m-2]
    """
    _, clear = sun(time, latitude, longitude)
    day = np.clip(np.searchsorted(starts, time, side="right") - 1, 0, starts.size - 1)
    counts = np.maximum(np.bincount(day, minlength=starts.size), 1)
    means = np.bincount(day, weights=clear, minlength=starts.size) / counts
    ratio = daily_w / np.maximum(means, 1.0)
    return np.asarray(ratio[..., day] * clear)


def radiation_from_range(
    time: TimeArray, air: FloatArray, latitude: float, longitude: float
) -> FloatArray:
    """Global radiation where none is known: extraterrestrial x root of the daily range. [W m-2]

    Notes
    -----
    Hargreaves & Samani (1982), with :data:`HARGREAVES`, not above the clear sky of Haurwitz.
    """
    cosine, clear = sun(time, latitude, longitude)
    middle = pd.DatetimeIndex(np.asarray(time, dtype="datetime64[ns]") + HALF_HOUR, tz="UTC")
    extra = cosine * _pvlib().irradiance.get_extra_radiation(middle).to_numpy()
    share = HARGREAVES * np.sqrt(np.maximum(daily_range(air), 0.0))
    day_clear, day_extra = (np.convolve(x, np.ones(24) / 24, mode="same") for x in (clear, extra))
    target = np.minimum(share * day_extra, day_clear)
    return np.asarray(target / np.maximum(day_clear, 1.0) * clear)


LONGEST_GAP_H = 72
"""Holes in the weather up to this long are bridged by a straight line, and said. [h]"""
USUAL_WIND = 3.0
"""Wind at 10 m that the fitted exchange stands for. [m s-1] Assumption."""


def weather_arrays(
    weather: xr.Dataset,
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
        See :func:`thermosprout.soil.model.temperature.soil_temperature`.
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
    coldest, warmest = extremes_around(air, DAY + 1)
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
    _, clear = sun(table.time, latitude, longitude)
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
    for row, hole in zip(out, missing, strict=True):
        for run in runs_of(hole):
            if run.size > LONGEST_GAP_H:
                raise CoverageError(
                    f"{name} is missing from {str(time[run[0]])[:16]} to "
                    f"{str(time[run[-1]])[:16]} UTC",
                    hint="fill the hole from a neighbouring station, or start after it",
                )
        row[hole] = np.interp(position[hole], position[~hole], row[~hole])
    notes.append(f"{int(missing.any(axis=0).sum())} h of {name} bridged by a straight line")
    return out
