"""Files as networks and services hand them out (not part of the project), read without a hitch."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from thermosprout.errors import InputError
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.soil.readers.netcdf import read_soil_netcdf
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.weather.open_meteo import parse


@pytest.fixture(scope="module")
def raw(shared: Path) -> Path:
    return shared / "data" / "soil" / "raw"


@pytest.fixture(scope="module")
def services(shared: Path) -> Path:
    return shared / "data" / "services"


def test_all_station_files_as_soil_and_as_weather(shared: Path) -> None:
    folder = shared / "data" / "soil"
    files = [path for path in sorted(folder.glob("*.csv")) if path.name != "STATIONS.csv"]
    assert len(files) >= 17
    for path in files:
        depth = 10.0 if "soil_temp_10cm" in path.open().readline() else None
        series, reading = read_soil_csv(path, depth_cm=depth)
        assert series.sizes["time"] > 8000
        assert reading.start < reading.end
        weather, _ = read_weather_csv(path, latitude=45, longitude=0)
        assert float(weather["air_temperature"].isnull().mean()) < 0.25


def test_preamble_and_doubled_heading_names(raw: Path) -> None:
    series, reading = read_soil_csv(raw / "METIE_dly575.csv", timezone="UTC")
    assert (reading.column, reading.depth_cm, reading.unit) == ("soil", 10.0, "degC")
    assert np.nanmean(series.values) == pytest.approx(11.2, abs=0.5)
    weather, _ = read_weather_csv(
        raw / "METIE_dly575.csv", latitude=52, longitude=-8, timezone="UTC"
    )
    # glorad is in J/cm2 of the day: the mean of a year is about 105 W/m2 in Ireland.
    assert 90 < float(weather["ghi"].mean()) < 125


def test_imperial_units_and_asking_for_the_zone(raw: Path) -> None:
    with pytest.raises(InputError, match="no time zone"):
        read_soil_csv(raw / "FAWN_Quincy.csv")
    series, reading = read_soil_csv(raw / "FAWN_Quincy.csv", timezone="UTC-5")
    assert reading.unit == "degF"
    assert reading.depth_cm == 10
    first = series.values[:24].mean()
    assert first == pytest.approx((70.13 - 32) / 1.8, abs=0.2)


def test_netcdf_whose_axis_is_local_standard_time(raw: Path, shared: Path) -> None:
    series, _ = read_soil_netcdf(raw / "AMERIFLUX_US-Bo1.2004.nc", timezone="UTC-6")
    ours, _ = read_soil_csv(shared / "data/soil/AMERIFLUX_US-Bo1.csv")
    common = slice("2004-05-01", "2004-08-31")
    assert np.allclose(series.sel(time=common), ours.sel(time=common), atol=0.05, equal_nan=True)


def test_answer_of_a_forecast_with_local_offset(services: Path) -> None:
    document = json.loads((services / "openmeteo_forecast_melbourne_2024-01-16.json").read_text())
    # The program asks for m/s; this answer was asked for without a unit and came in km/h.
    document["hourly_units"]["wind_speed_10m"] = "m/s"
    data = parse(document)
    assert data["time"].values[0] == np.datetime64("2024-01-16T09:00")
    assert float(data["wind_speed"][0]) == document["hourly"]["wind_speed_10m"][0]
    # Radiation of the hour before 11:00 UTC (0 W/m2) belongs to the hour from 10:00.
    assert float(data["ghi"][0]) == document["hourly"]["shortwave_radiation"][1]
