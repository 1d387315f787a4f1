"""Permutation against scipy's own test, its smallest p after adjustment, and what is said of it."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION
from thermosprout.trials.analysis.pairs import PermutationTest, blocks_for_p, permute_within_blocks
from thermosprout.trials.analysis.results import TrialResult

FloatArray = npt.NDArray[np.float64]


def one_block(
    a: FloatArray, b: FloatArray, seed: int = 0, resamples: int = 9_999
) -> PermutationTest:
    found = permute_within_blocks(
        np.r_[a, b], np.r_[np.full(a.size, True), np.full(b.size, False)],
        np.zeros(a.size + b.size, int), rng=np.random.default_rng(seed), resamples=resamples,
    )  # fmt: skip
    assert found is not None
    return found


def gap(a: FloatArray, b: FloatArray, axis: int = -1) -> FloatArray:
    return np.asarray(np.mean(a, axis=axis) - np.mean(b, axis=axis))


def by_scipy(a: FloatArray, b: FloatArray, resamples: int) -> float:
    found = stats.permutation_test(
        (a, b), gap, vectorized=True, n_resamples=resamples, rng=np.random.default_rng(9)
    )
    return float(found.pvalue)


def test_the_greatest_difference_has_the_smallest_p() -> None:
    """Phipson & Smyth (2010), Stat. Appl. Genet. Mol. Biol. 9:39: p is never zero."""
    a, b = np.arange(24.0, 36.0), np.arange(12.0)
    found = one_block(a, b)
    assert found.exact is False
    assert found.arrangements == math.comb(24, 12)
    assert found.smallest_p == found.p_value == pytest.approx(1e-4)
    assert found.mid_p == pytest.approx(0.5e-4)
    fewer = one_block(a, b, resamples=199)
    assert fewer.smallest_p == fewer.p_value == pytest.approx(1 / 200)


@pytest.mark.parametrize("shift", [0.0, 0.4, 0.9])
@pytest.mark.parametrize("plots", [10, 12, 30])
def test_p_of_a_large_block_is_that_of_scipy(plots: int, shift: float) -> None:
    rng = np.random.default_rng([plots, int(10 * shift)])
    a, b = rng.normal(shift, 1.0, plots), rng.normal(0.0, 1.0, plots)
    found = one_block(a, b)
    assert not found.exact
    expected = by_scipy(a, b, 40_000)
    error = math.sqrt(expected * (1.0 - expected) * (1 / 9_999 + 4 / 40_000)) + 1e-4
    assert found.p_value == pytest.approx(expected, abs=4.0 * error)


def test_nine_against_nine_is_listed_as_by_scipy() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(0.8, 1.0, 9), rng.normal(0.0, 1.0, 9)
    found = one_block(a, b)
    assert (found.exact, found.arrangements) == (True, math.comb(18, 9))
    assert found.p_value == pytest.approx(by_scipy(a, b, 10**6), abs=1e-12)
    assert found.smallest_p == pytest.approx(2 / math.comb(18, 9))


def test_a_large_block_has_the_p_of_many_shuffles() -> None:
    """Labels shuffled one trial at a time, the statistic that of least squares on blocks."""
    rng = np.random.default_rng(6)
    block = np.r_[np.zeros(24, int), np.repeat([1, 2, 3], 4)]
    is_a = np.r_[np.tile([True, False], 12), np.tile([True, False, False, False], 3)]
    score = rng.normal(size=36) + 0.5 * is_a + block
    found = permute_within_blocks(score, is_a, block, rng=np.random.default_rng(1))
    assert found is not None
    assert not found.exact
    assert found.arrangements == math.comb(24, 12) * 4**3
    dummies = (block[:, None] == np.arange(4)).astype(float)

    def effect(labels: npt.NDArray[np.bool_]) -> float:
        design = np.column_stack([labels.astype(float), dummies])
        return float(np.linalg.lstsq(design, score, rcond=None)[0][0])

    assert found.statistic == pytest.approx(effect(is_a))
    sizes = []
    for _ in range(3_000):
        labels = is_a.copy()
        for b in range(4):
            labels[block == b] = rng.permutation(is_a[block == b])
        sizes.append(abs(effect(labels)))
    expected = (np.sum(np.array(sizes) >= abs(found.statistic)) + 1) / 3_001
    error = math.sqrt(expected * (1.0 - expected) * (1 / 9_999 + 1 / 3_000))
    assert found.p_value == pytest.approx(expected, abs=4.0 * error)


def test_p_of_large_blocks_without_a_difference_is_uniform() -> None:
    """600 trials of 12 + 12 plots: by Kolmogorov and Smirnov, and how often at the usual levels."""
    rng = np.random.default_rng(11)
    p = np.array(
        [
            one_block(rng.normal(size=12), rng.normal(size=12), trial, 999).p_value
            for trial in range(600)
        ]
    )
    assert p.min() > 0
    assert stats.kstest(p, "uniform").pvalue > 0.01
    for level in (0.01, 0.05, 0.2):
        assert (p <= level).mean() == pytest.approx(
            level, abs=3.3 * math.sqrt(level * (1 - level) / 600)
        )


def test_mid_p_of_random_arrangements_is_the_full_one() -> None:
    """Half of what is equal to what was seen (Lancaster 1961, J. Am. Stat. Assoc. 56:223-234)."""
    # Seven of ten plots against three of ten: the sum of a is hypergeometric, 184 756 ways.
    is_a, block = np.arange(20) < 10, np.zeros(20, int)
    score = np.repeat([1.0, 0.0, 1.0, 0.0], [7, 3, 3, 7])
    drawn = permute_within_blocks(
        score, is_a, block, rng=np.random.default_rng(0), resamples=40_000
    )
    assert drawn is not None
    assert not drawn.exact
    law = stats.hypergeom(20, 10, 10)
    tail, equal = law.cdf(3) + law.sf(6), law.pmf(3) + law.pmf(7)
    # Four standard errors of a share of 40 000.
    assert drawn.p_value == pytest.approx(tail, abs=0.01)
    assert drawn.mid_p == pytest.approx(tail - equal / 2, abs=0.01)
    assert drawn.p_value - drawn.mid_p > 0.05


NAMES = ("direct", "soaked", "presprouted", "primed")


def trial(treatments: int, blocks: int) -> TrialResult:
    """Treatments so far apart that every arrangement is the most extreme one."""
    return analyse(
        many_trials(
            np.random.default_rng(treatments), 1, blocks, NAMES[:treatments],
            (16.0, 11.0, 7.5, 5.0)[:treatments], (0.9,) * treatments, seeds=80,
            looks=np.arange(1.0, 41.0),
        )
    )  # fmt: skip


def cautions_of(result: TrialResult) -> list[str]:
    return [sentence for sentence in result.warnings if "permutation check" in sentence]


@pytest.mark.parametrize(("treatments", "pairs"), [(2, 1), (3, 3), (4, 6), (12, 66)])
def test_blocks_named_are_the_fewest_that_reach_p(treatments: int, pairs: int) -> None:
    assert treatments * (treatments - 1) // 2 == pairs
    blocks = blocks_for_p(0.05, pairs)
    for number, reaches in ((blocks, True), (blocks - 1, False)):
        family = np.full(pairs, 2.0 * 0.5**number)
        assert (multipletests(family, method="holm")[1].max() <= 0.05) is np.bool_(reaches)


@pytest.mark.parametrize(("treatments", "needed"), [(2, 6), (3, 7), (4, 8)])
def test_a_block_too_few_says_how_many_would_do(treatments: int, needed: int) -> None:
    few, enough = trial(treatments, needed - 1), trial(treatments, needed)
    (sentence,) = cautions_of(few)
    assert f"{needed} blocks of one plot per treatment would do" in sentence
    assert cautions_of(enough) == []
    times = "t50_since_planted_d"
    told = [
        [d.p_adjusted or 0.0 for d in result.differences
         if d.measure == times and d.method == BY_PERMUTATION]
        for result in (few, enough)
    ]  # fmt: skip
    assert min(told[0]) > 0.05
    assert max(told[1]) <= 0.05
    assert f"{min(told[0]):.2g};" in sentence
    assert ("adjusted for" in sentence) is (treatments > 2)
