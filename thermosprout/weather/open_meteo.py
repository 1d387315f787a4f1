"""Open-Meteo: forecast, archive and ensemble as weather Datasets.

Temperatures, humidity and wind come as values at the stamp; radiation (mean) and rain (sum) as
those of the hour before it, so both are moved to the hour they begin at. Times are asked for as
UTC seconds, since one fixed offset for a whole answer would be wrong across a clock change.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.quantities import FloatArray
from thermosprout.weather.service import (
    ARCHIVE,
    ENSEMBLE,
    FORECAST,
    Endpoint,
    answer_dataset,
    answer_values,
    ask,
    key_parameters,
    past_days,
)
from thermosprout.weather.session import FORECAST_EXPIRES_S, NEVER, WeatherSession
from thermosprout.weather.transport import BadAnswerError, Span, require_possible

NAMES: dict[str, tuple[str, str]] = {
    "air_temperature": ("temperature_2m", "°C"),
    "ghi": ("shortwave_radiation", "W/m²"),
    "precipitation": ("precipitation", "mm"),
    "relative_humidity": ("relative_humidity_2m", "%"),
    "wind_speed": ("wind_speed_10m", "m/s"),
}
"""House name to the service's name and the unit that is asked for."""
PRECEDING_HOUR = ("ghi", "precipitation")
Query = dict[str, str | int | float]
_MEMBER = re.compile(r"_member([0-9]{1,6})$")


def parse(document: Mapping[str, Any]) -> xr.Dataset:
    """Turn an answer into a weather Dataset.

    Parameters
    ----------
    document : mapping
        The JSON answer; times as UTC seconds or ISO (then ``utc_offset_seconds`` is taken off).

    Returns
    -------
    xarray.Dataset, dims ([member,] time)
        See :func:`thermosprout.weather.service.answer_dataset`.

    Raises
    ------
    BadAnswerError
        When something is missing, has another unit, or holds nulls.
    """
    hourly, units = document.get("hourly"), document.get("hourly_units")
    if not isinstance(hourly, dict) or not isinstance(units, dict) or "time" not in hourly:
        raise BadAnswerError("the answer holds no hourly values", "check the base URL")
    time = _times(hourly["time"], units.get("time"), document)
    variables: dict[str, FloatArray] = {}
    for name, (theirs, unit) in NAMES.items():
        columns = _member_columns(hourly, theirs)
        if not columns:
            continue
        others = [units.get(column) for column in columns]
        for other in [u for u in others if u not in (unit, unit.replace("²", "2"))]:
            raise BadAnswerError(
                f"{theirs} came in {other!r}, expected {unit!r}: the service changed",
                "update thermosprout",
            )
        stacked = np.vstack([_values(hourly[column], column, time.size) for column in columns])
        require_possible(name, stacked)
        variables[name] = stacked if len(columns) > 1 else stacked[0]
    if "air_temperature" not in variables:
        raise BadAnswerError("the answer lacks temperature_2m", "choose another model")
    return _dataset(document, time, variables)


def _dataset(
    document: Mapping[str, Any],
    time: npt.NDArray[np.datetime64],
    variables: dict[str, FloatArray],
) -> xr.Dataset:
    for name in PRECEDING_HOUR:
        if name in variables:
            at_start = np.full_like(variables[name], np.nan)
            at_start[..., :-1] = np.maximum(variables[name][..., 1:], 0.0)
            variables[name] = at_start
    air = variables["air_temperature"]
    if air.ndim == 2:
        # A member without any value is left out, and what has not the members of the air.
        present = np.isfinite(air).any(axis=1) | ~np.isfinite(air).any()
        variables = {
            name: array[present] if array.ndim == 2 else array
            for name, array in variables.items()
            if array.ndim == 1 or array.shape == air.shape
        }
    data = answer_dataset(
        time,
        variables,
        source="Open-Meteo",
        place=(document.get("latitude"), document.get("longitude"), document.get("elevation")),
        null="null",
        hint="choose other days, another model, or a place on land",
        used=time.size - 1,  # the hour that begins at the last stamp has neither sun nor rain
    )
    if "member" in data.dims:
        data = data.assign_coords(member=np.arange(data.sizes["member"]))
    return data


def _times(values: Any, unit: Any, document: Mapping[str, Any]) -> npt.NDArray[np.datetime64]:
    if not isinstance(values, list) or len(values) < 3:
        raise BadAnswerError("the answer holds no times", "choose other days", coverage=True)
    try:
        if unit == "unixtime" or isinstance(values[0], int):
            time = np.array(values, dtype="int64").astype("datetime64[s]")
        else:
            offset = int(document.get("utc_offset_seconds", 0))
            time = np.array(values, dtype="datetime64[s]") - np.timedelta64(offset, "s")
    except (ValueError, TypeError, OverflowError):
        raise BadAnswerError("the times of the answer cannot be read", "try again later") from None
    if (np.diff(time) != np.timedelta64(3600, "s")).any():
        raise BadAnswerError("the times of the answer are not hourly", "try again later")
    return time.astype("datetime64[ns]")


