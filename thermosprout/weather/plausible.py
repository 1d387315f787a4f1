"""Whether an answer of a service can be the weather of the place and the days it was asked for.

An answer is judged whole, before it is used or kept, and again when it is read from the cache.
What is checked: values that occur on earth (by the readers of each service, before anything is
averaged), the place, the days and their hours, air that fits latitude and season, air that moves,
and a sun that does not shine at night.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.quantities import FloatArray
from thermosprout.soil.model.weather import declination_of, equation_of_time
from thermosprout.soil.quality import usual_air
from thermosprout.weather.transport import BadAnswerError

FARTHEST_KM = 100.0
"""A grid of one degree has its nearest cell within 79 km. [km]"""
LIMITS: dict[str, tuple[float, float, str]] = {
    "air_temperature": (-90.0, 60.0, "°C"),
    "ghi": (-20.0, 1500.0, "W/m²"),
    "precipitation": (-0.01, 305.0, "mm in an hour"),
    "relative_humidity": (0.0, 110.0, "%"),
    "wind_speed": (-0.01, 115.0, "m/s"),
}
"""Records of the WMO World Weather and Climate Extremes Archive: -89.2 and 56.7 degC, 305 mm in an
hour, gusts of 113 m/s; radiation above the atmosphere is 1361 W/m2. From memory."""
WARMER_K, COLDER_K = 32.0, 40.0
"""How far the mean of some days may lie from the usual one of its latitude and season: Reykjavik's
January lies 23 K above it, Yakutsk's 22 K below; a warm spell of some days 9 K more. [K]"""
LAPSE_K_PER_KM = 6.5
"""International Standard Atmosphere (ISO 2533). [K km-1]"""
SHORTEST_FOR_SEASON_H, STILL_H = 72, 48
NIGHT_ELEVATION_DEG = -8.0
"""The sun stays below the horizon for the half hour on either side. [deg]"""
NIGHT_SUN_W_M2, NIGHT_SUN_SHARE = 25.0, 0.02
MOST_MISSING = 0.05
"""A column beside air temperature with more holes than this is left out. [share]"""


@dataclass(frozen=True, kw_only=True)
class Span:
    """Days that were asked for, UTC, both included.

    Attributes
    ----------
    first, last : date
    slack_days : int
        Days by which the answer may be moved: a forecast counts from the service's own today.
    most_missing_h : int or None
        Hours that may be missing at the ends; any where None. [h]
    """

    first: date
    last: date
    slack_days: int = 0
    most_missing_h: int | None = None


def plausible(
    data: xr.Dataset, *, latitude: float, longitude: float, span: Span
) -> tuple[xr.Dataset, list[str]]:
    """Judge an answer; return what can be used of it, and notes on what cannot.

    Parameters
    ----------
    data : xarray.Dataset, dims ([member,] time)
        See :func:`thermosprout.soil.series.weather_dataset`; ``attrs`` holds the first and last
        hour as they came (``first_hour``, ``last_hour``) and the hours without values that were
        cut off (``cut_hours``).
    latitude, longitude : float
        Place that was asked for. Degrees north and east.
    span : Span
        Days that were asked for.

    Raises
    ------
    BadAnswerError
        When the answer cannot be the weather of the place and the days.
    """
    _require_place(data, latitude, longitude)
    _require_days(data, span)
    kept, notes = _full_columns(data)
    air = np.atleast_2d(kept["air_temperature"].values)
    _require_season(air, kept["time"].values, data.attrs.get("elevation_m"), latitude)
    if air.shape[1] > STILL_H and (np.ptp(air, axis=1) < 0.05).any():
        raise BadAnswerError("the air temperature stands still", "try again later")
    if "ghi" in kept:
        _require_dark_nights(kept["ghi"].values, kept["time"].values, latitude, longitude)
    return kept, notes


