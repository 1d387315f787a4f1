from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from thermosprout.errors import InputError
from thermosprout.planning.options import odds_of_stand, row_shares, seeds_for_stand
from thermosprout.planning.stations import filled_share, plan_stations


@given(st.floats(0.001, 0.999), st.integers(1, 40))
def test_known_share_is_the_closed_form(p: float, n: int) -> None:
    assert float(filled_share(np.array([p]), np.zeros(1), n)[0]) == pytest.approx(
        1 - (1 - p) ** n, rel=1e-9
    )


@given(st.floats(0.02, 0.98), st.floats(0.005, 0.5), st.integers(1, 30))
def test_seeds_that_hang_together_are_beta_binomial(p: float, rho: float, n: int) -> None:
    strength = (1 - rho) / rho
    expected = 1 - stats.betabinom.pmf(0, n, p * strength, (1 - p) * strength)
    share = filled_share(np.array([p]), np.array([rho]), n)[0]
    assert share == pytest.approx(expected, rel=1e-8)


def test_uncertain_viability_asks_for_more_seeds() -> None:
    sure = plan_stations(np.full(500, 0.7), stations=100)
    unsure = plan_stations(np.linspace(0.4, 1.0, 500), stations=100)
    assert sure.chosen is not None
    assert unsure.chosen is not None
    assert sure.chosen.seeds == 3
    assert unsure.chosen.seeds > sure.chosen.seeds
    assert unsure.chosen.odds_reached >= 0.8


def test_thinning_is_plants_less_filled_stations() -> None:
    plan = plan_stations(np.full(3, 0.5), stations=200, target_filled=0.9)
    assert plan.chosen is not None
    assert plan.chosen.seeds == 4
    assert plan.chosen.surplus_per_station == pytest.approx(4 * 0.5 - (1 - 0.5**4))
    assert plan.chosen.seeds_in_all == 800
    assert plan.choices[-1].seeds == 5


def test_dead_seed_has_no_answer() -> None:
    assert plan_stations(np.full(10, 0.01), stations=10).chosen is None


@pytest.mark.parametrize(("named", "value"), [("target_filled", 1.0), ("confidence", 0.0)])
def test_impossible_questions_are_refused(named: str, value: float) -> None:
    asked = {"stations": 10} | {named: value}
    with pytest.raises(InputError, match="expected above 0 and below 1"):
        plan_stations(np.full(3, 0.5), **asked)  # type: ignore[arg-type]


@pytest.mark.parametrize("rho", [0.01, 0.05, 0.2])
@pytest.mark.parametrize("seeds", [110, 150, 220])
def test_odds_of_a_stand_are_beta_binomial(rho: float, seeds: int) -> None:
    share = np.linspace(0.5, 0.9, 41)
    strength = (1 - rho) / rho
    exact = stats.betabinom.sf(99, seeds, share * strength, (1 - share) * strength).mean()
    odds = odds_of_stand(row_shares(share, np.full(41, rho)), seeds, 100)
    assert odds == pytest.approx(exact, abs=0.01)


def test_fewest_seeds_reach_the_odds_and_one_less_does_not() -> None:
    share, rho = np.linspace(0.6, 0.9, 200), np.full(200, 0.04)
    seeds = seeds_for_stand(share, rho, 100)
    assert seeds is not None
    shares = row_shares(share, rho)
    assert odds_of_stand(shares, seeds, 100) >= 0.8
    assert odds_of_stand(shares, seeds - 1, 100) < 0.8
    assert seeds_for_stand(np.zeros(5), np.full(5, 0.04), 10) is None


def test_certain_seed_needs_as_many_as_plants() -> None:
    assert seeds_for_stand(np.full(4, 1.0), np.full(4, 1e-6), 30) == 30
    with pytest.raises(InputError):
        seeds_for_stand(np.full(4, 1.0), np.full(4, 0.01), 0)


