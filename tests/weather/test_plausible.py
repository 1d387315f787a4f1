"""Answers that cannot be the weather of the place and the days: none is kept, none is used."""

from __future__ import annotations

import json
import random
import re
import time
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any
from urllib.parse import quote

import numpy as np
import pytest
import xarray as xr
from typer.testing import CliRunner

from tests.weather.playing import Reply, good, open_meteo, play, rewrite_cache
from thermosprout.cli.app import app
from thermosprout.errors import CoverageError, ServiceError
from thermosprout.weather import open_meteo as ours
from thermosprout.weather.nasa_power import get_power
from thermosprout.weather.open_meteo import get_archive, get_ensemble, get_forecast
from thermosprout.weather.service import FORECAST, key_parameters
from thermosprout.weather.session import WeatherSession
from thermosprout.weather.transport import BadAnswerError, Span, plausible, usual_air

PLACE = (52.2, 0.12)
TODAY = date(2021, 6, 25)
DAYS = (date(2021, 4, 1), date(2021, 4, 30))
KEY = "a-growers+secret/key"

Get = Callable[[WeatherSession, str], xr.Dataset]
SERVICES: dict[str, Get] = {
    "forecast": lambda s, url: get_forecast(
        *PLACE, session=s, base_url=url, past_days=3, days_ahead=5
    ),
    "archive": lambda s, url: get_archive(*PLACE, *DAYS, session=s, base_url=url, today=TODAY),
    "ensemble": lambda s, url: get_ensemble(*PLACE, session=s, base_url=url),
    "power": lambda s, url: get_power(*PLACE, *DAYS, session=s, base_url=url, today=TODAY),
}
POWER_NAMES = {
    "temperature_2m": "T2M",
    "shortwave_radiation": "ALLSKY_SFC_SW_DWN",
    "precipitation": "PRECTOTCORR",
    "relative_humidity_2m": "RH2M",
    "wind_speed_10m": "WS2M",
}
Document = dict[str, Any]


def each(document: Document, name: str, change: Callable[[Any, int], Any]) -> None:
    """Change the values of a variable in all members, with their place in the series."""
    if "hourly" in document:
        for column in [c for c in document["hourly"] if c.startswith(name)]:
            cells = document["hourly"][column]
            document["hourly"][column] = [change(cell, row) for row, cell in enumerate(cells)]
    else:
        series = document["properties"]["parameter"][POWER_NAMES[name]]
        for row, stamp in enumerate(series):
            series[stamp] = change(series[stamp], row)


def move(document: Document, hours: float) -> None:
    """Move all stamps."""
    if "hourly" in document:
        times = document["hourly"]["time"]
        document["hourly"]["time"] = [int(stamp + 3600 * hours) for stamp in times]
        return
    for name, series in document["properties"]["parameter"].items():
        stamps = [
            (np.datetime64(f"{s[:4]}-{s[4:6]}-{s[6:8]}T{s[8:]}", "m") + round(60 * hours)).item()
            for s in series
        ]
        form = "%Y%m%d%H" if hours == round(hours) else "%Y%m%d%H%M"
        turn = {f"{t:{form}}": v for t, v in zip(stamps, series.values(), strict=True)}
        document["properties"]["parameter"][name] = turn


def place(document: Document, latitude: Any, longitude: Any, height: Any) -> None:
    """Say another place."""
    if "hourly" in document:
        document |= {"latitude": latitude, "longitude": longitude, "elevation": height}
    else:
        document["geometry"] = {"coordinates": [longitude, latitude, height]}


def one(rng: random.Random, value: Any) -> Callable[[Any, int], Any]:
    """Change of one value somewhere in the first days."""
    at = rng.randrange(20, 60)
    return lambda cell, row: value if row == at else cell


def shorten(document: Document, keep: slice) -> None:
    """Leave hours out."""
    if "hourly" in document:
        for name, cells in document["hourly"].items():
            document["hourly"][name] = cells[keep]
    else:
        for name, series in document["properties"]["parameter"].items():
            part = dict(list(series.items())[keep])
            document["properties"]["parameter"][name] = part


