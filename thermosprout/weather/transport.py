"""One request over the wire: bounded in size and time, repeated with patience, then judged."""

from __future__ import annotations

import email.utils
import random
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from io import BytesIO
from typing import Any
from urllib.parse import quote, urlsplit

import requests
from requests.adapters import HTTPAdapter
from urllib3.response import HTTPResponse

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


@dataclass
class Errand:
    """What the adapter must know about the request under way."""

    check: Check
    content_types: tuple[str, ...]
    plain_hosts: frozenset[str] = field(default_factory=frozenset)
    secrets: tuple[str, ...] = ()
    limit_s: float = WHOLE_LIMIT_S
    failure: Exception | None = None

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
        if parts.scheme != "https" and parts.hostname not in LOOPBACK | errand.plain_hosts:
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
            _require_type(response, body, errand.content_types)
            echoed = any(secret.encode() in body for secret in errand.secrets)
            stored = errand.check(body, datetime.now(UTC)) and not echoed
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


def _require_type(response: requests.Response, body: bytes, types: tuple[str, ...]) -> None:
    kind = response.headers.get("Content-Type", "").split(";")[0].strip().lower()
    start = body[:200].lstrip().lower()
    if start.startswith((b"<!doctype", b"<html")) or kind == "text/html":
        raise BadAnswerError(
            "a web page came instead of data",
            "check the base URL, and whether the network first asks for a login",
        )
    if kind not in types:
        raise BadAnswerError(
            f"the answer is of type {kind or 'unknown'!r}, expected {types[0]!r}",
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
