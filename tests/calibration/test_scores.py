"""Scores are the textbook's, and a check scores what was left out."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.calibration.growers import Planting, grow, plain_crop, spring
from thermosprout.calibration.plots import Plot, half_emergence_d
from thermosprout.calibration.scores import NAMES, LeftOut, check, crps, forecast_draws, score_of
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import InputError

ESTIMATE = Estimate.generic(
    "beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (100.0, 0.4)}
)
CROP = plain_crop(estimate=ESTIMATE)
SERIES = spring(days=100, seed=4, site_C=4.0)


def test_crps_of_a_normal_is_the_closed_form() -> None:
    """Gneiting & Raftery (2007), eq. 21: CRPS(N(0,1), 0) = (sqrt 2 - 1) / sqrt pi."""
    draws = np.random.default_rng(0).standard_normal(40_000)
    assert crps(draws, 0.0) == pytest.approx((np.sqrt(2) - 1) / np.sqrt(np.pi), abs=4e-3)


@given(st.floats(-100, 100), st.floats(-100, 100))
def test_crps_of_a_single_day_is_its_error(day: float, seen: float) -> None:
    assert crps(np.array([day]), seen) == pytest.approx(abs(day - seen))


def test_crps_cuts_what_never_comes_to_the_latest_that_does() -> None:
    assert crps(np.array([10.0, np.inf]), 10.0) == pytest.approx(0.0)
    assert crps(np.array([np.inf]), 10.0) == pytest.approx(0.0)


def test_half_is_placed_between_inspections() -> None:
    plot = Plot(
        name="p", planted_h=0.0, depth_cm=2.0, seeds=20, hours=np.array([48.0, 96.0, 144.0]),
        new=np.array([0.0, 8.0, 4.0]),
    )  # fmt: skip
    assert half_emergence_d(plot) == pytest.approx(2 + 2 * 6 / 8)
    late = replace(plot, planted_h=12.0, new=np.array([6.0, 0.0, 6.0]), hours=plot.hours - 12.0)
    assert half_emergence_d(late) == pytest.approx(1.0)
    assert half_emergence_d(replace(plot, new=np.array([0.0, 1.0, 1.0]))) is None
    assert half_emergence_d(replace(plot, new=np.array([0.0, 1.0, 2.0]))) == pytest.approx(4.5)
    assert half_emergence_d(replace(plot, noted_h=(24.0, 72.0))) == pytest.approx(2.0)


@pytest.fixture(scope="module")
def slow_plots() -> list[Plot]:
    centre = {name: np.array([value]) for name, value in ESTIMATE.centre().items()}
    truth = centre | {"thermal_time_50_Cd": np.array([150.0])}
    return grow(
        CROP, truth, SERIES,
        [Planting(day=10.4, every_d=1.0, inspections=50),
         Planting(day=25.4, every_d=1.0, inspections=50),
         Planting(day=40.4, every_d=1.0, inspections=50)],
        np.random.default_rng(3),
    )  # fmt: skip


def test_records_of_a_slow_crop_make_the_next_forecast_better(slow_plots) -> None:
    told = []
    scores = {
        score.name: score
        for score in check(
            CROP, slow_plots, [SERIES], left_out=LeftOut.DATE, packet_d=10.0, tick=told.append
        )
    }
    assert tuple(scores) == NAMES
    assert sum(told) == 3
    assert scores["calibrated"].plots == 6
    # A part of what the two other plantings say is left to the season and to the thermometer.
    assert scores["calibrated"].date_crps_d < 0.7 * scores["catalogue"].date_crps_d
    assert scores["calibrated"].date_error_d < scores["mean of the others"].date_error_d
    assert scores["packet"].date_crps_d == pytest.approx(scores["packet"].date_error_d)
    assert scores["packet"].date_covered is None
    assert 0.3 <= scores["calibrated"].date_covered <= 1.0
    assert scores["calibrated"].stand_crps > 0


def test_one_season_cannot_be_left_out(slow_plots) -> None:
    with pytest.raises(InputError, match=r"all plots are of one season.*check by plot or by date"):
        check(CROP, slow_plots, [SERIES], left_out=LeftOut.SEASON)


def test_a_dish_is_forecast_by_germination() -> None:
    dish = Plot(
        name="d", planted_h=0.0, depth_cm=2.0, seeds=50, constant_C=18.0, dish=True,
        hours=24.0 * np.arange(1.0, 12.0), new=np.full(11, 4.0),
    )  # fmt: skip
    half, stand = forecast_draws(CROP, ESTIMATE, dish, [], size=4000, seed=1)
    assert stand is None
    values = ESTIMATE.draw(4000, np.random.default_rng(1))
    rate = ResponseDraws.from_draws(CROP.response, values).at(18.0)
    germination = values["germination_share"] * values["thermal_time_50_Cd"]
    speed = values["plot_speed_sd"] * np.random.default_rng(2).standard_normal(4000)
    expected = germination * np.exp(speed) / rate
    assert np.quantile(half, [0.1, 0.5, 0.9]) == pytest.approx(
        np.quantile(expected, [0.1, 0.5, 0.9]), rel=0.06
    )
    pot = replace(dish, dish=False, new=dish.new / 2)
    later, share = forecast_draws(CROP, ESTIMATE, pot, [], size=4000, seed=1)
    assert share is not None
    assert np.nanmedian(later) > 1.5 * np.median(half)
    assert share * 50 == pytest.approx(np.round(share * 50))
    noted = replace(pot, seeds=0, noted_h=(100.0, 124.0), hours=np.zeros(0), new=np.zeros(0))
    again, none = forecast_draws(CROP, ESTIMATE, noted, [], size=4000, seed=1)
    assert none is None
    assert np.nanmedian(again) == pytest.approx(np.nanmedian(later), rel=0.1)


def test_scores_are_coverage_and_distance() -> None:
    plot = Plot(
        name="p", planted_h=0.0, depth_cm=2.0, seeds=20, hours=np.array([48.0, 96.0, 144.0]),
        new=np.array([0.0, 8.0, 4.0]),
    )  # fmt: skip
    seen = 3.5
    draws = np.linspace(2.0, 4.0, 2001)
    line = score_of(plot, draws, None)
    assert line["date_error_d"] == pytest.approx(0.5, abs=2e-3)
    assert line["date_crps_d"] == pytest.approx(crps(draws, seen))
    assert line["date_covered"] == 1.0
    assert np.isnan(line["stand_crps"])
    assert np.isnan(line["stand_covered"])
    assert score_of(plot, draws - 0.4, None)["date_covered"] == 0.0
    assert score_of(plot, np.full(3, seen), None)["date_covered"] == 1.0, (
        "the ends belong to the range"
    )
    open_end = np.r_[np.full(4, 3.0), np.full(6, np.inf)]
    assert score_of(plot, open_end, None)["date_error_d"] == pytest.approx(0.5)
    assert np.isnan(score_of(plot, np.full(4, np.inf), None)["date_error_d"])
    stand = np.linspace(0.5, 0.9, 41)
    with_stand = score_of(plot, draws, stand)
    assert with_stand["stand_crps"] == pytest.approx(crps(stand, 0.6))
    assert with_stand["stand_covered"] == 1.0
    assert score_of(plot, draws, stand + 0.2)["stand_covered"] == 0.0
