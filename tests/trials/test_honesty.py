"""Honesty by simulation: how often tests cry wolf, how often intervals hold the truth.

Plots differ as in real trials: speed by 8 %, the fates of two seeds of a plot correlate by 0.04,
blocks differ by 6 % in speed and 0.3 in logit of stand (common magnitudes, no source).
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION, BY_PLOTS
from thermosprout.trials.power import Trial, Truths, power

TREATMENTS = ("direct", "soaked")
MEASURES = ("stand", "t50_since_planted_d")


def told(records: pd.DataFrame) -> pd.DataFrame:
    """One row per trial, measure and method: what the analysis said of each trial alone."""
    result = analyse(records)
    return pd.DataFrame(
        {
            "measure": d.measure, "method": d.method, "a": d.a, "b": d.b, "p": d.p_value,
            "mid_p": d.mid_p, "low": d.low, "high": d.high, "estimate": d.estimate,
        }
        for variety in result.varieties
        for d in variety.differences
    )  # fmt: skip


@pytest.mark.slow
@pytest.mark.parametrize("blocks", [3, 4, 6, 9])
def test_five_per_cent_tests_reject_three_to_seven_per_cent(blocks: int) -> None:
    trials = 1200  # standard error 0.63 points
    rng = np.random.default_rng(blocks)
    found = told(many_trials(rng, trials, blocks, TREATMENTS, (9.0, 9.0), (0.75, 0.75)))
    for measure in MEASURES:
        mine = found[found["measure"] == measure]
        by_plots = (mine.loc[mine["method"] == BY_PLOTS, "p"] <= 0.05).mean()
        assert 0.03 <= by_plots <= 0.07
        permuted = mine[mine["method"] == BY_PERMUTATION]
        exact, middle = (permuted["p"] <= 0.05).mean(), (permuted["mid_p"] <= 0.05).mean()
        if blocks < 6:
            # Two arrangements of 2^blocks are the most extreme: 5 % cannot be reached.
            assert exact == 0.0
        else:
            # The exact p takes no more than its level; with ties by half it comes close to it.
            assert exact <= 0.07
            assert 0.03 <= middle <= 0.07


@pytest.mark.slow
@pytest.mark.parametrize("blocks", [3, 5])
def test_intervals_of_differences_hold_the_truth(blocks: int) -> None:
    labels, t50, stand = ("direct", "soaked", "presprouted"), (9.0, 8.5, 5.0), (0.7, 0.75, 0.92)
    rng = np.random.default_rng(40 + blocks)
    found = told(many_trials(rng, 800, blocks, labels, t50, stand, seeds=(60, 60, 40)))
    luck = 0.3 * rng.standard_normal(400_000)
    shares = [(1 / (1 + np.exp(-(np.log(s / (1 - s)) + luck)))).mean() for s in stand]
    for measure, truth in (("stand", shares), ("t50_since_planted_d", t50)):
        mine = found[(found["measure"] == measure) & (found["method"] == BY_PLOTS)]
        for (a, b), rows in mine.groupby(["a", "b"]):
            gap = truth[labels.index(a)] - truth[labels.index(b)]
            held = ((rows["low"] <= gap) & (gap <= rows["high"])).mean()
            assert 0.87 <= held <= 0.93, (measure, a, b, held)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("key", "size", "t50", "stand"),
    [("later_d", 1.2, (9.0, 10.2), (0.75, 0.75)), ("points", 0.15, (9.0, 9.0), (0.7, 0.85))],
)
def test_power_is_what_brute_force_finds(
    key: str, size: float, t50: tuple[float, float], stand: tuple[float, float]
) -> None:
    trials = 1000
    truths = Truths(
        t50_d=np.full(4000, t50[0]), sigma=np.full(4000, 0.2), speed_sd=np.full(4000, 0.08),
        stand=np.full(4000, stand[0]), correlation=np.full(4000, 0.04),
    )  # fmt: skip
    trial = Trial(blocks=5, seeds=50, every_d=1.0, lost=0.0)
    said = power(trial, truths, np.random.default_rng(1), **{key: size}).chance
    records = many_trials(
        np.random.default_rng(2), trials, 5, TREATMENTS, t50, stand, block_logit_sd=0.0
    )
    found = told(records)
    measure = MEASURES[0] if key == "points" else MEASURES[1]
    mine = found[(found["measure"] == measure) & (found["method"] == BY_PLOTS)]
    assert said == pytest.approx((mine["p"] <= 0.05).mean(), abs=0.04)
    assert 0.2 < said < 0.95
