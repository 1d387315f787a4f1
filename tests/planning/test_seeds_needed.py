"""Seeds for a stand against scipy's binomial and beta-binomial."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from thermosprout.errors import InputError
from thermosprout.planning.options import odds_of_stand, row_shares, seeds_for_stand


def test_odds_are_the_binomial_tail() -> None:
    for seeds, plants in ((30, 20), (20, 20), (100, 1)):
        expected = stats.binom(seeds, 0.7).sf(plants - 1)
        assert odds_of_stand(np.array([0.7]), seeds, plants) == pytest.approx(expected, rel=1e-9)
    assert odds_of_stand(np.array([0.7]), 19, 20) == 0.0
    assert odds_of_stand(np.array([0.1]), 5, 0) == 1.0
    mixed = odds_of_stand(np.array([0.4, 0.8]), 30, 18)
    assert mixed == pytest.approx(np.mean([stats.binom(30, p).sf(17) for p in (0.4, 0.8)]))


def test_rows_vary_as_a_beta() -> None:
    found = row_shares(np.array([0.7, 0.0]), np.array([0.1, 0.1]))
    law = stats.beta(0.7 * 9, 0.3 * 9)
    assert found[0] == pytest.approx(law.ppf((np.arange(16) + 0.5) / 16))
    assert (found[1] == 0).all()


@pytest.mark.parametrize(("p", "plants"), [(0.7, 40), (0.9, 5), (0.35, 120), (0.99, 1)])
def test_the_fewest_seeds_that_do(p: float, plants: int) -> None:
    shares, rho = np.full(50, p), np.full(50, 0.05)
    found = seeds_for_stand(shares, rho, plants)
    assert found is not None
    rows = row_shares(shares, rho)
    assert odds_of_stand(rows, found, plants) >= 0.8
    assert odds_of_stand(rows, found - 1, plants) < 0.8
    law = stats.betabinom(found, p * 19, (1 - p) * 19)
    assert law.sf(plants - 1) > 0.78
    sure = seeds_for_stand(shares, rho, plants, confidence=0.95)
    assert sure is not None
    assert sure >= found


def test_what_no_number_of_seeds_gives() -> None:
    rho = np.full(10, 0.05)
    assert seeds_for_stand(np.full(10, 1e-4), rho, 50) is None
    for plants in (0, -1, 1_000_001):
        with pytest.raises(InputError, match="expected 1 to 1000000"):
            seeds_for_stand(np.full(10, 0.8), rho, plants)
    for confidence in (0.0, 1.0):
        with pytest.raises(InputError, match="expected between 0 and 1"):
            seeds_for_stand(np.full(10, 0.8), rho, 5, confidence=confidence)
