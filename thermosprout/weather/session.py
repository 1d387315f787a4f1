"""One cached HTTP session for all weather services, in the user's own cache folder.

Answers are judged before they are kept and again when they are read; the file is private, holds
data only (JSON, nothing that runs) and no key of the user.
"""

from __future__ import annotations

import contextlib
import logging
import os
import sqlite3
import stat
import time
from collections.abc import Callable, Mapping
from contextlib import closing
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import parse_qs, urlsplit

from thermosprout.errors import (
    CoverageError,
    InputError,
    Place,
    ServiceError,
    ThermosproutError,
)
from thermosprout.weather.transport import (
    KEY_NAMES,
    NOT_STORED,
    WHOLE_LIMIT_S,
    BadAnswerError,
    Check,
    CheckedAdapter,
    Errand,
)

if TYPE_CHECKING:
    import requests
    import xarray as xr
    from requests_cache import CachedSession
    from requests_cache.backends.sqlite import SQLiteCache

FORECAST_EXPIRES_S = 3600
NEVER = -1
HISTORY_SETTLED_DAYS = 10
"""History older than this does not change any more: it never expires. [d]"""
TIMEOUT_S = (5.0, 30.0)
CLOCK_SLACK = timedelta(minutes=10)
"""An answer dated later than this was kept under a clock that was fast: it is asked for anew."""
CACHE_VARIABLE = "THERMOSPROUT_CACHE"
FORMAT = 1
"""Number of the cache's layout, in the database's ``user_version``."""

# A failed refresh is told by the program in one sentence, not by the library with a traceback.
logging.getLogger("requests_cache").setLevel(logging.CRITICAL)
logging.getLogger("urllib3").setLevel(logging.CRITICAL)


@dataclass(frozen=True, kw_only=True)
class Answer:
    """A body that passed its check; ``why_stale`` says why an old one was used, where it was."""

    body: bytes
    retrieved: datetime
    why_stale: str

    def note(self, service: str) -> str:
        """Say that an old answer was used, or nothing."""
        if not self.why_stale:
            return ""
        hours = max(0.0, (datetime.now(UTC) - self.retrieved).total_seconds() / 3600)
        age = f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"
        return f"{service}{self.why_stale}, so an answer {age} old was used."


@dataclass(frozen=True, kw_only=True)
class CachedAnswer:
    """What is kept of one answer: who gave it, for which place and days, when and until when."""

    host: str
    what: str
    latitude: str
    longitude: str
    retrieved: datetime
    expires: datetime | None
    kilobytes: float


def cache_folder() -> Path:
    """Folder of the cache: ``THERMOSPROUT_CACHE``, or the user's cache folder."""
    folder = os.environ.get(CACHE_VARIABLE)
    if folder:
        return Path(folder)
    from platformdirs import user_cache_path

    return user_cache_path("thermosprout", appauthor=False)


def _private_file(folder: Path) -> Path:
    """Create folder and file so that only the user can read them, with the number of its layout."""
    path = folder / "weather.sqlite"
    hint = f"set {CACHE_VARIABLE} to another folder, or delete the file"
    try:
        folder.mkdir(mode=stat.S_IRWXU, parents=True, exist_ok=True)
        handle = os.open(path, os.O_CREAT | os.O_RDWR, stat.S_IRUSR | stat.S_IWUSR)
        os.close(handle)
        if path.stat().st_mode & 0o077:
            path.chmod(stat.S_IRUSR | stat.S_IWUSR)
        number = _numbered(path)
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode not in (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT):
            raise InputError(
                f"the cache cannot be used ({error})", place=Place(file=path), hint=hint
            ) from None
        return _put_aside(path, "broken")
    except OSError as error:
        raise InputError(
            f"the cache folder cannot be used ({error.strerror})",
            place=Place(file=folder),
            hint=f"set {CACHE_VARIABLE} to a folder of yours",
        ) from None
    if number > FORMAT:
        raise InputError(
            f"this cache has format {number}, this version reads format {FORMAT}",
            place=Place(file=path),
            hint=hint,
        )
    return path if number == FORMAT else _put_aside(path, "older")


