"""One question to a service, and its answer as a weather Dataset that says where it is from."""

from __future__ import annotations

from collections.abc import Callable, Mapping

import xarray as xr

from thermosprout.errors import InputError
from thermosprout.weather.services import Endpoint
from thermosprout.weather.session import FORECAST_EXPIRES_S, WeatherSession


def ask(
    endpoint: Endpoint,
    params: Mapping[str, str | int | float],
    read: Callable[[bytes], xr.Dataset],
    *,
    session: WeatherSession,
    expires_s: int,
    base_url: str | None,
    source: str,
) -> xr.Dataset:
    """Ask a service, or its cached answers.

    Parameters
    ----------
    endpoint : Endpoint
        Who is asked.
    params : mapping
        What is asked.
    read : callable
        Turns the body of an answer into a Dataset; ``cut_hours`` of its ``attrs`` counts the hours
        at its ends that hold no values yet.
    session : WeatherSession
        The cached session.
    expires_s : int
        How long an answer may be kept; one that is cut is kept as a forecast only. [s]
    base_url : str or None
        Another address.
    source : str
        What the Dataset says it is from.

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    kept: dict[str, xr.Dataset] = {}

    def check(body: bytes) -> bool:
        kept["data"] = read(body)
        return not kept["data"].attrs["cut_hours"] or expires_s == FORECAST_EXPIRES_S

    answer = session.get(
        endpoint.service, endpoint.url(base_url), params, check=check, expires_s=expires_s
    )
    data = kept["data"]
    note = answer.note(endpoint.service)
    data.attrs |= {
        "source": source,
        "attribution": endpoint.attribution,
        "retrieved": answer.retrieved.isoformat(timespec="seconds"),
        "stale": answer.stale,
        "notes": (note,) if note else (),
    }
    return data


def require_place(latitude: float, longitude: float) -> None:
    """Refuse coordinates that are none."""
    if not -90 <= latitude <= 90 or not -180 <= longitude <= 180:
        raise InputError(
            f"there is no place at {latitude} north, {longitude} east",
            hint="latitude runs from -90 to 90, longitude from -180 to 180, west negative",
        )
