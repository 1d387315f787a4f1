"""A row with counts is forecast as it stands: late, early, gappy or lost."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.calibration.growers import first_hour, plain_crop, spring
from tests.emergence.count_check import count_log_likelihood
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.conditioning import FAILED_BEFORE, Count, condition
from thermosprout.emergence.count_likelihood import (
    stand_log_likelihood,
)
from thermosprout.emergence.forecast import (
    CropDraws,
    Handling,
    Sowing,
    clock_for,
    forecast_constant,
    forecast_row,
)
from thermosprout.errors import InputError

SEEDS = 40
CROP = plain_crop(
    estimate=Estimate.generic("beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (90, 0.3)})
)


def row(series=None, *, day: float = 30.0, seeds: int = SEEDS, size: int = 600, crop=CROP):
    series = spring() if series is None else series
    draws = CropDraws.of(crop, size)
    planted = first_hour(series) + 24 * day
    sowing = Sowing(
        row="bed 1", crop=crop, handling=Handling(), started_h=planted, planted_h=planted,
        depth_cm=2.0, seeds_planted=seeds,
    )  # fmt: skip
    return forecast_row(
        sowing, draws, clock_for(draws, series), viability=np.full(size, 0.9),
        ln_shift=np.zeros(size),
    )  # fmt: skip


def after(forecast, *pairs: tuple[float, int]):
    counts = [Count(hour=forecast.sowing.planted_h + 24 * d, emerged=n) for d, n in pairs]
    return condition(forecast, counts)


def days(forecast, stage: str, *probabilities: float):
    hours = forecast.stage_quantile(stage, list(probabilities))
    return (hours - forecast.sowing.planted_h) / 24


def test_only_stages_that_were_seen_are_past() -> None:
    found = after(row(), (8, 0), (10, 4), (11, 9)).row
    hours = found.hours - found.sowing.planted_h
    assert (hours[:, 0] >= 8 * 24).all()
    assert (hours[:, 0] <= 10 * 24).all()
    unseen = 0.9 * found.seedlings > 9
    assert (hours[unseen, 2] >= 11 * 24).all()
    assert (found.seedlings >= 9).all()
    assert (np.diff(found.hours, axis=1)[np.isfinite(found.hours[:, 2])] >= -1e-6).all()


def test_counts_narrow_the_forecast_towards_what_was_seen() -> None:
    before = row()
    low, high = days(before, "half", 0.1, 0.9)
    found = after(before, (10, 0), (12, 3), (14, 14))
    seen_low, middle, seen_high = days(found.row, "half", 0.1, 0.5, 0.9)
    assert seen_high - seen_low < 0.4 * (high - low)
    assert 13.5 < middle < 17
    assert found.effective_draws > 100


def test_late_rows_are_later_and_early_ones_earlier() -> None:
    before = row()
    usual = days(before, "half", 0.5)[0]
    late, early = after(before, (usual + 3, 0)), after(before, (usual - 5, 12))
    assert days(late.row, "half", 0.5)[0] > usual + 3
    assert days(early.row, "half", 0.5)[0] < usual - 3
    assert "later than forecast" in late.note.sentence
    assert "earlier than forecast" in early.note.sentence


def test_a_gappy_row_keeps_its_gaps() -> None:
    before = row()
    found = after(before, (12, 2), (16, 9), (20, 11), (30, 11), (40, 11))
    low, high = found.row.stand_quantile([0.1, 0.9])
    assert 11 / SEEDS <= low <= high <= 13 / SEEDS
    assert found.row.wait_until_h < before.sowing.planted_h + 40 * 24


def test_the_longer_nothing_shows_the_surer_the_row_is_lost() -> None:
    before = row()
    odds = [after(before, (day, 0)).failed_odds for day in (2, 12, 20, 30, 45, 70)]
    assert odds[0] == pytest.approx(FAILED_BEFORE, abs=0.02)
    assert all(b >= a - 0.02 for a, b in pairwise(odds))
    assert odds[-1] > 0.8
    last = after(before, (70, 0))
    assert "odds that the row has failed" in last.note.sentence
    assert last.row.nothing_odds > 0.4


def test_one_seedling_may_be_a_poor_stand() -> None:
    found = after(row(), (12, 1), (45, 1), (60, 1))
    assert found.row.nothing_odds == 0
    assert found.failed_odds > 0.8


def test_counts_before_planting_and_falling_counts_are_refused() -> None:
    forecast = row()
    with pytest.raises(InputError, match="row bed 1: 2 seedlings are recorded before"):
        after(forecast, (-1, 2))
    with pytest.raises(InputError, match=r"row bed 1: the cumulative count falls from 5 to 3"):
        after(forecast, (10, 5), (12, 3))
    with pytest.raises(InputError, match="41 seedlings were counted but 40 seeds"):
        after(forecast, (10, 41))


def test_no_count_after_planting_changes_nothing() -> None:
    forecast = row()
    found = after(forecast, (-2, 0))
    assert found.row is forecast
    assert found.note.sentence == "No inspection since planting."


def test_counts_no_draw_can_explain_still_give_an_answer() -> None:
    found = after(row(), (0.5, 20))
    first, full = days(found.row, "first", 0.9)[0], days(found.row, "full", 0.5)[0]
    assert first <= 0.5 < full
    assert np.isfinite(found.effective_draws)


def test_same_counts_give_the_same_answer_in_any_order() -> None:
    forecast = row()
    one = after(forecast, (10, 2), (12, 8))
    other = after(forecast, (12, 8), (10, 2))
    np.testing.assert_array_equal(one.row.hours, other.row.hours)


def test_a_pot_at_constant_temperature_is_conditioned_too() -> None:
    forecast = forecast_constant(CROP, 15.0, seeds=30, size=400)
    found = condition(forecast, [Count(hour=24 * 12.0, emerged=5)])
    assert (found.row.hours[:, 0] <= 24 * 12.0).all()


@pytest.mark.parametrize("handled", [
    Handling(treatment="soaked", soak_h=12.0), Handling(treatment="presprouted", sprout_h=96.0),
])  # fmt: skip
def test_treated_rows_are_conditioned_with_their_treatment(handled) -> None:
    series = spring()
    draws = CropDraws.of(CROP, 400)
    planted = first_hour(series) + 24 * 30
    sowing = Sowing(
        row="t", crop=CROP, handling=handled, started_h=planted - 96, planted_h=planted,
        depth_cm=2.0, seeds_planted=30,
    )  # fmt: skip
    forecast = forecast_row(
        sowing, draws, clock_for(draws, series), viability=np.full(400, 0.9),
        ln_shift=np.zeros(400),
    )  # fmt: skip
    middle = days(forecast, "half", 0.5)[0]
    found = after(forecast, (middle + 2, 4))
    assert days(found.row, "half", 0.5)[0] > middle


@pytest.mark.slow
def test_conditioned_odds_hold_for_simulated_rows() -> None:
    """Truth drawn from the forecast's own draws lies in the 80 % range four times out of five."""
    forecast = row(size=800)
    rng = np.random.default_rng(5)
    inside, errors_before, errors_after = [], [], []
    for index in rng.permutation(800)[:80]:
        seedlings = forecast.seedlings[index]
        if seedlings < 5:
            continue
        shares = np.sort(rng.random(seedlings))
        times = forecast.clock.cross(
            forecast.sowing.planted_h,
            forecast.state.needed(np.repeat(shares[None], 800, axis=0)),
        )[index]
        truth = np.sort(times)[int(np.ceil(0.5 * seedlings)) - 1]
        if not np.isfinite(truth):
            continue
        look = times[max(int(0.25 * seedlings), 1)]
        counts = [
            Count(hour=h, emerged=int((times <= h).sum()))
            for h in np.arange(look - 96, look + 1, 24.0)
            if h > forecast.sowing.planted_h
        ]
        if not counts:
            continue
        found = condition(forecast, counts, seed=int(index)).row
        low, middle, high = found.stage_quantile("half", [0.1, 0.5, 0.9])
        inside.append(low <= truth <= high)
        # A row whose truth lies just before the end of the series may have its middle just past it.
        end = forecast.horizon_h
        before = forecast.stage_quantile("half", [0.5])[0]
        errors_after.append(abs(min(middle, end) - truth))
        errors_before.append(abs(min(before, end) - truth))
    assert len(inside) > 60
    assert 0.7 <= np.mean(inside) <= 0.9
    assert np.mean(errors_after) < 0.35 * np.mean(errors_before)


def test_an_empty_row_is_the_beta_binomial_zero() -> None:
    from scipy.stats import betabinom

    share, rho = np.array([0.7]), np.array([0.1])
    strength = (1 - rho) / rho
    expected = betabinom.logpmf(0, 20, share * strength, (1 - share) * strength)
    got = stand_log_likelihood(np.array(0.0), np.array(20.0), share, rho)
    np.testing.assert_allclose(got, expected, rtol=1e-9)
    shown = np.array([[0.0, 1.0]])
    whole = count_log_likelihood(shown, np.zeros(2), 20.0, share, rho)
    np.testing.assert_allclose(whole, expected, rtol=1e-6)


def test_without_an_inspection_the_odds_of_failure_are_those_before() -> None:
    made = row(seeds=2)
    found = condition(made, [])
    nothing = float((made.seedlings == 0).mean())
    assert found.row is made
    assert found.failed_odds == pytest.approx(FAILED_BEFORE + (1 - FAILED_BEFORE) * nothing)
    assert found.effective_draws == pytest.approx(made.weights.size)
    assert found.note.sentence == "No inspection since planting."
