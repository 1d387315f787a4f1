"""What all services share: their addresses and keys, one question and its answer, past days.

A question (:func:`ask`) goes through the cached session; its answer is read by the service's own
module and judged whole (:mod:`thermosprout.weather.transport`) before it is kept or used. Past
days (:func:`past_days`) are asked for in whole years and months, which can be kept for good.
"""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Any
from urllib.parse import urlsplit

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.soil.series import weather_dataset
from thermosprout.weather.session import (
    FORECAST_EXPIRES_S,
    HISTORY_SETTLED_DAYS,
    NEVER,
    WeatherSession,
)
from thermosprout.weather.transport import BadAnswerError, Span, plausible

KEY_VARIABLE = "THERMOSPROUT_APIKEY"
"""Key of paying users of Open-Meteo; never stored."""
KEY_HOST = "open-meteo.com"


@dataclass(frozen=True, kw_only=True)
class Endpoint:
    """One interface of a service."""

    service: str
    base_url: str
    path: str
    variable: str
    attribution: str

    def url(self, base_url: str | None = None) -> str:
        """Whole address: that of the season or the command, else the environment's, else public.

        Raises
        ------
        InputError
            When the address is not http or https.
        """
        base = (base_url or os.environ.get(self.variable) or self.base_url).rstrip("/")
        if not base.startswith(("https://", "http://")):
            raise InputError(
                f"{base!r} is not a web address",
                hint=f"write https://HOST in base_url or {self.variable}",
            )
        return base if base.endswith(self.path) else base + self.path


_OPEN_METEO = "Weather data by Open-Meteo.com (CC BY 4.0)"
_COPERNICUS = "contains modified Copernicus Climate Change Service information (ERA5, ERA5-Land)"


def _open_meteo(host: str, name: str, more: str = "") -> Endpoint:
    return Endpoint(
        service="Open-Meteo",
        base_url=f"https://{host}.open-meteo.com",
        path=f"/v1/{name}",
        variable=f"THERMOSPROUT_{name.upper()}_URL",
        attribution=_OPEN_METEO + more,
    )


FORECAST = _open_meteo("api", "forecast")
ARCHIVE = _open_meteo("archive-api", "archive", f"; {_COPERNICUS}")
ENSEMBLE = _open_meteo("ensemble-api", "ensemble")
POWER_HOURLY = Endpoint(
    service="NASA POWER",
    base_url="https://power.larc.nasa.gov",
    path="/api/temporal/hourly/point",
    variable="THERMOSPROUT_POWER_URL",
    attribution="Data from the NASA Langley Research Center POWER Project",
)


def key_parameters(endpoint: Endpoint, base_url: str | None) -> dict[str, str]:
    """Key of a paying user, where one is set and belongs to the address.

    The key goes over https alone, and to Open-Meteo or a host that the user's own environment
    names: a season file may come from anyone, and its ``base_url`` gets no key.
    """
    key = os.environ.get(KEY_VARIABLE, "").strip()
    parts = urlsplit(endpoint.url(base_url))
    host = parts.hostname or ""
    own = urlsplit(os.environ.get(endpoint.variable, "")).hostname
    trusted = host in (own, KEY_HOST) or host.endswith(f".{KEY_HOST}")
    return {"apikey": key} if key and trusted and parts.scheme == "https" else {}


def ask(
    endpoint: Endpoint,
    params: Mapping[str, str | int | float],
    read: Callable[[dict[str, Any]], xr.Dataset],
    span: Callable[[date], Span],
    *,
    session: WeatherSession,
    expires_s: int,
    base_url: str | None,
    source: str,
) -> xr.Dataset:
    """Ask a service, or its cached answers.

    ``read`` turns the JSON object of an answer into a Dataset, as :func:`plausible` takes it;
    ``span`` gives the days that the answer must hold, for the UTC day on which it came. An answer
    lives for ``expires_s`` seconds in the cache; one that is cut lives as long as a forecast.

    Raises
    ------
    ServiceError, CoverageError
        As :meth:`WeatherSession.get`.
    """
    url = endpoint.url(base_url)
    answers: dict[str, xr.Dataset] = {}

    def check(body: bytes, came: datetime) -> bool:
        days = span(came.astimezone(UTC).date())
        latitude, longitude = float(params["latitude"]), float(params["longitude"])
        same = (endpoint, latitude, longitude, days, hashlib.sha256(body).digest())
        if same not in session.read:
            try:
                data, words = plausible(
                    read(json_object(body)), latitude=latitude, longitude=longitude, span=days
                )
            except InputError as error:
                raise BadAnswerError(error.what, "try again later") from None
            data.attrs["notes"] = tuple(f"{endpoint.service}: {word}" for word in words)
            session.read[same] = data
        answers["data"] = data = session.read[same].copy()
        return not data.attrs["cut_hours"] or expires_s == FORECAST_EXPIRES_S

    answer = session.get(endpoint.service, url, params, check=check, expires_s=expires_s)
    data = answers["data"]
    note = answer.note(endpoint.service)
    data.attrs |= {
        "source": source,
        "attribution": endpoint.attribution,
        "retrieved": answer.retrieved.isoformat(timespec="seconds"),
        "stale": bool(answer.why_stale),
        "notes": (*data.attrs["notes"], *([note] if note else [])),
    }
    return data


