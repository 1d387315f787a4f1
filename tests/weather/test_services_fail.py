"""Every way in which a service can fail: nothing crashes, nothing wrong is cached, it is said."""

from __future__ import annotations

import json
import re
import sqlite3
import stat
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
import xarray as xr
from requests_cache.backends.sqlite import SQLiteCache

from tests.weather.playing import Playing, Reply, good, play, rewrite_cache
from thermosprout.errors import CoverageError, ServiceError, ThermosproutError
from thermosprout.weather import transport
from thermosprout.weather.nasa_power import get_power
from thermosprout.weather.open_meteo import get_archive, get_ensemble, get_forecast
from thermosprout.weather.session import WeatherSession

PLACE = (52.2, 0.12)
DAYS = (date(2021, 3, 1), date(2021, 3, 9))
TODAY = date(2021, 3, 25)


def forecast(session: WeatherSession, url: str) -> xr.Dataset:
    return get_forecast(*PLACE, session=session, base_url=url, past_days=3, days_ahead=3)


def archive(session: WeatherSession, url: str) -> xr.Dataset:
    return get_archive(*PLACE, *DAYS, session=session, base_url=url, today=TODAY)


def ensemble(session: WeatherSession, url: str) -> xr.Dataset:
    return get_ensemble(*PLACE, session=session, base_url=url)


def nasa(session: WeatherSession, url: str) -> xr.Dataset:
    return get_power(*PLACE, *DAYS, session=session, base_url=url, today=TODAY)


SERVICES = [forecast, archive, ensemble, nasa]
Get = Callable[[WeatherSession, str], xr.Dataset]


def json_reply(document: Any, **more: Any) -> Reply:
    return Reply(body=json.dumps(document).encode(), **more)


def changed(path: str, query: dict[str, str], change: Callable[[dict[str, Any]], None]) -> Reply:
    document = json.loads(good(path, query).body)
    change(document)
    return json_reply(document)


def _other_unit(document: dict[str, Any]) -> None:
    if "hourly_units" in document:
        document["hourly_units"]["temperature_2m"] = "°F"
    else:
        document["parameters"]["T2M"]["units"] = "K"


def _nulls(document: dict[str, Any]) -> None:
    if "hourly" in document:
        for name, values in document["hourly"].items():
            if name.startswith("temperature_2m"):
                values[20:30] = [None] * 10
    else:
        series = document["properties"]["parameter"]["T2M"]
        for stamp in list(series)[20:30]:
            series[stamp] = -999


def _all_null(document: dict[str, Any]) -> None:
    if "hourly" in document:
        for name, values in document["hourly"].items():
            if name != "time":
                document["hourly"][name] = [None] * len(values)
    else:
        series = document["properties"]["parameter"]["T2M"]
        document["properties"]["parameter"]["T2M"] = dict.fromkeys(series, -999)


def _short(document: dict[str, Any]) -> None:
    if "hourly" in document:
        document["hourly"]["temperature_2m"].pop()
    else:
        document["properties"]["parameter"]["T2M"] = {}


def _words(document: dict[str, Any]) -> None:
    if "hourly" in document:
        document["hourly"]["temperature_2m"][3] = "warm"
    else:
        series = document["properties"]["parameter"]["T2M"]
        series[next(iter(series))] = "warm"


def _gone(document: dict[str, Any]) -> None:
    document.clear()


def _skipped_hour(document: dict[str, Any]) -> None:
    if "hourly" in document:
        for values in document["hourly"].values():
            del values[5]
    else:
        for series in document["properties"]["parameter"].values():
            del series[list(series)[5]]


