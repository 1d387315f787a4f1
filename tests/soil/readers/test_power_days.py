"""Daily point files of NASA POWER with invented values: whole ones, and spoilt ones by the line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.readers.power_csv import read_power_csv
from thermosprout.soil.readers.weather_file import read_weather

DAYS = [f"2024,1,{day},{day}" for day in range(1, 6)]
"""From line 10 of the file on."""


def point_file(
    path: Path,
    rows: list[str],
    *,
    names: str = "YEAR,MO,DY,T2M",
    unit: str = "(C)",
    latitude: str = "47.0",
    frame: str = "UTC",
) -> Path:
    path.write_text(
        "-BEGIN HEADER-\nNASA/POWER invented daily file\n"
        f"Dates (month/day/year): 01/01/2024 through 01/05/2024 in {frame}\n"
        f"Location: latitude  {latitude}   longitude 8.0\n"
        "value for missing source data that cannot be computed or is outside of the sources "
        "availability range: -999\nparameter(s):\n"
        f"T2M     MERRA-2 Temperature at 2 Meters {unit}\n-END HEADER-\n{names}\n"
        + "\n".join(rows)
        + "\n"
    )
    return path


def test_days_of_the_calendar_keep_their_means(tmp_path: Path) -> None:
    weather, reading = read_power_csv(point_file(tmp_path / "power.csv", DAYS))
    assert weather["time"].values[0] == np.datetime64("2024-01-01T00")
    means = weather["air_temperature"].values.reshape(-1, 24).mean(axis=1)
    assert means == pytest.approx([1, 2, 3, 4, 5], abs=1e-3)
    assert reading.time_column == "YEAR,MO,DY"
    by_number = [f"2024,{day},{day}" for day in range(59, 63)]
    path = point_file(tmp_path / "doy.csv", by_number, names="YEAR,DOY,T2M")
    weather, _ = read_power_csv(path)
    # 2024 is a leap year: day 60 is 29 February.
    assert weather["time"].values[24] == np.datetime64("2024-02-29T00")


def test_days_of_solar_time_begin_by_the_longitude(tmp_path: Path) -> None:
    weather, reading = read_power_csv(point_file(tmp_path / "power.csv", DAYS, frame="LST"))
    # 8 degrees east: half past the hour before, taken as one whole hour.
    assert weather["time"].values[0] == np.datetime64("2023-12-31T23")
    assert "UTC+1" in reading.time_zone


@pytest.mark.parametrize(
    ("row", "line", "expected"),
    [
        ("2024,1,2,warm", 10, "'warm' is no number"),
        ("2024,1,2,nan", 10, "'nan' is no number"),
        ("inf,1,2,4", 10, "'inf' is no number"),
        ("2024,1,2", 10, "3 columns were found, expected 4"),
        ("2024,13,2,4", 10, "2024,13,2 is no YEAR,MO,DY of the calendar"),
        ("2024,2,30,4", 10, "2024,2,30 is no YEAR,MO,DY of the calendar"),
        ("2024,1,2.5,4", 10, "2024,1,2.5 is no YEAR,MO,DY of the calendar"),
        ("99999,1,2,4", 10, "99999,1,2 is no YEAR,MO,DY of the calendar"),
        ("2024,1,1,4", 10, "the day 2024-01-01 is not later than that of the line above"),
        ("2023,12,31,4", 10, "the day 2023-12-31 is not later than that of the line above"),
    ],
)
def test_a_spoilt_line_is_named(row: str, line: int, expected: str, tmp_path: Path) -> None:
    path = point_file(tmp_path / "power.csv", [DAYS[0], row, *DAYS[2:]])
    with pytest.raises(InputError) as caught:
        read_power_csv(path)
    assert expected in caught.value.what
    assert caught.value.place is not None
    # Eight lines of heading and one of names stand above the first day.
    assert caught.value.place.line == line + 1


def test_a_day_of_the_year_that_the_year_does_not_have(tmp_path: Path) -> None:
    for day in ("366", "0", "1e12"):
        path = point_file(
            tmp_path / "power.csv", ["2023,365,1", f"2023,{day},2"], names="YEAR,DOY,T2M"
        )
        with pytest.raises(InputError, match=r"line 11: 2023,.* is no YEAR,DOY of the calendar"):
            read_power_csv(path)


def test_a_heading_that_says_too_little(tmp_path: Path) -> None:
    path = tmp_path / "power.csv"
    with pytest.raises(InputError, match="T2M is in 'K-squared', expected C"):
        read_power_csv(point_file(path, DAYS, unit="(K-squared)"))
    with pytest.raises(InputError, match="T2M is in 'no unit', expected C"):
        read_power_csv(point_file(path, DAYS, unit=""))
    with pytest.raises(InputError, match="heading lacks its latitude"):
        read_power_csv(point_file(path, DAYS, latitude="4.7.1"))
    with pytest.raises(InputError, match="neither YEAR,DOY nor YEAR,MO,DY"):
        read_power_csv(point_file(path, DAYS, names="YEAR,MONTH,DY,T2M"))
    path.write_text("YEAR,MO,DY,T2M\n2024,1,1,4\n")
    with pytest.raises(InputError, match="there is no line -END HEADER-"):
        read_power_csv(path)


def test_days_without_air_are_refused_and_impossible_ones_left_out(tmp_path: Path) -> None:
    path = tmp_path / "power.csv"
    with pytest.raises(CoverageError, match="the file holds no days"):
        read_power_csv(point_file(path, []))
    with pytest.raises(CoverageError, match="the file holds no air temperature"):
        read_power_csv(point_file(path, [f"2024,1,{day},-999" for day in range(1, 6)]))
    weather, reading = read_power_csv(point_file(path, [*DAYS[:4], "2024,1,5,900"]))
    assert weather["time"].values[-1] == np.datetime64("2024-01-04T23")
    assert "1 impossible values of T2M were left out, the first in line 14" in " ".join(
        reading.sentences()
    )


def test_the_first_of_two_winds_counts(tmp_path: Path) -> None:
    path = point_file(
        tmp_path / "power.csv",
        [f"2024,1,{day},{day},2,7" for day in range(1, 6)],
        names="YEAR,MO,DY,T2M,WS2M,WS10M",
    )
    text = path.read_text().replace(
        "-END HEADER-", "WS2M    Wind at 2 m (m/s)\nWS10M   Wind at 10 m (m/s)\n-END HEADER-"
    )
    path.write_text(text)
    weather, _ = read_weather(path)
    assert np.unique(weather["wind_speed"].values) == pytest.approx([2.0])
