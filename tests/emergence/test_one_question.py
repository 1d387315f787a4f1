"""One sowing asked in all ways: alone, among many days, with members, drought and a steady bed."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from tests.emergence.plain_crop import plain_crop
from tests.emergence.test_clock import first_hour, hourly, response_draws
from tests.emergence.test_clock_spans import of_members
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.course_table import CourseTable
from thermosprout.emergence.forecast import (
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    forecast_days,
    forecast_row,
)
from thermosprout.emergence.harvest import Growth, HarvestNeed
from thermosprout.emergence.response import linear_response
from thermosprout.emergence.thermal_time import Clock, ConstantClock, ThermalClock
from thermosprout.emergence.treatments import Handling, Treatment

CROP = plain_crop()
SIZE, SEEDS, DEPTH_CM = 80, 30, 3.0
HOUR = np.arange(24 * 150 + 1)
SPRING = 8.0 + 0.004 * HOUR + 4 * np.sin(2 * np.pi * (HOUR - 9) / 24)
DRY = np.clip(0.7 + 0.5 * np.cos(HOUR / 90.0), 0.0, 1.0)
DAYS = np.array([20.0, 33.0, 47.0, 60.0])
WAYS = {
    "direct": Handling(),
    "soaked": Handling(treatment=Treatment.SOAKED, soak_h=10.0),
    "presprouted": Handling(treatment=Treatment.PRESPROUTED, radicle_mm=3.0),
}


def clocks(draws: CropDraws) -> dict[str, Clock]:
    """Beds of every kind; the third member ends early, and what is not known differs by draw."""
    ending = SPRING + 1.5
    ending[24 * 120 :] = np.nan
    members = of_members(SPRING, SPRING - 1.0, ending, weights=np.array([0.5, 0.3, 0.2]))
    slowing = np.stack([DRY, np.ones(HOUR.size), 0.5 + 0.5 * DRY])
    return {
        "one series": clock_for(draws, hourly(SPRING)),
        "a site that is not known": clock_for(draws, hourly(SPRING).assign_attrs(site_sd_K=1.2)),
        "members": clock_for(draws, members),
        "members in drying soil": clock_for(draws, members, slowing=slowing),
        "a steady bed": ConstantClock(draws=draws.rates, temperature_C=14.0),
    }


BEDS = list(clocks(CropDraws.of(CROP, 2)))


def alone(
    draws: CropDraws, clock: Clock, way: Handling, planted_h: float, viability: np.ndarray,
    shift: np.ndarray,
) -> RowForecast:  # fmt: skip
    sowing = Sowing(
        row="any", crop=CROP, handling=way, started_h=planted_h, planted_h=planted_h,
        depth_cm=DEPTH_CM, seeds_planted=SEEDS,
    )  # fmt: skip
    return forecast_row(sowing, draws, clock, viability=viability, ln_shift=shift, seed=2)


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize("bed", BEDS)
def test_a_day_among_many_is_the_day_alone(bed: str, way: str) -> None:
    draws = CropDraws.of(CROP, SIZE, 2)
    clock = clocks(draws)[bed]
    planted = first_hour(hourly(SPRING)) + 12.0 + 24.0 * DAYS
    # The lot ages from day to day.
    viability = np.linspace(0.6, 0.95, SIZE)[:, None] - 0.02 * np.arange(DAYS.size)
    shift = np.linspace(-0.1, 0.1, SIZE)[:, None] + 0.01 * np.arange(DAYS.size)
    many = forecast_days(
        draws, clock, WAYS[way], planted_h=planted, depth_cm=DEPTH_CM, seeds=SEEDS,
        viability=viability, ln_shift=shift, seed=2,
    )  # fmt: skip
    for day, planted_h in enumerate(planted):
        row = alone(draws, clock, WAYS[way], planted_h, viability[:, day], shift[:, day])
        half = row.hours[:, 1]
        assert np.array_equal(np.isfinite(half), np.isfinite(many.half_h[:, day]))
        known = np.isfinite(half)
        assert many.half_h[known, day] == pytest.approx(half[known], abs=1e-6)
        assert many.stand[:, day] * SEEDS == pytest.approx(row.seedlings, abs=1e-9)
    assert np.isfinite(many.half_h).mean() > 0.8


def test_hundreds_of_days_are_placed_like_one() -> None:
    """Many days are searched on the laid-out course, one is placed inside its day."""
    draws = CropDraws.of(CROP, 40)
    clock = clocks(draws)["members in drying soil"]
    planted = first_hour(hourly(SPRING)) + 7.25 + 12.5 * np.arange(200)
    thermal = np.random.default_rng(0).uniform(5, 90, (40, 200))
    together = clock.cross(planted, thermal)
    fresh = clocks(draws)["members in drying soil"]
    for column in range(0, 200, 13):
        one = fresh.cross(planted[column], thermal[:, [column]])[:, 0]
        known = np.isfinite(one)
        assert np.array_equal(known, np.isfinite(together[:, column]))
        assert together[known, column] == pytest.approx(one[known], abs=1e-6)
    ends = planted + 300.0
    gained = clock.between(planted, ends[None, :])
    for column in (0, 77, 150):
        one = fresh.progress(planted[column], ends[[column]])[:, 0]
        assert gained[:, column] == pytest.approx(one, abs=1e-8)


@pytest.mark.parametrize("needed", [20.0, 75.0, 140.0])
def test_a_crossing_is_that_of_scipys_integral(needed: float) -> None:
    """A bed that warms along a wave: quad for the sum, brentq for where it is reached."""

    def warmth(hour: float) -> float:
        return float(8.0 + 0.004 * hour + 4 * np.sin(2 * np.pi * (hour - 9) / 24))

    def gained(until: float) -> float:
        days = np.arange(500.0, until, 6.0)
        edges = [*days, until]
        return sum(
            quad(lambda h: float(linear_response(warmth(h), 5.0, 28.0, 40.0)), a, b, limit=200)[0]
            for a, b in pairwise(edges)
        ) / 24.0  # fmt: skip

    expected = brentq(lambda until: gained(until) - needed, 500.5, 3000.0, xtol=1e-3)
    begin = first_hour(hourly(SPRING))
    clock = ThermalClock(hourly(SPRING), response_draws(1))
    found = clock.cross(begin + 500.0, np.array([[needed]]))[0, 0] - begin
    # Hours at the base: a few minutes of one night.
    assert found == pytest.approx(expected, abs=0.15)


def test_days_by_hand() -> None:
    """100 C d above 5 degC take ten days at 15 degC, and twenty where drought halves the pace."""
    series = hourly(np.full(24 * 60 + 1, 15.0))
    begin = first_hour(series)
    half = np.full(series.sizes["time"], 0.5)
    thermal = np.full((1, 2), 100.0)
    days = np.array([0.0, 7.5])
    for clock, expected in (
        (ThermalClock(series, response_draws(1)), 10.0),
        (ThermalClock(series, response_draws(1), slowing=half), 20.0),
        (ConstantClock(draws=response_draws(1), temperature_C=15.0), 10.0),
    ):
        found = (clock.cross(begin + 24 * days, thermal) - begin) / 24.0 - days
        assert found == pytest.approx(np.full((1, 2), expected), abs=1e-6)
        passed = clock.between(begin, begin + np.array([[240.0]]))
        assert passed[0, 0] == pytest.approx(1000.0 / expected, abs=1e-6)


def test_growth_on_the_air_is_the_same_clock() -> None:
    """Degree-days above the base by hand: 20 a day at 24.4 degC for a cool-season crop."""
    need = replace(HarvestNeed.of(find_crop("carrot"), 6), thermal_time=np.full(6, 300.0))
    base = need.cardinals_C[0]
    air = np.stack([np.full(24 * 100 + 1, base + 5.0), np.full(24 * 100 + 1, base + 15.0)])
    growth = Growth.of(of_members(*air), need, member=np.array([0, 1, 2, 3, 0, 1]))
    begin = first_hour(hourly(air[0]))
    emerged = begin + np.array([[0.0, 240.0]] * 6)
    found = (growth.harvest_h(emerged) - emerged) / 24.0
    assert found == pytest.approx(np.array([[60.0] * 2, [20.0] * 2] * 3), abs=1e-6)
    steady = Growth.constant(base + 5.0, need).harvest_h(emerged)
    assert (steady - emerged) / 24.0 == pytest.approx(np.full((6, 2), 60.0))


def test_rows_of_one_depth_share_a_table() -> None:
    draws = CropDraws.of(CROP, SIZE)
    series = hourly(SPRING).assign_attrs(site_sd_K=0.8)
    table = CourseTable(series, DRY)
    shared, own = clock_for(draws, table), clock_for(draws, series, slowing=DRY)
    start = first_hour(series) + 24 * 30.0
    thermal = np.full((SIZE, 2), 40.0)
    assert np.array_equal(shared.cross(start, thermal), own.cross(start, thermal))
