"""What cannot be a soil series, its weather or a reading of it is refused in one sentence."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from reference_data.build.weather_stations import list_stations
from tests.soil.test_bridging import holed, wave
from tests.soil.test_model import spring
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.model.seedbed_water import seedbed_column
from thermosprout.soil.model.temperature import (
    convert_surface,
    model_between_gaps,
    move,
    soil_temperature,
    to_depth,
)
from thermosprout.soil.readers.logger import bridge
from thermosprout.soil.series import (
    check_soil_series,
    soil_csv,
    soil_series,
    weather_csv,
    weather_dataset,
)
from thermosprout.soil.site_readings import compare_readings, read_readings

HOURS = np.datetime64("2026-04-01T00", "ns") + np.arange(72) * np.timedelta64(1, "h")


def flat(**more: Any) -> xr.DataArray:
    return soil_series(HOURS, np.full(72, 12.0), depth_cm=5.0, source="invented", **more)


def members() -> xr.DataArray:
    return soil_series(HOURS, np.full((2, 72), 12.0), depth_cm=5.0, source="invented")


def test_series_that_are_none() -> None:
    with pytest.raises(InputError, match="needs at least two times"):
        check_soil_series(flat().isel(time=[0]))
    fahrenheit = flat()
    fahrenheit.attrs["units"] = "degF"
    with pytest.raises(InputError, match="must be in degC, found 'degF'"):
        check_soil_series(fahrenheit)
    with pytest.raises(InputError, match="surface is one of"):
        flat(surface="gravel")
    with pytest.raises(InputError, match="times of a soil temperature series must rise"):
        check_soil_series(flat().isel(time=slice(None, None, -1)))
    with pytest.raises(InputError, match=r"runs from 12\.0 to 285\.0 °C, which no soil reaches"):
        soil_series(HOURS[:2], [12.0, 285.0], depth_cm=5.0, source="invented")


def test_weather_that_is_none() -> None:
    place = {"source": "invented", "latitude": 47.0, "longitude": 8.0}
    air = np.full(72, 10.0)
    with pytest.raises(InputError, match="unknown weather variable 'dew'"):
        weather_dataset(HOURS, air_temperature=air, dew=air, **place)
    with pytest.raises(InputError, match="without air temperature cannot drive the soil"):
        weather_dataset(HOURS, ghi=air, **place)
    with pytest.raises(InputError, match="no place lies at latitude 97, longitude 8"):
        weather_dataset(HOURS, air_temperature=air, **(place | {"latitude": 97.0}))
    with pytest.raises(InputError, match="ghi has 71 values for 72 times"):
        weather_dataset(HOURS, air_temperature=air, ghi=air[1:], **place)


def test_depths_that_cannot_be_moved_to() -> None:
    with pytest.raises(InputError, match="depth 150 cm is not between 0 and 100 cm"):
        to_depth(flat(), 150.0)
    with pytest.raises(InputError, match="a diffusivity of 0 m2 s-1 is not positive"):
        to_depth(flat(), 10.0, diffusivity=0.0)
    with pytest.raises(InputError, match="irregular times cannot be moved"):
        to_depth(flat().isel(time=[0, 1, 3, 4]), 10.0)


def test_what_is_missing_stays_missing_at_another_depth() -> None:
    nothing = np.full(72, np.nan)
    assert np.isnan(move(nothing, 0.05, 3600.0, 5e-7)).all()
    both = move(np.stack([nothing, np.full(72, 12.0)]), 0.05, 3600.0, 5e-7)
    assert np.isnan(both[0]).all()
    assert both[1] == pytest.approx(12.0)


def test_half_a_day_moves_without_a_day_to_repeat() -> None:
    """Ground of one temperature has it at every depth, however short the series."""
    assert move(np.full(10, 12.0), 0.05, 3600.0, 5e-7) == pytest.approx(12.0)
    rising = move(np.linspace(10.0, 12.0, 10), 0.05, 3600.0, 5e-7)
    assert ((rising > 9.9) & (rising < 12.1)).all()


def test_the_model_wants_air_around_gaps_too() -> None:
    weather = spring(days=5)
    none = weather.assign(air_temperature=weather["air_temperature"] * np.nan)
    with pytest.raises(CoverageError, match="the weather holds no air temperature"):
        model_between_gaps(none, depth_cm=5.0, surface="bare")
    broken = spring(days=8)
    air = broken["air_temperature"].values.copy()
    air[40:125] = np.nan
    pieces = broken.assign(air_temperature=("time", air))
    with pytest.raises(CoverageError, match="no stretch of weather is 72 h long without a gap"):
        model_between_gaps(pieces, depth_cm=5.0, surface="bare")
    longer = spring(days=12)
    air = longer["air_temperature"].values.copy()
    air[20:100] = np.nan
    long = longer.assign(air_temperature=("time", air))
    series = model_between_gaps(long, depth_cm=5.0, surface="bare")
    # The first 20 hours are too short a piece, and stay empty with the hole.
    assert np.isnan(series.values[:100]).all()
    assert np.isfinite(series.values[100:]).all()


def test_the_model_says_which_holes_it_did_without() -> None:
    weather = spring(days=10)
    rain = weather["precipitation"].values.copy()
    rain[50:53] = np.nan
    wind = np.full(rain.size, 2.0)
    wind[9] = np.nan
    holed = weather.assign(precipitation=("time", rain), wind_speed=("time", wind))
    notes = soil_temperature(holed, depth_cm=5.0, surface="bare").attrs["notes"]
    assert "3 h without precipitation taken as dry" in notes
    assert "wind speed has holes and was not used" in notes
    without = weather.assign(precipitation=("time", np.nan_to_num(rain)))
    assert soil_temperature(holed, depth_cm=5.0, surface="bare").values == pytest.approx(
        soil_temperature(without, depth_cm=5.0, surface="bare").values
    )


def test_a_hole_of_one_member_is_bridged_in_it_alone() -> None:
    weather = spring(days=10, members=2)
    air = weather["air_temperature"].values.copy()
    whole = soil_temperature(weather, depth_cm=5.0, surface="bare").values
    air[1, 100:102] = np.nan
    series = soil_temperature(
        weather.assign(air_temperature=(("member", "time"), air)), depth_cm=5.0, surface="bare"
    )
    assert "2 h of air temperature bridged" in series.attrs["notes"]
    assert series.values[0] == pytest.approx(whole[0])
    assert series.values[1] == pytest.approx(whole[1], abs=0.5)


def test_other_wishes_that_cannot_be_met(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='surface \'gravel\' is unknown; use "grass" or "bare"'):
        convert_surface(flat(), None, to="gravel")  # type: ignore[arg-type]
    with pytest.raises(CoverageError, match="needs two days of weather at least"):
        seedbed_column(spring(days=3).isel(time=slice(0, 40))).at(2.0)
    with pytest.raises(InputError, match=r"STATIONS\.csv: there is no station list"):
        list_stations(tmp_path)
    with pytest.raises(InputError, match="this one has members"):
        soil_csv(members())
    with pytest.raises(InputError, match="this one has members"):
        weather_csv(spring(days=3, members=2))
    assert list(tmp_path.iterdir()) == []


def test_holes_at_every_reading_allow_no_check() -> None:
    values = np.full(72, 12.0)
    values[20:40] = np.nan
    series = soil_series(HOURS, values, depth_cm=5.0, source="invented")
    readings = pd.DataFrame(
        {"time_utc": [pd.Timestamp(HOURS[30])], "depth_cm": [5.0], "soil_temp_C": [11.0]}
    )
    with pytest.raises(CoverageError, match="no value at the time of any reading"):
        compare_readings(series, readings)


def test_members_are_not_bridged_over_holes() -> None:
    several = members()
    assert bridge(several) == (several, [])
    closed, notes = bridge(holed(holed(wave(), 100, 3), 200, 8))
    assert closed.values == pytest.approx(wave().values, abs=1e-9)
    assert notes[0].startswith("2 holes, the longest 8 h from 2026-04-09T08:00 UTC, were bridged")


def test_an_empty_line_among_readings_is_passed_over(tmp_path: Path) -> None:
    path = tmp_path / "readings.csv"
    path.write_text(
        "time_utc,depth_cm,soil_temp_C\n2026-04-01T07:00Z,5,9.5\n,,\n2026-04-02T07:00Z,5,10\n"
    )
    table = read_readings(path)
    assert list(table["soil_temp_C"]) == [9.5, 10.0]
