"""The chance to show a difference among several treatments is after adjustment for all pairs."""

from __future__ import annotations

import numpy as np
import pytest
from statsmodels.stats.multitest import multipletests

from thermosprout.crops.catalogue import find_crop
from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.analysis.conclusions import blocks_needed, power_of_pairs, power_of_t
from thermosprout.trials.power import Trial, power, truths_of


def test_holm_agrees_with_statsmodels() -> None:
    p = np.random.default_rng(1).random((8, 6)) ** 3
    expected = np.stack([multipletests(row, method="holm")[1] for row in p])
    assert holm_adjusted(p) == pytest.approx(expected, abs=1e-12)


def test_more_treatments_make_it_harder_to_show_one_of_them() -> None:
    truths = truths_of(find_crop("carrot"), 10.0, depth_cm=1.3, trials=600, seed=1)
    chance = [
        power(
            Trial(treatments=count, blocks=5), truths, np.random.default_rng(2), later_d=3.0
        ).chance
        for count in (2, 3, 5)
    ]
    assert chance[0] > 0.2
    assert chance[1] < power_against_raw(truths) - 0.03
    assert chance[2] < chance[1]


def power_against_raw(truths) -> float:
    """Chance of three treatments where p is not adjusted: that of a single planned pair."""
    from thermosprout.trials import power as module

    kept, module.holm_adjusted = module.holm_adjusted, lambda p: p
    try:
        return power(
            Trial(treatments=3, blocks=5), truths, np.random.default_rng(2), later_d=3.0
        ).chance
    finally:
        module.holm_adjusted = kept


def test_two_treatments_need_no_adjustment_and_three_need_more_blocks() -> None:
    assert power_of_pairs(1.0, 0.6, 2, 5, 0.05) == power_of_t(1.0, 0.6, 5, 4, 0.05)
    two, three = (blocks_needed(1.0, 0.6, count, level=0.05, power=0.8) for count in (2, 3))
    assert two is not None
    assert three is not None
    assert power_of_pairs(1.0, 0.6, 3, three, 0.05) >= 0.8
    assert power_of_pairs(1.0, 0.6, 3, three - 1, 0.05) < 0.8
    # A planned pair alone: the error of three treatments has more degrees of freedom.
    df = 2 * (three - 1)
    assert power_of_t(1.0, 0.6, three, df, 0.05) > power_of_pairs(1.0, 0.6, 3, three, 0.05)
