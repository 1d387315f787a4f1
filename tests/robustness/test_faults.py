"""Faults of disks, clocks and series: a right answer or one clear sentence, and nothing lost.

More of them stand where their subject is tested: full disks and kills in ``test_files.py``,
``test_kills.py`` and ``trials/test_entering.py``, clock changes, leap day and far places in
``season/test_edges.py``. All numbers are invented.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.season.test_edges import row, write_season
from thermosprout.cli.app import app
from thermosprout.errors import CoverageError, InputError, ThermosproutError
from thermosprout.season.forecast import forecast_season
from thermosprout.season.load import load_season
from thermosprout.soil.model.temperature import soil_temperature
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import weather_dataset
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.read import read_records


def soil(at: datetime) -> float:
    """Invented soil temperature, rising with a daily wave. [degC]"""
    hour = (at - datetime(2026, 4, 1)) / timedelta(hours=1)
    return 12 + 0.02 * hour + 4 * math.sin(2 * math.pi * (hour - 9) / 24)


def stamps(*parts: tuple[int, int]) -> list[datetime]:
    """Times of parts that follow each other, each a step in minutes and a number of lines."""
    found, at = [], datetime(2026, 4, 1)
    for step, count in parts:
        for _ in range(count):
            found.append(at)
            at += timedelta(minutes=step)
    return found


def write_logger(path: Path, times: list[datetime]) -> Path:
    lines = [f"{at:%Y-%m-%dT%H:%M}Z,{soil(at):.2f}" for at in times]
    path.write_text("\n".join(["time_utc,soil_temp_5cm_C", *lines]) + "\n", encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("parts", "gaps"),
    [
        (((10, 100), (60, 200)), 0),
        (((60, 100), (5, 600), (60, 50)), 0),
        (((60, 144), (5, 864), (1440, 6)), 5),
        (((180, 80), (5, 100)), 0),
    ],
    ids=["minutes, hours", "hours, minutes, hours", "hours, minutes, days", "three hours, minutes"],
)
def test_mixed_steps_give_only_known_hours(
    tmp_path: Path, parts: tuple[tuple[int, int], ...], gaps: int
) -> None:
    series, reading = read_soil_csv(write_logger(tmp_path / "a.csv", stamps(*parts)))
    times = [datetime.fromisoformat(str(at)[:16]) for at in series["time"].values]
    wrong = np.abs(series.values - [soil(at) for at in times])
    assert np.nanmax(wrong) < 0.3  # a line over 3 h cuts the wave by 1 - cos(2 pi 1.5 / 24) of 4 K
    assert len(reading.gaps) == gaps
    assert np.isnan(series.values).sum() == sum(gap.hours for gap in reading.gaps)


@pytest.mark.parametrize(
    "parts",
    [((60, 24), (5, 36), (1440, 80)), ((1440, 30), (60, 20)), ((1440, 10), (720, 2), (1440, 9))],
    ids=["hours, minutes, days", "days, hours", "half days"],
)
def test_readings_among_means_of_days_are_refused(
    tmp_path: Path, parts: tuple[tuple[int, int], ...]
) -> None:
    with pytest.raises(InputError, match=r"usual step is one day, but that after 2026-"):
        read_soil_csv(write_logger(tmp_path / "a.csv", stamps(*parts)))


@pytest.mark.parametrize(
    "parts", [((1440, 30), (60, 20)), ((180, 60), (60, 40))], ids=["days", "three hours"]
)
def test_weather_of_mixed_coarse_steps_is_refused(
    tmp_path: Path, parts: tuple[tuple[int, int], ...]
) -> None:
    path = tmp_path / "weather.csv"
    lines = [f"{at:%Y-%m-%dT%H:%M}Z,{soil(at):.1f},0.3" for at in stamps(*parts)]
    path.write_text("\n".join(["time_utc,air_temp_C,precip_mm", *lines]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="usual step is"):
        read_weather_csv(path, latitude=50, longitude=8, timezone="UTC")


@pytest.mark.parametrize("word", ["nan", "NaN", "inf", "-inf", "Infinity", "1e400", "1e308"])
def test_no_number_is_a_hole_or_one_sentence(tmp_path: Path, word: str) -> None:
    path = write_logger(tmp_path / "a.csv", stamps((60, 72)))
    lines = path.read_text(encoding="utf-8").splitlines()
    lines[31:41] = [f"{line.split(',')[0]},{word}" for line in lines[31:41]]
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    if word in ("inf", "-inf", "Infinity"):
        with pytest.raises(InputError, match=r"line 32, column soil_temp_5cm_C"):
            read_soil_csv(path)
        return
    series, reading = read_soil_csv(path)
    assert np.isnan(series.values).sum() == 10
    assert not np.isinf(series.values).any()
    assert reading.gaps[0].hours == 10


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e400"])
@pytest.mark.parametrize(
    ("old", "column"), [("depth_cm = 3\n", "depth_cm"), ("latitude = 50.0", "latitude")]
)
def test_what_is_no_number_in_a_season_is_one_sentence(
    tmp_path: Path, word: str, old: str, column: str
) -> None:
    path = write_season(tmp_path, row("A", "2026-04-05"), days=2)
    text = path.read_text(encoding="utf-8")
    assert old in text
    number = "inf" if word == "1e400" else word  # TOML reads 1e400 as infinity
    path.write_text(text.replace(old, f"{column} = {number}\n", 1), encoding="utf-8")
    with pytest.raises(InputError) as caught:
        load_season(path)
    assert column in str(caught.value)


@pytest.mark.parametrize("word", ["nan", "inf", "1e400", "-1"])
@pytest.mark.parametrize("column", ["emerged", "seeds_planted", "depth_cm"])
def test_what_is_no_number_in_records_is_one_sentence(
    tmp_path: Path, word: str, column: str
) -> None:
    path = tmp_path / "trial.csv"
    facts = {"plot": "A", "treatment": "direct", "started": "2026-04-01", "planted": "2026-04-01",
             "seeds_started": "50", "seeds_planted": "50", "depth_cm": "3",
             "inspected": "2026-04-12", "emerged": "4"}  # fmt: skip
    append_records(path, [facts])
    before = path.read_bytes()
    with pytest.raises(InputError, match=column):
        append_records(path, [{**facts, "plot": "B", column: word}])
    assert path.read_bytes() == before


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e400"])
def test_a_word_for_a_number_is_one_sentence(word: str) -> None:
    said = CliRunner().invoke(app, ["crops", "pea", "--constant", word])
    assert said.exit_code != 0
    assert said.stdout == ""
    assert not isinstance(said.exception, ThermosproutError) or "\n" not in str(said.exception)
    assert said.exception is None or isinstance(said.exception, SystemExit | ThermosproutError)


NOWHERE = Path("/sys/thermosprout")
"""In a folder that not even the administrator can write to."""


@pytest.mark.skipif(not NOWHERE.parent.is_dir(), reason="needs the read-only /sys of Linux")
@pytest.mark.parametrize(
    "words",
    [
        ["start", f"{NOWHERE}.toml", "--place", "A", "--at", "50, 8", "--timezone", "UTC",
         "--soil", "open-meteo", "--row", "pea//2026-04-06"],
        ["forecast", "season.toml", "--plot", f"{NOWHERE}.png"],
        ["report", "season.toml", "--out", f"{NOWHERE}.html"],
        ["demo", f"{NOWHERE}"],
    ],
    ids=lambda words: words[0],
)  # fmt: skip
def test_a_folder_that_is_read_only_is_one_sentence(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: list[str]
) -> None:
    write_season(tmp_path, row("A", "2026-04-05"))
    monkeypatch.chdir(tmp_path)
    said = CliRunner().invoke(app, words)
    assert isinstance(said.exception, InputError | SystemExit), said.exception
    told = str(said.exception) if isinstance(said.exception, InputError) else said.stderr
    assert "cannot be" in told
    assert "Traceback" not in told
    assert said.exit_code != 0


@pytest.mark.skipif(not NOWHERE.parent.is_dir(), reason="needs the read-only /sys of Linux")
def test_a_read_only_folder_is_one_sentence() -> None:
    from thermosprout.weather.session import WeatherSession

    facts = {"plot": "A", "treatment": "direct", "started": "2026-04-01", "planted": "2026-04-01",
             "seeds_started": "50", "seeds_planted": "50"}  # fmt: skip
    with pytest.raises(InputError, match=r"nothing can be recorded|cannot be written"):
        append_records(NOWHERE.with_suffix(".csv"), [facts])
    with (
        WeatherSession(folder=NOWHERE) as session,
        pytest.raises(InputError, match="cache folder cannot be used"),
    ):
        session.get("play", "http://127.0.0.1:9/a", {}, check=lambda *_: True, expires_s=1)


def test_a_sync_program_between_two_counts_loses_none(
    tmp_path: Path,
) -> None:
    path = tmp_path / "trial.csv"
    facts = {"treatment": "direct", "started": "2026-04-01", "planted": "2026-04-01",
             "seeds_started": "50", "seeds_planted": "50"}  # fmt: skip
    append_records(path, [{"plot": "A", **facts}, {"plot": "B", **facts}])
    append_records(path, [{"plot": "A", "inspected": "2026-04-12", "emerged": "3"}])
    other = tmp_path / "from the phone.csv"
    other.write_bytes(path.read_bytes())
    append_records(other, [{"plot": "B", "inspected": "2026-04-12", "emerged": "5"}])
    other.replace(path)
    append_records(path, [{"plot": "A", "inspected": "2026-04-15", "emerged": "9"}])
    frame = read_records(path)
    assert sorted(zip(frame["plot"], frame["emerged"], strict=True)) == [
        ("A", 3), ("A", 9), ("B", 5),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("month", "lowest", "highest"), [("01", -25, 1), ("06", 4, 30)], ids=["night", "day"]
)
def test_polar_night_and_polar_day_have_a_soil(month: str, lowest: float, highest: float) -> None:
    """Bare ground at 78 N: no sun at all, and sun at midnight."""
    from thermosprout.soil.model.weather import sun

    time = np.datetime64(f"2026-{month}-01", "ns") + np.arange(24 * 25) * np.timedelta64(1, "h")
    _, clear = sun(time, 78.2, 15.6)
    assert clear.max() == 0 if month == "01" else clear.min() > 0
    air = np.full(time.size, -12.0 if month == "01" else 6.0)
    weather = weather_dataset(
        time, source="invented weather", latitude=78.2, longitude=15.6, air_temperature=air,
        ghi=0.6 * clear,
    )  # fmt: skip
    found = soil_temperature(weather, depth_cm=5, surface="bare").values
    assert np.isfinite(found).all()
    assert lowest < found[24 * 5 :].mean() < highest


@pytest.mark.parametrize("command", ["forecast", "week", "report"])
def test_no_rows_are_said_and_no_fault(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str
) -> None:
    write_season(tmp_path, "")
    monkeypatch.chdir(tmp_path)
    said = CliRunner().invoke(app, [command, "season.toml", "--json", "--as-of", "2026-04-10"])
    assert said.exception is None, said.exception
    assert said.exit_code == 0
    document = json.loads(said.stdout)
    assert document.get("rows", []) == []


@pytest.mark.slow
def test_five_thousand_rows_are_answered_one_by_one(tmp_path: Path) -> None:
    text = "".join(row(f"R{n}", f"2026-04-{1 + n % 28:02d}") for n in range(5000))
    path = write_season(tmp_path, text, days=120)
    found = forecast_season(load_season(path), as_of=datetime(2026, 4, 20, tzinfo=UTC), size=100)
    assert [answer.row.id for answer in found.rows] == [f"R{n}" for n in range(5000)]
    half = {
        answer.row.planted: float(answer.forecast.stage_quantile("half", [0.5])[0])
        for answer in found.rows
    }
    assert len(half) == 28
    assert np.isfinite(list(half.values())).all()


Read = Callable[[Path], object]


@pytest.mark.parametrize(
    "read",
    [load_season, lambda p: read_records(p), lambda p: read_soil_csv(p, timezone="UTC")],
    ids=["season", "records", "series"],
)
def test_an_empty_file_and_a_folder_are_one_sentence(tmp_path: Path, read: Read) -> None:
    path = tmp_path / "a.csv"
    path.touch()
    with pytest.raises((InputError, CoverageError)) as empty:
        read(path)
    with pytest.raises(InputError) as folder:
        read(tmp_path)
    assert "\n" not in f"{empty.value}{folder.value}"
