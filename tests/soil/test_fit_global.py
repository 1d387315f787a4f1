"""Seasons that stations are fitted on: what the year before leaves in the ground."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from reference_data.build.soil_parameters import Problem, seasons_of
from reference_data.build.weather_stations import Station
from tests.soil.test_model import spring
from thermosprout.soil.model.ground import LOAM, GroundParameters
from thermosprout.soil.model.run import DAY, water_course
from thermosprout.soil.model.surface import COVERS
from thermosprout.soil.model.weather import weather_arrays


def _station(begins: str, days: int) -> Station:
    weather = spring(days=days, start=begins)
    season = 10.0 - 12.0 * np.cos(2.0 * np.pi * weather["time"].dt.dayofyear / 365.25)
    weather["air_temperature"] = (
        season + weather["air_temperature"] - weather["air_temperature"].mean()
    )
    measured = weather["air_temperature"].to_series().resample("D").mean()
    return Station(
        station_id="invented",
        name="invented",
        latitude=47.0,
        longitude=8.0,
        utc_offset_h=0.0,
        land_cover="grass",
        depth_cm=5.0,
        weather=weather,
        measured=pd.Series(measured.to_numpy(), index=pd.DatetimeIndex(measured.index)),
        hourly=None,
    )


def test_a_season_begins_with_last_years_water() -> None:
    """The same stores as in one run through both years."""
    station, ground = _station("01-01", 700), GroundParameters()
    seasons = seasons_of(station)
    assert [season.year for season in seasons] == [2025, 2026]
    assert seasons[0].before is None
    top, roots = Problem(seasons)._stores(ground)
    assert (top[0], roots[0]) == (0.0, 0.0)
    through, _ = weather_arrays(station.weather)
    water, _, _ = water_course(
        through, surface="grass", cover=COVERS["none"], soil=LOAM, ground=ground
    )
    assert roots[1] == pytest.approx(water.root_depletion[0, 365], abs=0.5)
    assert top[1] == pytest.approx(water.surface_depletion[0, 365], abs=0.5)
    assert roots[1] > 10.0


def test_ground_is_moist_until_a_record_begins() -> None:
    station = _station("09-01", 500)
    (season,) = seasons_of(station)
    before = season.before
    assert before is not None
    assert before.air.shape[1] == 366 * DAY
    assert before.rain[0, :240].min() > 20.0
    assert before.rain[0, 250:].max() < 10.0


def test_a_few_weeks_tell_too_little_of_last_year() -> None:
    (season,) = seasons_of(_station("12-01", 400))
    assert season.before is None