def _numbered(path: Path) -> int:
    """Number of the layout a cache has, given to it where it is new."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        (number,) = connection.execute("PRAGMA user_version").fetchone()
        if number == 0:
            # Two programs may get here at once: the second waits, and finds the number.
            connection.execute("BEGIN IMMEDIATE")
            (number,) = connection.execute("PRAGMA user_version").fetchone()
            (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            if number == 0 and tables == 0:
                connection.execute(f"PRAGMA user_version = {FORMAT}")
                number = FORMAT
            connection.execute("COMMIT")
    return int(number)


def _put_aside(path: Path, why: str) -> Path:
    """Move a cache out of the way; a new one is begun."""
    try:
        path.rename(path.with_name(f"weather.{why}-{int(time.time())}.sqlite"))
    except OSError as error:
        raise InputError(
            f"the {why} cache cannot be moved aside ({error.strerror})",
            place=Place(file=path),
            hint="delete it",
        ) from None
    return _private_file(path.parent)


def _sound_cache(path: Path) -> SQLiteCache:
    """Cache of answers as JSON: the library's own way would run what a file holds as code."""
    from requests_cache.backends.sqlite import SQLiteCache

    class SoundCache(SQLiteCache):
        """A row that cannot be read counts as none."""

        def get_response(self, key: str, default: Any = None) -> Any:
            try:
                response = super().get_response(key, default)
                if response is not None:
                    _described(response)
                return response
            except sqlite3.Error:
                raise
            except Exception:  # whatever a damaged row holds
                self.delete(key)
                return default

    return SoundCache(path, serializer="json", decode_content=False)


