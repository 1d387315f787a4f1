"""Open-Meteo: forecast, archive and ensemble as weather Datasets.

Temperatures, humidity and wind come as values at the stamp; radiation (mean) and rain (sum) as
those of the hour before it, so both are moved to the hour they begin at. Times are asked for as
UTC seconds, since one fixed offset for a whole answer would be wrong across a clock change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

import xarray as xr

from thermosprout.errors import InputError
from thermosprout.weather.asking import ask, require_place
from thermosprout.weather.open_meteo_answer import NAMES, document_of, parse
from thermosprout.weather.past_days import past_days, require_order
from thermosprout.weather.services import ARCHIVE, ENSEMBLE, FORECAST, Endpoint, key_parameters
from thermosprout.weather.session import FORECAST_EXPIRES_S, WeatherSession

SOIL_POINTS = tuple(f"soil_temperature_{depth}cm" for depth in (0, 6, 18, 54))
SOIL_LAYERS = tuple(
    f"soil_temperature_{layer}cm" for layer in ("0_to_7", "7_to_28", "28_to_100", "100_to_255")
)
LONGEST_PAST_DAYS = 92
LONGEST_FORECAST_DAYS = 16
LONGEST_ENSEMBLE_DAYS = 35


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
        See :func:`thermosprout.soil.forcing.weather_dataset`; with ``soil_temperature``
        (soil_level, time), the value at 0, 6, 18 and 54 cm. [degC]

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    require_place(latitude, longitude)
    _range("days ahead", days_ahead, LONGEST_FORECAST_DAYS)
    _range("past days", past_days, LONGEST_PAST_DAYS)
    params = _query(latitude, longitude, elevation_m, SOIL_POINTS)
    params |= {"forecast_days": max(days_ahead, 1), "past_days": past_days}
    return _fetch(FORECAST, params, session, FORECAST_EXPIRES_S, base_url, "forecast")


def get_archive(
    latitude: float,
    longitude: float,
    start: date,
    end: date,
    *,
    session: WeatherSession,
    model: str = "era5_land",
    elevation_m: float | None = None,
    base_url: str | None = None,
    today: date | None = None,
) -> xr.Dataset:
    """Reanalysis of the days from ``start`` to ``end``, both included.

    Whole past years are asked for one by one and whole past months of the current year too, so
    that what is cached never has to be asked for again; only the newest days expire.

    Parameters
    ----------
    latitude, longitude, session, elevation_m, base_url
        As for :func:`get_forecast`.
    start, end : date
        First and last day, UTC.
    model : str
        ``era5_land`` (from 1950) or ``era5`` (from 1940): one model, because the service's own mix
        changes in 2017 and can jump.
    today : date, optional
        For tests.

    Returns
    -------
    xarray.Dataset, dims (time,)
        ``soil_temperature`` (soil_level, time) holds the means of the layers. [degC]

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    require_place(latitude, longitude)
    require_order(start, end)

    def span(first: date, last: date, expires_s: int) -> xr.Dataset:
        params = _query(latitude, longitude, elevation_m, SOIL_LAYERS)
        params |= {"start_date": first.isoformat(), "end_date": last.isoformat(), "models": model}
        return _fetch(ARCHIVE, params, session, expires_s, base_url, "archive")

    return past_days(start, end, span, today=today)


def get_ensemble(
    latitude: float,
    longitude: float,
    *,
    session: WeatherSession,
    days_ahead: int = LONGEST_ENSEMBLE_DAYS,
    past_days: int = 3,
    model: str = "ncep_gefs_seamless",
    elevation_m: float | None = None,
    base_url: str | None = None,
) -> xr.Dataset:
    """Members of an ensemble forecast; those that end early are cut where the first one ends.

    Parameters
    ----------
    latitude, longitude, session, elevation_m, base_url
        As for :func:`get_forecast`.
    days_ahead : int
        0 to 35; what a model does not reach is cut off. [d]
    past_days : int
        0 to 92; the service may hold only about three. [d]
    model : str
        Name of the ensemble at the service.

    Returns
    -------
    xarray.Dataset, dims (member, time)

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    require_place(latitude, longitude)
    _range("days ahead", days_ahead, LONGEST_ENSEMBLE_DAYS)
    _range("past days", past_days, LONGEST_PAST_DAYS)
    params = _query(latitude, longitude, elevation_m, ())
    params |= {"forecast_days": max(days_ahead, 1), "past_days": past_days, "models": model}
    return _fetch(ENSEMBLE, params, session, FORECAST_EXPIRES_S, base_url, "ensemble")


def _range(name: str, value: int, most: int) -> None:
    if not 0 <= value <= most:
        raise InputError(f"{name} must be 0 to {most}, found {value}")


def _query(
    latitude: float, longitude: float, elevation_m: float | None, soil: Sequence[str]
) -> dict[str, str | int | float]:
    params: dict[str, str | int | float] = {
        "latitude": round(latitude, 4),
        "longitude": round(longitude, 4),
        "hourly": ",".join([*NAMES.values(), *soil]),
        "timeformat": "unixtime",
        "wind_speed_unit": "ms",
        "timezone": "GMT",
    }
    if elevation_m is not None:
        params["elevation"] = round(elevation_m)
    return params | key_parameters()


def _fetch(
    endpoint: Endpoint,
    params: Mapping[str, str | int | float],
    session: WeatherSession,
    expires_s: int,
    base_url: str | None,
    kind: str,
) -> xr.Dataset:
    wanted = str(params["hourly"]).split(",")
    return ask(
        endpoint,
        params,
        lambda body: parse(document_of(body), wanted=wanted),
        session=session,
        expires_s=expires_s,
        base_url=base_url,
        source=f"{endpoint.service} {kind}",
    )
