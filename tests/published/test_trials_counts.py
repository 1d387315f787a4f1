"""Counts of plots against published analyses and general libraries."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pytest
from scipy import optimize, stats
from scipy.special import expit
from statsmodels.genmod.families import Binomial
from statsmodels.genmod.generalized_linear_model import GLM
from statsmodels.stats.proportion import proportion_confint

from tests.published.printed_data import orobanche_plates
from thermosprout.trials.analysis.block_model import fit_blocked
from thermosprout.trials.analysis.compare import interaction_p
from thermosprout.trials.analysis.measures import plot_correlation, wilson
from thermosprout.trials.analysis.pairs import permute_within_blocks


def test_orobanche_correlation_is_that_of_the_pearson_statistic() -> None:
    """Crowder (1978) by Williams (1982), from the residuals and leverages of statsmodels.

    The statistic, 31.65 on 17 degrees of freedom, and the deviance, 33.28, are those of the
    "Seeds" example of BUGS, vol. 1 (from memory).
    """
    germinated, seeds, group = orobanche_plates()
    counts = np.column_stack([germinated, seeds - germinated])
    fit = GLM(counts, np.eye(4)[group], family=Binomial()).fit()
    assert fit.pearson_chi2 == pytest.approx(31.65, abs=0.005)
    assert fit.deviance == pytest.approx(33.28, abs=0.005)
    free = 1.0 - fit.get_hat_matrix_diag()
    moments = (fit.pearson_chi2 - free.sum()) / (free * (seeds - 1.0)).sum()
    assert plot_correlation(germinated, seeds, group) == pytest.approx(moments, abs=1e-6)


def test_orobanche_correlation_lies_in_the_beta_binomial_interval() -> None:
    """Crowder (1978) fitted a beta-binomial; here by scipy, 90 % interval of its likelihood."""
    germinated, seeds, group = orobanche_plates()

    def misfit(means: np.ndarray, correlation: float) -> float:
        share, size = expit(means)[group], 1.0 / correlation - 1.0
        return -float(
            stats.betabinom.logpmf(germinated, seeds, share * size, (1 - share) * size).sum()
        )

    def profile(correlation: float) -> float:
        return float(optimize.minimize(misfit, np.zeros(4), args=(correlation,)).fun)

    ours = plot_correlation(germinated, seeds, group)
    best = optimize.minimize_scalar(profile, bounds=(1e-4, 0.2), method="bounded")
    print(f"correlation {ours:.4f} by moments, {best.x:.4f} at the greatest likelihood")
    assert profile(ours) - best.fun < 0.5 * stats.chi2.ppf(0.9, 1)
    assert profile(0.1) - best.fun > 0.5 * stats.chi2.ppf(0.9, 1)


def test_tree_seed_pretreatments(shared: Path) -> None:
    """Williams, Harwood & Matheson (2023), CSIRO, example 4.3, as printed for eda4treeR.

    Means 2.0, 56.89, 65.78, 80.89; residual sum of squares 4477 on 46 degrees of freedom;
    control against treated F = 601.5.
    """
    table = pd.read_csv(shared / "data" / "trials" / "tree_seedlots_pretreatments.csv")
    percent = (100.0 * table["germinated"] / table["seeds"]).to_numpy()
    names = ["control", "nick", "bw&s", "bw1min"]
    code = pd.Categorical(table["pretreatment"], categories=names).codes.astype(int)
    lots = pd.factorize(table["seedlot"])[0]
    means = [percent[code == k].mean() for k in range(4)]
    assert means == pytest.approx([2.0, 56.89, 65.78, 80.89], abs=0.006)
    # The printed model: treatments within seed lots, replicates as blocks.
    fit = fit_blocked(
        percent, code * 6 + lots, pd.factorize(table["replicate"])[0], 24, least_variance=0.0
    )
    assert fit.df == 46
    assert fit.error_variance * fit.df == pytest.approx(4477, abs=0.5)
    contrast = np.repeat([1.0, -1 / 3, -1 / 3, -1 / 3], 6) / 6.0
    value = contrast @ fit.effects
    assert value**2 / (contrast @ fit.covariance @ contrast) == pytest.approx(601.5, abs=0.05)


def test_intervals_of_shares_as_statsmodels() -> None:
    for count, seeds in ((0, 10), (3, 10), (45, 50), (50, 50), (812, 1000)):
        ours = wilson(count, seeds, 0.9)
        assert ours == pytest.approx(proportion_confint(count, seeds, 0.1, "wilson"), abs=1e-12)


@pytest.mark.parametrize("blocks", [3, 5, 8])
def test_pairs_in_blocks_as_scipy(blocks: int) -> None:
    rng = np.random.default_rng(blocks)
    a, b = rng.normal(0.5, 1.0, blocks), rng.normal(0.0, 1.0, blocks)
    ours = permute_within_blocks(
        np.r_[a, b], np.repeat([True, False], blocks), np.tile(np.arange(blocks), 2), rng=rng
    )
    theirs = stats.permutation_test(
        (a, b), lambda x, y, axis: np.mean(x - y, axis=axis), permutation_type="samples",
        n_resamples=np.inf, vectorized=True,
    )  # fmt: skip
    assert ours is not None
    assert ours.exact
    assert ours.arrangements == 2**blocks
    assert ours.statistic == pytest.approx(theirs.statistic, abs=1e-12)
    assert ours.p_value == pytest.approx(theirs.pvalue, abs=1e-12)


def test_plots_in_one_random_order_as_scipy() -> None:
    rng = np.random.default_rng(11)
    a, b = rng.normal(0.8, 1.0, 5), rng.normal(0.0, 1.0, 4)
    ours = permute_within_blocks(
        np.r_[a, b], np.repeat([True, False], [5, 4]), np.zeros(9, dtype=int), rng=rng
    )
    assert ours is not None
    sums = [
        np.abs(np.r_[a, b][list(pick)].mean() - np.delete(np.r_[a, b], list(pick)).mean())
        for pick in __import__("itertools").combinations(range(9), 5)
    ]
    observed = abs(a.mean() - b.mean())
    assert ours.arrangements == 126
    assert ours.p_value == pytest.approx(np.mean(np.array(sums) >= observed - 1e-12), abs=1e-12)
    # Our p value counts what is as far from zero; scipy doubles the smaller tail. Where both
    # groups are of one size the two are the same thing.
    theirs = stats.permutation_test(
        (a[:4], b), lambda x, y, axis: x.mean(axis=axis) - y.mean(axis=axis),
        n_resamples=np.inf, vectorized=True,
    )  # fmt: skip
    same = permute_within_blocks(
        np.r_[a[:4], b], np.repeat([True, False], [4, 4]), np.zeros(8, dtype=int), rng=rng
    )
    assert same is not None
    assert same.p_value == pytest.approx(theirs.pvalue, abs=1e-12)


def test_two_treatments_in_blocks_are_a_paired_t_test() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.normal(1.0, 1.0, 6), rng.normal(0.0, 1.0, 6)
    fit = fit_blocked(
        np.r_[a, b], np.repeat([0, 1], 6), np.tile(np.arange(6), 2), 2, least_variance=0.0
    )
    contrast = fit.contrast(0, 1)
    assert contrast is not None
    assert contrast.p_value == pytest.approx(stats.ttest_rel(a, b).pvalue, rel=1e-10)
    low, high = stats.ttest_rel(a, b).confidence_interval(0.9)
    assert contrast.estimate - contrast.half_width(0.9) == pytest.approx(low)
    assert contrast.estimate + contrast.half_width(0.9) == pytest.approx(high)


def test_blocks_as_statsmodels_when_plots_are_missing_and_weighted() -> None:
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(9)
    table = pd.DataFrame(
        {"t": np.tile([0, 1, 2], 5), "b": np.repeat(np.arange(5), 3), "w": rng.uniform(0.5, 2, 15)}
    )
    table["y"] = rng.normal(size=15) + 0.5 * table["t"]
    table = table.drop(index=[3, 10]).reset_index(drop=True)
    fit = fit_blocked(
        table["y"].to_numpy(), table["t"].to_numpy(), table["b"].to_numpy(), 3,
        least_variance=0.0, weights=table["w"].to_numpy(),
    )  # fmt: skip
    other = smf.wls("y ~ C(t) + C(b)", table, weights=table["w"]).fit()
    contrast = fit.contrast(1, 0)
    assert contrast is not None
    assert contrast.estimate == pytest.approx(other.params["C(t)[T.1]"])
    assert contrast.p_value == pytest.approx(other.pvalues["C(t)[T.1]"])
    assert fit.overall_p == pytest.approx(
        other.compare_f_test(smf.wls("y ~ C(b)", table, weights=table["w"]).fit())[1]
    )


def test_varieties_by_treatments_as_the_f_test_of_statsmodels() -> None:
    import statsmodels.formula.api as smf

    rng = np.random.default_rng(21)
    table = pd.DataFrame(
        {
            "treatment": np.tile([0, 1, 2], 8),
            "block": np.repeat(np.arange(8), 3),
            "variety": np.repeat([0, 1], 12),
            "weight": rng.uniform(0.5, 2.0, 24),
        }
    )
    table["y"] = rng.normal(size=24) + 0.6 * table["treatment"] * table["variety"]
    group: Any = SimpleNamespace(
        treatment=table["treatment"].to_numpy(), block=table["block"].to_numpy(),
        stratum=table["variety"].to_numpy(), labels=("a", "b", "c"),
    )  # fmt: skip
    fitted: Any = SimpleNamespace(
        score=table["y"].to_numpy(), floor=0.0,
        fit=SimpleNamespace(weights=table["weight"].to_numpy()),
    )  # fmt: skip
    alike, apart = (
        smf.wls(f"y ~ C(block) + {terms}", table, weights=table["weight"]).fit()
        for terms in ("C(treatment)", "C(treatment):C(variety)")
    )
    assert interaction_p(group, fitted) == pytest.approx(apart.compare_f_test(alike)[1], rel=1e-9)