HTML = b"<!DOCTYPE html><html><body>Welcome to the guest network</body></html>"
FAULTS: dict[str, tuple[Callable[[str, dict[str, str]], Reply], type[ThermosproutError], str]] = {
    "400 with a reason": (
        lambda p, q: json_reply(
            {"error": True, "reason": "Value of type 'Bean' not known"}, status=400
        ),
        ServiceError, "refused the request .HTTP 400.: Value of type 'Bean' not known",
    ),
    "429": (
        lambda p, q: json_reply({"error": True, "reason": "Minutely limit exceeded"}, status=429),
        ServiceError, "HTTP 429.: Minutely limit exceeded; too many requests: wait",
    ),
    "429 for an hour": (
        lambda p, q: Reply(status=429, headers={"Retry-After": "3600"}),
        ServiceError, "too many requests: wait",
    ),
    "503": (
        lambda p, q: json_reply({"error": True, "reason": "overloaded"}, status=503),
        ServiceError, "HTTP 503.: overloaded; try again later",
    ),
    "500": (lambda p, q: Reply(status=500, body=b"oops"), ServiceError, "failed .HTTP 500."),
    "404": (lambda p, q: Reply(status=404), ServiceError, "check the base URL"),
    "403": (lambda p, q: Reply(status=403), ServiceError, "check the key"),
    "no answer in time": (
        lambda p, q: Reply(wait_s=0.8), ServiceError, "did not answer in time; check the",
    ),
    "cut-off body": (
        lambda p, q: Reply(body=good(p, q).body, cut=300), ServiceError, "cut off on the way",
    ),
    "cut-off JSON": (
        lambda p, q: Reply(body=good(p, q).body[:300]), ServiceError, "cut off or is not JSON",
    ),
    "empty body": (lambda p, q: Reply(body=b""), ServiceError, "cut off or is not JSON"),
    "wrong content type": (
        lambda p, q: Reply(body=good(p, q).body, content_type="application/pdf"),
        ServiceError, "of type 'application/pdf', expected 'application/json'",
    ),
    "HTML page": (
        lambda p, q: Reply(body=HTML, content_type="text/html; charset=utf-8"),
        ServiceError, "a web page came instead of data; check the base URL",
    ),
    "HTML said to be JSON": (lambda p, q: Reply(body=HTML), ServiceError, "a web page came"),
    "changed unit": (
        lambda p, q: changed(p, q, _other_unit), ServiceError, "the service changed; update",
    ),
    "nulls in the series": (
        lambda p, q: changed(p, q, _nulls), CoverageError, "air temperature is missing .*within",
    ),
    "nothing but nulls": (
        lambda p, q: changed(p, q, _all_null), CoverageError, "holds no air temperatures",
    ),
    "too few values": (
        lambda p, q: changed(p, q, _short), ServiceError, "values for|cannot be read|not hourly",
    ),
    "words for numbers": (lambda p, q: changed(p, q, _words), ServiceError, "not a number"),
    "an hour left out": (lambda p, q: changed(p, q, _skipped_hour), ServiceError, "not hourly"),
    "another document": (lambda p, q: changed(p, q, _gone), ServiceError, "holds no hourly"),
    "a list": (lambda p, q: json_reply([1, 2]), ServiceError, "the documented form"),
    "redirects in circles": (
        lambda p, q: Reply(status=302, headers={"Location": p}), ServiceError, "round in circles",
    ),
    "redirect to plain http": (
        lambda p, q: Reply(status=302, headers={"Location": "http://192.0.2.1/x"}),
        ServiceError, "would not be encrypted",
    ),
    "redirect to no address": (
        lambda p, q: Reply(status=302, headers={"Location": "http://["}),
        ServiceError, "the request failed",
    ),
    "huge body": (
        lambda p, q: Reply(body=b"[" + b"1," * 1_500_000 + b"1]"), ServiceError, "at most 2 MB",
    ),
}  # fmt: skip