@dataclass
class WeatherSession:
    """Asks services through the cache.

    Attributes
    ----------
    offline : bool
        Send nothing, use what is cached however old.
    folder : Path, optional
        Cache folder; :func:`cache_folder` by default.
    timeout : (float, float)
        To connect, and between two parts of the answer. [s]
    limit_s : float
        For a whole answer, however it drips in. [s]
    read : dict
        What answers said, by their bytes and what they were held against: soil, water and cover
        ask for the same years, and an answer of a year is long.
    """

    offline: bool = False
    folder: Path | None = None
    timeout: tuple[float, float] = TIMEOUT_S
    limit_s: float = WHOLE_LIMIT_S
    sleep: Callable[[float], None] = time.sleep
    read: dict[tuple[object, ...], xr.Dataset] = field(default_factory=dict, repr=False)
    _session: CachedSession | None = field(default=None, repr=False)
    _adapter: CheckedAdapter | None = field(default=None, repr=False)

    def __enter__(self) -> WeatherSession:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close connections and the cache."""
        if self._session is not None:
            self._session.close()  # type: ignore[no-untyped-call]
            self._session = None

    def _open(self) -> tuple[CachedSession, CheckedAdapter]:
        if self._session is None or self._adapter is None:
            from requests_cache import CachedSession

            self._adapter = CheckedAdapter(sleep=self.sleep)
            self._session = CachedSession(
                backend=_sound_cache(
                    _private_file(self.folder or cache_folder()),
                ),
                allowable_codes=(200,),
                allowable_methods=("GET",),
                ignored_parameters=KEY_NAMES,
                match_headers=False,
                stale_if_error=True,
                filter_fn=lambda response: NOT_STORED not in response.headers,
                autoclose=True,
            )
            self._session.max_redirects = 3
            self._session.mount("https://", self._adapter)
            self._session.mount("http://", self._adapter)
            self._session.headers["User-Agent"] = "thermosprout"
        return self._session, self._adapter

    def get(
        self,
        service: str,
        url: str,
        params: Mapping[str, str | int | float],
        *,
        check: Check,
        expires_s: int,
    ) -> Answer:
        """Ask a service, or the cache; parameters as for :class:`Errand`.

        An answer in the cache that fails its check is dropped and asked for anew.

        Raises
        ------
        ServiceError
            When the service fails and nothing usable is cached.
        CoverageError
            When it answers, but without values for what was asked.
        """
        parts = urlsplit(url)
        if parts.scheme not in ("http", "https") or not parts.hostname:
            raise InputError(f"{url!r} is not a web address", hint="write https://HOST")
        errand = Errand(service, url, params, check, expires_s, self.limit_s)
        try:
            response = self._send(errand)
            doubt = self._doubt(response, errand)
            if doubt and not self.offline and not response.is_expired:  # type: ignore[attr-defined]
                response = self._send(errand, anew=True)
                doubt = self._doubt(response, errand)
            if doubt:
                raise ServiceError(
                    f"{service}: the cached answer cannot be used ({doubt})",
                    hint="run once with a connection, without --offline",
                )
        except ThermosproutError as error:
            what = errand.without_secrets(error.what)
            hint = errand.without_secrets(error.hint)
            raise type(error)(what, place=error.place, hint=hint) from None
        return _answer(response, errand, offline=self.offline)

    def _send(self, errand: Errand, *, anew: bool = False) -> requests.Response:
        """Response of the cache or the service, of status 200; ``anew`` leaves the cache aside."""
        import requests

        session, adapter = self._open()
        adapter.errand = errand
        query: Any = {"params": dict(errand.params), "timeout": self.timeout}
        try:
            try:
                response = session.get(
                    errand.url,
                    expire_after=errand.expires_s,
                    only_if_cached=self.offline,
                    force_refresh=anew,
                    **query,
                )
            except sqlite3.Error:
                if self.offline:
                    raise
                with session.cache_disabled():  # a full disk: the answer is not kept
                    response = session.get(errand.url, **query)
        except (requests.RequestException, ValueError) as error:  # ValueError: a spoilt redirect
            raise _explained(errand.service, errand.failure or error, errand.host) from None
        except sqlite3.Error as error:
            raise ServiceError(
                f"the cache of weather answers failed ({error})",
                hint=f"delete {self.folder or cache_folder()} and try again",
            ) from None
        finally:
            adapter.errand = None
        if response.status_code != 200:
            raise self._refused(errand.service, response)
        return response

    def _doubt(self, response: Any, errand: Errand) -> str:
        """Why an answer out of the cache is not to be used, or nothing; a bad one is dropped."""
        if not getattr(response, "from_cache", False):
            return ""
        came = _aware(response.created_at)
        try:
            # Files of an older version, or touched by others, pass the same check again.
            errand.check(response.content, came)
        except BadAnswerError as error:
            session, _ = self._open()
            with contextlib.suppress(sqlite3.Error):
                session.cache.delete(response.cache_key)
            return error.what
        fast = came - datetime.now(UTC) > CLOCK_SLACK
        return "it was kept under a clock that was fast" if fast and not self.offline else ""

    def _refused(self, service: str, response: requests.Response) -> ServiceError:
        code, reason = response.status_code, _reason(response)
        why = f": {reason}" if reason else ""
        if code == 504 and self.offline:
            return ServiceError(
                f"{service} was not asked (offline) and no answer is cached",
                hint="run once with a connection, without --offline",
            )
        hints = {
            400: "check place, dates and the service; the same request would fail again",
            401: "check the key of the service",
            403: "check the key of the service",
            404: "check the base URL",
            429: "too many requests: wait, or use --offline",
        }
        hint = hints.get(code, "try again later, or use --offline with what is cached")
        word = "refused the request" if code < 500 else "failed"
        return ServiceError(f"{service} {word} (HTTP {code}){why}", hint=hint)

    def cached(self) -> tuple[list[CachedAnswer], int]:
        """Everything that is cached, newest first, and the number of rows that cannot be read."""
        folder = self.folder or cache_folder()
        if not (folder / "weather.sqlite").exists():
            return [], 0
        session, _ = self._open()
        rows, damaged = [], 0
        for key in list(session.cache.responses.keys()):
            try:
                rows.append(_described(session.cache.responses[key]))
            except Exception:  # whatever a damaged row holds
                damaged += 1
        return sorted(rows, key=lambda row: row.retrieved, reverse=True), damaged


def _described(response: Any) -> CachedAnswer:
    parts = urlsplit(response.url)
    query = {key: values[0] for key, values in parse_qs(parts.query).items()}
    start = query.get("start_date", query.get("start", ""))
    end = query.get("end_date", query.get("end", ""))
    span = f" {_short_span(start, end)}" if start else ""
    return CachedAnswer(
        host=parts.netloc,
        what=parts.path.rstrip("/").rsplit("/", 1)[-1] + span,
        latitude=query.get("latitude", ""),
        longitude=query.get("longitude", ""),
        retrieved=_aware(response.created_at),
        expires=None if response.expires is None else _aware(response.expires),
        kilobytes=response.size / 1e3,
    )


def _short_span(start: str, end: str) -> str:
    """Write a whole year as 2024 and a whole month as 2024-05."""
    if start[4:] in ("-01-01", "0101") and end[4:] in ("-12-31", "1231"):
        return start[:4]
    first = start if "-" in start else f"{start[:4]}-{start[4:6]}-{start[6:]}"
    last = end if "-" in end else f"{end[:4]}-{end[4:6]}-{end[6:]}"
    if first[:7] == last[:7] and first.endswith("-01") and last[8:] in ("28", "29", "30", "31"):
        return first[:7]
    return f"{first} to {last}"


def _aware(moment: datetime) -> datetime:
    return moment if moment.tzinfo else moment.replace(tzinfo=UTC)


def _answer(response: Any, errand: Errand, *, offline: bool) -> Answer:
    expired = getattr(response, "from_cache", False) and response.is_expired
    created = getattr(response, "created_at", None)
    why = ""
    if expired and offline:
        why = " was not asked (offline)"
    elif expired:
        why = errand.without_secrets(_cause(errand.failure or Exception(), errand.host)[0])
    return Answer(
        body=response.content,
        retrieved=_aware(created) if created else datetime.now(UTC),
        why_stale=why,
    )


def _reason(response: requests.Response) -> str:
    """Reason that the service gives, when it is one short text."""
    try:
        document = response.json()
    except ValueError:
        return ""
    if isinstance(document, dict):
        for key in ("reason", "message", "detail"):
            if isinstance(document.get(key), str):
                return str(document[key])[:300].rstrip(".")
    return ""


def _explained(service: str, error: Exception, host: str) -> ServiceError | CoverageError:
    """Turn a failure on the way into one sentence with the next step."""
    what, hint = _cause(error, host)
    kind = CoverageError if isinstance(error, BadAnswerError) and error.coverage else ServiceError
    return kind(f"{service}{what}", hint=hint)


def _cause(error: Exception, host: str) -> tuple[str, str]:
    """What went wrong on the way, to follow the name of the service, and the next step."""
    from requests import exceptions as its

    again = "check the connection and try again, or use --offline with what is cached"
    if isinstance(error, BadAnswerError):
        return f": {error.what}", error.hint or "try again later"
    if isinstance(error, its.HTTPError) and error.response is not None:
        return f" failed (HTTP {error.response.status_code})", again
    causes: list[tuple[type[Exception] | tuple[type[Exception], ...], str, str]] = [
        (
            its.SSLError,
            f": the certificate of {host} is not trusted",
            "check the base URL and the clock of this machine",
        ),
        (its.Timeout, " did not answer in time", again),
        (its.TooManyRedirects, " sends the request round in circles", "check the base URL"),
        (
            (its.ChunkedEncodingError, its.ContentDecodingError),
            ": the answer was cut off on the way",
            again,
        ),
        (its.ConnectionError, f" cannot be reached at {host}", again),
        (Exception, ": the request failed", again),
    ]
    return next((what, hint) for kind, what, hint in causes if isinstance(error, kind))
