"""Files written by an earlier version are read by this one; of a later version they are refused.

``samples/format_N`` holds small files as the version that wrote format N wrote them (the numbers
are invented). They are never made anew: a new layout gets a new number and a new folder.
"""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli import output
from thermosprout.cli.app import app
from thermosprout.crops import saved_estimates as estimate_file
from thermosprout.crops.saved_estimates import read_saved
from thermosprout.errors import InputError
from thermosprout.season import load as season_load
from thermosprout.season.forecast import forecast_season
from thermosprout.season.load import load_season
from thermosprout.trials.records import values as columns
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.read import read_records
from thermosprout.weather import session as weather_session
from thermosprout.weather.session import WeatherSession

SAMPLES = Path(__file__).parent / "samples"
FOLDERS = sorted(SAMPLES.glob("format_*"))


def cache_of(dump: Path, folder: Path) -> Path:
    """Make the database of a dump."""
    folder.mkdir(exist_ok=True)
    with closing(sqlite3.connect(folder / "weather.sqlite")) as made:
        made.executescript(dump.read_text(encoding="utf-8"))
    return folder


def cached(folder: Path) -> bytes:
    """Ask for the answer that the sample holds, without a connection."""
    with WeatherSession(folder=folder, offline=True) as session:
        return session.get(
            "play",
            "http://127.0.0.1:8797/v1/archive",
            {"latitude": 52.5, "longitude": 13.4},
            check=lambda *_: True,
            expires_s=-1,
        ).body


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_season_is_read_and_forecast(folder: Path) -> None:
    season = load_season(folder / "season.toml")
    assert season.data.site.name == "Invented Hill"
    when = datetime(2026, 4, 20, tzinfo=UTC)
    found = forecast_season(season, as_of=when, size=200)
    assert [answer.crop.name for answer in found.rows] == ["pea", "radish"]


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_records_are_read_and_added_to(folder: Path, tmp_path: Path) -> None:
    path = Path(shutil.copy(folder / "records.csv", tmp_path))
    frame = read_records(path, timezone="Europe/Berlin")
    assert frame["emerged"].tolist() == [4, 19, 31, 9, 27, 34]
    assert frame["seeds_planted"].tolist() == [50] * 6
    append_records(path, [{"plot": "A1", "inspected": "2026-04-21", "emerged": "35"}])
    assert read_records(path)["emerged"].max() == 35


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_an_estimate_is_read(folder: Path) -> None:
    saved = read_saved(folder / "estimate.toml")
    assert (saved.estimate.crop, saved.origin.plots, saved.origin.seeds) == ("carrot", 3, 150)


@pytest.mark.parametrize("folder", FOLDERS, ids=lambda folder: folder.name)
def test_a_cached_answer_is_read(folder: Path, tmp_path: Path) -> None:
    assert json.loads(cached(cache_of(folder / "weather.sql", tmp_path / "cache"))) == {
        "hourly": {"time": ["2026-04-01T00:00"], "temperature_2m": [7.5]}
    }


def of_season(folder: Path, made: Path) -> None:
    path = made / "season.toml"
    text = (folder / "season.toml").read_text(encoding="utf-8")
    path.write_text(text.replace("\nformat = 1\n", "\nformat = 9\n"), encoding="utf-8")
    load_season(path)


def of_records(folder: Path, made: Path) -> None:
    path = made / "records.csv"
    text = (folder / "records.csv").read_text(encoding="utf-8")
    path.write_text(text.replace(',1,"2026-', ',9,"2026-'), encoding="utf-8")
    read_records(path)


def of_records_added_to(folder: Path, made: Path) -> None:
    path = made / "records.csv"
    text = (folder / "records.csv").read_text(encoding="utf-8")
    path.write_text(text.replace(',1,"2026-', ',9,"2026-'), encoding="utf-8")
    append_records(path, [{"plot": "A1", "inspected": "2026-04-21", "emerged": "35"}])


def of_counts(folder: Path, made: Path) -> None:
    from thermosprout.trials.records.notebook import filed_counts

    path = made / "counts.csv"
    path.write_text("plot,inspected,emerged,format\nA1,2026-04-21,35,9\n", encoding="utf-8")
    filed_counts(path)


def of_estimate(folder: Path, made: Path) -> None:
    path = made / "estimate.toml"
    text = (folder / "estimate.toml").read_text(encoding="utf-8")
    path.write_text(text.replace("\nformat = 1\n", "\nformat = 9\n"), encoding="utf-8")
    read_saved(path)


def of_cache(folder: Path, made: Path) -> None:
    place = cache_of(folder / "weather.sql", made / "cache")
    with closing(sqlite3.connect(place / "weather.sqlite")) as held:
        held.execute("PRAGMA user_version = 9")
    cached(place)


@pytest.mark.parametrize(
    "read", [of_season, of_records, of_records_added_to, of_counts, of_estimate, of_cache]
)
def test_a_later_format_is_one_sentence_and_nothing_is_changed(
    read: Callable[[Path, Path], None], tmp_path: Path
) -> None:
    with pytest.raises(InputError, match=r"(format|number) 9.*this version reads") as caught:
        read(FOLDERS[-1], tmp_path)
    assert "\n" not in str(caught.value)
    assert caught.value.place is not None
    for path in tmp_path.glob("records.csv"):
        assert "35" not in path.read_text(encoding="utf-8")


def test_records_without_a_number_are_of_the_first_format(tmp_path: Path) -> None:
    lines = (SAMPLES / "format_1" / "records.csv").read_text(encoding="utf-8").splitlines()
    names = lines[0].split(",")
    assert names[-2:] == ["format", "entered"]
    bare = "\n".join(",".join(line.split(",")[:-2]) for line in lines[:-1]) + "\n"
    path = tmp_path / "records.csv"
    path.write_text(bare, encoding="utf-8")
    assert read_records(path)["emerged"].tolist() == [4, 19, 31, 9, 27, 33]
    append_records(path, [{"plot": "A1", "inspected": "2026-04-21", "emerged": "35"}])
    assert "format" not in path.read_text(encoding="utf-8").splitlines()[0].split(",")


def test_what_is_written_now_carries_its_number(tmp_path: Path) -> None:
    assert FOLDERS[-1].name == f"format_{season_load.FORMAT}"
    assert season_load.FORMAT == estimate_file.FORMAT == weather_session.FORMAT == 1
    assert columns.FORMAT == str(output.JSON_FORMAT) == "1"
    said = CliRunner().invoke(app, ["crops", "--json"])
    assert json.loads(said.stdout)["format"] == output.JSON_FORMAT
