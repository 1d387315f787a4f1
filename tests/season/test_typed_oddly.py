"""What is typed in a season file and hardly meant is refused or told, never passed over."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from rich.console import Console

import thermosprout as ts
from thermosprout.errors import InputError
from thermosprout.reports.forecast_tables import forecast_tables
from thermosprout.season.forecast import SeasonForecast, forecast_season
from thermosprout.season.load import load_season

HEAD = """format = 1
{top}
[site]
name = "Invented"
latitude = 45.7
longitude = 4.85
timezone = "Europe/Paris"
[soil]
file = "soil.csv"
depth_cm = 5
surface = "bare"
[[beds]]
id = "top"
[[lots]]
id = "L1"
crop = "{crop}"
germination = 0.9
{lot}
[[rows]]
id = "R1"
lot = "L1"
{row}
"""


def _file(folder: Path, row: str, *, crop: str = "carrot", lot: str = "", top: str = "") -> Path:
    time = pd.date_range("2026-03-01", "2026-07-01", freq="h")
    stamps = time.strftime("%Y-%m-%dT%H:%MZ")
    pd.DataFrame({"time_utc": stamps, "soil_temp_C": np.full(len(time), 16.0)}).to_csv(
        folder / "soil.csv", index=False
    )
    path = folder / "season.toml"
    path.write_text(HEAD.format(row=row, crop=crop, lot=lot, top=top))
    return path


def _forecast(path: Path) -> SeasonForecast:
    return forecast_season(load_season(path), as_of=datetime(2026, 4, 1, tzinfo=UTC), size=200)


def _notes(path: Path) -> str:
    return " ".join(note.sentence for note in _forecast(path).rows[0].notes)


@pytest.mark.parametrize(
    ("crop", "row", "expected"),
    [
        ("carrot", "planted = 2026-04-25\ndepth_cm = 13", "13 cm is more than 3 times"),
        (
            "snap bean",
            'planted = 2026-04-25\ntreatment = "soaked"\nsoak_h = 96',
            "tolerates about 4 h of soaking; 96 h is likely to kill about",
        ),
        (
            "pumpkin",
            'started = 2026-04-08\nplanted = 2026-05-12\ntreatment = "presprouted"',
            "mm long, too long: 2 to 5 mm is right",
        ),
        (
            "carrot",
            'planted = 2026-05-12\ntreatment = "presprouted"\nradicle_mm = 40',
            "Roots of 40 mm are too long: 2 to 5 mm is right",
        ),
    ],
)
def test_what_is_hardly_meant_is_told(tmp_path: Path, crop: str, row: str, expected: str) -> None:
    assert expected in _notes(_file(tmp_path, row, crop=crop))


def test_usual_rows_are_told_nothing(tmp_path: Path) -> None:
    row = 'planted = 2026-04-25\nbed = "top"\ntreatment = "presprouted"\nsprout_h = 120'
    assert _notes(_file(tmp_path, row)) == ""


def test_dressed_seed_in_water_is_told(tmp_path: Path) -> None:
    row = 'planted = 2026-04-25\ntreatment = "soaked"\nsoak_h = 6'
    assert "Lot L1 is dressed." in _notes(_file(tmp_path, row, lot="dressed = true"))
    assert "dressed" not in _notes(_file(tmp_path, "planted = 2026-04-25", lot="dressed = true"))


def test_lot_harvested_after_its_sowing_is_refused(tmp_path: Path) -> None:
    path = _file(tmp_path, "planted = 2026-04-25", lot="year = 2034")
    with pytest.raises(InputError, match="harvested in 2034, after row R1") as caught:
        load_season(path)
    assert caught.value.place is not None
    assert caught.value.place.line == path.read_text().splitlines().index("year = 2034") + 1


def test_year_typo_of_the_start_is_refused_with_its_place(tmp_path: Path) -> None:
    row = 'started = 2025-04-20\nplanted = 2026-04-25\ntreatment = "presprouted"'
    with pytest.raises(InputError, match="row R1: started 2025-04-20 lies 370 days") as caught:
        load_season(_file(tmp_path, row))
    assert caught.value.place is not None
    assert caught.value.place.line is not None


def test_an_undated_test_is_told_once_aged(tmp_path: Path) -> None:
    def said(lot: str) -> str:
        return " ".join(_forecast(_file(tmp_path, "planted = 2026-04-25", lot=lot)).notes)

    assert "made by the end of 2024" in said("seeds_tested = 50\nyear = 2024")
    assert "tested_on" not in said("seeds_tested = 50\nyear = 2025")
    assert "tested_on" not in said("year = 2024\ntested_on = 2026-02-01")


def test_files_named_and_not_there_are_told(tmp_path: Path) -> None:
    path = _file(tmp_path, "planted = 2026-04-25", top='estimates_folder = "own"')
    path.write_text(path.read_text() + '[records]\nfile = "countz.csv"\n')
    notes = " ".join(_forecast(path).notes)
    assert "countz.csv does not exist" in notes
    assert "own does not exist" in notes


def test_guess_of_a_row_does_not_mind_capitals(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="did you mean 'R1'"):
        load_season(_file(tmp_path, "planted = 2026-04-25")).require_row("r1")


def test_a_lot_ages_up_to_its_sowing(tmp_path: Path) -> None:
    """The same row asked about in winter, at sowing and long after has the same stand."""
    row = "planted = 2026-04-25\nseeds_planted = 400"
    path = _file(tmp_path, row, lot="seeds_tested = 400\ntested_on = 2025-05-01")

    def stand(year: int, month: int) -> float:
        asked = datetime(year, month, 25, tzinfo=UTC)
        answer = forecast_season(load_season(path), as_of=asked, size=400).rows[0]
        return float(np.median(answer.forecast.seedlings))

    aged = stand(2026, 4)
    assert stand(2025, 6) == aged == stand(2028, 4)
    later = _file(tmp_path, row, lot="seeds_tested = 400\ntested_on = 2026-04-01")
    fresh = forecast_season(load_season(later), as_of=datetime(2026, 4, 25, tzinfo=UTC), size=400)
    assert float(np.median(fresh.rows[0].forecast.seedlings)) > 1.15 * aged


@pytest.mark.parametrize("crop", ["courgette", "Courgettes", "COURGETTE"])
def test_a_crop_is_shown_in_the_grower_s_own_word(tmp_path: Path, crop: str) -> None:
    path = _file(tmp_path, "planted = 2026-04-25", crop=crop)
    asked = ts.compare(lot="L1", date="2026-04-25", season=path, draws=200)
    assert asked.to_dict()["called"] == "courgette"
    answer = _forecast(path)
    row = answer.to_dict()["rows"][0]
    assert (row["crop"], row["called"]) == ("pumpkin", "courgette")
    out = io.StringIO()
    console = Console(file=out, width=80)
    for item in forecast_tables(answer.to_dict()):
        console.print(item)
    assert "courgette" in out.getvalue()
    assert "pumpkin" not in out.getvalue()


def test_rows_of_one_crop_keep_their_words_beside_saved_estimates(tmp_path: Path) -> None:
    (tmp_path / "own").mkdir()
    text = 'planted = 2026-04-25\n[[rows]]\nid = "R2"\ncrop = "pumpkin"\nplanted = 2026-04-25'
    path = _file(tmp_path, text, crop="courgette", top='estimates_folder = "own"')
    assert [row["called"] for row in _forecast(path).to_dict()["rows"]] == ["courgette", "pumpkin"]


def test_a_crop_of_ones_own_is_called_what_the_file_says(tmp_path: Path) -> None:
    own = 'season = "warm"\nseed_size = "medium"'
    path = _file(tmp_path, "planted = 2026-04-25", crop="Sea  Holly", lot=own)
    assert _forecast(path).to_dict()["rows"][0]["called"] == "Sea Holly"
