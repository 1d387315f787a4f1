"""``soil model`` and ``soil check`` from the command line."""

from __future__ import annotations

import csv
import json
from pathlib import Path

import numpy as np
import pytest

from tests.cli.conftest import Run
from thermosprout.files import demo_folder

PLACE = ["--lat", "56.2", "--lon", "-3.1", "--timezone", "Europe/London"]


@pytest.fixture
def weather() -> Path:
    return demo_folder() / "weather.csv"


@pytest.fixture
def readings(tmp_path: Path) -> Path:
    lines = ["time_utc,depth_cm,soil_temp_C"]
    with (demo_folder() / "soil.csv").open(encoding="utf-8") as stream:
        for row in list(csv.reader(stream))[24 * 45 : 24 * 60 : 31]:
            lines.append(f"{row[0]},5,{float(row[1]) + 1.5:.1f}")
    path = tmp_path / "readings.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def _model(weather: Path, out: Path, *more: object) -> list[object]:
    words = ["soil", "model", weather, *PLACE, "--depth-cm", 3, "--surface", "bare"]
    return [*words, "--out", out, *more]


def test_hourly_file_comes_out(run: Run, weather, tmp_path) -> None:
    out = tmp_path / "soil.csv"
    code, said, noted = run(*_model(weather, out))
    assert code == 0
    assert "one site may differ by" in said
    assert "read as weather table" in noted
    rows = list(csv.DictReader(out.open(encoding="utf-8")))
    assert list(rows[0]) == ["time_utc", "soil_temp_C"]
    stamps = np.array([row["time_utc"].rstrip("Z") for row in rows], "datetime64[s]")
    assert (np.diff(stamps) == np.timedelta64(3600, "s")).all()
    assert -5 < min(float(row["soil_temp_C"]) for row in rows) < 25


def test_json_is_one_document(run: Run, weather, readings, tmp_path) -> None:
    out = tmp_path / "soil.csv"
    more = ["--json", "--readings", readings, "--cover", "fleece", "--texture", "clay loam"]
    code, said, _ = run(*_model(weather, out, *more))
    assert code == 0
    document = json.loads(said)
    assert document["cover"] == "fleece"
    assert document["correction"]["readings"] == 12
    assert document["site_sd_K"] < 1.07
    assert document["rows"] == len(out.read_text().splitlines()) - 1


@pytest.mark.parametrize(
    ("more", "code", "words"),
    [
        (["--depth-cm", "60"], 2, "'60' is not a number from 0.5 to 30"),
        (["--cover", "tarpaulin"], 2, "unknown cover"),
        (["--texture", "gravel"], 2, "unknown texture"),
        (["--readings", "none.csv"], 2, "no such file"),
        (["--lat", "95"], 2, "--lat"),
        (["--surface", "asphalt"], 2, "asphalt"),
    ],
)
def test_wrong_use_is_one_sentence(run: Run, weather, tmp_path, more, code, words) -> None:
    out = tmp_path / "soil.csv"
    ended, said, noted = run(*_model(weather, out, *more))
    assert ended == code
    assert words in noted
    assert "Traceback" not in noted
    assert said == ""
    assert not out.exists()


def test_check_of_a_season(run: Run, readings, tmp_path) -> None:
    picture = tmp_path / "check.png"
    season = demo_folder() / "season.toml"
    words = ["soil", "check", readings, "--season", season, "--plot", picture, "--json"]
    code, said, _ = run(*words)
    assert code == 0
    document = json.loads(said)
    assert document["bias_K"] == pytest.approx(-1.5, abs=0.05)
    shifts = [row["days"] for row in document["rows"] if row["days"] is not None]
    assert len(shifts) > 5
    # readings also narrow the site's spread, which moves the middle of a row by a few hundredths:
    # 0.06 d (an hour and a half) at most in the demo, of November 2026
    assert max(shifts) <= 0.08
    assert min(shifts) < -0.5
    assert picture.read_bytes().startswith(b"\x89PNG")


def test_check_of_a_file(run: Run, readings) -> None:
    words = ("soil", "check", readings, "--soil", demo_folder() / "soil.csv")
    code, said, _ = run(*words, "--json")
    assert code == 0
    assert json.loads(said)["rmse_K"] == pytest.approx(1.5, abs=0.1)
    code, said, _ = run(*words, "--units", "us")
    assert code == 0
    assert "2.7 °F too cold" in said


def test_check_without_a_season_says_how_to_name_one(run: Run, readings) -> None:
    code, _, noted = run("soil", "check", readings)
    assert code == 2
    assert "no season file is named" in noted
