"""Likelihood of counts against scipy's beta-binomial and multinomial."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import gammaln

from thermosprout.emergence.counts import (
    count_log_likelihood,
    increments,
    partial_rho,
    stand_log_likelihood,
    timing_log_likelihood,
)
from thermosprout.errors import InputError


@pytest.mark.parametrize("k", [0, 1, 17, 30])
@pytest.mark.parametrize(("p", "rho"), [(0.6, 0.15), (0.05, 0.4)])
def test_stand_is_the_beta_binomial_of_labelled_seeds(k: int, p: float, rho: float) -> None:
    n, strength = 30, (1 - rho) / rho
    expected = stats.betabinom(n, p * strength, (1 - p) * strength).logpmf(k)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    found = stand_log_likelihood(*(np.array([x]) for x in (float(k), float(n), p, rho)))
    assert found[0] == pytest.approx(expected - ways, rel=1e-9)


def test_without_correlation_it_is_the_binomial() -> None:
    n, k, p = 30.0, 12.0, 0.3
    expected = stats.binom(30, p).logpmf(12)
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    for rho in (1e-7, 2e-7, 1e-5):
        found = stand_log_likelihood(*(np.array([x]) for x in (k, n, p, rho)))
        assert found[0] == pytest.approx(expected - ways, abs=5e-3)


def test_timing_is_the_multinomial_given_how_many_came() -> None:
    shown = np.array([[0.2, 0.5, 0.8], [0.1, 0.3, 0.9]])
    new = np.array([4.0, 0.0, 7.0])
    found = timing_log_likelihood(shown, new)
    for row, value in zip(shown, found, strict=True):
        shares = np.diff(row, prepend=0.0) / row[-1]
        assert value == pytest.approx(4 * np.log(shares[0]) + 7 * np.log(shares[2]), rel=1e-12)


def test_what_a_draw_rules_out_is_all_but_impossible_yet_finite() -> None:
    found = timing_log_likelihood(np.array([[0.0, 0.6]]), np.array([3.0, 1.0]))
    assert np.isfinite(found).all()
    assert found[0] < -1000


def test_partly_shown_stand_has_the_variance_of_its_part() -> None:
    """Var of a part b of a beta share p: b^2 p (1 - p) rho, as a beta about b p."""
    b, p, rho = np.array([0.3, 1.0]), np.array([0.8, 0.8]), np.array([0.2, 0.2])
    found = partial_rho(b, p, rho)
    variance = b**2 * p * (1 - p) * rho
    assert b * p * (1 - b * p) * found == pytest.approx(variance, rel=1e-9)
    assert found[1] == pytest.approx(0.2)
    assert partial_rho(np.zeros(1), p[:1], rho[:1])[0] > 0
    assert partial_rho(np.ones(1), np.ones(1), rho[:1])[0] > 0


def test_a_rows_likelihood_is_timing_and_stand_together() -> None:
    shown, new = np.array([[0.25, 0.5, 0.75]]), np.array([2.0, 5.0, 3.0])
    share, rho = np.array([0.7]), np.array([0.1])
    found = count_log_likelihood(shown, new, 20.0, share, rho)
    part = partial_rho(np.array([0.75]), share, rho)
    stand = stand_log_likelihood(np.array(10.0), np.array(20.0), share * 0.75, part)
    assert found == pytest.approx(timing_log_likelihood(shown, new) + stand, rel=1e-12)


def test_increments_are_what_came_since_the_last_look() -> None:
    assert increments([0, 3, 3, 20], 20).tolist() == [0, 3, 0, 17]
    assert increments([], 20).tolist() == []
    with pytest.raises(InputError, match="falls from 7 to 5"):
        increments([2, 7, 5, 9], 20)
    with pytest.raises(InputError, match="falls from 0 to -1"):
        increments([-1, 7], 20)
    with pytest.raises(InputError, match="21 seedlings were counted but 20 seeds"):
        increments([2, 21], 20)