def _member_columns(hourly: Mapping[str, Any], name: str) -> list[str]:
    numbers = sorted(
        (int(match.group(1)), column)
        for column in hourly
        if column.startswith(f"{name}_member") and (match := _MEMBER.search(column))
    )
    return ([name] if name in hourly else []) + [column for _, column in numbers]


def _values(values: Any, name: str, size: int) -> FloatArray:
    if not isinstance(values, list) or len(values) != size:
        count = len(values) if isinstance(values, list) else "no"
        raise BadAnswerError(f"{name} has {count} values for {size} times", "try again later")
    return answer_values(values, name)


LONGEST_PAST_DAYS = 92
LONGEST_FORECAST_DAYS = 16
ARCHIVE_MODEL = "era5_land"
"""From 1950 on; one model, because the service's own mix changes in 2017 and can jump."""
ENSEMBLE_MODEL = "ncep_gefs_seamless"
ENSEMBLE_DAYS, ENSEMBLE_PAST_DAYS = 35, 3
"""Of an ensemble: what a model does not reach is cut off, and few past days are there. [d]"""
LAST_DAYS_H = 48
"""The last days of a forecast may be there in part. [h]"""


def get_forecast(
    latitude: float,
    longitude: float,
    *,
    session: WeatherSession,
    days_ahead: int = LONGEST_FORECAST_DAYS,
    past_days: int = 14,
    elevation_m: float | None = None,
    base_url: str | None = None,
) -> xr.Dataset:
    """Forecast with the days just past.

    Parameters
    ----------
    latitude, longitude : float
        Degrees north and east.
    session : WeatherSession
        The cached session.
    days_ahead : int
        0 to 16. [d]
    past_days : int
        0 to 92. [d]
    elevation_m : float, optional
        Height to which the service corrects temperature. [m]
    base_url : str, optional
        Address of a self-hosted instance.

    Returns
    -------
    xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`.

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    params = _query(latitude, longitude, elevation_m)
    params |= {"forecast_days": max(days_ahead, 1), "past_days": past_days}
    return _fetch(FORECAST, params, None, session, FORECAST_EXPIRES_S, base_url)


def get_archive(
    latitude: float,
    longitude: float,
    start: date,
    end: date,
    *,
    session: WeatherSession,
    elevation_m: float | None = None,
    base_url: str | None = None,
    today: date | None = None,
) -> xr.Dataset:
    """Reanalysis of the days from ``start`` to ``end``, both included.

    Parameters
    ----------
    latitude, longitude, session, elevation_m, base_url
        As for :func:`get_forecast`.
    start, end : date
        First and last day, UTC.
    today : date, optional
        For tests.

    Returns
    -------
    xarray.Dataset, dims (time,)

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """

    def span(first: date, last: date, expires_s: int) -> xr.Dataset:
        params = _query(latitude, longitude, elevation_m)
        params |= {"start_date": first.isoformat(), "end_date": last.isoformat()}
        params["models"] = ARCHIVE_MODEL
        days = Span(first=first, last=last, most_missing_h=0 if expires_s == NEVER else None)
        return _fetch(ARCHIVE, params, days, session, expires_s, base_url)

    return past_days(start, end, span, today=today)


def get_ensemble(
    latitude: float,
    longitude: float,
    *,
    session: WeatherSession,
    elevation_m: float | None = None,
    base_url: str | None = None,
) -> xr.Dataset:
    """Members of an ensemble forecast; those that end early are cut where the first one ends.

    Parameters
    ----------
    latitude, longitude, session, elevation_m, base_url
        As for :func:`get_forecast`.

    Returns
    -------
    xarray.Dataset, dims (member, time)

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    params = _query(latitude, longitude, elevation_m) | {"models": ENSEMBLE_MODEL}
    params |= {"forecast_days": ENSEMBLE_DAYS, "past_days": ENSEMBLE_PAST_DAYS}
    return _fetch(ENSEMBLE, params, None, session, FORECAST_EXPIRES_S, base_url)


def _query(latitude: float, longitude: float, elevation_m: float | None) -> Query:
    params: Query = {
        "latitude": round(latitude, 4),
        "longitude": round(longitude, 4),
        "hourly": ",".join(name for name, _ in NAMES.values()),
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
        "timezone": "GMT",
    }
    if elevation_m is not None:
        params["elevation"] = round(elevation_m)
    return params


def _fetch(
    endpoint: Endpoint,
    params: Query,
    days: Span | None,
    session: WeatherSession,
    expires_s: int,
    base_url: str | None,
) -> xr.Dataset:
    """Ask one interface; without ``days`` for those around the day on which the answer comes."""

    def span(today: date) -> Span:
        if days is not None:
            return days
        back, ahead = int(params["past_days"]), int(params["forecast_days"])
        return Span(
            first=today - timedelta(days=back),
            last=today + timedelta(days=ahead - 1),
            slack_days=1,  # the service's own day may be the next one
            most_missing_h=LAST_DAYS_H if endpoint is FORECAST else None,
        )

    return ask(
        endpoint,
        params | key_parameters(endpoint, base_url),
        parse,
        span,
        session=session,
        expires_s=expires_s,
        base_url=base_url,
        source=f"{endpoint.service} {endpoint.path.rsplit('/', 1)[-1]}",
    )
