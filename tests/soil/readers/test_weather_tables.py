"""Weather tables: steps that serve and steps that do not, and what stays empty and is said."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.readers.weather_table import read_weather_csv

PLACE = {"latitude": 50.0, "longitude": 8.0}
NAMES = "time_utc,air_temp_C,ghi_W_m2,precip_mm,wind_m_s"


def every(minutes: int, count: int, *, names: str = NAMES, row: str = "10,100,1.5,2") -> str:
    """Invented table of equal rows at a step."""
    time = pd.date_range("2026-05-01", periods=count, freq=f"{minutes}min")
    return "\n".join([names, *(f"{stamp:%Y-%m-%dT%H:%M}Z,{row}" for stamp in time)]) + "\n"


def test_three_hours_of_rain_are_shared_and_sun_goes_on(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(every(180, 9))
    weather, _ = read_weather_csv(path, **PLACE)
    assert weather.sizes["time"] == 25
    assert weather["precipitation"].values[:24] == pytest.approx(0.5)
    assert weather["ghi"].values[:24] == pytest.approx(100.0)
    assert weather["wind_speed"].values == pytest.approx(2.0)


def test_air_alone_may_come_every_ninety_minutes(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(every(90, 16, names="time_utc,air_temp_C", row="10"))
    weather, reading = read_weather_csv(path, **PLACE)
    assert reading.step == "90 minutes"
    assert weather["air_temperature"].values == pytest.approx(10.0)


@pytest.mark.parametrize(
    ("text", "line", "expected"),
    [
        (every(360, 8), None, "weather every 6 hours is too coarse; give it every 3 hours"),
        (every(90, 16), None, "rain and sun every 90 minutes cannot be laid on the hours"),
        (every(60, 1), 2, "one line is not a series"),
        (
            every(60, 9, names="time_utc,air_tmin_C,air_tmax_C", row="4,9"),
            None,
            "no column holds the air temperature at each time; add air_temp_C",
        ),
        (
            every(60, 9, row=",100,0,2").replace("05:00Z,", "05:00Z,9"),
            None,
            "the air temperature column holds no usable values",
        ),
        (
            "date,air_tmin_C,air_tmax_C\n"
            + "".join(f"2026-05-{d:02d},{4 if d < 4 else ''},{'' if d < 9 else 9}\n"
                      for d in range(1, 15)),
            None,
            "no day has both a minimum and a maximum, or a mean",
        ),
        (every(60, 9, row="100,100,0,2"), 2, "no column holds air temperatures"),
    ],
)  # fmt: skip
def test_a_table_that_does_not_serve(
    text: str, line: int | None, expected: str, tmp_path: Path
) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(text)
    with pytest.raises((InputError, CoverageError), match=expected) as caught:
        read_weather_csv(path, **PLACE)
    assert caught.value.place is not None
    assert caught.value.place.file == path
    assert caught.value.place.line == line


def test_an_impossible_value_is_left_out_with_its_line(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(every(60, 48).replace("05:00Z,10,", "05:00Z,99,"))
    weather, reading = read_weather_csv(path, **PLACE)
    # Two holes of one hour, closed by a straight line.
    assert weather["air_temperature"].values == pytest.approx(10.0)
    assert "2 impossible values of air_temp_C were left out, the first in line 7" in " ".join(
        reading.sentences()
    )


def test_days_without_a_zone_are_those_of_the_longitude(tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text("date,air_temp_C\n" + "".join(f"2026-05-0{d},1{d}\n" for d in range(1, 6)))
    weather, reading = read_weather_csv(path, latitude=40.0, longitude=-90.0)
    assert weather["time"].values[0] == np.datetime64("2026-05-01T06:00")
    assert "taken as those of UTC-6, from the longitude" in " ".join(reading.sentences())


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
    assert "made from the daily ones" in " ".join(reading.sentences())


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


@pytest.mark.parametrize(
    ("heading", "cells", "mean"),
    [
        ("Indoor Temperature (°C),Outdoor Temperature (°C)", "21,9", 9.0),
        ("Temperature (°C),Outdoor Temperature (°C)", "21,9", 9.0),
        ("Temp 5cm (°C),Temp (°C)", "21,9", 9.0),
        ("Air temp,Battery (V)", "48.2 °F,3", 9.0),
        ("Air temp,Battery (V)", "77,3", 25.0),
    ],
)
def test_air_is_told_from_other_temperatures_and_units(
    heading: str, cells: str, mean: float, tmp_path: Path
) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(every(60, 48, names=f"time_utc,{heading}", row=cells))
    weather, reading = read_weather_csv(path, **PLACE)
    assert float(weather["air_temperature"].mean()) == pytest.approx(mean)
    assert {*reading.columns, *reading.left_out} == set(heading.split(","))


@pytest.mark.parametrize(
    ("heading", "cells", "expected"),
    [
        ("Temp 1 (°C),Temp 2 (°C)", "9,21", "several columns may hold the air temperature: Temp 1"),
        ("Temp 5cm (°C),precip_mm", "9,0", "soil temperature stands in 'Temp 5cm .°C.'"),
        ("Min temp 5cm,Max temp 5cm", "4,9", "soil temperature stands in 'Min temp 5cm', 'Max"),
        ("TS_min,TS_max", "4,9", "soil temperature stands in 'TS_min', 'TS_max'"),
        ("Air temp,precip_mm", "12,0", "values from 12.0 to 12.0 can be °C or °F"),
    ],
)
def test_air_is_never_guessed(heading: str, cells: str, expected: str, tmp_path: Path) -> None:
    path = tmp_path / "weather.csv"
    path.write_text(every(60, 48, names=f"time_utc,{heading}", row=cells))
    with pytest.raises((InputError, CoverageError), match=expected):
        read_weather_csv(path, **PLACE)


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
