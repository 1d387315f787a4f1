"""Which cautions each answer carries: those its handling of seed needs, each once, at its end."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops import crop as words
from thermosprout.files import demo_folder

SOIL = "--constant", "14"
DRY = {words.PACKET_FIRST}
SOAKED = DRY | {words.DRESSED, words.WARM_WATER}
SPROUTED = DRY | {words.DRESSED, words.MOULD, words.HEAT, words.NOT_FOOD}
GLOVED = DRY | {words.DRESSED, words.GLOVES}

SEASON = """\
format = 1
[site]
name = "Nowhere"
latitude = 56.2
longitude = -3.1
timezone = "Europe/London"
[soil]
file = "soil.csv"
depth_cm = 5
surface = "bare"
[[lots]]
id = "PLAIN"
crop = "parsnip"
[[lots]]
id = "DRESSED"
crop = "parsnip"
dressed = true
[[beds]]
id = "north"
free_from = 2026-05-04
[[rows]]
id = "A"
lot = "DRESSED"
treatment = "direct"
planted = 2026-05-04
stations = 40
seeds_per_station = 2
[[rows]]
id = "B"
crop = "parsnip"
treatment = "presprouted"
started = 2026-05-03
planted = 2026-05-06
stations = 40
seeds_per_station = 2
"""


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("season")
    (path / "season.toml").write_text(SEASON)
    (path / "soil.csv").write_bytes((demo_folder() / "soil.csv").read_bytes())
    return path


def answer(folder: Path, *words: str) -> dict[str, object]:
    done = CliRunner().invoke(app, [*words, "--json"])
    assert done.exit_code == 0, (done.exception, done.stderr)
    document: dict[str, object] = json.loads(done.stdout)
    return document


@pytest.mark.parametrize(
    ("command", "expected"),
    [
        (("compare", "--crop", "parsnip", *SOIL), SPROUTED | SOAKED),
        (("compare", "--lot", "DRESSED", *SOIL), GLOVED),
        (("presprout", "--crop", "parsnip", "--bed-free", "2026-05-20"), SPROUTED),
        (("stations", "--crop", "parsnip", *SOIL), DRY),
        (("stations", "--crop", "parsnip", *SOIL, "--treatment", "presprouted"), SPROUTED),
        (("stations", "--lot", "DRESSED", *SOIL), GLOVED),
        (
            ("window", "--crop", "parsnip", "--from", "2026-05-01", "--to", "2026-05-09"),
            SPROUTED | SOAKED,
        ),
        (
            ("succession", "--crop", "parsnip", "--first", "2026-04-12", "--count", "1",
             "--aim", "emergence", "--treatment", "soaked"),
            SOAKED,
        ),
        (("sow-again", "--row", "B", "--as-of", "2026-06-01"), SPROUTED),
        (("sow-again", "--row", "A", "--as-of", "2026-06-01"), GLOVED),
    ],
)  # fmt: skip
def test_answers_carry_the_cautions_of_what_they_advise(
    folder: Path, monkeypatch: pytest.MonkeyPatch, command: tuple[str, ...], expected: set[str]
) -> None:
    monkeypatch.chdir(folder)
    found = answer(folder, *command)["cautions"]
    assert isinstance(found, list)
    of_the_day = ("thermosprout window", "seeds for each plant")
    of_seed = [text for text in found if not any(part in text for part in of_the_day)]
    assert set(of_seed) == expected
    assert len(of_seed) == len(set(of_seed))
    assert of_seed[-1] == words.PACKET_FIRST


def test_cautions_end_the_screen_and_stand_there_once(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    shown = CliRunner().invoke(app, ["--plain", "compare", "--crop", "parsnip", *SOIL]).stdout
    for text in SPROUTED | SOAKED:
        assert shown.count(text) == 1
    assert shown.rstrip().endswith(words.PACKET_FIRST)


def test_a_week_tells_gloves_and_mould_where_due(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(folder)
    tasks = answer(folder, "week", "--as-of", "2026-05-03")["tasks"]
    assert isinstance(tasks, list)
    by_row = {
        row: {t for one in tasks if one["row"] == row for t in one["cautions"]} for row in "AB"
    }
    assert by_row == {"A": GLOVED, "B": SPROUTED}


def test_files_carry_cautions(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(folder)
    answer(folder, "presprout", "--crop", "parsnip", "--bed-free", "2026-05-20",
           "--calendar", "sprouts.ics")  # fmt: skip
    calendar = (folder / "sprouts.ics").read_text().replace("\n ", "").replace("\\,", ",")
    answer(folder, "trial", "design", "-t", "direct", "-t", "presprouted", "--planting",
           "2026-05-02", "-o", "trial")  # fmt: skip
    answer(folder, "trial", "sheet", "trial/records.csv", "-o", "sheet.html")
    table = (folder / "trial" / "calendar.csv").read_text()
    sheet = (folder / "sheet.html").read_text()
    for text in SPROUTED:
        assert calendar.count(text) == 1
        assert text in table.replace('"', "")
        assert text in sheet
    assert "not soaked or sprouted at home" in (folder / write_season(folder)).read_text()


def write_season(folder: Path) -> str:
    answer(folder, "start", "new.toml", "--place", "Nowhere", "--at", "56.2, -3.1",
           "--soil", "open-meteo")  # fmt: skip
    return "new.toml"
