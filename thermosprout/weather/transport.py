"""One request over the wire: bounded in size and time, repeated with patience, then judged.

Whether an answer can be the weather of the place and the days it was asked for is judged whole
(:func:`plausible`), before it is used or kept, and again when it is read from the cache: values
that occur on earth (by the readers of each service, before anything is averaged), the place, the
days and their hours, air that fits latitude and season, air that moves, and a sun that does not
shine at night.
"""

from __future__ import annotations

import email.utils
import random
import threading
import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime
from io import BytesIO
from typing import Any
from urllib.parse import quote, urlsplit

import numpy as np
import numpy.typing as npt
import requests
import xarray as xr
from requests.adapters import HTTPAdapter
from urllib3.response import HTTPResponse

from thermosprout.quantities import FloatArray
from thermosprout.soil.model.weather import HALF_HOUR, sun_elevation
from thermosprout.soil.quality import usual_air
from thermosprout.soil.series import distance_km

MAX_BODY_MB = 60.0
"""A year of hourly ensemble values is under 20 MB; more is no weather answer. [MB]"""
ATTEMPTS = 3
LONGEST_WAIT_S = 30.0
"""A service that asks for a longer pause is reported, not waited for. [s]"""
NOT_STORED = "X-Thermosprout-Not-Stored"
LOOPBACK = frozenset({"localhost", "127.0.0.1", "::1"})

Check = Callable[[bytes, datetime], bool]
"""Looks at a body and the instant it came at; raises :class:`BadAnswerError` for a bad one, and
returns False for one that is good, but not to be stored."""
WHOLE_LIMIT_S = 180.0
"""The largest answer, 20 MB, at 1 Mbit/s. [s]"""


class BadAnswerError(requests.RequestException):
    """An answer that came but cannot be used; ``hint`` is the next step for the user."""

    def __init__(self, what: str, hint: str = "", *, coverage: bool = False) -> None:
        self.what, self.hint, self.coverage = what, hint, coverage
        super().__init__(what)


SHORTEST_KEY = 6
"""A shorter text is no key, and would be cut out of every other word."""
KEY_NAMES = ("apikey", "api_key", "key", "token", "access_token", "appid", "user")


@dataclass
class Errand:
    """One question to a service, and what went wrong with it.

    Attributes
    ----------
    service : str
        Name for messages.
    url, params : str, mapping
        Whole address and query; plain http is sent only to loopback or where this very address has
        it, and keys of paying users are neither stored nor part of what is matched.
    check : callable
        Judges the body before it is used or stored, and again when it is read from the cache.
    expires_s : int
        Life of the answer in the cache, -1 for ever. [s]
    limit_s : float
        For the whole answer, however it drips in. [s]
    """

    service: str
    url: str
    params: Mapping[str, str | int | float]
    check: Check
    expires_s: int
    limit_s: float = WHOLE_LIMIT_S
    failure: Exception | None = None

    @property
    def host(self) -> str:
        """Host that is asked."""
        return str(urlsplit(self.url).hostname)

    def sends_openly(self, host: str | None) -> bool:
        """Whether plain http may go to a host."""
        return host in LOOPBACK or (self.url.startswith("http://") and host == self.host)

    @property
    def secrets(self) -> list[str]:
        """Keys of the user."""
        keys = (str(value) for name, value in self.params.items() if name in KEY_NAMES)
        return [key for key in keys if len(key) >= SHORTEST_KEY]

    def without_secrets(self, text: str) -> str:
        """Text in which no key of the user stands, whatever the service sends back."""
        for secret in self.secrets:
            for spelling in {secret, quote(secret, safe="")}:
                text = text.replace(spelling, "***")
        return text


class CheckedAdapter(HTTPAdapter):
    """Sends requests, waits and repeats on 429 and 503, bounds the body, and checks it.

    A body that fails the check raises, so that the cache above neither stores it nor hands it on,
    and falls back to a stale answer where it has one.
    """

    def __init__(self, *, sleep: Callable[[float], None] = time.sleep) -> None:
        self.errand: Errand | None = None
        self._sleep = sleep
        super().__init__()

    def send(
        self, request: requests.PreparedRequest, *args: Any, **kwargs: Any
    ) -> requests.Response:
        """Send one request; see :class:`requests.adapters.HTTPAdapter`."""
        errand = self.errand
        if errand is None:
            raise BadAnswerError("a request was sent without a check")
        try:
            return self._send(request, errand, *args, **kwargs)
        except Exception as error:
            errand.failure = error
            raise

    def _send(
        self, request: requests.PreparedRequest, errand: Errand, *args: Any, **kwargs: Any
    ) -> requests.Response:
        parts = urlsplit(request.url or "")
        if parts.scheme != "https" and not errand.sends_openly(parts.hostname):
            raise BadAnswerError(
                f"the request to {parts.hostname} would not be encrypted",
                "use an https address",
            )
        kwargs["stream"] = True

        def exchange() -> tuple[requests.Response, bytes]:
            response = HTTPAdapter.send(self, request, *args, **kwargs)
            return response, b"" if response.is_redirect else _read_bounded(response)

        for attempt in range(ATTEMPTS):
            response, body = _within(errand.limit_s, exchange)
            if response.status_code not in (429, 503) or attempt == ATTEMPTS - 1:
                break
            pause = _pause(response, attempt)
            if pause > LONGEST_WAIT_S:
                break
            self._sleep(pause)
        if response.is_redirect:
            return response
        stored = False
        if response.status_code == 200:
            _require_json(response, body)
            echoed = any(secret.encode() in body for secret in errand.secrets)
            stored = errand.check(body, datetime.now(UTC)) and not echoed
        else:
            errand.failure = requests.HTTPError(response=response)
        return _rebuilt(response, body, errand, stored=stored)