def _require_place(data: xr.Dataset, latitude: float, longitude: float) -> None:
    north, east = float(data.attrs["latitude"]), float(data.attrs["longitude"])
    a, b = np.radians(latitude), np.radians(north)
    half = np.sin((a - b) / 2) ** 2
    half += np.cos(a) * np.cos(b) * np.sin(np.radians(longitude - east) / 2) ** 2
    apart = 2 * 6371.0 * np.arcsin(np.sqrt(min(half, 1.0)))
    if not apart <= FARTHEST_KM:
        raise BadAnswerError(
            f"the answer is for {north:.2f} north, {east:.2f} east, {apart:.0f} km away",
            "check the base URL",
        )


def _require_days(data: xr.Dataset, span: Span) -> None:
    first, last = data.attrs["first_hour"], data.attrs["last_hour"]
    hour, day = np.timedelta64(1, "h"), np.timedelta64(1, "D")
    start = np.datetime64(span.first, "ns")
    end = first + ((span.last - span.first).days + 1) * day - hour
    if first != first.astype("datetime64[h]"):
        raise BadAnswerError("the times of the answer are not full hours", "try again later")
    if abs(first - start) > span.slack_days * day or last > end or last < first + day - hour:
        raise BadAnswerError(
            f"the answer holds {str(first)[:13]} to {str(last)[:13]} UTC, asked for were "
            f"{span.first} to {span.last}",
            "check the clock of this machine and the base URL",
        )
    missing = int((end - last) / hour) + int(data.attrs["cut_hours"])
    if span.most_missing_h is not None and missing > span.most_missing_h:
        raise BadAnswerError(
            f"{missing} of the hours asked for are missing",
            "try again later, or choose other days",
            coverage=True,
        )


def _full_columns(data: xr.Dataset) -> tuple[xr.Dataset, list[str]]:
    holes = {
        str(name): float(array.isnull().mean())
        for name, array in data.data_vars.items()
        if name != "air_temperature"
    }
    spoilt = [name for name, share in holes.items() if share > MOST_MISSING]
    words = [f"{name.replace('_', ' ')} has holes and was left out" for name in spoilt]
    return data.drop_vars(spoilt), words


def require_possible(name: str, values: FloatArray) -> None:
    """Check the values of a variable, as they came, against what occurs on earth.

    Raises
    ------
    BadAnswerError
        For the first that does not.
    """
    low, high, unit = LIMITS[name]
    present = values[np.isfinite(values)]
    wrong = present[(present < low) | (present > high)]
    if wrong.size:
        raise BadAnswerError(
            f"{name.replace('_', ' ')} of {wrong[0]:g} {unit} does not occur on earth",
            "try again later",
        )


def _require_season(
    air: FloatArray,
    time: npt.NDArray[np.datetime64],
    elevation_m: float | None,
    latitude: float,
) -> None:
    if time.size < SHORTEST_FOR_SEASON_H:
        return
    usual = float(usual_air(latitude, time).mean())
    colder = COLDER_K + LAPSE_K_PER_KM * max(elevation_m or 0.0, 0.0) / 1000.0
    mean = float(np.nanmean(air))
    if not usual - colder <= mean <= usual + WARMER_K:
        raise BadAnswerError(
            f"a mean of {mean:.0f} °C does not fit the place and season (usual: {usual:.0f} °C)",
            "the service may give another unit or another place: try again later",
        )


def _require_dark_nights(
    ghi: FloatArray, time: npt.NDArray[np.datetime64], latitude: float, longitude: float
) -> None:
    # Radiation is that of the hour that begins at the stamp: the sun is taken in its middle.
    day = (time - time.astype("datetime64[Y]")) / np.timedelta64(1, "D")
    hour = 24.0 * (day % 1.0) + 0.5
    angle = 15.0 * (hour - 12.0) + longitude + 0.25 * equation_of_time(day + 1.0)
    down, north = declination_of(day + 1.0), np.radians(latitude)
    sine = np.sin(north) * np.sin(down) + np.cos(north) * np.cos(down) * np.cos(np.radians(angle))
    night = sine < np.sin(np.radians(NIGHT_ELEVATION_DEG))
    at_night = ghi[..., night]
    if at_night.size >= 24 and (at_night > NIGHT_SUN_W_M2).mean() > NIGHT_SUN_SHARE:
        raise BadAnswerError(
            "the sun shines at night: the times are not UTC, or the place is another",
            "try again later",
        )
