"""A season's own file goes on with past years of the same spot, and readings correct it."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest

from tests.season.test_edges import row, write_season
from thermosprout.errors import CoverageError, InputError
from thermosprout.season.load import load_season
from thermosprout.season.soil import SeasonSoil

AS_OF = datetime(2026, 4, 20, 12, tzinfo=UTC)
SEAM = np.datetime64("2026-04-19T23:00", "ns")


def with_more(tmp_path: Path, line: str, **options: object) -> Path:
    """Season whose file ends on the day of the forecast, with one more line under ``[soil]``."""
    path = write_season(tmp_path, row("A", "2026-04-10"), days=50, **options)  # type: ignore[arg-type]
    text = path.read_text(encoding="utf-8")
    path.write_text(text.replace("[soil]\n", f"[soil]\n{line}\n"), encoding="utf-8")
    return path


def year_file(folder: Path, first: int, depth_cm: float, swing: float = 0.0) -> None:
    """Hourly years from ``first`` to 2025 round 15 degC, the warmest hour at six in the evening."""
    time = np.arange(f"{first}-01-01", "2026-01-01", dtype="datetime64[h]")
    hour = time.astype(np.int64) % 24
    value = 15.0 + swing * np.cos(2 * np.pi * (hour - 18) / 24)
    lines = [f"{when}:00Z,{each:.3f}" for when, each in zip(time, value, strict=True)]
    head = f"time_utc,soil_temp_{depth_cm:g}cm_C"
    (folder / "years.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")


def test_past_years_of_one_temperature_go_on_at_that_temperature(tmp_path: Path) -> None:
    year_file(tmp_path, 2021, 3.0)
    path = with_more(tmp_path, 'past_years_file = "years.csv"')
    supply = SeasonSoil(load_season(path), AS_OF)
    series = supply.base()
    assert series["time"].values[-1] > SEAM + np.timedelta64(120, "D")
    np.testing.assert_allclose(series.values, 15.0, atol=1e-6)
    assert any("seasons of 5 past years" in note for note in supply.notes)


def test_past_years_move_to_the_seasons_depth(tmp_path: Path) -> None:
    """A daily wave is larger above: by exp((12 - 3) / d) with d the damping depth of a day.

    Damping depth sqrt(2 D / w) (Carslaw & Jaeger 1959, section 2.6) of a soil of any use to a
    grower, D from 0.2 to 1.0 mm2/s, is 7.4 to 16.6 cm: the factor lies between 1.7 and 3.4.
    """
    year_file(tmp_path, 2021, 12.0, swing=1.0)
    path = with_more(tmp_path, 'past_years_file = "years.csv"')
    series = SeasonSoil(load_season(path), AS_OF).base()
    assert 100 * float(series["depth"]) == pytest.approx(3.0)
    later = series.sel(time=slice(SEAM + np.timedelta64(40, "D"), SEAM + np.timedelta64(100, "D")))
    swing = (later.max("time") - later.min("time")).values / 2
    assert (swing > 1.7).all()
    assert (swing < 3.4).all()
    assert float(later.mean()) == pytest.approx(15.0, abs=0.1)


def test_two_past_years_are_too_few(tmp_path: Path) -> None:
    year_file(tmp_path, 2024, 3.0)
    path = with_more(tmp_path, 'past_years_file = "years.csv"')
    with pytest.raises(CoverageError, match=r"2 past years cover .* at least 3 are needed"):
        SeasonSoil(load_season(path), AS_OF).base()
    (tmp_path / "years.csv").unlink()
    with pytest.raises(InputError, match=r"season.toml, line 8.*no such file 'years.csv'"):
        SeasonSoil(load_season(path), AS_OF).base()


def test_readings_of_the_site_move_the_series_towards_them(tmp_path: Path) -> None:
    """Forty readings of 17 degC against a logger's 15: nearly all of the two degrees."""
    days = np.arange("2026-03-05", "2026-04-14", dtype="datetime64[D]")
    lines = [f"{day}T{9 + n % 9:02d}:00,3,17.0" for n, day in enumerate(days)]
    text = "time,depth_cm,soil_temp_C\n" + "\n".join(lines) + "\n"
    (tmp_path / "readings.csv").write_text(text, encoding="utf-8")
    path = with_more(tmp_path, 'readings_file = "readings.csv"')
    supply = SeasonSoil(load_season(path), AS_OF)
    series = supply.base()
    moved = series.mean("member").values if "member" in series.dims else series.values
    assert np.nanmean(moved) == pytest.approx(17.0, abs=0.3)
    assert any(note.startswith("Readings of the site: ") for note in supply.notes)
    (tmp_path / "readings.csv").write_text(text.replace("3,17.0", "3,warm", 1), encoding="utf-8")
    with pytest.raises(InputError, match=r"readings.csv, line 2.*soil_temp_C.*warm"):
        SeasonSoil(load_season(path), AS_OF).base()