AIR, RAIN, SUN = "temperature_2m", "precipitation", "shortwave_radiation"
HOSTILE: dict[str, Callable[[Document, random.Random], object]] = {
    "°F told as °C": lambda d, r: each(d, AIR, lambda v, i: 1.8 * v + 32 + 20),
    "Kelvin told as °C": lambda d, r: each(d, AIR, lambda v, i: v + 273.15),
    "one value of 60 to 999": lambda d, r: each(d, AIR, one(r, r.uniform(60.1, 899))),
    "air that stands still": lambda d, r: each(d, AIR, lambda v, i: 12.0),
    "another latitude": lambda d, r: place(d, PLACE[0] + r.choice((-1, 1)) * 3, PLACE[1], 20.0),
    "another longitude": lambda d, r: place(d, PLACE[0], PLACE[1] + r.uniform(3, 170), 20.0),
    "no place on earth": lambda d, r: place(d, r.uniform(90.1, 500), PLACE[1], 20.0),
    "a place of words": lambda d, r: place(d, "52.2", "0.12", 20.0),
    "a place that is true": lambda d, r: place(d, True, True, 20.0),
    "no place": lambda d, r: place(d, None, None, None),
    "a height of words": lambda d, r: place(d, *PLACE, r.choice(("high", "NaN", True, [3]))),
    "a height above all mountains": lambda d, r: place(d, *PLACE, r.uniform(9001, 1e9)),
    "another year": lambda d, r: move(d, 24 * 365 * r.choice((-2, -1, 1, 8))),
    "other days": lambda d, r: move(d, 24 * r.randrange(3, 40)),
    "half an hour off": lambda d, r: move(d, 0.5),
    "half of the hours": lambda d, r: shorten(d, slice(0, 96)),
    "every other hour": lambda d, r: shorten(d, slice(None, None, 2)),
    "humidity of 500 %": lambda d, r: each(d, "relative_humidity_2m", lambda v, i: 500),
    "negative humidity": lambda d, r: each(d, "relative_humidity_2m", one(r, -5.0)),
    "rain of metres": lambda d, r: each(d, RAIN, one(r, 4000.0)),
    "wind of the jet stream": lambda d, r: each(d, "wind_speed_10m", lambda v, i: 200.0),
    "a sun of 5000 W": lambda d, r: each(d, SUN, lambda v, i: 20 * v),
    "sun at night": lambda d, r: each(d, SUN, lambda v, i: 300.0),
    "days turned by twelve hours": lambda d, r: each(
        d, SUN, lambda v, i: 600.0 if i % 24 in (22, 23, 0, 1, 2) else 0.0
    ),
    "true among the numbers": lambda d, r: each(d, AIR, one(r, True)),
    "numbers as words": lambda d, r: each(d, AIR, lambda v, i: str(v)),
    "too large to be a number": lambda d, r: each(
        d, r.choice(list(POWER_NAMES)), one(r, int("9" * 400))
    ),
}
ROUNDS = 3


def spoilt(path: str, query: dict[str, str], fault: str, seed: int) -> Reply:
    document = json.loads(good(path, query).body)
    HOSTILE[fault](document, random.Random(f"{fault} {seed}"))
    return Reply(body=json.dumps(document).encode())


def test_there_are_three_hundred() -> None:
    assert len(HOSTILE) * len(SERVICES) * ROUNDS >= 300


@pytest.mark.parametrize("name", SERVICES)
@pytest.mark.parametrize("fault", HOSTILE)
def test_hostile_answers_are_neither_used_nor_kept(
    fault: str, name: str, session: WeatherSession
) -> None:
    if (fault, name) == ("half of the hours", "ensemble"):
        pytest.skip("a model may end early: its answer is used as far as it goes")
    get = SERVICES[name]
    with play(good) as service:
        for seed in range(ROUNDS):
            service.answer = lambda path, query, seed=seed: spoilt(path, query, fault, seed)
            with pytest.raises((ServiceError, CoverageError)):
                get(session, service.url)
            assert session.cached() == ([], 0)
        service.answer = good
        assert get(session, service.url).sizes["time"] > 100


ECHOES: dict[str, Callable[[str], Reply]] = {
    "reason": lambda key: Reply(status=400, body=json.dumps({"reason": f"bad {key}"}).encode()),
    "type": lambda key: Reply(body=b"{}", content_type=key),
    "body": lambda key: Reply(body=json.dumps({"key": key}).encode()),
    "header": lambda key: Reply(body=b"{}", headers={"X-Echo": key}),
    "address": lambda key: Reply(status=302, headers={"Location": f"http://{key}.invalid/x"}),
    "escaped": lambda key: Reply(
        status=403, body=json.dumps({"message": quote(key, safe="")}).encode()
    ),
}


@pytest.mark.parametrize("echo", ECHOES)
def test_a_key_that_comes_back_is_neither_shown_nor_kept(
    echo: str, session: WeatherSession, tmp_path: Path
) -> None:
    with play(lambda path, query: ECHOES[echo](query["apikey"])) as service:
        message = ""
        try:
            session.get(
                "play", f"{service.url}/a", {"apikey": KEY},
                check=lambda *_: True, expires_s=-1,
            )  # fmt: skip
        except ServiceError as error:
            message = str(error)
    assert bool(message) == (echo not in ("body", "header"))
    assert KEY not in message
    assert quote(KEY, safe="") not in message
    for file in (tmp_path / "cache").iterdir():
        assert KEY.encode() not in file.read_bytes()