@pytest.mark.parametrize("get", SERVICES)
@pytest.mark.parametrize("fault", FAULTS)
def test_fault_is_said_and_not_cached(
    fault: str, get: Get, session: WeatherSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    answer, kind, message = FAULTS[fault]
    monkeypatch.setattr(transport, "MAX_BODY_MB", 2.0)
    if fault == "no answer in time":
        session.timeout = (5.0, 0.3)
    with play(answer) as playing:
        with pytest.raises(kind, match=message) as caught:
            get(session, playing.url)
        assert session.cached() == ([], 0)
        session.timeout = (5.0, 10.0)
        assert caught.value.hint
        playing.answer = good
        assert get(session, playing.url).sizes["time"] > 24


@pytest.mark.parametrize("get", SERVICES)
def test_stale_answer_is_used_and_said_when_the_service_fails(
    get: Get, session: WeatherSession, tmp_path: Path
) -> None:
    for fault, words in {
        "503": r"failed .HTTP 503.",
        "HTML page": "a web page came instead",
        "changed unit": "the service changed",
        "no answer in time": "did not answer in time",
        "400 with a reason": "failed .HTTP 400.",
    }.items():
        with play(good) as playing:
            fresh = get(session, playing.url)
            assert fresh.attrs["notes"] == ()
            make_old(tmp_path / "cache")
            playing.answer = FAULTS[fault][0]
            session.timeout = (5.0, 0.3 if fault == "no answer in time" else 10.0)
            old = get(session, playing.url)
            assert old.equals(fresh)
            assert old.attrs["stale"]
            assert re.search(f"{words}.*, so an answer .* old was used", old.attrs["notes"][0])


def make_old(folder: Path) -> None:
    """Let everything in the cache be over since yesterday."""
    yesterday = (datetime.now(UTC) - timedelta(days=1)).isoformat()
    rewrite_cache(folder, lambda text: json.dumps(json.loads(text) | {"expires": yesterday}))


def test_400_is_sent_once_and_503_with_patience(
    session: WeatherSession, waits: list[float]
) -> None:
    with play(FAULTS["400 with a reason"][0]) as playing:
        with pytest.raises(ServiceError):
            forecast(session, playing.url)
        assert len(playing.requests) == 1
        playing.answer = lambda p, q: Reply(status=503, headers={"Retry-After": "7"})
        with pytest.raises(ServiceError):
            forecast(session, playing.url)
        assert len(playing.requests) == 1 + transport.ATTEMPTS
        assert waits == [7.0, 7.0]


def test_back_off_doubles_and_then_gives_the_answer(
    session: WeatherSession, waits: list[float]
) -> None:
    replies = [Reply(status=429), Reply(status=503)]
    with play(lambda p, q: replies.pop(0) if replies else good(p, q)) as playing:
        assert forecast(session, playing.url).sizes["time"] > 24
    assert len(waits) == 2
    assert 0.8 <= waits[0] <= 1.2
    assert 1.6 <= waits[1] <= 2.4


def test_pause_of_an_hour_is_not_waited_for(session: WeatherSession, waits: list[float]) -> None:
    with play(FAULTS["429 for an hour"][0]) as playing:
        with pytest.raises(ServiceError):
            forecast(session, playing.url)
        assert waits == []
        assert len(playing.requests) == 1


def test_gone_server_and_offline(service: Playing, session: WeatherSession, tmp_path: Path) -> None:
    forecast(session, service.url)
    before = len(service.requests)
    with WeatherSession(folder=tmp_path / "cache", offline=True) as offline:
        assert forecast(offline, service.url).sizes["time"] > 24
        assert len(service.requests) == before
        with pytest.raises(ServiceError, match=r"not asked .offline. and no answer is cached"):
            archive(offline, service.url)
        make_old(tmp_path / "cache")
        old = forecast(offline, service.url)
        assert "was not asked (offline), so an answer 0 h old was used" in old.attrs["notes"][0]
    with pytest.raises(ServiceError, match=r"cannot be reached at 127\.0\.0\.1"):
        forecast(session, "http://127.0.0.1:9")


def test_cache_is_private_and_holds_no_key(
    service: Playing, session: WeatherSession, tmp_path: Path
) -> None:
    def ask(key: str) -> None:
        params = {"n": 1, "apikey": key}
        session.get("play", f"{service.url}/a", params, check=lambda *_: True, expires_s=-1)

    service.answer = lambda path, query: Reply(body=b"{}")
    ask("secret-of-the-grower")
    assert service.requests[-1][1]["apikey"] == "secret-of-the-grower"
    folder = tmp_path / "cache"
    assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    for file in folder.iterdir():
        assert stat.S_IMODE(file.stat().st_mode) == 0o600
        assert b"secret-of-the-grower" not in file.read_bytes()
    ask("another")
    assert len(service.requests) == 1


def test_broken_cache_is_put_aside(service: Playing, tmp_path: Path) -> None:
    folder = tmp_path / "cache"
    folder.mkdir()
    (folder / "weather.sqlite").write_bytes(b"no database at all" * 100)
    with WeatherSession(folder=folder) as session:
        assert forecast(session, service.url).sizes["time"] > 24
    assert list(folder.glob("weather.broken-*.sqlite"))


def test_folder_that_cannot_be_used_is_said(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("x")
    with (
        WeatherSession(folder=tmp_path / "file" / "cache") as session,
        pytest.raises(ThermosproutError, match="THERMOSPROUT_CACHE"),
    ):
        forecast(session, "http://127.0.0.1:9")


@pytest.mark.parametrize("url", ["ftp://example.org", "not an address", "http://"])
def test_addresses_that_are_none(url: str, session: WeatherSession) -> None:
    with pytest.raises(ThermosproutError, match="not a web address"):
        forecast(session, url)


def test_full_disk_costs_the_cache_not_the_answer(
    service: Playing, session: WeatherSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object, **__: object) -> None:
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(SQLiteCache, "save_response", full)
    assert forecast(session, service.url).sizes["time"] > 24
    assert session.cached() == ([], 0)