def json_object(body: bytes) -> dict[str, Any]:
    """JSON object of an answer, whatever else the body may be.

    Raises
    ------
    BadAnswerError
        When it is none.
    """
    try:
        document = json.loads(body)
    except (ValueError, RecursionError):
        raise BadAnswerError("the answer is cut off or is not JSON", "try again") from None
    if isinstance(document, list) and len(document) == 1:
        document = document[0]
    if not isinstance(document, dict):
        raise BadAnswerError("the answer does not have the documented form", "check the base URL")
    return document


def past_days(
    start: date,
    end: date,
    ask: Callable[[date, date, int], xr.Dataset],
    *,
    today: date | None = None,
) -> xr.Dataset:
    """Ask for the UTC days from ``start`` to ``end``, both included, span by span.

    Whole past years are asked for one by one and whole past months of the current year too, so
    that what is cached never has to be asked for again; only the newest days expire. ``ask`` is
    called with the first and last day of a span and the seconds that its answer may be kept.

    Raises
    ------
    InputError
        When the last day comes first.
    CoverageError
        When the service does not hold the days; the newest may be missing.
    """
    if end < start:
        raise InputError(f"the last day {end} is before the first day {start}")
    parts = []
    for first, last, settled in spans(start, end, today or datetime.now(UTC).date()):
        try:
            parts.append(ask(first, last, NEVER if settled else 6 * FORECAST_EXPIRES_S))
        except CoverageError:
            # The newest days may not be there yet; a hole further back is an error.
            if settled or not parts:
                raise
    after = np.datetime64(end) + np.timedelta64(23, "h")
    return join_in_time(parts).sel(time=slice(np.datetime64(start), after))


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


def join_in_time(parts: Sequence[xr.Dataset]) -> xr.Dataset:
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


def answer_values(values: Iterable[Any], name: str) -> FloatArray:
    """Numbers of one variable, shape (time,), NaN for the null of JSON.

    Raises
    ------
    BadAnswerError
        For anything that is no finite number; JSON itself knows neither NaN nor infinity
        (RFC 8259, section 6), and a number may be too large to be one here.
    """
    cells = list(values)
    fault = BadAnswerError(f"{name} holds something that is not a number", "try again later")
    if not set(map(type, cells)) <= {int, float, type(None)}:
        raise fault
    try:
        numbers = np.array(cells, dtype=float)
    except OverflowError:
        raise fault from None
    if np.count_nonzero(~np.isfinite(numbers)) != cells.count(None):
        raise fault
    return numbers


PLACE_LIMITS = {"latitude": 90.0, "longitude": 360.0, "elevation": 9000.0}


def answer_number(value: Any, name: str) -> float:
    """One number of where an answer is for: its latitude, longitude or elevation.

    Raises
    ------
    BadAnswerError
        When it is absent, no number, or lies nowhere on earth.
    """
    if value is None:
        raise BadAnswerError(f"the answer does not give its {name}", "check the base URL")
    number = float(answer_values([value], name)[0])
    if abs(number) > PLACE_LIMITS[name]:
        raise BadAnswerError(f"no place has a {name} of {number:g}", "check the base URL")
    return number


def answer_dataset(
    time: npt.NDArray[np.datetime64],
    columns: Mapping[str, FloatArray],
    *,
    source: str,
    place: tuple[Any, Any, Any],
    null: str,
    hint: str,
    used: int | None = None,
) -> xr.Dataset:
    """Weather Dataset of an answer, from its first to its last hour with air temperature.

    Parameters
    ----------
    time : datetime64 array, shape (time,)
        Hourly, UTC.
    columns : mapping of ndarray, shape ([member,] time)
        Air temperature and whatever else came, in our units; what holds no value is left out.
    source : str
        Name of the service.
    place : tuple
        Latitude, longitude and elevation as they came; the last may be None.
    null, hint : str
        How the service writes a missing value, and what to do where there is nothing else.
    used : int, optional
        Hours of the answer that may be used at most.

    Returns
    -------
    xarray.Dataset, dims ([member,] time)
        ``attrs``: ``cut_hours`` without values were cut off at the ends of ``first_hour`` to
        ``last_hour``.

    Raises
    ------
    BadAnswerError
        When no air temperature came, or it has a hole.
    """
    air = columns["air_temperature"]
    complete = np.asarray(np.isfinite(np.atleast_2d(air)).all(axis=0))
    there = np.flatnonzero(complete)
    if there.size < 2:
        what = f"the answer holds no air temperatures ({null}s) for these days"
        raise BadAnswerError(what, hint, coverage=True)
    holes = np.flatnonzero(~complete[there[0] : there[-1]])
    if holes.size:
        hour = str(time[there[0] + holes[0]])[:16]
        what = f"air temperature is missing ({null}) at {hour} UTC within the series"
        raise BadAnswerError(what, "try again later, or choose another model", coverage=True)
    hours = time.size if used is None else used
    keep = slice(int(there[0]), min(int(there[-1]) + 1, hours))
    latitude, longitude, elevation = place
    data = weather_dataset(
        time[keep],
        source=source,
        latitude=answer_number(latitude, "latitude"),
        longitude=answer_number(longitude, "longitude"),
        elevation_m=None if elevation is None else answer_number(elevation, "elevation"),
        **{k: v[..., keep] for k, v in columns.items() if np.isfinite(v[..., keep]).any()},
    )
    data.attrs |= {
        "cut_hours": hours - (keep.stop - keep.start),
        "first_hour": time[0],
        "last_hour": time[-1],
    }
    return data
