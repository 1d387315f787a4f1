"""One sowing asked about in an empty folder: a place, a reading, or what is missing."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.weather.playing import Playing, Reply, good, play
from thermosprout.cli.app import app
from thermosprout.errors import InputError, ServiceError
from thermosprout.weather import season as weather_season

RUN = CliRunner()
CARROT = ("--crop", "carrot", "--date", "2026-04-20", "--as-of", "2026-04-16", "--draws", "300")
PLACE = ("--at", "42.4, -76.2")
SEEDS = ("--seeds", "100")
"""As many as a row has of which no number is known."""


@pytest.fixture(autouse=True)
def empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("THERMOSPROUT_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(weather_season, "PAST_YEARS", 4)


def serve(monkeypatch: pytest.MonkeyPatch, playing: Playing) -> None:
    for name in ("FORECAST", "ARCHIVE", "ENSEMBLE"):
        monkeypatch.setenv(f"THERMOSPROUT_{name}_URL", playing.url)


@pytest.fixture
def service(monkeypatch: pytest.MonkeyPatch) -> Iterator[Playing]:
    with play(good) as playing:
        serve(monkeypatch, playing)
        yield playing


def document(*words: str) -> dict[str, Any]:
    result = RUN.invoke(app, [*words, "--json"], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    answer: dict[str, Any] = json.loads(result.stdout)
    return answer


def half(days: dict[str, Any]) -> tuple[float, float, float]:
    middle = days["half"]
    return middle["p10"], middle["p50"], middle["p90"]


def test_a_place_is_enough_and_both_commands_say_the_same(service: Playing) -> None:
    row = document("forecast", *CARROT, *PLACE)["rows"][0]
    dry = document("compare", *CARROT, *PLACE, *SEEDS)["options"][0]
    assert half(row["days_since_planted"]) == pytest.approx(
        half(dry["days_since_planted"]), abs=0.02
    )
    before = len(service.requests)
    assert document("forecast", *CARROT, *PLACE, "--offline")["rows"][0] == row
    assert len(service.requests) == before


def test_a_reading_gives_a_rough_answer_that_says_so() -> None:
    words = (*CARROT, "--reading", "9")
    answer = document("forecast", *words)
    low, middle, high = half(answer["rows"][0]["days_since_planted"])
    exact = half(document("compare", "--crop", "carrot", "--constant", "9")["options"][0]
                 ["days_since_planted"])  # fmt: skip
    # Three degrees either way: far wider than a bed that is known to keep 9 °C.
    assert high - low > 1.5 * (exact[2] - exact[0])
    assert low < exact[1] < high
    assert any(text.startswith("Rough: ") and "give or take 3 °C" in text
               for text in answer["notes"])  # fmt: skip
    dry = document("compare", *words, *SEEDS)["options"][0]
    assert half(dry["days_since_planted"]) == pytest.approx((low, middle, high), abs=0.02)


def test_a_service_that_fails_leads_to_the_thermometer(monkeypatch: pytest.MonkeyPatch) -> None:
    with play(lambda path, query: Reply(status=404)) as playing:
        serve(monkeypatch, playing)
        for command in ("forecast", "compare"):
            with pytest.raises(ServiceError, match="--reading 9"):
                RUN.invoke(app, [command, *CARROT, *PLACE], catch_exceptions=False)


@pytest.mark.parametrize(
    ("words", "step"),
    [
        (("forecast", "--crop", "carrot"), "--reading 9"),
        (("forecast", "--reading", "9"), "add --crop"),
        (("forecast", "--date", "2026-04-20"), "add --crop"),
        (("forecast",), "thermosprout start"),
        (("forecast", "--crop", "carrot", "--reading", "9", "--row", "A"), "--row"),
        (("compare", "--crop", "carrot", "--reading", "9", "--constant", "9"), "--constant"),
    ],
)
def test_what_is_missing_is_said(words: tuple[str, ...], step: str) -> None:
    with pytest.raises(InputError, match=step):
        RUN.invoke(app, list(words), catch_exceptions=False)
