"""The blocked comparison against statsmodels' least squares on treatment and block."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS, WLS

from thermosprout.trials.analysis.block_model import BlockedFit, fit_blocked

RNG = np.random.default_rng(11)
TREATMENT = np.array([0, 1, 2, 0, 1, 2, 0, 1, 2, 0, 1, 2, 0, 1])
BLOCK = np.array([0, 0, 0, 1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4])
SCORE = 0.4 * TREATMENT + 0.8 * RNG.normal(size=5)[BLOCK] + 0.2 * RNG.normal(size=14)
WEIGHT = RNG.uniform(0.5, 2.0, 14)


def library(weights: np.ndarray) -> tuple[object, object]:
    """Weighted least squares with blocks, with and without the treatments."""
    blocks = np.eye(5)[BLOCK]
    others = np.eye(3)[TREATMENT][:, 1:]
    full = WLS(SCORE, np.hstack([others, blocks]), weights=weights).fit()
    return full, WLS(SCORE, blocks, weights=weights).fit()


def ours(weights: np.ndarray | None = None, **changed: float) -> BlockedFit:
    return fit_blocked(
        SCORE, TREATMENT, BLOCK, 3, weights=weights, **({"least_variance": 0.0} | changed)
    )  # type: ignore[arg-type]


@pytest.mark.parametrize("weights", [None, WEIGHT])
def test_contrasts_and_their_errors_are_those_of_least_squares(weights: np.ndarray | None) -> None:
    scaled = np.ones(14) if weights is None else weights / weights.mean()
    full, without = library(scaled)
    found = ours(weights)
    assert found.blocked
    assert found.df == full.df_resid
    assert found.error_variance == pytest.approx(full.scale, rel=1e-9)
    assert found.weights == pytest.approx(scaled)
    assert found.overall_p == pytest.approx(full.compare_f_test(without)[1], rel=1e-6)
    for a, b, row in ((1, 0, [1, 0]), (2, 0, [0, 1]), (2, 1, [-1, 1])):
        test = full.t_test(np.array([[*row, 0, 0, 0, 0, 0]]))
        contrast = found.contrast(a, b)
        assert contrast is not None
        assert contrast.estimate == pytest.approx(test.effect[0], rel=1e-9)
        assert contrast.standard_error == pytest.approx(test.sd[0, 0], rel=1e-9)
        assert contrast.p_value == pytest.approx(float(test.pvalue), rel=1e-6)
        low, high = test.conf_int(0.1)[0]
        assert contrast.half_width(0.9) == pytest.approx((high - low) / 2, rel=1e-6)
        assert contrast.df == found.df


def test_plots_alike_by_chance_prove_nothing() -> None:
    score = np.array([1.0, 2.0, 1.0, 2.0, 1.0, 2.0])
    fit = fit_blocked(
        score, np.array([0, 1] * 3), np.repeat([0, 1, 2], 2), 2, least_variance=0.09
    )  # fmt: skip
    assert fit.error_variance == pytest.approx(0.09)
    contrast = fit.contrast(1, 0)
    assert contrast is not None
    assert contrast.standard_error == pytest.approx(np.sqrt(2 * 0.09 / 3))
    assert fit.overall_p == pytest.approx(stats.f.sf(1.5 / 0.09, 1, 2))


def test_a_treatment_without_plots_has_no_effect_to_compare() -> None:
    fit = fit_blocked(SCORE, TREATMENT, BLOCK, 4, least_variance=0.0)
    assert np.isnan(fit.effects[3])
    assert np.isfinite(fit.effects[:3]).all()
    assert np.isnan(fit.means[3])
    assert fit.contrast(3, 0) is None
    assert fit.contrast(1, 0) is not None
    assert fit.contrast(1, 1) is None


def test_without_replicates_there_is_no_error_and_no_interval() -> None:
    fit = fit_blocked(np.array([1.0, 2.0]), np.array([0, 1]), np.zeros(2, int), 2,
                      least_variance=0.01)  # fmt: skip
    assert fit.df == 0
    assert np.isnan(fit.error_variance)
    assert np.isnan(fit.overall_p)
    assert np.isnan(fit.mean_half_width).all()
    assert fit.means.tolist() == [1.0, 2.0]
    assert not fit.blocked
    assert fit.contrast(1, 0) is None


def test_means_without_blocks_have_a_one_way_interval() -> None:
    """Plots of a treatment that scatter like no others have the interval of their own t."""
    score = np.array([1.0, 9.4, 4.9, 2.0, 2.3, 2.2])
    fit = fit_blocked(score, np.repeat([0, 1], 3), np.zeros(6, int), 2, least_variance=0.0)
    assert fit.means == pytest.approx([score[:3].mean(), score[3:].mean()])
    for mine, half in zip((score[:3], score[3:]), fit.mean_half_width, strict=True):
        low, high = stats.t.interval(0.9, 2, mine.mean(), stats.sem(mine))
        assert half == pytest.approx((high - low) / 2, rel=1e-9)
    assert fit.df == 4


def test_one_degree_of_freedom_is_enough_for_an_error() -> None:
    """Two blocks of two treatments: a paired t test with one degree of freedom."""
    score = np.array([1.0, 3.0, 2.0, 4.5])
    fit = fit_blocked(
        score, np.array([0, 1, 0, 1]), np.array([0, 0, 1, 1]), 2, least_variance=0.0
    )  # fmt: skip
    assert fit.df == 1
    contrast = fit.contrast(1, 0)
    assert contrast is not None
    expected = stats.ttest_rel(score[[1, 3]], score[[0, 2]])
    assert contrast.p_value == pytest.approx(expected.pvalue, rel=1e-9)
    assert fit.overall_p == pytest.approx(expected.pvalue, rel=1e-6)
    # Means of two plots each have an interval too.
    assert np.isfinite(fit.mean_half_width).all()


def test_a_treatment_alone_in_its_block_is_compared() -> None:
    treatment, block = np.array([0, 1, 0, 1, 2]), np.array([0, 0, 1, 1, 2])
    score = np.array([1.0, 3.0, 2.0, 4.5, 7.0])
    fit = fit_blocked(score, treatment, block, 3, least_variance=0.0)
    assert not fit.blocked
    library = OLS(score, np.eye(3)[treatment]).fit()
    assert fit.df == library.df_resid == 2
    assert fit.error_variance == pytest.approx(library.scale)
    contrast = fit.contrast(2, 0)
    assert contrast is not None
    assert contrast.estimate == pytest.approx(7.0 - 1.5)
    assert contrast.standard_error == pytest.approx(library.t_test([[-1, 0, 1]]).sd[0, 0])


def test_a_treatment_of_one_plot_has_no_interval() -> None:
    score = np.array([1.0, 1.6, 2.0])
    fit = fit_blocked(score, np.array([0, 0, 1]), np.zeros(3, int), 2, least_variance=0.0)
    half = stats.t.ppf(0.95, 1) * np.std(score[:2], ddof=1)
    assert fit.mean_half_width[0] == pytest.approx(half / np.sqrt(2))
    assert np.isnan(fit.mean_half_width[1]), "one plot does not scatter"
