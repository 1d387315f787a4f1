"""USCRN texts, typical years, NetCDF and weather tables, with invented values."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.readers.logger import one_level
from thermosprout.soil.readers.netcdf import read_soil_netcdf
from thermosprout.soil.readers.typical_year import read_typical_year
from thermosprout.soil.readers.uscrn import read_uscrn
from thermosprout.soil.readers.weather_file import FileKind, kind_of
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import write_soil_csv, write_weather_csv

PLACE = {"latitude": 50.0, "longitude": 8.0}


def uscrn_hour(hour: int, soil: float) -> str:
    stamp = np.datetime64("2024-05-01T00") + hour
    day, clock = str(stamp)[:10].replace("-", ""), str(stamp)[11:13] + "00"
    sun = " ".join(["500", "0"] * 3)
    surface = " ".join(["9.0", "0"] * 3)
    moisture = " ".join(["0.2"] * 5)
    depths = " ".join(f"{soil - d:.1f}" for d in range(4)) + " -9999.0"
    return (
        f"94996 {day} {clock} {day} {clock} 2.6 -96.85 40.70 {10 + hour:.1f} 9.0 11.0 8.0 0.3 "
        f"{sun} C {surface} 60 0 {moisture} {depths}"
    )


def test_uscrn_hourly_stamps_end_the_hour(tmp_path: Path) -> None:
    path = tmp_path / "CRNH0203.txt"
    path.write_text("\n".join(uscrn_hour(hour, 12.0 + hour) for hour in range(12)) + "\n")
    assert kind_of(path) is FileKind.USCRN
    data, reading = read_uscrn(path)
    assert data.attrs["latitude"] == 40.7
    three = np.datetime64("2024-05-01T03:00")
    assert float(data["air_temperature"].sel(time=three)) == 13.0
    # Means of the hour before the stamp: half an hour later they are those of the hour itself.
    series = one_level(data, 6.0)
    assert float(series["depth"]) == pytest.approx(0.05)
    assert float(series.sel(time=three)) == pytest.approx(15.5)
    assert data.sizes["soil_level"] == 4
    assert "Soil temperature at 5, 10, 20, 50 cm" in " ".join(reading.sentences())


def test_uscrn_with_a_broken_line_names_it(tmp_path: Path) -> None:
    path = tmp_path / "broken.txt"
    lines = [uscrn_hour(hour, 12.0) for hour in range(6)]
    lines[3] = " ".join(lines[3].split()[:-4])
    path.write_text("\n".join(lines) + "\n")
    with pytest.raises(InputError, match="34 fields were found, expected 38") as caught:
        read_uscrn(path)
    assert caught.value.place is not None
    assert caught.value.place.line == 4


def test_uscrn_five_minutes(tmp_path: Path) -> None:
    path = tmp_path / "CRNS0101.txt"
    lines = []
    for step in range(1, 49):
        stamp = np.datetime64("2024-05-01T00:00") + np.timedelta64(5 * step, "m")
        day, clock = str(stamp)[:10].replace("-", ""), str(stamp)[11:13] + str(stamp)[14:16]
        lines.append(
            f"53131 {day} {clock} {day} {clock}      3 -111.17   32.24 {step / 12:7.1f} {0.1:7.1f} "
            f"{300:6d} 0 {4.4:7.1f} C 0 {90:5d} 0 {0.2:7.3f} {10 + step / 12:7.1f} {24:5d} 0 "
            f"{1.0:6.2f} 0"
        )
    path.write_text("\n".join(lines) + "\n")
    assert kind_of(path) is FileKind.USCRN
    data, reading = read_uscrn(path)
    two = np.datetime64("2024-05-01T02:00")
    assert float(data["air_temperature"].sel(time=two)) == pytest.approx(2.0, abs=0.05)
    assert float(data["precipitation"].sel(time=two)) == pytest.approx(1.2)
    assert float(data["ghi"].sel(time=two)) == 300
    assert float(one_level(data, 5.0).sel(time=two)) == pytest.approx(12.0, abs=0.05)
    assert reading.step == "5 minutes"


def test_tmy3_hours_end_at_the_stamp(tmp_path: Path) -> None:
    path = tmp_path / "typical.csv"
    names = (
        "Date (MM/DD/YYYY),Time (HH:MM),GHI (W/m^2),DNI (W/m^2),DHI (W/m^2),Dry-bulb (C),"
        "RHum (%),Wspd (m/s),Lprecip depth (mm)"
    )
    lines = [
        f"01/0{day}/199{day},{hour:02d}:00,{200 if 9 <= hour <= 16 else 0},0,0,"
        f"{10 * day + hour / 10},70,2.0,{1 if hour == 5 else 0}"
        for day in (1, 2)
        for hour in range(1, 25)
    ]
    path.write_text("\n".join(["700001,INVENTED,XX,-6.0,40.0,-90.0,200", names, *lines]) + "\n")
    assert kind_of(path) is FileKind.TMY3
    data, reading = read_typical_year(path)
    assert "UTC-6" in reading.time_zone
    # 03:00 of local standard time is 09:00 UTC; the value stands at the end of its hour.
    assert float(data["air_temperature"].sel(time="2023-01-01T09:00")) == pytest.approx(10.3)
    assert float(data["ghi"].sel(time="2023-01-01T14:00")) == 200
    assert float(data["ghi"].sel(time="2023-01-01T13:00")) == 0
    assert float(data["precipitation"].sum()) == 2
    assert float(data["precipitation"].sel(time="2023-01-01T10:00")) == 1
    path.write_text("nothing of the kind\n")
    with pytest.raises(InputError, match="neither an EPW nor a TMY3"):
        read_typical_year(path)


EPW_HEAD = """LOCATION,Invented,-,Nowhere,made up,0,48.000000,11.000000,1,520
DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,{ground}
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,invented
COMMENTS 2,
DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31
"""
MONTHS = "2,1,3,6,10,14,16,17,15,11,7,4"


def epw(ground: str = f"1,.5,,,,{MONTHS}", air: str = "{t}") -> str:
    lines = []
    for day in (1, 2):
        for hour in range(1, 25):
            temperature = air.format(t=day * 10 + hour / 10)
            sun = 300 if 9 <= hour <= 16 else 0
            lines.append(
                f"201{day},1,{day},{hour},0,?,{temperature},1,80,95000,0,0,280,{sun},0,0,0,0,0,0,"
                "180,3.0,5,5,20,77777,9,999999999,10,0.1,0,88,0.2,0,0"
            )
    return EPW_HEAD.format(ground=ground) + "\n".join(lines) + "\n"


def test_epw_hours_ground_temperatures_and_fixed_zone(tmp_path: Path) -> None:
    path = tmp_path / "typical.epw"
    path.write_text(epw())
    assert kind_of(path) is FileKind.EPW
    data, reading = read_typical_year(path, year=2023)
    assert data["time"].values[0] == np.datetime64("2022-12-31T23:00")
    # Hour 3 of day 1 ends at 03:00 local, 02:00 UTC.
    assert float(data["air_temperature"].sel(time="2023-01-01T02:00")) == pytest.approx(10.3)
    # Radiation of hour 9 is that from 08:00 local on.
    assert float(data["ghi"].sel(time="2023-01-01T06:00")) == 0
    assert float(data["ghi"].sel(time="2023-01-01T07:00")) == 300
    assert "precipitation" not in data
    level = data.attrs["ground_temperatures"][0]
    assert level.depth_m == 0.5
    assert level.monthly_C[7] == 17
    assert "no usable rain" in " ".join(reading.sentences())


def test_epw_missing_codes_and_broken_ground_line(tmp_path: Path) -> None:
    path = tmp_path / "typical.epw"
    path.write_text(epw().replace(",10.5,", ",99.9,"))
    data, reading = read_typical_year(path)
    assert int(data["air_temperature"].isnull().sum()) == 1
    assert "1 air temperatures are missing" in " ".join(reading.sentences())
    path.write_text(epw(ground="2,.5,,,,1,2,3"))
    with pytest.raises(InputError, match="twelve months each") as caught:
        read_typical_year(path)
    assert caught.value.place is not None
    assert caught.value.place.line == 4
    path.write_text("LOCATION,broken\n")
    with pytest.raises(InputError, match="cannot be read"):
        read_typical_year(path)


def grid(unit: str = "K") -> xr.Dataset:
    time = pd.date_range("2026-04-01", periods=48, freq="h")
    values = 280.0 + np.arange(48)[:, None, None] * 0.1 + np.arange(6).reshape(2, 3)
    return xr.Dataset(
        {"stl1": (("valid_time", "latitude", "longitude"), values, {"units": unit})},
        coords={"valid_time": time, "latitude": [50.1, 50.0], "longitude": [7.9, 8.0, 8.1]},
    )


def test_netcdf_nearest_cell_in_kelvin(tmp_path: Path) -> None:
    path = tmp_path / "era.nc"
    grid().to_netcdf(path, engine="h5netcdf")
    assert kind_of(path) is FileKind.NETCDF
    series, reading = read_soil_netcdf(path, latitude=50.01, longitude=8.06)
    assert float(series[0]) == pytest.approx(280 + 5 - 273.15)
    assert float(series["depth"]) == pytest.approx(0.035)
    assert "layer from 0 to 7 cm" in " ".join(reading.sentences())
    with pytest.raises(CoverageError, match=r"nearest cell lies .* km away"):
        read_soil_netcdf(path, latitude=10, longitude=8)
    with pytest.raises(InputError, match="6 cells; say where with --lat and --lon"):
        read_soil_netcdf(path)


def test_netcdf_says_what_it_cannot_take(tmp_path: Path) -> None:
    path = tmp_path / "odd.nc"
    grid("furlong").to_netcdf(path, engine="h5netcdf")
    with pytest.raises(InputError, match="unit 'furlong'"):
        read_soil_netcdf(path, **PLACE)
    grid().rename(stl1="sst").to_netcdf(path, engine="h5netcdf")
    with pytest.raises(InputError, match=r"no variable is a soil temperature.*there: sst"):
        read_soil_netcdf(path, **PLACE)
    stl1 = grid()["stl1"]
    both = grid().assign(stl2=(stl1 - 1).assign_attrs(stl1.attrs))
    both.to_netcdf(path, engine="h5netcdf")
    with pytest.raises(InputError, match=r"several variables.*--depth-cm"):
        read_soil_netcdf(path, **PLACE)
    deep, _ = read_soil_netcdf(path, **PLACE, depth_cm=15.0)
    assert float(deep["depth"]) == pytest.approx(0.175)
    path.write_bytes(b"\x89HDF nonsense")
    with pytest.raises(InputError, match="no NetCDF file that can be read"):
        read_soil_netcdf(path)


def test_netcdf_with_a_depth_axis_and_a_local_time_axis(tmp_path: Path) -> None:
    path = tmp_path / "levels.nc"
    time = pd.date_range("2026-04-01", periods=48, freq="h")
    values = np.arange(48)[:, None] * 0.1 + np.array([10.0, 8.0])
    xr.Dataset(
        {"soil_temperature": (("time", "depth"), values, {"units": "degC"})},
        coords={"time": time, "depth": ("depth", [0.05, 0.2], {"units": "m"})},
    ).to_netcdf(path, engine="h5netcdf")
    series, reading = read_soil_netcdf(path, depth_cm=15, timezone="UTC-6")
    assert float(series["depth"]) == pytest.approx(0.2)
    assert series["time"].values[0] == np.datetime64("2026-04-01T06:00")
    assert float(series[0]) == 8.0
    assert reading.time_zone == "UTC-6"


def test_daily_weather_keeps_mean_sum_and_zone(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    lines = [
        f"2026-05-{day:02d},{4 + day % 3},{18 + day % 4},{11 + day % 3},{200 + day},{day % 4}"
        for day in range(1, 15)
    ]
    heading = "date,air_tmin_C,air_tmax_C,air_temp_C,ghi_W_m2,precip_mm"
    path.write_text("\n".join([heading, *lines]) + "\n")
    data, reading = read_weather_csv(path, **PLACE, timezone="UTC-5")
    assert data["time"].values[0] == np.datetime64("2026-05-01T05:00")
    days = data.coarsen(time=24).mean()
    assert np.allclose(days["air_temperature"], [11 + d % 3 for d in range(1, 15)], atol=0.01)
    assert np.allclose(days["ghi"], [200 + d for d in range(1, 15)], rtol=1e-6)
    assert np.allclose(days["precipitation"] * 24, [d % 4 for d in range(1, 15)])
    assert "Daily values were turned into hours" in " ".join(reading.sentences())


def test_units_of_weather_columns(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    heading = "Time (UTC),Air temp (°F),Rain (in),Solar (MJ/m2),Wind (mph),RelHum (%)"
    lines = [f"2026-05-{d:02d},68,0.5,20,10,80" for d in range(1, 6)]
    path.write_text("\n".join([heading, *lines]) + "\n")
    data, _ = read_weather_csv(path, **PLACE)
    assert float(data["air_temperature"].mean()) == pytest.approx(20.0, abs=0.01)
    assert float(data["precipitation"].sum()) == pytest.approx(5 * 12.7)
    assert float(data["ghi"].mean()) == pytest.approx(20 * 11.574, rel=1e-3)
    assert float(data["wind_speed"].mean()) == pytest.approx(4.47, abs=0.01)


def test_half_hourly_weather_sums_rain_and_averages_sun(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    time = pd.date_range("2026-05-01", periods=96, freq="30min")
    lines = [f"{t:%Y-%m-%dT%H:%M}Z,{10 + i % 2},{100 + 50 * (i % 2)},0.1"
             for i, t in enumerate(time)]  # fmt: skip
    path.write_text("\n".join(["time_utc,air_temp_C,ghi_W_m2,precip_mm", *lines]) + "\n")
    data, _ = read_weather_csv(path, **PLACE)
    assert np.allclose(data["air_temperature"], 10)
    assert np.allclose(data["ghi"], 125)
    assert np.allclose(data["precipitation"], 0.2)


def test_weather_that_cannot_drive_the_soil(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text("date,precip_mm\n2026-05-01,1\n2026-05-02,2\n")
    with pytest.raises(CoverageError, match="no column holds air temperatures"):
        read_weather_csv(path, **PLACE, timezone="UTC")
    path.write_text("date,air_temp_C\n2026-05-02,1\n2026-05-01,2\n2026-05-03,2\n")
    with pytest.raises(InputError, match="not later than that of the line above"):
        read_weather_csv(path, **PLACE, timezone="UTC")


def test_written_files_are_read_back(tmp_path: Path) -> None:
    from thermosprout.soil.readers.logger import read_soil_csv

    path = tmp_path / "era.nc"
    grid().to_netcdf(path, engine="h5netcdf")
    series, _ = read_soil_netcdf(path, **PLACE)
    write_soil_csv(series, tmp_path / "soil.csv")
    assert (
        (tmp_path / "soil.csv").read_text().startswith("time_utc,soil_temp_C\n2026-04-01T00:00Z,")
    )
    again, _ = read_soil_csv(tmp_path / "soil.csv")
    assert np.allclose(again.values, series.values, atol=6e-4)
    assert (again["time"].values == series["time"].values).all()
    daily = tmp_path / "weather.csv"
    daily.write_text("date,air_temp_C\n" + "".join(f"2026-05-0{d},1{d}\n" for d in range(1, 6)))
    weather, _ = read_weather_csv(daily, **PLACE, timezone="UTC")
    write_weather_csv(weather, tmp_path / "out.csv")
    back, _ = read_weather_csv(tmp_path / "out.csv", **PLACE)
    assert np.allclose(back["air_temperature"], weather["air_temperature"], atol=6e-4)