def _within(
    limit_s: float, job: Callable[[], tuple[requests.Response, bytes]]
) -> tuple[requests.Response, bytes]:
    """Run a job, and give it up after a time: an answer that drips in never trips a timeout."""
    results: list[tuple[requests.Response, bytes]] = []
    failures: list[Exception] = []

    def run() -> None:
        try:
            results.append(job())
        except Exception as error:  # handed on below
            failures.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(limit_s)
    if failures:
        raise failures[0]
    if not results:
        raise requests.Timeout(f"no whole answer within {limit_s:g} s")
    return results[0]


def _pause(response: requests.Response, attempt: int) -> float:
    """Seconds to wait: as the service asks, else doubling with some jitter."""
    after = response.headers.get("Retry-After", "")
    if after.isdigit():
        return float(after)
    when = email.utils.parsedate_tz(after) if after else None
    if when is not None:
        return max(0.0, email.utils.mktime_tz(when) - time.time())
    return float(2.0**attempt * random.uniform(0.8, 1.2))  # noqa: S311 - jitter, no secret


def _read_bounded(response: requests.Response) -> bytes:
    limit = int(MAX_BODY_MB * 1e6)
    announced = response.headers.get("Content-Length", "")
    if announced.isdigit() and int(announced) > limit:
        response.close()
        raise BadAnswerError(
            f"the answer has {int(announced) / 1e6:.0f} MB, at most {MAX_BODY_MB:.0f} MB are read",
            "ask for fewer days",
        )
    body = bytearray()
    for part in response.iter_content(65536):
        body += part
        if len(body) > limit:
            response.close()
            raise BadAnswerError(
                f"the answer is larger than {MAX_BODY_MB:.0f} MB", "ask for fewer days"
            )
    return bytes(body)


def _require_json(response: requests.Response, body: bytes) -> None:
    kind = response.headers.get("Content-Type", "").split(";")[0].strip().lower()
    start = body[:200].lstrip().lower()
    if start.startswith((b"<!doctype", b"<html")) or kind == "text/html":
        raise BadAnswerError(
            "a web page came instead of data",
            "check the base URL, and whether the network first asks for a login",
        )
    if kind != "application/json":
        raise BadAnswerError(
            f"the answer is of type {kind or 'unknown'!r}, expected 'application/json'",
            "check the base URL",
        )


def _rebuilt(
    old: requests.Response, body: bytes, errand: Errand, *, stored: bool
) -> requests.Response:
    """Build the response anew around the body already read and decoded."""
    new = requests.Response()
    new.status_code, new.url, new.reason = old.status_code, old.url, old.reason
    new.encoding, new.elapsed, new.request = "utf-8", old.elapsed, old.request
    new.connection = old.connection
    headers = {
        name: errand.without_secrets(value)
        for name, value in old.headers.items()
        if name.lower() not in ("content-encoding", "content-length", "transfer-encoding")
    }
    if not stored:
        headers[NOT_STORED] = "1"
    new.headers.update(headers)
    new.raw = HTTPResponse(
        body=BytesIO(body),
        headers=headers,
        status=old.status_code,
        reason=old.reason,
        preload_content=False,
        request_url=old.url,
    )
    new._content = body
    return new


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
        Days by which the answer may begin earlier or later: a forecast counts from the service's
        own today.
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
    usable, notes = _full_columns(data)
    air = np.atleast_2d(usable["air_temperature"].values)
    _require_season(air, usable["time"].values, data.attrs.get("elevation_m"), latitude)
    if air.shape[1] > STILL_H and (np.ptp(air, axis=1) < 0.05).any():
        raise BadAnswerError("the air temperature stands still", "try again later")
    if "ghi" in usable:
        _require_dark_nights(usable["ghi"].values, usable["time"].values, latitude, longitude)
    return usable, notes


def _require_place(data: xr.Dataset, latitude: float, longitude: float) -> None:
    north, east = float(data.attrs["latitude"]), float(data.attrs["longitude"])
    apart = float(distance_km(latitude, longitude, north, east))
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
    """Raise :class:`BadAnswerError` for the first value that does not occur on earth."""
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
    night = sun_elevation(time + HALF_HOUR, latitude, longitude) < NIGHT_ELEVATION_DEG
    at_night = ghi[..., night]
    if at_night.size >= 24 and (at_night > NIGHT_SUN_W_M2).mean() > NIGHT_SUN_SHARE:
        raise BadAnswerError(
            "the sun shines at night: the times are not UTC, or the place is another",
            "try again later",
        )
