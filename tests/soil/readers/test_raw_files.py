"""Files as networks and services hand them out (not part of the project), read without a hitch."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.readers.logger import one_level, read_soil_csv
from thermosprout.soil.readers.netcdf import read_soil_netcdf
from thermosprout.soil.readers.power_csv import read_power_csv
from thermosprout.soil.readers.typical_year import read_typical_year
from thermosprout.soil.readers.uscrn import read_uscrn
from thermosprout.soil.readers.weather_file import read_weather
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


def test_uscrn_hourly(raw: Path) -> None:
    data, _ = read_uscrn(raw / "USCRN_CRNH0203-2023-NE_Lincoln_11_SW_excerpt.txt")
    assert data["time"].values[0] == np.datetime64("2023-05-02T07:00")
    assert float(data["air_temperature"][0]) == 6.6
    # Means of 07:00 and 08:00, 9.5 and 9.1 as printed: the value at 07:00 lies between them.
    assert float(one_level(data, 5.0).sel(time="2023-05-02T07:00")) == pytest.approx(9.3)


def test_uscrn_five_minutes_too_short_is_said(raw: Path) -> None:
    with pytest.raises(CoverageError, match="4 readings from 2019-01-01T16:10 UTC"):
        read_uscrn(raw / "USCRN_CRNS0101-05-2019-AZ_Tucson_11_W_excerpt.txt")


def test_uscrn_daily_with_codes_left_in(raw: Path, shared: Path) -> None:
    path = raw / "USCRN_daily01_KS_Manhattan_6_SSW_2003-2017.csv"
    data, reading = read_uscrn(path)
    assert "UTC-6" in " ".join(reading.sentences())
    ours, _ = read_soil_csv(shared / "data/soil/USCRN_KS_Manhattan_6_SSW.csv", depth_cm=5)
    theirs = one_level(data, 5.0)
    common = slice("2012-05-01T06", "2012-06-01T05")
    a = ours.sel(time=common).values.reshape(-1, 24).mean(axis=1)
    b = theirs.sel(time=common).values.reshape(-1, 24).mean(axis=1)
    assert np.allclose(a, b, atol=0.15)


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
    data = parse(document)
    assert data["time"].values[0] == np.datetime64("2024-01-16T09:00")
    levels = data["soil_temperature"]
    assert list(levels["top_cm"].values) == [0, 6, 18, 54]
    # 15.8 km/h as printed
    assert float(data["wind_speed"][0]) == pytest.approx(15.8 / 3.6)
    # Radiation of the hour before 11:00 UTC (0 W/m2) belongs to the hour from 10:00.
    assert float(data["ghi"][0]) == document["hourly"]["shortwave_radiation"][1]


def test_power_csv_in_both_date_forms(services: Path) -> None:
    for name, mean in (("UTC", -24.36), ("LST", -25.24)):
        data, reading = read_power_csv(services / f"nasapower_daily_point_{name}_1983-01-01.csv")
        assert float(data["air_temperature"].mean()) == pytest.approx(mean, abs=0.05)
        assert data.attrs["latitude"] == -89.5
        assert reading.time_zone.startswith(name)


def test_typical_year_excerpt(services: Path) -> None:
    data, _ = read_typical_year(services / "epw_pvgis_tmy_45N_8E_excerpt.epw")
    assert data.sizes["time"] == 24
    # 2.04 degC ends the first hour, 00:00 UTC of a file at UTC+1.
    assert float(data["air_temperature"].sel(time="2023-01-01T00:00")) == 2.04
    assert data.attrs["ground_temperatures"] == ()


def test_any_weather_is_told_by_its_beginning(raw: Path, services: Path, shared: Path) -> None:
    folder = shared / "data" / "soil"
    for path, kind in (
        (raw / "USCRN_daily01_KS_Manhattan_6_SSW_2003-2017.csv", "USCRN daily text"),
        (raw / "USCRN_CRNH0203-2023-NE_Lincoln_11_SW_excerpt.txt", "USCRN hourly text"),
        (services / "epw_pvgis_tmy_45N_8E_excerpt.epw", "EPW typical year"),
        (services / "nasapower_daily_point_LST_1983-01-01.csv", "NASA POWER daily file"),
    ):
        data, reading = read_weather(path)
        assert reading.kind == kind
        assert -90 <= data.attrs["latitude"] <= 90
    with pytest.raises(InputError, match="say where with --lat and --lon"):
        read_weather(folder / "METIE_Cork_Airport.csv")
    table, _ = read_weather(folder / "METIE_Cork_Airport.csv", latitude=51.8, longitude=-8.5)
    assert table.attrs["latitude"] == 51.8
    with pytest.raises(InputError, match="not read from NetCDF"):
        read_weather(raw / "AMERIFLUX_US-Bo1.2004.nc")
