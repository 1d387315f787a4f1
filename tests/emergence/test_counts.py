"""Likelihood of counts against scipy's beta-binomial and multinomial."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from scipy.special import gammaln

from tests.emergence.count_check import count_log_likelihood
from thermosprout.emergence.count_likelihood import (
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


def test_what_a_draw_rules_out_stays_finite() -> None:
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


def test_increments_are_what_came_since_the_last_look() -> None:
    assert increments([0, 3, 3, 20], 20).tolist() == [0, 3, 0, 17]
    assert increments([], 20).tolist() == []
    with pytest.raises(InputError, match="falls from 7 to 5"):
        increments([2, 7, 5, 9], 20)
    with pytest.raises(InputError, match="falls from 0 to -1"):
        increments([-1, 7], 20)
    with pytest.raises(InputError, match="21 seedlings were counted but 20 seeds"):
        increments([2, 21], 20)


def test_bounds_keep_every_likelihood_finite() -> None:
    one = np.ones(1)
    # A share of nothing counts as one in a million million; all but nothing likewise.
    least = stand_log_likelihood(np.array(3.0), np.array(9.0), 0 * one, 1e-7 * one)
    assert least[0] == pytest.approx(3 * np.log(1e-12) + 6 * np.log1p(-1e-12), rel=1e-12)
    most = stand_log_likelihood(np.array(7.0), np.array(9.0), one, 1e-7 * one)
    assert most[0] == pytest.approx(2 * np.log(1e-12), rel=1e-5)
    # What a draw rules out weighs as 1e-300.
    found = timing_log_likelihood(np.array([[0.0, 0.6]]), np.array([3.0, 1.0]))
    assert found[0] == pytest.approx(3 * np.log(1e-300) + np.log(0.6) - 4 * np.log(0.6), rel=1e-12)
    none = timing_log_likelihood(np.zeros((1, 2)), np.array([2.0, 0.0]))
    assert none[0] == pytest.approx(2 * np.log(1e-300) - 2 * np.log(1e-300), abs=1e-9)
    # Correlations stay off nothing and off all.
    shown, share = np.array([0.0, 1.0, 1.0, 0.5]), np.array([0.5, 1.0, 0.5, 0.5])
    rho = np.array([0.3, 0.3, 1.0, 1e-9])
    assert partial_rho(shown, share, rho) == pytest.approx([1e-7, 1e-7, 1 - 1e-9, 1e-7], rel=1e-12)


@pytest.mark.parametrize("rho", [2.1e-7, 5e-6, 1e-3, 0.5, 0.999])
def test_any_correlation_from_next_to_none_to_next_to_all(rho: float) -> None:
    n, p = 40, 0.35
    k = np.arange(41.0)
    strength = (1 - rho) / rho
    ways = gammaln(n + 1) - gammaln(k + 1) - gammaln(n - k + 1)
    expected = stats.betabinom(n, p * strength, (1 - p) * strength).logpmf(k) - ways
    found = stand_log_likelihood(k, np.array(40.0), np.array(p), np.array(rho))
    # Next to the binomial differences of gammas lose digits.
    assert found == pytest.approx(expected, rel=1e-9, abs=1e-8 / rho**0.5 * 1e-2 + 1e-9)


def test_an_empty_row_is_judged_by_its_stand() -> None:
    shown = np.array([[0.25, 0.5], [0.0, 0.9]])
    share, rho = np.array([0.7, 0.4]), np.array([0.1, 0.3])
    found = count_log_likelihood(shown, np.zeros(2), 15.0, share, rho)
    for draw in range(2):
        last = shown[draw, 1]
        part = last * (1 - share[draw]) * rho[draw] / (1 - share[draw] * last)
        strength = (1 - part) / part
        p = share[draw] * last
        expected = stats.betabinom(15, p * strength, (1 - p) * strength).logpmf(0)
        assert found[draw] == pytest.approx(expected, rel=1e-9)


def test_a_count_may_stay_or_reach_the_seeds_planted() -> None:
    assert increments([0, 0, 20, 20], 20).tolist() == [0, 0, 20, 0]
    with pytest.raises(InputError, match="falls from 9 to 8"):
        increments([9, 8, 3], 20)
    with pytest.raises(InputError, match="falls from 0 to -2"):
        increments([0, -2], 20)


def test_inspections_run_along_the_last_axis_whatever_comes_before() -> None:
    shown = np.array([0.2, 0.5, 0.8])
    new = np.array([4.0, 0.0, 7.0])
    expected = 4 * np.log(0.2 / 0.8) + 7 * np.log(0.3 / 0.8)
    for shape in ((3,), (2, 3), (2, 4, 3)):
        found = timing_log_likelihood(np.broadcast_to(shown, shape), np.broadcast_to(new, shape))
        assert found.shape == shape[:-1]
        assert found == pytest.approx(np.full(shape[:-1], expected), rel=1e-12)
