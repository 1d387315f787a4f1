"""The same readings of the same soil correct it the same way, whichever command asks."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.soil.test_model import spring
from thermosprout.cli.app import app
from thermosprout.soil.model.temperature import soil_temperature

LATITUDE, LONGITUDE = 47.0, 8.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Hourly weather, a season on it, and readings two degrees above what the model says."""
    home = tmp_path_factory.mktemp("holding")
    weather = spring(days=120)
    stamps = np.datetime_as_string(weather["time"].values, unit="s")
    rows = [
        f"{stamp}Z,{air:.2f},{sun:.1f},{rain:.1f}"
        for stamp, air, sun, rain in zip(
            stamps,
            weather["air_temperature"].values,
            weather["ghi"].values,
            weather["precipitation"].values,
            strict=True,
        )
    ]
    table = "\n".join(["time_utc,air_temp_C,ghi_W_m2,precip_mm", *rows]) + "\n"
    (home / "weather.csv").write_text(table, encoding="utf-8")
    soil = soil_temperature(weather, depth_cm=5.0, surface="bare")
    at = [24 * day + hour for day in range(20, 27) for hour in (7, 18)]
    lines = [f"{stamps[i]}Z,5,{float(soil[i]) + 2.0:.1f}" for i in at]
    readings = "\n".join(["time_utc,depth_cm,soil_temp_C", *lines]) + "\n"
    (home / "readings.csv").write_text(readings, encoding="utf-8")
    season = f"""format = 1
[site]
name = "Bank"
latitude = {LATITUDE}
longitude = {LONGITUDE}
timezone = "UTC"
[soil]
weather_file = "weather.csv"
surface = "bare"
depth_cm = 5
{{readings}}
[[rows]]
id = "R1"
crop = "pea"
planted = 2025-04-12
depth_cm = 4
"""
    (home / "season.toml").write_text(season.format(readings=""), encoding="utf-8")
    named = season.format(readings='readings_file = "readings.csv"')
    (home / "corrected.toml").write_text(named, encoding="utf-8")
    return home


def _document(*arguments: str) -> dict[str, object]:
    result = CliRunner().invoke(app, [*arguments, "--json"])
    assert result.exit_code == 0, result.output
    document: dict[str, object] = json.loads(result.stdout)
    return document


def test_model_season_and_check_agree(folder: Path) -> None:
    place = ("--lat", str(LATITUDE), "--lon", str(LONGITUDE), "--timezone", "UTC")
    out = ("--depth-cm", "5", "--surface", "bare", "--out", str(folder / "soil.csv"))
    readings = str(folder / "readings.csv")
    model = _document(
        "soil", "model", str(folder / "weather.csv"), *place, *out, "--readings", readings
    )["correction"]
    season = _document("forecast", str(folder / "corrected.toml"), "--as-of", "2025-04-12")
    check = _document(
        "soil", "check", readings, "--season", str(folder / "season.toml"), "--as-of", "2025-04-12"
    )
    assert model == season["correction"] == check["corrected"]
    assert isinstance(model, dict)
    assert model["kind"] == "instant"
    assert model["before_bias_K"] == pytest.approx(-2.0, abs=0.05)
    assert 1.0 < model["offset_K"] < 2.0
    assert 0.0 < model["weeks_sd_K"] < 1.3
    rows = check["rows"]
    assert isinstance(rows, list)
    half = season["rows"]
    assert isinstance(half, list)
    assert rows[0]["half_corrected"][:13] == half[0]["stages"]["half"]["p50"][:13]
    assert rows[0]["sd_days"] > 0.0