@pytest.mark.parametrize(("stations", "target"), [(10, 0.95), (20, 0.95), (7, 0.5), (400, 0.9)])
def test_luck_of_few_stations_is_the_binomial_tail(stations: int, target: float) -> None:
    """Ten stations are 95 % filled only when all ten are; by scipy's binomial."""
    share = np.array([0.55, 0.7, 0.8])
    plan = plan_stations(share, stations=stations, target_filled=target)
    for choice in plan.choices:
        filled = 1.0 - (1.0 - share) ** choice.seeds
        least = next(k for k in range(stations + 1) if k / stations >= target)
        odds = stats.binom.sf(least - 1, stations, filled)
        assert choice.odds_reached == pytest.approx(odds.mean(), abs=1e-9)


def test_the_odds_hold_for_few_stations() -> None:
    """Two seeds at 0.7 fill 0.91; 27 of 30 stations or more come in 72 of 100 rows (binomial)."""
    short = plan_stations(np.full(1, 0.7), stations=30, target_filled=0.9)
    assert short.choices[1].odds_reached == pytest.approx(stats.binom.sf(26, 30, 0.91))
    assert short.chosen is not None
    assert short.chosen.seeds == 3
    long = plan_stations(np.full(1, 0.7), stations=2000, target_filled=0.9)
    assert long.chosen is not None
    assert long.chosen.seeds == 2


@pytest.mark.parametrize("stations", [20, 40, 200])
def test_odds_are_those_of_rows_sown_one_by_one(stations: int) -> None:
    """Rows simulated seed by seed: the share that emerges is drawn for the row, then each seed."""
    rng = np.random.default_rng(stations)
    share = rng.beta(14, 6, 20_000)
    plan = plan_stations(share, stations=stations, target_filled=0.9)
    for choice in plan.choices:
        up = rng.random((4_000, stations, choice.seeds)) < share[:4_000, None, None]
        filled = up.any(axis=2).mean(axis=1)
        assert choice.odds_reached == pytest.approx((filled >= 0.9 - 1e-9).mean(), abs=0.03)


def test_a_single_seed_leaves_nothing_to_thin() -> None:
    plan = plan_stations(np.full(3, 0.05), stations=30)
    assert f"{plan.choices[0].surplus_per_station:.1f}" == "0.0"


def test_odds_are_the_binomial_tail() -> None:
    for seeds, plants in ((30, 20), (20, 20), (100, 1)):
        expected = stats.binom(seeds, 0.7).sf(plants - 1)
        assert odds_of_stand(np.array([0.7]), seeds, plants) == pytest.approx(expected, rel=1e-9)
    mixed = odds_of_stand(np.array([0.4, 0.8]), 30, 18)
    assert mixed == pytest.approx(np.mean([stats.binom(30, p).sf(17) for p in (0.4, 0.8)]))


def test_rows_vary_as_a_beta() -> None:
    shares = row_shares(np.array([0.7, 0.0]), np.array([0.1, 0.1]))
    law = stats.beta(0.7 * 9, 0.3 * 9)
    assert shares[0] == pytest.approx(law.ppf((np.arange(16) + 0.5) / 16))
    assert (shares[1] == 0).all()


@pytest.mark.parametrize(("p", "plants"), [(0.7, 40), (0.9, 5), (0.35, 120), (0.99, 1)])
def test_the_fewest_seeds_that_do(p: float, plants: int) -> None:
    shares, rho = np.full(50, p), np.full(50, 0.05)
    seeds = seeds_for_stand(shares, rho, plants)
    assert seeds is not None
    rows = row_shares(shares, rho)
    assert odds_of_stand(rows, seeds, plants) >= 0.8
    assert odds_of_stand(rows, seeds - 1, plants) < 0.8
    law = stats.betabinom(seeds, p * 19, (1 - p) * 19)
    assert law.sf(plants - 1) > 0.78


def test_what_no_number_of_seeds_gives() -> None:
    rho = np.full(10, 0.05)
    assert seeds_for_stand(np.full(10, 1e-4), rho, 50) is None
    for plants in (0, -1, 1_000_001):
        with pytest.raises(InputError, match="expected 1 to 1000000"):
            seeds_for_stand(np.full(10, 0.8), rho, plants)
