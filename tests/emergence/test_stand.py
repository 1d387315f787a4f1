"""Shares and counts of seedlings against closed forms and scipy's distributions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.emergence.plain_crop import plain_crop
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.forecast import CropDraws
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import beta_binomial, order_shares, stand_share
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Handling, SeedState, Treatment, seed_state

CROP = plain_crop(chilling_limit=10.0)
DRAWS = CropDraws.of(CROP, 5)
VALUES = DRAWS.values
VIABILITY = np.array([0.5, 0.6, 0.7, 0.8, 0.9])


def state(treatment: Treatment = Treatment.DIRECT) -> SeedState:
    handling = Handling(treatment=treatment, soak_h=6.0, sprout_h=90.0, room_C=22.0)
    made = seed_state(CROP, VALUES, DRAWS.rates, handling, depth_cm=2.5)
    return replace(made, survival=np.array([1.0, 0.9, 0.8, 0.7, 0.6]))


def share(seed: SeedState, *, temperature: float, half_h: np.ndarray) -> np.ndarray:
    clock = ConstantClock(draws=DRAWS.rates, temperature_C=temperature)
    return stand_share(
        CROP, VALUES, seed, clock, planted_h=100.0, half_h=half_h, viability=VIABILITY
    )


def test_stand_is_what_each_step_leaves() -> None:
    half = 100.0 + 24.0 * np.array([3.0, 5.0, 7.0, 119.0, 500.0])
    waited = np.array([3.0, 5.0, 7.0, 119.0, 120.0])
    found = share(state(), temperature=18.0, half_h=half)
    expected = VIABILITY * VALUES["field_factor"] * CROP.stand_response(18.0)
    expected = expected * np.exp(-VALUES["waiting_loss_per_d"] * waited)
    assert found == pytest.approx(expected * state().survival, rel=1e-12)


def expected_at(
    temperature: float, hazard: np.ndarray, log_odds: np.ndarray, ahead: np.ndarray | float = 1.0
) -> np.ndarray:
    """Share that comes through the seedbed, by its odds, with a share of the way ahead."""
    bed = VALUES["field_factor"] * CROP.stand_response(temperature) ** ahead * np.exp(-hazard)
    odds = bed / (1 - bed) * np.exp(log_odds)
    return odds / (1 + odds) * state().survival


def test_cold_uptake_kills_in_bed_or_water() -> None:
    half = np.full(5, 100.0 + 24.0 * 4)
    wait = VALUES["waiting_loss_per_d"] * 4.0
    found = share(state(), temperature=7.0, half_h=half)
    dry = wait + VALUES["chilling_loss_per_C"] * 3.0
    assert found == pytest.approx(VIABILITY * expected_at(7.0, dry, np.zeros(5)), rel=1e-12)
    soaked = state(Treatment.SOAKED)
    log_odds = VALUES["soak_stand"] * (1 - np.exp(-6.0 / 0.7))
    # Six hours in warm water leave exp(-6/3) of the cold of the bed, in water at 3 C none of it.
    for water_C, cold in ((20.0, 3.0 * np.exp(-2.0)), (3.0, 7.0 + (3.0 - 7.0) * np.exp(-6.0))):
        hazard = wait + VALUES["chilling_loss_per_C"] * cold
        found = share(replace(soaked, water_C=water_C), temperature=7.0, half_h=half)
        ahead = 1.0 - soaked.credit / soaked.scale
        expected = VIABILITY * expected_at(7.0, hazard, log_odds, ahead)
        assert found == pytest.approx(expected, rel=1e-9)


def test_sprouted_seed_keeps_the_root_of_viability() -> None:
    for temperature, heat in ((18.0, 0.0), (29.0, 0.15 * 4.0)):
        found = share(
            state(Treatment.PRESPROUTED), temperature=temperature, half_h=np.full(5, 50.0)
        )
        log_odds = VALUES["sprout_stand"] - heat
        ahead = state(Treatment.PRESPROUTED).path_ahead()
        expected = np.sqrt(VIABILITY) * expected_at(temperature, np.zeros(5), log_odds, ahead)
        assert found == pytest.approx(expected, rel=1e-9)


def test_the_way_ahead_is_that_of_the_middle_planted_seed() -> None:
    assert (state().path_ahead() == 1.0).all()
    seed = state(Treatment.PRESPROUTED)
    for row in range(5):
        # half of the seeds planted have a deviate below the middle one's
        middle = stats.norm.ppf(0.5 * stats.norm.cdf(seed.z_high[row]))
        whole = seed.scale[row] * np.exp(seed.sigma[row] * middle)
        ahead = (whole - seed.credit[row]) / whole
        assert seed.path_ahead()[row] == pytest.approx(ahead, rel=1e-9)


@pytest.mark.parametrize("name", ["melon", "sweet corn", "cucumber", "tomato", "pepper", "carrot"])
def test_sprouting_saves_stand_where_the_bed_is_cold(name: str) -> None:
    """Sprouts of tomato, pepper and other warm crops are planted to beds too cold to germinate in.

    Common practice, no source; germination is what the cold holds up in tomato (Scott & Jones
    1985, Physiologia Plantarum, read as an abstract).
    """
    crop = find_crop(name)
    values = {key: np.array([value]) for key, value in crop.estimate.centre().items()}
    values["sprout_stand"] = np.zeros(1)
    rates = ResponseDraws.from_draws(crop.response, values)
    handlings = (Handling(), Handling(treatment=Treatment.PRESPROUTED, radicle_mm=3.0, room_C=22.0))
    states = [seed_state(crop, values, rates, how, depth_cm=2.0) for how in handlings]
    assert float(states[1].path_ahead()[0]) < 0.9

    def gain(temperature: float) -> float:
        """Log odds of sprouts over those of dry seed, all of it alive and waiting no time."""
        clock = ConstantClock(draws=rates, temperature_C=temperature)
        dry, sprouted = (
            stand_share(
                crop, values, seed, clock, planted_h=0.0, half_h=np.zeros(1), viability=np.ones(1)
            )[0]
            / seed.survival[0]
            for seed in states
        )
        return float(np.log(sprouted / (1 - sprouted)) - np.log(dry / (1 - dry)))

    beds = crop.stand_low_C + crop.stand_low_width_C * np.array([0.0, 1.0, 2.0, 3.5])
    gains = [gain(bed) for bed in beds]
    assert all(np.diff(gains) < 0)
    assert gains[0] > 0.1
    assert 0.0 <= gains[-1] < 0.1 * gains[0]


@pytest.mark.parametrize(("p", "rho"), [(0.7, 0.2), (0.15, 0.05), (0.5, 0.6)])
def test_counts_have_the_moments_of_the_beta_binomial(p: float, rho: float) -> None:
    size, seeds = 40_000, 25
    found = beta_binomial(
        np.full(size, p), seeds, np.full(size, rho), np.random.default_rng(1)
    )  # fmt: skip
    strength = (1 - rho) / rho
    expected = stats.betabinom(seeds, p * strength, (1 - p) * strength)
    assert found.mean() == pytest.approx(expected.mean(), abs=5 * expected.std() / np.sqrt(size))
    assert found.var() == pytest.approx(expected.var(), rel=0.05)
    assert (found == 0).mean() == pytest.approx(expected.pmf(0), abs=0.01)


def test_no_share_gives_no_seedling_and_all_share_gives_all() -> None:
    rng = np.random.default_rng(2)
    some = np.full(200, 0.3)
    assert (beta_binomial(np.zeros(200), 50, some, rng) == 0).all()
    assert (beta_binomial(np.ones(200), 50, some, rng) == 50).all()
    # Without any correlation it is the binomial.
    plain = beta_binomial(np.full(20_000, 0.4), 30, np.zeros(20_000), rng)
    assert plain.var() == pytest.approx(30 * 0.4 * 0.6, rel=0.05)


def test_the_kth_of_n_seedlings_stands_where_order_statistics_do() -> None:
    """The k-th of n uniforms is Beta(k, n + 1 - k): David & Nagaraja (2003), sec. 2.3."""
    n, fractions = 10, (0.0, 0.5, 0.9)
    found = order_shares(np.full(20_000, n), fractions, np.random.default_rng(3))
    assert found.shape == (20_000, 3)
    assert (np.diff(found, axis=1) > 0).all()
    for column, k in enumerate((1, 5, 9)):
        expected = stats.beta(k, n + 1 - k)
        assert stats.kstest(found[:, column], expected.cdf).pvalue > 1e-3


def test_a_single_seedling_is_every_stage() -> None:
    found = order_shares(np.array([1, 0]), (0.0, 0.5, 0.9), np.random.default_rng(4))
    assert (found[0] == found[0, 0]).all()
    assert 0 < found[0, 0] < 1
    assert np.isnan(found[1]).all()


def test_the_first_day_is_the_one_after_planting() -> None:
    """Cold on the first day only: the seed is chilled by what it lacked on that day."""
    from tests.emergence.test_clock import first_hour, hourly
    from thermosprout.emergence.thermal_time import ThermalClock

    values = np.full(24 * 30, 20.0)
    values[24 * 10 : 24 * 11 + 1] = np.linspace(9.0, 3.0, 25)
    series = hourly(values)
    clock = ThermalClock(series, DRAWS.rates)
    planted = first_hour(series) + 24 * 10
    half = np.full(5, planted + 24 * 8)

    def at(seed: SeedState) -> np.ndarray:
        return stand_share(
            CROP, VALUES, seed, clock, planted_h=planted, half_h=half, viability=VIABILITY
        )

    dry, soaked = at(state()), at(replace(state(), wet_h=100.0))
    assert dry == pytest.approx(soaked * np.exp(-4.0 * VALUES["chilling_loss_per_C"]), rel=1e-9)
