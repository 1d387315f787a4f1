"""Logger exports, whole and spoilt: read right and said, or asked for, or refused with the line."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.soil.readers.exports import EXPORTS, PLAIN, START, Export, rows, soil, table
from thermosprout.errors import CoverageError, InputError
from thermosprout.files import read_text
from thermosprout.soil.readers.find_columns import understand
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.soil.readers.netcdf import read_soil_netcdf
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import check_soil_series
from thermosprout.soil.site_readings import ReadingKind, read_readings

READ = {name: export for name, export in EXPORTS.items() if export.expected is None}
REFUSED = {name: export for name, export in EXPORTS.items() if export.expected is not None}


WITHOUT_DEPTH = (
    "unit in a column of its own",
    "nothing but the unit tells the column",
    "serial numbers in the heading",
    "depth column left empty",
)


def test_there_are_more_than_thirty() -> None:
    assert len(READ) >= 30
    assert len(REFUSED) >= 20


@pytest.mark.parametrize("name", READ)
def test_read_as_the_invented_series(name: str, tmp_path: Path) -> None:
    export = READ[name]
    path = tmp_path / "logger.csv"
    path.write_bytes(export.raw)
    series, reading = read_soil_csv(path, **export.options)
    check_soil_series(series)
    hours = (series["time"].values - series["time"].values[0]) / np.timedelta64(1, "h")
    assert (np.diff(hours) == 1).all()
    begin = _begin(name)
    assert series["time"].values[0] == begin
    assert np.abs(series.values - [soil(hour) for hour in hours]).max() < _tolerance(name)
    assert len(hours) >= 59
    if name in WITHOUT_DEPTH:
        assert np.isnan(float(series["depth"]))
    else:
        assert float(series["depth"]) == pytest.approx(0.05)
    words = " ".join(reading.sentences())
    assert export.words in words
    expected = ["doubled hour"] if "hour doubled" in name else []
    assert [check.name for check in reading.checks] == expected
    assert path.read_bytes() == export.raw


@settings(max_examples=40, deadline=None)
@given(
    encoding=st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    end=st.sampled_from(["\n", "\r\n", "\r"]),
    mark=st.sampled_from([";", "\t", "|"]),
    form=st.sampled_from(["%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M", "%d/%m/%y %H:%M:%S"]),
    decimal=st.sampled_from([".", ","]),
    quoted=st.booleans(),
    fahrenheit=st.booleans(),
    preamble=st.lists(st.sampled_from(["Serial 4711", "a,b;c|d", "", "3,1 V"]), max_size=9),
)
def test_however_it_is_written_it_is_one_series(
    encoding: str, end: str, mark: str, form: str, decimal: str, quoted: bool, fahrenheit: bool,
    preamble: list[str], tmp_path_factory: pytest.TempPathFactory,
) -> None:  # fmt: skip
    path = tmp_path_factory.mktemp("files") / "logger.csv"
    unit = "°F" if fahrenheit else "°C"
    cells = [["Time (UTC)", f"Soil temp 5cm ({unit})"]]
    for hour in range(60):
        value = soil(hour) * 1.8 + 32 if fahrenheit else soil(hour)
        when = START + timedelta(hours=hour)
        cells.append([f"{when:{form}}", f"{value:.3f}".replace(".", decimal)])
    quote = '"' if quoted else ""
    lines = [mark.join(f"{quote}{cell}{quote}" for cell in line) for line in cells]
    path.write_bytes(end.join([*preamble, *lines, ""]).encode(encoding))
    series, reading = read_soil_csv(path)
    hours = (series["time"].values - np.datetime64("2026-04-14")) / np.timedelta64(1, "h")
    assert np.abs(series.values - [soil(hour) for hour in hours]).max() < 0.006
    assert (len(hours), reading.unit) == (60, "degF" if fahrenheit else "degC")


def _begin(name: str) -> np.datetime64:
    if name == "end of summer time, hour doubled":
        return np.datetime64("2026-10-24T00:00")
    if name in ("day or month first, told", "days with dots that no line settles"):
        return np.datetime64("2026-04-03T00:00")
    return np.datetime64("2026-04-14T00:00")


def _tolerance(name: str) -> float:
    """A mean of an hour loses 0.3 % of the wave; a filled hour lies on a straight line."""
    loose = {"five minutes": 0.05, "missing-value code and empty cells": 0.12}
    return loose.get(name, 0.006)


@pytest.mark.parametrize("name", REFUSED)
def test_asked_or_refused_with_the_place_and_the_next_step(name: str, tmp_path: Path) -> None:
    export: Export = REFUSED[name]
    path = tmp_path / "logger.csv"
    path.write_bytes(export.raw)
    with pytest.raises((InputError, CoverageError), match=export.expected) as caught:
        read_soil_csv(path, **export.options)
    error = caught.value
    assert error.hint or error.what in ("the file is empty",)
    if name != "unknown zone":
        assert error.place is not None
        assert Path(error.place.file) == path
    if export.error_line is not None:
        assert error.place is not None
        assert error.place.line == export.error_line


def test_long_gap_stays_and_is_said(tmp_path: Path) -> None:
    lines = EXPORTS["own columns"].raw.decode().splitlines()
    path = tmp_path / "logger.csv"
    path.write_text("\n".join(lines[:20] + lines[26:]) + "\n")
    series, reading = read_soil_csv(path)
    assert int(np.isnan(series.values).sum()) == 6
    assert [gap.hours for gap in reading.gaps] == [6]
    assert "1 longer gap stays empty, the longest 6 h from 2026-04-14T19:00" in " ".join(
        reading.sentences()
    )
    path.write_text("\n".join(lines[:20] + lines[23:]) + "\n")
    series, reading = read_soil_csv(path)
    assert not np.isnan(series.values).any()
    assert reading.filled_hours == 3


def test_impossible_values_are_left_out_and_named(tmp_path: Path) -> None:
    lines = EXPORTS["own columns"].raw.decode().splitlines()
    lines[10] = lines[10].split(",")[0] + ",85.0"
    path = tmp_path / "logger.csv"
    path.write_text("\n".join(lines) + "\n")
    series, reading = read_soil_csv(path)
    assert np.nanmax(series.values) < 20
    first = reading.checks[0]
    assert first.impossible
    assert first.where == "line 11, column soil_temp_5cm_C"


def test_depth_of_the_column_is_not_overruled_in_silence(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_bytes(EXPORTS["own columns"].raw)
    with pytest.raises(InputError, match="says 5 cm, asked for was 3 cm; set the depth to 5"):
        read_soil_csv(path, depth_cm=3)
    series, reading = read_soil_csv(path, depth_cm=3, column="soil_temp_5cm_C")
    assert float(series["depth"]) == pytest.approx(0.03)
    assert "says 5 cm, asked for was 3 cm and taken" in " ".join(reading.sentences())


def test_a_month_swap_is_reported_and_read(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    times = [f"2026-04-0{day}T{hour:02d}:00Z" for day in (4, 5) for hour in range(24)]
    times += [f"2026-05-04T{hour:02d}:00Z" for hour in range(24)]
    path.write_text(
        "time_utc,soil_temp_5cm_C\n" + "".join(f"{t},9.{i}\n" for i, t in enumerate(times))
    )
    series, reading = read_soil_csv(path)
    assert series["time"].values[-1] == np.datetime64("2026-05-04T23:00")
    assert "swapped day and month" in [check.name for check in reading.checks]


def test_depth_not_stated_is_said(tmp_path: Path) -> None:
    path = tmp_path / "soil.csv"
    path.write_text("time_utc,soil_temp_C\n2026-04-01T00:00Z,2\n2026-04-01T01:00Z,3\n")
    series, reading = read_soil_csv(path)
    assert np.isnan(float(series["depth"]))
    assert "does not say how deep" in " ".join(reading.sentences())


def test_daily_means_become_hours_that_keep_them(tmp_path: Path) -> None:
    path = tmp_path / "daily.csv"
    means = [10.0, 11.5, 9.0, 12.0, 13.0, 12.5, 14.0, 13.0]
    lines = [f"2026-04-{10 + i},{m - 6},{m + 6},{m}" for i, m in enumerate(means)]
    path.write_text("\n".join(["date,air_tmin_C,air_tmax_C,soil_temp_10cm_C", *lines]) + "\n")
    series, reading = read_soil_csv(path, timezone="UTC-6")
    assert series["time"].values[0] == np.datetime64("2026-04-10T06:00")
    days = series.values.reshape(-1, 24)
    assert np.allclose(days.mean(axis=1), means, atol=0.08)
    # exp(-1) of an air range of 12 K at 10 cm
    assert np.ptp(days[4]) == pytest.approx(12 * np.exp(-1), abs=1.0)
    assert "damped by the depth" in " ".join(reading.sentences())


@pytest.mark.parametrize("step", [1, 2, 5, 10, 15, 20, 30, 60, 120, 180])
def test_any_step_gives_the_same_hours(step: int, tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_text(
        table(
            "time_utc,soil_temp_5cm_C", rows(lambda t, v: f"{t:%Y-%m-%dT%H:%M}Z,{v}", step_min=step)
        )
    )
    series, _ = read_soil_csv(path)
    hours = (series["time"].values - np.datetime64("2026-04-14")) / np.timedelta64(1, "h")
    assert np.abs(series.values - [soil(h) for h in hours]).max() < (0.25 if step > 60 else 0.08)


def test_options_that_say_nothing_known(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_bytes(EXPORTS["no unit"].raw)
    with pytest.raises(InputError, match="the unit 'R' is not known; write C, F or K"):
        read_soil_csv(path, unit="R")
    path.write_bytes(EXPORTS["no time zone"].raw)
    # No clock on earth runs sixteen hours before UTC.
    with pytest.raises(InputError, match=r"'UTC.16' is not a time zone"):
        read_soil_csv(path, timezone="UTC+16")


def test_a_spring_too_cold_for_fahrenheit_is_celsius(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    lines = [
        f"2026-03-0{day} {hour:02d}:00,{2 + hour / 10}" for day in (1, 2) for hour in range(24)
    ]
    path.write_text("\n".join(["Time (UTC),Soil temp 5cm", *lines]) + "\n")
    series, reading = read_soil_csv(path)
    assert reading.unit == "degC"
    assert series.values == pytest.approx([2 + hour / 10 for hour in range(24)] * 2)


def test_depth_of_a_bare_number_is_centimetres(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_text("time_utc,soil_temp_10\n2026-03-01T00:00Z,2\n2026-03-01T01:00Z,3\n")
    series, _ = read_soil_csv(path)
    assert float(series["depth"]) == pytest.approx(0.10)


def test_days_from_half_past_lie_on_full_hours(tmp_path: Path) -> None:
    """Newfoundland: standard time is 3 h 30 min behind UTC, summer time 2 h 30 min."""
    path = tmp_path / "daily.csv"
    lines = [f"2026-01-{day},{4 + day % 3}" for day in range(10, 20)]
    path.write_text("\n".join(["date,soil_temp_5cm_C", *lines]) + "\n")
    series, reading = read_soil_csv(path, timezone="America/St_Johns")
    assert series["time"].values[0] == np.datetime64("2026-01-10T04:00")
    means = series.values[: 24 * 9].reshape(-1, 24).mean(axis=1)
    assert means == pytest.approx([4 + day % 3 for day in range(10, 19)], abs=0.15)
    assert "the daily swing is not known and left out" in " ".join(reading.sentences())


def test_a_day_that_begins_at_one_in_the_morning(tmp_path: Path) -> None:
    """Lebanon: clocks go forward at midnight, from 00:00 to 01:00, on the last Sunday of March."""
    path = tmp_path / "daily.csv"
    lines = [f"2026-03-{day},{day}" for day in range(25, 32)]
    path.write_text("\n".join(["date,soil_temp_5cm_C", *lines]) + "\n")
    series, _ = read_soil_csv(path, timezone="Asia/Beirut")
    assert series["time"].values[0] == np.datetime64("2026-03-24T22:00")
    assert series["time"].values[-1] == np.datetime64("2026-03-31T20:00")
    assert (np.diff(series["time"].values) == np.timedelta64(1, "h")).all()


def test_a_file_of_many_years_at_once_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    with path.open("wb") as stream:
        stream.truncate(65_000_000)
    with pytest.raises(InputError, match=r"has 65 MB, at most 64 MB are read; cut it into parts"):
        read_soil_csv(path)


@pytest.mark.parametrize(
    ("stamps", "bad"),
    [
        (("9999-04-01 00:00", "9999-04-01 01:00"), "9999-04-01 00:00"),
        (("2026-04-01 00:00", "2262-05-01 01:00"), "2262-05-01 01:00"),
        (("0001-04-01 00:00", "0001-04-01 01:00"), "0001-04-01 00:00"),
        (("01.04.0026 00:00", "01.04.0026 01:00"), "01.04.0026 00:00"),
        (("9999999999", "9999999999"), "9999999999"),
        (("9999999999999", "9999999999999"), "9999999999999"),
    ],
)
def test_a_year_that_cannot_be_meant_is_refused(
    stamps: tuple[str, str], bad: str, tmp_path: Path
) -> None:
    path = tmp_path / "logger.csv"
    path.write_text("time_utc,soil_temp_5cm_C\n" + "".join(f"{stamp},9.5\n" for stamp in stamps))
    with pytest.raises(InputError, match=f"the year of '{bad}' is not between") as caught:
        read_soil_csv(path)
    assert caught.value.place is not None
    assert caught.value.place.line == 2 + stamps.index(bad)


NAMES = {
    "soil_tmin_C": "soil_tmin", "soil_tmax_C": "soil_tmax", "Soil min (°C)": "soil_tmin",
    "Soil Temperature Maximum": "soil_tmax", "min soil temp 10cm": "soil_tmin",
    "Bodentemperatur max 5 cm": "soil_tmax", "ground_max_C": "soil_tmax", "soilmin": "soil_tmin",
    "seedbed minimum": "soil_tmin", "Lowest soil temp": "soil_tmin", "air_tmin_C": "air_tmin",
    "Min Temp (C)": "air_tmin", "Temp max": "air_tmax", "Tmax": "air_tmax",
    "Grass minimum": "surface_temperature", "Soil moisture max": "soil_moisture",
    "soil_temp_5cm_C": "soil", "Mittlere Bodentemperatur": "soil", "Temp 5cm (°C)": "temperature",
    "Temperature 5 cm (minute mean)": "temperature", "Air temp (°C)": "air",
    "Time (min)": "time", "Record": "counter", "depth_cm": "depth",
    "Soil Temp Low": "soil_tmin", "soilTempMaximum": "soil_tmax", "Soil_Hi": "soil_tmax",
    "TS_min": "soil_tmin", "Min temp 5cm": "soil_tmin", "Max temp at 10 cm": "soil_tmax",
    "Low Temp (°F)": "air_tmin", "Hi Temp": "air_tmax", "T_DAILY_MAX": "air_tmax",
    "Max temp 200cm": "air_tmax", "Low tunnel temp": "temperature", "Trunk min": "other",
    "Indoor Temperature (°C)": "other", "Outdoor Temperature (°C)": "air",
}  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_what_a_columns_name_says(name: str) -> None:
    assert understand(name, 0).quantity == NAMES[name]


@pytest.mark.parametrize("low", ["soil_tmin_C", "Soil min (°C)", "Bodentemperatur min [°C]"])
def test_extremes_of_soil_are_never_taken_for_air(low: str, tmp_path: Path) -> None:
    path = tmp_path / "days.csv"
    lines = [f"2026-04-{day:02d},{4 + day % 3},{12 + day % 4}" for day in range(1, 15)]
    path.write_text("\n".join([f"date,{low},{low.replace('min', 'max')}", *lines]) + "\n")
    with pytest.raises(InputError, match=r"hold extremes of the soil.*name one with --column"):
        read_soil_csv(path, timezone="UTC")
    with pytest.raises(CoverageError, match="soil temperature stands in"):
        read_weather_csv(path, latitude=52.0, longitude=10.0)
    series, _ = read_soil_csv(path, timezone="UTC", column=low)
    assert 3.5 < float(series.mean()) < 6.5


def test_columns_taken_and_left_out_are_named(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    path.write_bytes(EXPORTS["air beside soil"].raw)
    _, reading = read_soil_csv(path)
    assert reading.column == "Soil temp 5cm (°C)"
    assert reading.left_out == ("Air temp (°C)", "Battery (V)")
    assert "rows of Soil temp 5cm (°C), without Air temp (°C), Battery (V)." in reading.summary()
    _, reading = read_weather_csv(path, latitude=52.0, longitude=10.0)
    assert reading.columns == ("Air temp (°C)",)
    assert reading.left_out == ("Soil temp 5cm (°C)", "Battery (V)")


def test_a_column_that_begins_late_is_named_as_left_out(tmp_path: Path) -> None:
    path = tmp_path / "logger.csv"
    lines = [f"{line},{'' if row < 59 else 4.1}" for row, line in enumerate(PLAIN)]
    path.write_text(table("Time (UTC),Soil temp 5cm (°C),Second probe (V)", lines))
    assert read_soil_csv(path)[1].left_out == ("Second probe (V)",)


def test_columns_of_the_daily_swing_are_named(tmp_path: Path) -> None:
    path = tmp_path / "days.csv"
    lines = [f"2026-04-{day:02d},4,16,{8 + day % 3},1" for day in range(1, 15)]
    path.write_text(table("date,air_tmin_C,air_tmax_C,soil_temp_5cm_C,precip_mm", lines))
    _, reading = read_soil_csv(path, timezone="UTC")
    assert "damped by the depth (air_tmin_C and air_tmax_C)" in " ".join(reading.notes)
    assert reading.left_out == ("precip_mm",)


READINGS = {
    "own": "time_utc,depth_cm,soil_temp_C\n2026-04-01T07:00Z,5,9.5\n2026-04-02T15:00Z,5,12.5\n",
    "site's own time": "time,depth_cm,soil_temp_C\n2026-04-01 09:00,5,9.5\n"
    "2026-04-02 17:00,5,12.5\n",
    "semicolons and commas": "Datum;depth_cm;soil_temp_C\n01.04.2026 09:00;5;9,5\n"
    "02.04.2026 17:00;5;12,5\n",
    "°F": "time,depth (cm),Soil temp (°F)\n2026-04-01 09:00,5,49.1\n2026-04-02 17:00,5,54.5\n",
    "°F unsaid": "time,depth_cm,soil_temp\n2026-04-01 09:00,5,49.1\n2026-04-02 17:00,5,54.5\n",
    "°F behind the numbers": "time,depth_cm,soil_temp\n2026-04-01 09:00,5,49.1 °F\n"
    "2026-04-02 17:00,5,54.5 °F\n",
    "two columns of time": "date,clock,depth_cm,soil_temp_C\n2026-04-01,09:00,5,9.5\n"
    "2026-04-02,17:00,5,12.5\n",
}


@pytest.mark.parametrize("form", READINGS)
def test_readings_are_read_as_a_loggers_file_is(form: str, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(READINGS[form])
    table = read_readings(path, timezone="Europe/Berlin")
    assert [str(when) for when in table["time_utc"]] == [
        "2026-04-01 07:00:00", "2026-04-02 15:00:00"
    ]  # fmt: skip
    assert list(table["soil_temp_C"]) == pytest.approx([9.5, 12.5])
    assert list(table["depth_cm"]) == [5.0, 5.0]


def test_the_columns_of_readings_are_named_with_those_left_out(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("time_utc,depth_cm,Air temp (°C),soil_temp_C\n2026-04-01T07:00Z,5,2,9.5\n")
    summary = read_readings(path).attrs["summary"]
    assert "of soil_temp_C, depth_cm, without Air temp (°C)." in summary


def test_soil_extremes_are_read_as_a_max_min_thermometer(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("time_utc,depth_cm,soil_min_C,soil_max_C\n2026-04-01T07:00Z,5,4.5,11\n")
    table = read_readings(path)
    assert list(table["soil_temp_C"]) == [4.5, 11.0]
    assert table["time_utc"].nunique() == 1
    assert table.attrs["kind"] is ReadingKind.MAX_MIN


def test_a_columns_name_may_give_its_depth(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text("time_utc,soil_temp_5cm_C\n2026-04-01T07:00Z,9.5\n")
    assert list(read_readings(path)["depth_cm"]) == [5.0]


@pytest.mark.parametrize(
    ("columns", "what"),
    [
        ("soil_min_C", "lowest and its highest"),
        ("soil_temp_C,Soil temp bed 2", "one column was expected"),
        ("air_tmin_C", "soil_temp_C is missing"),
        ("soil_temp", "values from 9.0 to 9.0 can be °C or °F, and nothing says which"),
    ],
)
def test_readings_that_leave_open_what_they_are_are_asked_about(
    columns: str, what: str, tmp_path: Path
) -> None:
    path = tmp_path / "readings.csv"
    cells = ",".join(["9"] * len(columns.split(",")))
    path.write_text(f"time_utc,depth_cm,{columns}\n2026-04-01T07:00Z,5,{cells}\n")
    with pytest.raises(InputError, match=what) as caught:
        read_readings(path)
    assert caught.value.place is not None
    assert caught.value.place.line in (1, 2)


@pytest.mark.parametrize("value", ["", "warm", "140", "-9999", "nan"])
def test_a_reading_that_is_none_is_named(value: str, tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(READINGS["own"].replace("12.5", value))
    with pytest.raises(InputError, match="soil_temp_C") as caught:
        read_readings(path)
    assert caught.value.place is not None
    assert caught.value.place.line == 3


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes in the file system")
@pytest.mark.parametrize("read", [read_soil_csv, read_readings, read_soil_netcdf, read_text])
def test_pipes_devices_and_folders_are_refused_unread(
    read: Callable[[Path], object], tmp_path: Path
) -> None:
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "link.csv").symlink_to("/dev/zero")
    for path in (tmp_path / "pipe.csv", tmp_path / "link.csv", Path("/dev/zero"), tmp_path):
        with pytest.raises(InputError, match=r"a pipe or a device|a folder"):
            read(path)
