"""The smallest p a permutation can give, after adjustment for all pairs of a measure."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION
from thermosprout.trials.analysis.pairs import blocks_for_p
from thermosprout.trials.analysis.results import TrialResult

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
