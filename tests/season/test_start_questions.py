"""Answers to the first questions about a season: what is taken, what is refused and how."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from thermosprout.crops.catalogue import find_crop
from thermosprout.dates import read_zone
from thermosprout.errors import InputError
from thermosprout.season import write as answers

TODAY = date(2026, 5, 3)


def test_a_row_is_a_crop_and_what_else_is_known() -> None:
    plain = answers.read_row("carrot", TODAY)
    assert (plain.crop, plain.treatment, plain.planted, plain.hours) == (
        "carrot", "direct", TODAY, None,
    )  # fmt: skip
    soaked = answers.read_row(" pea / Soaked / 2026-05-10 ", TODAY)
    assert (soaked.crop, soaked.treatment, soaked.planted) == ("pea", "soaked", date(2026, 5, 10))
    assert soaked.hours == min(12.0, find_crop("pea").safe_soak_h)
    sprouted = answers.read_row("parsnip/pre-sprouted", TODAY)
    assert sprouted.treatment == "presprouted"
    assert sprouted.hours is not None
    assert sprouted.hours % 24 == 0
    assert answers.read_row("carrot//2026-05-10", TODAY).treatment == "direct"
    with pytest.raises(InputError, match=r"too many parts.*CROP/TREATMENT/DAY"):
        answers.read_row("carrot/dry/2026-05-10/x", TODAY)


@pytest.mark.parametrize(
    ("read", "taken"),
    [
        (answers.read_depth, {"0.2": 0.2, "30": 30.0, "5 cm": 5.0, "2,5": 2.5}),
        (answers.read_hours, {"0.1": 0.1, "2400": 2400.0, "12 h": 12.0, "7,5": 7.5}),
        (answers.read_surface, {"Bare": "bare", " grass ": "grass", "unknown": "unknown"}),
        (answers.read_treatment, {"dry": "direct", "SOAKED": "soaked"}),
        (read_zone, {"Europe/Paris": ZoneInfo("Europe/Paris")}),
        (answers.read_name, {"  Long   bed ": "Long bed", "a" * 120: "a" * 120}),
    ],
)
def test_what_is_taken(read: Callable[[str], object], taken: dict[str, object]) -> None:
    for text, value in taken.items():
        assert read(text) == value


@pytest.mark.parametrize(
    ("read", "text", "words"),
    [
        (answers.read_depth, "0.19", "not a depth; expected 0.2 to 30 cm"),
        (answers.read_depth, "30.1", "not a depth; expected 0.2 to 30 cm"),
        (answers.read_depth, "deep", "not a depth; expected 0.2 to 30 cm"),
        (answers.read_depth, "nan", "not a depth; expected 0.2 to 30 cm"),
        (answers.read_hours, "0", "not a number of hours"),
        (answers.read_hours, "2401", "not a number of hours"),
        (answers.read_hours, "long", "not a number of hours"),
        (answers.read_surface, "gras", "did you mean grass"),
        (answers.read_surface, "snow", "known are bare, grass, unknown"),
        (read_zone, "Europe/Pariss", "did you mean Europe/Paris"),
        (read_zone, "??", "write it like Europe/London"),
        (answers.read_name, " ", "not a name; a name has 1 to 120 characters"),
        (answers.read_name, "a" * 121, "not a name; a name has 1 to 120 characters"),
        (answers.read_name, "a\x07b", "not a name; a name has 1 to 120 characters"),
    ],
)
def test_what_is_refused(read: Callable[[str], object], text: str, words: str) -> None:
    with pytest.raises(InputError) as caught:
        read(text)
    assert words in str(caught.value)


def test_soil_is_a_service_or_a_nearby_file(tmp_path: Path) -> None:
    season = tmp_path / "season.toml"
    (tmp_path / "logs").mkdir()
    assert answers.read_soil("open-meteo", season) == "open-meteo"
    assert answers.read_soil("logs/soil.csv", season) == "logs/soil.csv"
    assert answers.read_soil("logs/../soil.csv", season) == "soil.csv"
    for text in ("../soil.csv", "/etc/soil.csv"):
        with pytest.raises(InputError, match="outside the folder of the season"):
            answers.read_soil(text, season)
    for text in ("logs", "some service"):
        with pytest.raises(InputError, match="neither a CSV file nor a weather service"):
            answers.read_soil(text, season)
