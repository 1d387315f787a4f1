"""What is suspect in a series is found, told, and left alone unless asked."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from thermosprout.soil.quality import (
    check_series,
    mask_impossible,
    swapped_day_and_month,
    without_suspects,
)
from thermosprout.soil.readers.logger import read_soil_csv
from thermosprout.soil.series import soil_series

TIME = np.arange(np.datetime64("2026-04-01", "ns"), np.datetime64("2026-05-01", "ns"),
                 np.timedelta64(1, "h"))  # fmt: skip


def series(change: object = None, depth_cm: float = 5.0) -> xr.DataArray:
    hours = np.arange(TIME.size)
    rng = np.random.default_rng(3)
    values = (
        12 + 3 * np.cos(2 * np.pi * (hours - 16) / 24) + np.cumsum(rng.normal(0, 0.05, TIME.size))
    )
    if callable(change):
        change(values)
    return soil_series(TIME, values, depth_cm=depth_cm, source="invented")


def names(checked: xr.DataArray) -> list[str]:
    return [check.name for check in check_series(checked)]


def test_sound_series_has_nothing_to_tell() -> None:
    assert names(series()) == []


def test_spikes_and_gaps_are_counted_and_placed() -> None:
    def spoil(values: np.ndarray) -> None:
        values[100] += 9
        values[300] = np.nan

    checks = {check.name: check for check in check_series(series(spoil))}
    assert checks["spikes"].value == "1 h"
    assert checks["spikes"].where == "2026-04-05T04:00 UTC"
    assert checks["gaps"].value == "1 h without a value in 1 gaps"


def test_flat_line_but_not_thawing_ground() -> None:
    def stuck(values: np.ndarray) -> None:
        values[200:240] = values[200]

    def thawing(values: np.ndarray) -> None:
        values[200:400] = 0.1

    assert "flat line" in names(series(stuck))
    assert "flat line" not in names(series(thawing))


def test_fahrenheit_in_part_of_a_celsius_column() -> None:
    def switched(values: np.ndarray) -> None:
        values[240:480] = values[240:480] * 1.8 + 32

    checks = {check.name: check for check in check_series(series(switched))}
    findings = checks["°F in a °C column"]
    assert "between 2026-04-11T00:00 and 2026-04-20T23:00 UTC" in findings.where
    assert "read as °F it is" in findings.expected


def test_a_sensor_pulled_out_by_the_hoe_swings_too_much() -> None:
    hours = np.arange(TIME.size)

    def in_the_sun(values: np.ndarray) -> None:
        values[480:600] += 14 * np.cos(2 * np.pi * (hours[480:600] - 14) / 24)

    assert "sensor out of the ground" in names(series(in_the_sun))


def test_nothing_is_masked_unless_asked() -> None:
    def spoil(values: np.ndarray) -> None:
        values[100] += 9

    suspect = series(spoil)
    before = suspect.values.copy()
    check_series(suspect)
    assert (suspect.values == before).all()
    cleaned = without_suspects(suspect, ("spikes",))
    assert np.isnan(cleaned.values[100])
    assert int(np.isnan(cleaned.values).sum()) == 1
    assert cleaned.attrs == suspect.attrs


def test_impossible_is_masked() -> None:
    values, wrong = mask_impossible(np.array([10.0, 85.0, -127.0, np.nan]))
    assert wrong.tolist() == [False, True, True, False]
    assert np.isnan(values[1:]).all()


def test_swapped_runs_are_found() -> None:
    days = np.arange(np.datetime64("2026-03-28"), np.datetime64("2026-05-20")).astype(
        "datetime64[ns]"
    )
    assert swapped_day_and_month(days) == []
    spoilt = days.copy()
    for row, day in enumerate(days):
        stamp = day.astype("datetime64[s]").item()
        if stamp.month == 4 and 5 <= stamp.day <= 12:
            spoilt[row] = np.datetime64(stamp.replace(month=stamp.day, day=stamp.month))
    assert swapped_day_and_month(spoilt) == [8]


def test_measured_files_are_not_cried_wolf_about(shared: Path) -> None:
    """Two years of half-hourly soil by research stations: at most one spike each."""
    for name in ("AMERIFLUX_US-Bo1", "FLUXNET_DE-Tha"):
        _, reading = read_soil_csv(shared / "data/soil" / f"{name}.csv")
        findings = {check.name: check.value for check in reading.checks}
        assert set(findings) <= {"gaps", "spikes"}
        assert findings.get("spikes", "1 h") == "1 h"


@pytest.mark.parametrize("depth", [np.nan, 1.0, 5.0])
def test_swing_of_six_degrees_is_sound_near_the_surface(depth: float) -> None:
    assert names(series(depth_cm=depth)) == []


def test_soil_lets_no_such_swing_through_to_20_cm() -> None:
    assert names(series(depth_cm=20.0)) == ["sensor out of the ground"]


UNITS = {
    "°F told as °C": lambda v: 1.8 * v + 32,
    "°F of a cold spring": lambda v: 1.8 * (v - 11) + 32,
}


@pytest.mark.parametrize("unit", UNITS)
def test_another_unit_is_seen_in_april_by_the_latitude(unit: str) -> None:
    def spoil(values: np.ndarray) -> None:
        values[:] = UNITS[unit](values)

    checks = {check.name: check for check in check_series(series(spoil), latitude=52.0)}
    assert set(checks) == {"°F in a °C column"}
    assert check_series(series(), latitude=52.0) == ()


def test_celsius_taken_for_fahrenheit_is_too_cold_for_july() -> None:
    july = np.arange(np.datetime64("2026-07-01", "ns"), np.datetime64("2026-07-20", "ns"),
                     np.timedelta64(1, "h"))  # fmt: skip
    values = 15 + 3 * np.cos(2 * np.pi * (np.arange(july.size) - 16) / 24)
    cold = soil_series(july, (values - 32) / 1.8, depth_cm=5, source="invented")
    assert [check.name for check in check_series(cold, latitude=52.0)] == [
        "too cold for the season"
    ]
    south = soil_series(july, values - 6.0, depth_cm=5, source="invented")
    assert check_series(south, latitude=-35.0) == ()


def test_a_unit_that_changes_half_way_is_a_jump() -> None:
    def spoil(values: np.ndarray) -> None:
        values[360:] = 1.8 * values[360:] + 32

    checks = {check.name: check for check in check_series(series(spoil))}
    assert checks["jump"].where.startswith("between 2026-04-16T00:00")
    assert "°F in a °C column" in checks


def test_a_sensor_stuck_for_weeks_is_told_with_its_hours() -> None:
    time = np.arange(np.datetime64("2026-04-01", "ns"), np.datetime64("2026-06-30", "ns"),
                     np.timedelta64(1, "h"))  # fmt: skip
    values = 14 + 3 * np.cos(2 * np.pi * (np.arange(time.size) - 16) / 24)
    values[500:1646] = 21.4
    checks = check_series(soil_series(time, values, depth_cm=5, source="invented"))
    assert [(check.name, check.value) for check in checks if check.name == "flat line"] == [
        ("flat line", "one value for 1146 h")
    ]


@pytest.mark.slow
def test_no_measured_station_is_out_of_its_season(shared: Path) -> None:
    """Seventeen stations from Florida to Saxony, bare and under grass, several years each."""
    from reference_data.build.weather_stations import list_stations

    folder = shared / "data/soil"
    for entry in list_stations(folder):
        path = folder / entry["file"]
        depths = re.findall(r"soil_temp_(\d+)cm", path.open().readline())
        series, _ = read_soil_csv(path, depth_cm=float(depths[0]) if depths else None)
        checks = check_series(series, latitude=float(entry["latitude"]))
        assert {check.name for check in checks} <= {
            "gaps", "spikes", "flat line", "sensor out of the ground"
        }, entry["file"]  # fmt: skip
