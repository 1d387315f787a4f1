"""What the records say of rows: the day's own counts, days and seeds that differ, lost plots."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from tests.season.test_edges import row, write_season
from thermosprout.errors import InputError
from thermosprout.season.forecast import SeasonForecast, forecast_season
from thermosprout.season.load import load_season

HEAD = "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,depth_cm"
LOT = '[[lots]]\nid = "l"\ncrop = "pea"\n'
MORNING = datetime(2026, 4, 20, 5, 50, tzinfo=UTC)


def recorded(
    folder: Path,
    *lines: str,
    plot: str = "A",
    planted: str = "2026-04-01",
    seeds: int = 40,
    treatment: str = "direct",
    as_of: datetime = MORNING,
) -> SeasonForecast:
    """Forecast of row A, planted on 1 April in the season file, with counts as given."""
    path = write_season(folder, row("A", "2026-04-01") + '[records]\nfile = "counts.csv"\n')
    facts = f"{plot},1,,,{treatment},{planted},{planted},{seeds},{seeds},4"
    text = "\n".join([f"{HEAD},inspected,emerged", *(f"{facts},{line}" for line in lines)])
    (folder / "counts.csv").write_text(text + "\n", encoding="utf-8")
    return forecast_season(load_season(path), as_of=as_of, size=200)


def test_a_count_of_today_counts_from_the_morning_on(tmp_path: Path) -> None:
    (found,) = recorded(tmp_path, "2026-04-20,7").rows
    assert [count.emerged for count in found.counts] == [7]
    assert found.conditioned is not None


def test_a_count_of_tomorrow_does_not(tmp_path: Path) -> None:
    (found,) = recorded(tmp_path, "2026-04-19,5", "2026-04-20T18:00+02:00,7", "2026-04-21,9").rows
    assert [count.emerged for count in found.counts] == [5]


def test_the_day_that_was_recorded_is_the_day_of_planting(tmp_path: Path) -> None:
    result = recorded(tmp_path, "2026-04-19,0", planted="2026-04-06")
    planned = recorded(tmp_path, "2026-04-19,0")
    days = (
        result.rows[0].forecast.sowing.planted_h - planned.rows[0].forecast.sowing.planted_h
    ) / 24
    assert days == pytest.approx(5)
    assert any("2026-04-06" in note and "2026-04-01" in note for note in result.notes)
    assert not any("2026-04-01" in note for note in planned.notes)


def test_seeds_and_treatment_that_differ_are_told(tmp_path: Path) -> None:
    result = recorded(tmp_path, "2026-04-19,3", seeds=55, treatment="soaked")
    assert result.rows[0].forecast.sowing.seeds_planted == 55
    assert any("55 seeds" in note for note in result.notes)
    assert any("soaked" in note and "direct" in note for note in result.notes)


def test_counts_of_an_unknown_plot_name_the_likely_row(tmp_path: Path) -> None:
    result = recorded(tmp_path, "2026-04-19,3", plot="a")
    assert result.rows[0].counts == ()
    assert any("counts of a," in note and "did you mean A" in note for note in result.notes)


@pytest.mark.parametrize(
    ("more", "at", "words"),
    [
        ('[[watering]]\non = 2026-04-02\nmm = 9\nbed = "no"\n', "bed", "'no' is not listed"),
        ('[[beds]]\nid = "b"\ncover = "blanket"\n', "cover", "unknown cover 'blanket'"),
        (
            LOT + "germination = 0.1\nseeds_tested = 100\nseeds_germinated = 100\n",
            "[[lots]]",
            "germination is 0.1 but 100 of 100",
        ),
        (
            LOT + "year = 2026\ntested_on = 2025-03-01\n",
            "[[lots]]",
            "before the harvest of 2026",
        ),
    ],
    ids=["watering", "cover", "germination", "test"],
)
def test_what_cannot_be_is_told_with_its_line(
    tmp_path: Path, more: str, at: str, words: str
) -> None:
    path = write_season(tmp_path, row("A", "2026-04-01") + more)
    with pytest.raises(InputError) as caught:
        load_season(path)
    assert words in caught.value.what
    assert caught.value.place is not None
    number = caught.value.place.line
    assert number is not None
    assert path.read_text(encoding="utf-8").splitlines()[number - 1].startswith(at)


@pytest.mark.parametrize("key", ["file", "weather_file", "readings_file", "past_years_file"])
def test_a_missing_file_is_told_with_the_seasons_line(tmp_path: Path, key: str) -> None:
    path = write_season(tmp_path, row("A", "2026-04-01"))
    text = path.read_text(encoding="utf-8")
    if key == "file":
        text = text.replace('file = "soil.csv"', 'file = "gone.csv"')
    else:
        text = text.replace("[soil]\n", f'[soil]\n{key} = "gone.csv"\n')
    path.write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as caught:
        forecast_season(load_season(path), as_of=MORNING, size=100)
    assert caught.value.place is not None
    assert str(caught.value.place.file) == str(path)
    number = caught.value.place.line
    assert number is not None
    assert "gone.csv" in text.splitlines()[number - 1]


def test_a_file_stands_in_for_a_failing_service(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    path = write_season(tmp_path, row("A", "2026-04-01"))
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[soil]\n", '[soil]\nservice = "open-meteo"\n'), encoding="utf-8")
    result = forecast_season(load_season(path), as_of=MORNING, size=100, offline=True)
    assert np.isfinite(result.rows[0].forecast.stage_quantile("half", [0.5])[0])
    assert any("nothing beyond the file" in note for note in result.notes)


HOUR = np.arange(90 * 24)
WAVE = 12 + 3 * np.sin(2 * np.pi * HOUR / 24)


@pytest.mark.parametrize(
    ("values", "words"),
    [
        (np.where(HOUR > 1000, 21.4, WAVE), "one value for 1159 h"),
        (WAVE * 1.8 + 32, "read as °F it is 12.0 °C"),
        (np.where(HOUR > 1000, WAVE * 1.8 + 32, WAVE), "between 2026-04-12"),
    ],
    ids=["stuck", "degF", "unit that changes"],
)
def test_a_forecast_tells_what_looks_wrong_with_its_series(
    tmp_path: Path, values: np.ndarray, words: str
) -> None:
    path = write_season(tmp_path, row("A", "2026-04-01"), values=values)
    result = forecast_season(load_season(path), as_of=MORNING, size=100)
    assert any(words in note for note in result.notes)


def test_a_good_series_is_not_doubted(tmp_path: Path) -> None:
    path = write_season(tmp_path, row("A", "2026-04-01"), values=WAVE)
    result = forecast_season(load_season(path), as_of=MORNING, size=100)
    assert not any("expected" in note for note in result.notes)
