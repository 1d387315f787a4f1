"""How an answer comes over the wire: bounded, repeated with patience, and looked at before use."""

from __future__ import annotations

import email.utils
import random
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from io import BytesIO
from typing import Any
from urllib.parse import urlsplit

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

Check = Callable[[bytes], bool]
"""Raises :class:`BadAnswerError` for a bad body; False means good, but not to be stored."""


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
    failure: Exception | None = None


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
        for attempt in range(ATTEMPTS):
            response = super().send(request, *args, **kwargs)
            if response.status_code not in (429, 503) or attempt == ATTEMPTS - 1:
                break
            pause = _pause(response, attempt)
            if pause > LONGEST_WAIT_S:
                break
            response.close()
            self._sleep(pause)
        if response.is_redirect:
            return response
        body = _read_bounded(response)
        if response.status_code == 200:
            _look_at_type(response, body, errand.content_types)
            stored = errand.check(body)
        else:
            stored = False
        return _rebuilt(response, body, stored=stored)


def _pause(response: requests.Response, attempt: int) -> float:
    """Seconds to wait: as the service asks, else doubling with some jitter."""
    asked = response.headers.get("Retry-After", "")
    if asked.isdigit():
        return float(asked)
    when = email.utils.parsedate_tz(asked) if asked else None
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


def _look_at_type(response: requests.Response, body: bytes, wanted: tuple[str, ...]) -> None:
    found = response.headers.get("Content-Type", "").split(";")[0].strip().lower()
    start = body[:200].lstrip().lower()
    if start.startswith((b"<!doctype", b"<html")) or found == "text/html":
        raise BadAnswerError(
            "a web page came instead of data",
            "check the base URL, and whether the network first asks for a login",
        )
    if found not in wanted:
        raise BadAnswerError(
            f"the answer is of type {found or 'unknown'!r}, expected {wanted[0]!r}",
            "check the base URL",
        )


def _rebuilt(old: requests.Response, body: bytes, *, stored: bool) -> requests.Response:
    """Build the response anew around the body already read and decoded."""
    new = requests.Response()
    new.status_code, new.url, new.reason = old.status_code, old.url, old.reason
    new.encoding, new.elapsed, new.request = "utf-8", old.elapsed, old.request
    new.connection = old.connection
    headers = {
        name: value
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