@pytest.mark.parametrize(
    ("base_url", "environment", "sent"),
    [
        (None, "", True),
        ("https://customer-api.open-meteo.com", "", True),
        ("https://open-meteo.com.example.org", "", False),
        ("https://weather.example.org", "", False),
        ("https://weather.example.org", "https://weather.example.org/own", True),
        (None, "https://weather.example.org/own", True),
        (None, "http://weather.example.org", False),
        ("http://api.open-meteo.com", "", False),
        ("https://user:x@api.open-meteo.com@example.org", "", False),
        ("http://127.0.0.1:80", "", False),
    ],
)
def test_a_key_goes_to_its_host_over_https_alone(
    base_url: str | None, environment: str, sent: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("THERMOSPROUT_APIKEY", KEY)
    monkeypatch.setenv("THERMOSPROUT_FORECAST_URL", environment)
    assert key_parameters(FORECAST, base_url) == ({"apikey": KEY} if sent else {})


def test_an_answer_that_drips_in_is_given_up(session: WeatherSession) -> None:
    session.limit_s = 0.5
    with play(lambda path, query: Reply(body=b" " * 1000, drip_s=0.05)) as service:
        start = time.monotonic()
        with pytest.raises(ServiceError, match="did not answer in time"):
            SERVICES["forecast"](session, service.url)
        assert time.monotonic() - start < 5
        assert session.cached() == ([], 0)


def test_an_answer_of_a_fast_clock_is_asked_for_anew(
    session: WeatherSession, tmp_path: Path
) -> None:
    with play(good) as service:
        SERVICES["archive"](session, service.url)
        later = (datetime.now(UTC) + timedelta(days=90)).isoformat()
        rewrite_cache(
            tmp_path / "cache",
            lambda text: re.sub(r'"created_at": "[^"]+"', f'"created_at": "{later}"', text),
        )
        SERVICES["archive"](session, service.url)
        assert len(service.requests) == 2
        SERVICES["archive"](session, service.url)
        assert len(service.requests) == 2
        assert session.cached()[0][0].retrieved < datetime.now(UTC) + timedelta(hours=1)


DAMAGED: dict[str, Callable[[str], str | bytes | None]] = {
    "cut": lambda text: text[: len(text) // 2],
    "empty": lambda text: "",
    "null": lambda text: None,
    "another program's": lambda text: b"\x80\x04spoilt",
    "no time": lambda text: re.sub(r'"created_at": "[^"]+"', '"created_at": "soon"', text),
    "time of the year 9999": lambda text: re.sub(
        r'"created_at": "[^"]+"', '"created_at": "9999-12-31T23:59:59+00:00"', text
    ),
    "a list": lambda text: "[1, 2]",
    "words": lambda text: '"warm"',
    "no body": lambda text: re.sub(r'"_content": "[^"]+"', '"_content": null', text),
    "spoilt body": lambda text: re.sub(r'"_content": "[^"]{9}', '"_content": "AAAAAAAAA', text),
    "no status": lambda text: re.sub(r'"status_code": 200', '"status_code": "fine"', text),
}


@pytest.mark.parametrize("damage", DAMAGED)
def test_damaged_rows_are_counted_and_asked_for_anew(
    damage: str, session: WeatherSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("THERMOSPROUT_CACHE", str(tmp_path / "cache"))
    with play(good) as service:
        SERVICES["archive"](session, service.url)
        rewrite_cache(tmp_path / "cache", DAMAGED[damage])
        rows, damaged = session.cached()
        assert len(rows) + damaged == 1
        result = CliRunner().invoke(app, ["soil", "cache", "--json"])
        assert result.exit_code == 0, result.output
        fresh = SERVICES["archive"](session, service.url)
        assert len(service.requests) == 2
        assert np.isfinite(fresh["air_temperature"].values).all()
        assert [row.what for row in session.cached()[0]] == ["archive 2021-04"]


@pytest.mark.parametrize("name", SERVICES)
def test_a_wrong_answer_in_the_cache_is_asked_anew(
    name: str, session: WeatherSession, monkeypatch: pytest.MonkeyPatch
) -> None:
    """As kept by an older version, which judged less."""
    get = SERVICES[name]
    with play(lambda path, query: spoilt(path, query, "another latitude", 1)) as service:
        with monkeypatch.context() as lenient:
            lenient.setattr("thermosprout.weather.service.plausible", lambda data, **_: (data, []))
            get(session, service.url)
        session.read.clear()  # that version has ended
        assert len(session.cached()[0]) == 1
        before = len(service.requests)
        session.offline = True
        with pytest.raises(ServiceError, match=r"cannot be used .*km away"):
            get(session, service.url)
        session.offline = False
        assert session.cached() == ([], 0)
        service.answer = good
        assert get(session, service.url).attrs["latitude"] == PLACE[0]
        assert len(service.requests) == before + 1


def test_a_column_with_holes_is_left_out_and_told(session: WeatherSession) -> None:
    def holed(path: str, query: dict[str, str]) -> Reply:
        document = json.loads(good(path, query).body)
        each(document, "precipitation", lambda v, i: v if i % 3 else None)
        return Reply(body=json.dumps(document).encode())

    with play(holed) as service:
        data = SERVICES["archive"](session, service.url)
    assert "precipitation" not in data
    assert data.attrs["notes"] == ("Open-Meteo: precipitation has holes and was left out",)


def weather(latitude: float, first: date, mean: float, elevation: float = 10.0) -> xr.Dataset:
    query = {
        "latitude": str(latitude), "longitude": "10", "start_date": str(first),
        "end_date": str(first + timedelta(days=30)), "hourly": "temperature_2m",
    }  # fmt: skip
    data = ours.parse(open_meteo("/v1/archive", query, first + timedelta(days=99)))
    data["air_temperature"] = data["air_temperature"] - data["air_temperature"].mean() + mean
    data.attrs["elevation_m"] = elevation
    return data


MONTHS = (
    # Monthly means 1991-2020 of places at the edge of what occurs, to a degree, from memory.
    ("Reykjavik, January", 64.1, 1, 0.7, 50.0),
    ("Bodo, January", 67.3, 1, -1.0, 10.0),
    ("Yakutsk, January", 62.0, 1, -36.9, 100.0),
    ("Oymyakon, January", 63.5, 1, -45.0, 740.0),
    ("Phoenix, July", 33.4, 7, 35.3, 340.0),
    ("Kuwait, July", 29.2, 7, 38.7, 60.0),
    ("La Paz, July", -16.5, 7, 5.5, 4060.0),
    ("Ushuaia, January", -54.8, 1, 9.8, 20.0),
    ("Vostok, July", -78.5, 7, -66.7, 3490.0),
    ("Alert, July", 82.5, 7, 3.4, 30.0),
)


@pytest.mark.parametrize(("name", "latitude", "month", "mean", "height"), MONTHS)
def test_months_of_extreme_places_pass(
    name: str, latitude: float, month: int, mean: float, height: float
) -> None:
    first = date(2021, month, 1)
    span = Span(first=first, last=first + timedelta(days=30))
    plausible(weather(latitude, first, mean, height), latitude=latitude, longitude=10.0, span=span)


@pytest.mark.parametrize("month", [3, 4, 5, 6, 7, 8, 9, 10])
@pytest.mark.parametrize(("latitude", "mean"), [(35.0, 17.0), (45.0, 11.0), (52.0, 9.0)])
def test_fahrenheit_is_seen_in_the_months_of_sowing(
    latitude: float, mean: float, month: int
) -> None:
    """Yearly means of Mediterranean and central European places, with their usual seasons."""
    first = date(2021, month, 1)
    celsius = mean - 9.0 * np.cos(2 * np.pi * (month - 1) / 12)
    span = Span(first=first, last=first + timedelta(days=30))
    there = {"latitude": latitude, "longitude": 10.0, "span": span}
    plausible(weather(latitude, first, celsius), **there)
    with pytest.raises(BadAnswerError, match=r"does not fit the place and season|on earth"):
        plausible(weather(latitude, first, 1.8 * celsius + 32), **there)


def test_the_usual_air_by_latitude() -> None:
    """Zonal means of the whole earth: about 14 degC over the globe (any textbook), 27 at the
    equator; July warmer in the north, January in the south."""
    year = np.arange("2021-01-01", "2022-01-01", dtype="datetime64[D]").astype("datetime64[ns]")
    sines = np.linspace(-0.99, 0.99, 199)
    means = [usual_air(float(np.degrees(np.arcsin(s))), year).mean() for s in sines]
    assert float(np.mean(means)) == pytest.approx(14.5, abs=1.0)
    assert float(usual_air(0.0, year).mean()) == pytest.approx(28.0, abs=2.0)
    july, january = year[195:200], year[10:15]
    assert usual_air(50.0, july).mean() > usual_air(50.0, january).mean() + 20
    assert usual_air(-50.0, july).mean() < usual_air(-50.0, january).mean() - 20
