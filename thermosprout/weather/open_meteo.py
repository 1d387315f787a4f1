"""Open-Meteo: forecast, archive and ensemble as weather Datasets.

Temperatures, humidity and wind come as values at the stamp; radiation (mean) and rain (sum) as
those of the hour before it, so both are moved to the hour they begin at. Times are asked for as
UTC seconds, since one fixed offset for a whole answer would be wrong across a clock change.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime, timedelta

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.weather.open_meteo_answer import NAMES, document_of, parse
from thermosprout.weather.services import ARCHIVE, ENSEMBLE, FORECAST, Endpoint, key_parameters
from thermosprout.weather.session import (
    FORECAST_EXPIRES_S,
    HISTORY_SETTLED_DAYS,
    NEVER,
    Answer,
    WeatherSession,
)

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
    if end < start:
        raise InputError(f"the last day {end} is before the first day {start}")
    now = today or datetime.now(UTC).date()
    parts = []
    for first, last, settled in spans(start, end, now):
        params = _query(latitude, longitude, elevation_m, SOIL_LAYERS)
        params |= {"start_date": first.isoformat(), "end_date": last.isoformat(), "models": model}
        life = NEVER if settled else 6 * FORECAST_EXPIRES_S
        try:
            parts.append(_fetch(ARCHIVE, params, session, life, base_url, "archive"))
        except CoverageError:
            # The newest days may not be there yet; a hole further back is an error.
            if settled or not parts:
                raise
    after = np.datetime64(end) + np.timedelta64(23, "h")
    return joined(parts).sel(time=slice(np.datetime64(start), after))


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


def spans(start: date, end: date, today: date) -> list[tuple[date, date, bool]]:
    """Cut a span into years, months of the current year and the rest; True = will not change."""
    settled_to = today - timedelta(days=HISTORY_SETTLED_DAYS + 1)
    out: list[tuple[date, date, bool]] = []
    for year in range(start.year, end.year + 1):
        if date(year, 12, 31) <= settled_to:
            out.append((date(year, 1, 1), date(year, 12, 31), True))
            continue
        for month in range(1, 13):
            first = date(year, month, 1)
            last = (first + timedelta(days=32)).replace(day=1) - timedelta(days=1)
            if last < start or first > end:
                continue
            if last <= settled_to:
                out.append((first, last, True))
            else:
                rest = out[-1][1] + timedelta(days=1) if out and not out[-1][2] else first
                out.append((rest if rest <= end else first, min(last, end), False))
    return out


def joined(parts: Sequence[xr.Dataset]) -> xr.Dataset:
    """Put Datasets one after the other; notes of all are kept."""
    if len(parts) == 1:
        return parts[0]
    shared = set.intersection(*(set(part.data_vars) for part in parts))
    whole = xr.concat(
        [part[sorted(map(str, shared))] for part in parts], dim="time", join="outer",
        coords="minimal", compat="override", combine_attrs="override",
    )  # fmt: skip
    whole = whole.sortby("time")
    _, first = np.unique(whole["time"].values, return_index=True)
    whole = whole.isel(time=first)
    first, last, hour = *whole["time"].values[[0, -1]], np.timedelta64(1, "h")
    full = np.arange(first, last + hour, hour)
    if full.size != whole.sizes["time"]:
        # Between two answers one hour of rain and radiation is missing at most.
        missing = np.flatnonzero(~np.isin(full, whole["time"].values))
        whole = whole.reindex(time=full)
        alone = missing[~np.isin(missing - 1, missing) & ~np.isin(missing + 1, missing)]
        for name in whole.data_vars:
            values = whole[name].values
            values[..., alone] = 0.5 * (values[..., alone - 1] + values[..., alone + 1])
    whole.attrs = dict(parts[-1].attrs)
    notes = dict.fromkeys(note for part in parts for note in part.attrs.get("notes", ()))
    whole.attrs["notes"] = tuple(notes)
    return whole


def require_place(latitude: float, longitude: float) -> None:
    """Refuse coordinates that are none."""
    if not -90 <= latitude <= 90 or not -180 <= longitude <= 180:
        raise InputError(
            f"there is no place at {latitude} north, {longitude} east",
            hint="latitude runs from -90 to 90, longitude from -180 to 180, west negative",
        )


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

    kept: dict[str, xr.Dataset] = {}

    def check(body: bytes) -> bool:
        kept["data"] = parse(document_of(body), wanted=wanted)
        return not kept["data"].attrs["cut_hours"] or expires_s == FORECAST_EXPIRES_S

    answer = session.get(
        endpoint.service, endpoint.url(base_url), params, check=check, expires_s=expires_s
    )
    data = kept["data"]
    return _described(data, answer, endpoint, kind)


def _described(data: xr.Dataset, answer: Answer, endpoint: Endpoint, kind: str) -> xr.Dataset:
    note = answer.note(endpoint.service)
    data.attrs |= {
        "source": f"{endpoint.service} {kind}",
        "attribution": endpoint.attribution,
        "retrieved": answer.retrieved.isoformat(timespec="seconds"),
        "stale": answer.stale,
        "notes": (note,) if note else (),
    }
    return data
