"""Regression of counts against statsmodels and scipy."""

from __future__ import annotations

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats

from thermosprout.errors import FitError
from thermosprout.trials.analysis.betabinomial import fit_betabinomial, plot_correlation

RNG = np.random.default_rng(5)
SEEDS = np.repeat([40, 60], 30)
DESIGN = np.stack([np.ones(60), np.tile([0.0, 1.0], 30)], axis=1)
MEAN = np.where(DESIGN[:, 1] > 0, 0.75, 0.55)
RHO = 0.08
COUNTS = RNG.binomial(
    SEEDS, RNG.beta(MEAN * (1 - RHO) / RHO, (1 - MEAN) * (1 - RHO) / RHO)
)  # fmt: skip


def test_without_correlation_it_is_logistic_regression() -> None:
    found = fit_betabinomial(COUNTS, SEEDS, DESIGN, correlation=0.0)
    library = sm.GLM(
        np.stack([COUNTS, SEEDS - COUNTS], axis=1), DESIGN, family=sm.families.Binomial()
    ).fit()
    assert found.coefficients == pytest.approx(library.params, rel=1e-5)
    assert found.standard_errors == pytest.approx(library.bse, rel=1e-4)
    expected = stats.binom(SEEDS, library.fittedvalues).logpmf(COUNTS).sum()
    assert found.log_likelihood == pytest.approx(expected, rel=1e-9)
    assert found.correlation == 0.0


def test_likelihood_at_the_fit_is_scipys_and_a_maximum() -> None:
    def at(beta: np.ndarray, rho: float) -> float:
        mean = 1 / (1 + np.exp(-DESIGN @ beta))
        strength = (1 - rho) / rho
        law = stats.betabinom(SEEDS, mean * strength, (1 - mean) * strength)
        return float(law.logpmf(COUNTS).sum())

    found = fit_betabinomial(COUNTS, SEEDS, DESIGN)
    best = at(found.coefficients, found.correlation)
    assert found.log_likelihood == pytest.approx(best, rel=1e-9)
    for step in ([0.01, 0.0], [-0.01, 0.0], [0.0, 0.01], [0.0, -0.01]):
        assert at(found.coefficients + step, found.correlation) < best
    for other in (0.95, 1.05):
        assert at(found.coefficients, other * found.correlation) < best
    assert found.correlation == pytest.approx(RHO, abs=0.04)
    # Errors from the curvature of scipy's likelihood, correlation and all.
    centre = np.r_[found.coefficients, np.log(found.correlation / (1 - found.correlation))]

    def loss(theta: np.ndarray) -> float:
        return -at(theta[:2], 1 / (1 + np.exp(-theta[2])))

    h = 1e-3
    table = np.empty((3, 3))
    for i in range(3):
        for j in range(3):
            a, b = h * np.eye(3)[i], h * np.eye(3)[j]
            table[i, j] = (
                loss(centre + a + b) - loss(centre + a - b)
                - loss(centre - a + b) + loss(centre - a - b)
            ) / (4 * h * h)  # fmt: skip
    errors = np.sqrt(np.diag(np.linalg.inv(table)))[:2]
    assert found.standard_errors == pytest.approx(errors, rel=1e-3)


def test_a_correlation_held_is_the_one_reported_and_kept_below_one() -> None:
    held = fit_betabinomial(COUNTS, SEEDS, DESIGN, correlation=0.2)
    assert held.correlation == pytest.approx(0.2)
    assert held.coefficients.shape == held.standard_errors.shape == (2,)
    free = fit_betabinomial(COUNTS, SEEDS, DESIGN)
    assert held.log_likelihood < free.log_likelihood
    assert (held.standard_errors > free.standard_errors).all()
    assert fit_betabinomial(COUNTS, SEEDS, DESIGN, correlation=3.0).correlation == 0.999


def test_counts_as_even_as_chance_have_no_correlation() -> None:
    even = np.array([20, 21, 19, 20, 20, 20])
    assert fit_betabinomial(even, np.full(6, 40), np.ones((6, 1))).correlation == 0.0
    assert plot_correlation(even, np.full(6, 40), np.zeros(6)) == 0.0


def test_correlation_by_moments_is_williams_statistic_in_closed_form() -> None:
    """One group of m plots of n seeds: (X2 - (m - 1)) / ((m - 1)(n - 1)), X2 Pearson's."""
    y, n = np.array([10.0, 25.0, 18.0, 31.0]), 40.0
    p = y.sum() / (4 * n)
    pearson = ((y - n * p) ** 2 / (n * p * (1 - p))).sum()
    expected = (pearson - 3) / (3 * (n - 1))
    assert plot_correlation(y, np.full(4, n), np.zeros(4)) == pytest.approx(expected, rel=1e-12)
    # A group in which all came, and a plot without seeds, add nothing.
    more = plot_correlation([*y, 9, 9, 0], [*[n] * 4, 9, 9, 0], [0, 0, 0, 0, 1, 1, 0])
    assert more == pytest.approx(expected, rel=1e-12)
    assert plot_correlation([0, 40, 0, 40], np.full(4, 40), np.zeros(4)) == 0.99


def test_a_design_that_does_not_fit_is_refused() -> None:
    with pytest.raises(FitError, match="did not settle"):
        fit_betabinomial([5.0, np.inf], [np.inf, np.inf], np.ones((2, 1)), correlation=0.0)


def test_every_count_must_lie_within_its_plot() -> None:
    from thermosprout.errors import InputError

    for emerged, seeds in (([3, 5], [2, 9]), ([-1, 5], [2, 9])):
        with pytest.raises(InputError, match="between 0 and the seeds"):
            fit_betabinomial(emerged, seeds, np.ones((2, 1)))
    with pytest.raises(InputError, match="between 0 and the seeds"):
        fit_betabinomial([1, 2], [2, 9], np.ones((3, 1)))
