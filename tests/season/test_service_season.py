"""A season that lives on a weather service: soil, covers, drought and frost through one source."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from tests.weather.playing import Playing, Reply, good, play
from thermosprout.cli import app
from thermosprout.errors import ServiceError
from thermosprout.season.forecast import forecast_season
from thermosprout.season.load import load_season
from thermosprout.weather import season as season_weather

SEASON = """format = 1

[site]
name = "Testholm"
latitude = 52.1
longitude = 4.4
timezone = "Europe/Amsterdam"

[soil]
service = "open-meteo"
base_url = "{url}"
depth_cm = 4
surface = "bare"
rainfed = true

[[beds]]
id = "frame"
cover = "cloche"

[[rows]]
id = "open"
crop = "sweet corn"
planted = {planted}
stations = 50

[[rows]]
id = "covered"
crop = "sweet corn"
bed = "frame"
planted = {planted}
stations = 50
"""


@pytest.fixture(autouse=True)
def _few_years(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(season_weather, "PAST_YEARS", 2)


@pytest.fixture(scope="module")
def service() -> Iterator[Playing]:
    with play(good) as playing:
        yield playing


@pytest.fixture(scope="module")
def folder(service: Playing, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A season and the answers that are cached for it."""
    folder = tmp_path_factory.mktemp("season")
    planted = (datetime.now(UTC) + timedelta(days=2)).date()
    text = SEASON.format(url=service.url, planted=planted)
    (folder / "season.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def season(folder: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv("THERMOSPROUT_CACHE", str(folder / "cache"))
    return folder / "season.toml"


def test_rows_are_forecast_with_members_and_the_cover_warms(season: Path) -> None:
    result = forecast_season(load_season(season), as_of=datetime.now(UTC))
    in_open, covered = (row.forecast for row in result.rows)
    assert "member" in result.context.supply.at(3.0).dims
    assert covered.soil_mean_C() > in_open.soil_mean_C() + 0.5
    assert any("Open-Meteo" in note for note in result.notes)
    assert result.context.supply.water(3.0) is not None
    assert np.isclose(in_open.weights.sum(), 1.0)


@pytest.mark.parametrize(
    "command",
    [
        ["forecast"],
        ["compare", "--crop", "sweet corn", "--bed", "frame"],
        ["week"],
    ],
)
def test_commands_answer_from_the_service(
    command: list[str],
    season: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    words = [command[0], str(season), *command[1:], "--draws", "200", "--json"]
    monkeypatch.setattr("sys.argv", ["thermosprout", *words])
    with pytest.raises(SystemExit) as ended:
        app.main()
    out = capsys.readouterr()
    assert ended.value.code in (0, None), out.err
    assert json.loads(out.out)


def test_a_service_that_fails_is_one_sentence(
    season: Path, service: Playing, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("THERMOSPROUT_CACHE", str(tmp_path))
    refused = Reply(status=400, body=b'{"error":true,"reason":"no"}')
    monkeypatch.setattr(service, "answer", lambda path, asked: refused)
    with pytest.raises(ServiceError) as caught:
        forecast_season(load_season(season), as_of=datetime.now(UTC))
    assert "\n" not in str(caught.value)
