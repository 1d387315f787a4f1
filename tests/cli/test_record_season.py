"""The first count of one's own season, from a season file with no records beside it."""

from __future__ import annotations

import json
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.season.counts import as_recorded
from thermosprout.season.load import load_season
from thermosprout.trials.records.read import plots, read_records

SEASON = """\
format = 1
[site]
name = "Invented garden"
latitude = -45.19
longitude = 170.9
timezone = "Pacific/Auckland"
[soil]
service = "open-meteo"
depth_cm = 5
[[lots]]
id = "CAR25"
crop = "carrot"
variety = "Amber Long"
{records}
[[rows]]
id = "row 1"
lot = "CAR25"
planted = 2026-09-20
stations = 30
seeds_per_station = 2
[[rows]]
id = "row 2"
lot = "CAR25"
bed = "north"
treatment = "soaked"
planted = 2026-09-20
soak_h = 12
depth_cm = 1.5
seeds_planted = 40
[[rows]]
id = "row 3"
crop = "parsnip"
treatment = "presprouted"
planted = 2026-09-26T10:00:00+12:00
sprout_h = 96
seeds_planted = 50
seeds_started = 63
[[rows]]
id = "row 4"
crop = "parsnip"
treatment = "presprouted"
planted = 2026-09-26
sprout_h = 96
"""
LINKED = '[records]\nfile = "counts.csv"'


@pytest.fixture
def season(tmp_path: Path) -> Path:
    path = tmp_path / "season.toml"
    path.write_text(SEASON.format(records=LINKED))
    return path


def run(*words: object) -> Any:
    return CliRunner().invoke(app, [str(word) for word in words])


def test_the_first_count_begins_a_file_forecasts_read(season: Path) -> None:
    counts = season.with_name("counts.csv")
    done = run("record", counts, "row 1=20", "--on", "2026-10-10", "--season", season)
    assert done.exit_code == 0, done.exception
    assert done.output == "1 line recorded.\n"
    known = as_recorded(load_season(season), datetime(2026, 11, 1, tzinfo=UTC)).counts
    # Noon of the 10th of October in New Zealand, 13 h ahead of UTC.
    noon = datetime(2026, 10, 9, 23, tzinfo=UTC) - datetime(1970, 1, 1, tzinfo=UTC)
    assert [(c.hour, c.emerged) for c in known["row 1"]] == [(noon / timedelta(hours=1), 20)]
    again = run("record", counts, "row 1=25", "row 2=3", "--on", "2026-10-12", "--season", season)
    assert again.exit_code == 0, again.exception
    assert read_records(counts)["emerged"].tolist() == [20, 25, 3]
    assert run("trial", "check", counts, "--season", season).exit_code == 0


def test_facts_are_those_of_the_rows(season: Path) -> None:
    counts = season.with_name("counts.csv")
    words = ["row 1=1", "row 2=2", "row 3=3"]
    done = run("record", counts, *words, "--on", "2026-10-10", "--season", season)
    assert done.exit_code == 0, done.exception
    facts = plots(read_records(counts, timezone="Pacific/Auckland")).set_index("plot")
    assert facts["seeds_planted"].tolist() == [60, 40, 50]
    assert facts["seeds_started"].tolist() == [60, 40, 63]
    assert facts["block"].tolist() == ["1", "north", "1"]
    assert facts["variety"].tolist() == ["Amber Long", "Amber Long", ""]
    assert facts["treatment"].tolist() == ["direct", "soaked", "presprouted"]
    assert facts.loc["row 2", "depth_cm"] == 1.5
    lead = (facts["planted"] - facts["started"]) / timedelta(hours=1)
    assert lead.tolist() == [0.0, 12.0, 96.0]


def test_what_the_season_does_not_tell_is_said(season: Path) -> None:
    season.write_text(SEASON.format(records=""))
    counts = season.with_name("counts.csv")
    words = ("--on", "2026-10-10", "--season", season, "--json")
    notes = json.loads(run("record", counts, "row 4=2", *words).output)["notes"]
    assert len(notes) == 3
    assert "not give the number of seeds" in notes[0]
    assert "seeds_started" in notes[1]
    assert "[records]" in notes[2]


def test_without_a_season_one_sentence_says_what_to_do(tmp_path: Path) -> None:
    counts = tmp_path / "counts.csv"
    done = run("record", counts, "row 1=20", "--on", "2026-10-10")
    assert done.exit_code != 0
    said = str(done.exception)
    assert "is not there" in said
    assert "--season" in said
    assert "trial design" in said
    assert not counts.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["row 9=3", "--on", "2026-10-10"], "no row 'row 9'"),
        (["row 1", "--harvest", "--on", "2026-10-10"], "no count yet"),
        (["row 1=61", "--on", "2026-10-10"], "only 60"),
        (["row 1=3", "--on", "2026-09-10"], "before planted"),
    ],
)
def test_a_fault_begins_no_file(season: Path, words: list[str], said: str) -> None:
    counts = season.with_name("counts.csv")
    done = run("record", counts, *words, "--season", season)
    assert done.exit_code != 0
    assert said in str(done.exception)
    assert not counts.exists()


def test_a_row_joins_a_file_of_other_plots(season: Path) -> None:
    counts = season.with_name("counts.csv")
    counts.write_text(
        "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,"
        "depth_cm,inspected,emerged\nA1,A,,,direct,2026-09-20,2026-09-20,50,50,1.5,,\n"
    )
    done = run("record", counts, "row 1=20", "--on", "2026-10-10", "--season", season)
    assert done.exit_code == 0, done.exception
    assert read_records(counts)["plot"].tolist() == ["row 1"]


def test_a_corrected_planting_day_leaves_the_other_rows_readable(tmp_path: Path) -> None:
    demo = Path(__file__).parents[2] / "demo" / "counts.csv"
    counts = Path(shutil.copy(demo, tmp_path))
    before = len(read_records(counts))
    assert run("record", counts, "N1", "--planted", "2026-04-07").exit_code == 0
    after = read_records(counts)
    assert len(after) == before
    assert set(after.loc[after["plot"] == "N1", "planted_local"]) == {"2026-04-07"}
