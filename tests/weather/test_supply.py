"""From a season's settings to members, with the services playing on loopback."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.weather.playing import Playing, Reply, good, play, rewrite_cache
from thermosprout.errors import InputError, ServiceError
from thermosprout.soil.model.surface import cover_named
from thermosprout.soil.model.temperature import soil_temperature
from thermosprout.soil.series import check_soil_series
from thermosprout.weather import season as weather_season
from thermosprout.weather.season import SoilSource, soil_from, weather_from
from thermosprout.weather.session import WeatherSession


@pytest.fixture(autouse=True)
def _few_years(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(weather_season, "PAST_YEARS", 4)


def source(url: str, **more: object) -> SoilSource:
    now = datetime.now(UTC)
    settings: dict[str, object] = {
        "service": "open-meteo", "base_url": url, "as_of": now,
        "latitude": 52.2, "longitude": 0.12, "elevation_m": 20.0, "depth_cm": 3.0,
        "start": (now - timedelta(days=30)).date(),
        "horizon_end": (now + timedelta(days=60)).date(),
    }  # fmt: skip
    return SoilSource(**(settings | more))  # type: ignore[arg-type]


@dataclass(frozen=True)
class Example:
    """A question, its answer, and what a service was asked for it and holds in a cache."""

    service: Playing
    folder: Path
    question: SoilSource
    series: xr.DataArray


@pytest.fixture(scope="module")
def example(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Example]:
    folder = tmp_path_factory.mktemp("cache")
    with play(good) as service, WeatherSession(folder=folder) as session:
        question = source(service.url)
        with pytest.MonkeyPatch.context() as few:
            few.setattr(weather_season, "PAST_YEARS", 4)
            series = soil_from(question, session=session)
        yield Example(service, folder, question, series)


def test_measured_forecast_and_past_seasons_in_one(example: Example) -> None:
    question, series = example.question, check_soil_series(example.series)
    assert series.dims == ("member", "time")
    assert np.isfinite(series.values).all()
    assert series["time"].values[0] == np.datetime64(question.first)
    assert series["time"].values[-1] == np.datetime64(question.last)
    assert float(series["depth"]) == pytest.approx(0.03)
    assert series.attrs["surface"] == "bare"
    spread = series.std("member")
    assert float(spread.sel(time=slice(None, question.now)).max()) < 1e-6
    assert float(spread[-240:].mean()) > 0.5
    steps = np.abs(np.diff(series.values, axis=1))
    seam = int(np.flatnonzero(series["time"].values == question.now)[0])
    assert steps[:, seam - 3 : seam + 50].max() < 3.0
    assert "forecast of 8 members" in series.attrs["notes"]
    assert "seasons of 4 past years" in series.attrs["notes"]
    assert "Open-Meteo.com" in series.attrs["attribution"]
    paths = {path for path, _ in example.service.requests}
    assert paths == {"/v1/forecast", "/v1/archive", "/v1/ensemble"}


def test_second_time_nothing_settled_is_asked_again(example: Example) -> None:
    service = example.service
    before = len(service.requests)
    with WeatherSession(folder=example.folder) as session:
        soil_from(source(service.url), session=session)
    again = [query for path, query in service.requests[before:] if path.endswith("archive")]
    assert all(query["end_date"] >= str(date.today() - timedelta(days=45)) for query in again)
    assert not [path for path, _ in service.requests[before:] if not path.endswith("archive")]


def test_offline_gives_the_same_from_the_cache(example: Example, tmp_path: Path) -> None:
    with WeatherSession(folder=example.folder, offline=True) as offline:
        again = soil_from(example.question, session=offline)
    xr.testing.assert_equal(again, example.series)
    with (
        WeatherSession(folder=tmp_path / "empty", offline=True) as offline,
        pytest.raises(ServiceError, match="no answer is cached"),
    ):
        soil_from(example.question, session=offline)


@pytest.mark.parametrize(
    ("broken", "said"),
    [("ensemble", "no ensemble"), ("archive", "the archive could not be used")],
)
def test_one_interface_that_fails_is_told_and_gone_without(
    broken: str, said: str, service: Playing, session: WeatherSession
) -> None:
    service.answer = lambda path, query: (
        Reply(status=500) if path.endswith(broken) else good(path, query)
    )
    series = soil_from(source(service.url), session=session)
    assert said in series.attrs["notes"]
    if broken == "ensemble":
        # One forecast knows no spread: past seasons bring it back after five days.
        later = np.datetime64(date.today()) + np.timedelta64(12, "D")
        assert float(series.std("member").sel(time=later)) > 0.3
    assert series["time"].values[-1] > np.datetime64(date.today()) + np.timedelta64(5, "D")


def test_day_in_the_past_uses_no_forecast(service: Playing, session: WeatherSession) -> None:
    when = datetime(2024, 4, 20, 7, tzinfo=UTC)
    question = source(
        service.url, as_of=when, start=date(2024, 4, 1), horizon_end=date(2024, 6, 20)
    )  # fmt: skip
    series = soil_from(question, session=session)
    assert "past seasons instead" in series.attrs["notes"]
    assert {path for path, _ in service.requests} == {"/v1/archive"}
    assert max(query["end_date"] for _, query in service.requests) <= "2024-12-31"
    spread = series.std("member").sel(time=slice(when.replace(tzinfo=None), None))
    assert float(spread[0]) < 1e-6 < float(spread[-1])


def test_nasa_power_has_past_seasons_only(service: Playing, session: WeatherSession) -> None:
    series = soil_from(source(service.url, service="nasa-power"), session=session)
    assert "NASA POWER has no forecast" in series.attrs["notes"]
    assert "NASA Langley" in series.attrs["attribution"]
    assert np.isfinite(series.values).all()


def test_logger_goes_on_with_the_forecast_of_a_service(example: Example, tmp_path: Path) -> None:
    question, modelled = example.question, example.series
    past = modelled.isel(member=0).sel(time=slice(None, question.now))
    lines = ["time_utc,soil_temp_3cm_C"] + [
        f"{str(t)[:16]}Z,{v + 2.0:.2f}"
        for t, v in zip(past["time"].values, past.values, strict=True)
    ]
    path = tmp_path / "logger.csv"
    path.write_text("\n".join(lines) + "\n")
    logged = source(example.service.url, path=path, depth_cm=None)
    with WeatherSession(folder=example.folder) as session:
        series = soil_from(logged, session=session)
    both = series.sel(time=slice(question.now, question.now + np.timedelta64(5, "D"))).mean(
        "member"
    )
    there = modelled.sel(time=both["time"]).mean("member")
    assert np.allclose(both - there, 2.0, atol=0.6)
    assert series["time"].values[-1] == np.datetime64(question.last)
    assert "read as CSV table" in series.attrs["notes"]


def test_logger_alone_stays_one_series(session: WeatherSession, tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_text("time_utc,soil_temp_C\n" + "".join(
        f"2026-04-01T{hour:02d}:00Z,{10 + hour / 10}\n" for hour in range(24)
    ))  # fmt: skip
    series = soil_from(
        source("", service=None, path=path, depth_cm=4.0), session=session
    )  # fmt: skip
    assert series.dims == ("time",)
    with pytest.raises(InputError, match="no service is named"):
        soil_from(source("", service=None), session=session)


def test_weather_to_the_horizon_for_covers_and_dry_beds(
    service: Playing, session: WeatherSession
) -> None:
    question = source(service.url)
    weather = weather_from(question, session=session)
    assert weather["air_temperature"].dims == ("member", "time")
    assert weather.sizes["member"] == 8
    assert weather["time"].values[-1] >= np.datetime64(question.last)
    assert (np.diff(weather["time"].values) == np.timedelta64(1, "h")).all()
    assert np.isfinite(weather["air_temperature"].values).all()
    assert {"ghi", "precipitation"} <= set(weather)
    before = weather["air_temperature"].sel(time=slice(None, question.now))
    assert float(before.std("member").max()) == pytest.approx(0, abs=1e-9)
    covered = soil_temperature(
        weather, depth_cm=3, surface="bare", cover=cover_named("fleece")
    )  # fmt: skip
    bare = soil_temperature(weather, depth_cm=3, surface="bare")
    assert covered.shape == bare.shape
    assert float(abs(covered - bare).max()) > 0.2


def test_cached_forecast_that_is_over_is_gone_without(
    service: Playing, session: WeatherSession, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    month_ago = datetime.now(UTC) - timedelta(days=40)
    service.answer = lambda path, query: (
        good(path, query) if path.endswith("archive") else good(path, query, month_ago.date())
    )
    with monkeypatch.context() as then:
        # As if it had been asked then: today it would be refused for its days.
        then.setattr("thermosprout.weather.service.plausible", lambda data, **_: (data, []))
        soil_from(source(service.url), session=session)
    rewrite_cache(
        tmp_path / "cache",
        lambda text: json.dumps(json.loads(text) | {"created_at": month_ago.isoformat()}),
    )
    session.offline = True
    for ask in (soil_from, weather_from):
        answer = ask(source(service.url), session=session)
        words = "no forecast (the forecast ends before the day taken as today)"
        assert words in answer.attrs["notes"]
        if isinstance(answer, xr.DataArray):
            assert np.isfinite(answer.values).all()
        else:
            assert answer["time"].values[-1] >= np.datetime64(source(service.url).last)


def test_the_file_of_past_years_is_named_with_its_columns(
    example: Example, session: WeatherSession, tmp_path: Path
) -> None:
    path = tmp_path / "past.csv"
    days = np.datetime64("2016-01-01") + np.arange(8 * 365)
    lines = [
        f"{day},{10 - 8 * np.cos(2 * np.pi * row / 365.25):.2f},1" for row, day in enumerate(days)
    ]
    path.write_text("\n".join(["date,soil_temp_3cm_C,battery_V", *lines]) + "\n")
    question = source(example.service.url, past_years_file=path, timezone="UTC")
    with WeatherSession(folder=example.folder) as cached:
        notes = soil_from(question, session=cached).attrs["notes"]
    assert "past years: " in notes
    assert "daily rows of soil_temp_3cm_C, without battery_V" in notes


@pytest.mark.parametrize("offline", [False, True])
@pytest.mark.parametrize(("days_left", "answers"), [(3, True), (-3, False)])
def test_a_file_that_reaches_today_answers_without_its_service(
    days_left: int, answers: bool, offline: bool, service: Playing, session: WeatherSession,
    tmp_path: Path,
) -> None:  # fmt: skip
    service.answer = lambda path, query: Reply(status=500)
    session.offline = offline
    end = datetime.now(UTC).replace(minute=0, second=0) + timedelta(days=days_left)
    path = tmp_path / "logger.csv"
    path.write_text("time_utc,soil_temp_3cm_C\n" + "".join(
        f"{end - timedelta(hours=back):%Y-%m-%dT%H:00Z},{10 + back % 24 / 10}\n"
        for back in range(240, -1, -1)
    ))  # fmt: skip
    question = source(service.url, path=path, depth_cm=None)
    if not answers:
        with pytest.raises(ServiceError):
            soil_from(question, session=session)
        return
    series = soil_from(question, session=session)
    assert series["time"].values[-1] == np.datetime64(f"{end:%Y-%m-%dT%H}")
    assert "nothing beyond the file, Open-Meteo" in series.attrs["notes"]
