"""Plots of unequal sowings, worked again with statsmodels, and what is compared with what."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.regression.linear_model import OLS, WLS

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse, emergence_curve
from thermosprout.trials.analysis.compare import BY_PLOTS
from thermosprout.trials.analysis.measures import angle
from thermosprout.trials.analysis.pairs import Cells, compare_pairs
from thermosprout.trials.records.read import plots

BLOCKS = 6


def trial(**changed: object) -> pd.DataFrame:
    usual: dict[str, object] = {"seeds": 60, "looks": np.arange(2.0, 30.0, 3.0)}
    return many_trials(
        np.random.default_rng(7), 1, BLOCKS, ("direct", "soaked"), (11.0, 9.0), (0.6, 0.75),
        **(usual | changed),  # type: ignore[arg-type]
    )  # fmt: skip


def p_of_stand(records: pd.DataFrame) -> float:
    (found,) = (
        item for item in analyse(records).differences
        if (item.measure, item.method) == ("stand", BY_PLOTS)
    )  # fmt: skip
    assert found.p_value is not None
    return found.p_value


def test_plots_weigh_as_in_weighted_least_squares() -> None:
    """Variance of a plot: its own, from an unweighted fit less the usual luck, and its luck.

    Luck of an angle is 1/(4 n + 2) (Anscombe 1948, Biometrika 35:246-254).
    """
    small = trial(seeds=12)
    small["plot"] = "s" + small["plot"].astype(str)
    small["block"] = "s" + small["block"].astype(str)
    records = pd.concat([trial(seeds=200), small], ignore_index=True)
    where = plots(records)
    seeds = where["seeds_planted"].to_numpy(float)
    assert set(seeds) == {200.0, 12.0}
    score = angle(where["final"].to_numpy(float), seeds)
    design = pd.get_dummies(where["block"], dtype=float)
    design["soaked"] = (where["treatment"] == "soaked").to_numpy(float)
    plain = OLS(score, design.to_numpy()).fit()
    luck = 1.0 / (4.0 * seeds + 2.0)
    own = max(plain.mse_resid - np.median(luck), 0.0)
    assert 0 < own < 1
    fit = WLS(score, design.to_numpy(), weights=1.0 / (own + luck)).fit()
    found = p_of_stand(records)
    assert found == pytest.approx(fit.pvalues[-1], rel=1e-6)
    assert found != pytest.approx(plain.pvalues[-1], rel=0.01)


def test_a_stands_interval_is_of_plots_not_seeds() -> None:
    """Plots that differ far more than seeds do: the interval of seeds alone is much too short."""
    records = trial(correlation=0.35, block_logit_sd=1.0)
    where = plots(records)
    for summary in analyse(records, level=0.9).treatments:
        mine = where[where["treatment"] == summary.treatment]
        score = angle(mine["final"].to_numpy(float), mine["seeds_planted"].to_numpy(float))
        half = stats.t.ppf(0.95, len(mine) - 1) * score.std(ddof=1) / np.sqrt(len(mine))
        own = np.sin(score.mean() + half) ** 2 - np.sin(score.mean() - half) ** 2
        wide = summary.stand.high - summary.stand.low
        of_seeds = stats.binomtest(int(mine["final"].sum()), 60 * BLOCKS).proportion_ci(
            0.9, method="wilson"
        )
        # Both treatments lend each other their spread, so the width agrees roughly only.
        assert 0.6 < wide / own < 1.6
        assert wide > 2 * (of_seeds.high - of_seeds.low)


def test_a_treatment_without_seedlings_has_no_time() -> None:
    records = trial()
    records.loc[records["treatment"] == "soaked", "emerged"] = 0
    found = {item.measure for item in analyse(records).differences if "t50" in item.measure}
    assert found == set()
    stands = [item for item in analyse(records).differences if item.measure == "stand"]
    assert {(item.a, item.b) for item in stands} == {("soaked", "direct")}
    assert all(item.estimate == pytest.approx(0.0 - 0.6, abs=0.15) for item in stands[:1])


def test_one_variety_is_not_compared_within_itself() -> None:
    records = trial()
    assert records["variety"].nunique() == 1
    assert analyse(records).varieties == ()
    records["variety"] = np.where(records["treatment"] == "soaked", "Early", "Late")
    records["treatment"] = "direct"
    told = analyse(records)
    assert (told.compared, told.varieties) == ("variety", ())
    assert told.comparisons == sum(item.p_value is not None for item in told.differences)


def test_stand_per_seed_started_weighs_by_them() -> None:
    """Half of the blocks started ten times the seed for the same plots."""
    records = trial()
    many = records["block"].isin(sorted(records["block"].unique())[:3])
    records["seeds_started"] = np.where(many, 600, 60)
    where = plots(records)
    started = where["seeds_started"].to_numpy(float)
    score = angle(where["final"].to_numpy(float), started)
    design = pd.get_dummies(where["block"], dtype=float)
    design["soaked"] = (where["treatment"] == "soaked").to_numpy(float)
    luck = 1.0 / (4.0 * started + 2.0)
    own = max(OLS(score, design.to_numpy()).fit().mse_resid - np.median(luck), 0.0)
    fit = WLS(score, design.to_numpy(), weights=1.0 / (own + luck)).fit()
    (found,) = (
        item for item in analyse(records).differences
        if (item.measure, item.method) == ("stand_per_started", BY_PLOTS)
    )  # fmt: skip
    assert found.p_value == pytest.approx(fit.pvalues[-1], rel=1e-6)


def test_each_treatment_has_the_curve_of_its_own_plots() -> None:
    records = trial()
    for summary in analyse(records).treatments:
        mine = records[records["treatment"] == summary.treatment]
        alone = emergence_curve(mine)
        assert summary.curve is not None
        assert alone is not None
        assert summary.curve.right == alone.right
        assert summary.curve.emerged == pytest.approx(alone.emerged)


@pytest.mark.parametrize("varieties", [2, 3])
def test_varieties_may_differ_in_what_a_treatment_does(varieties: int) -> None:
    """Differences of blocks about the mean of their own variety; by statsmodels, sums to zero."""
    rng = np.random.default_rng(varieties)
    stratum = np.repeat(np.arange(varieties), 4)
    gaps = rng.standard_normal(stratum.size) + 3.0 * stratum
    score = np.stack([np.zeros(stratum.size), -gaps], axis=1)
    design = np.column_stack(
        [
            np.ones(stratum.size),
            *((stratum == k) * 1.0 - (stratum == 0) for k in range(1, varieties)),
        ]
    )
    expected = OLS(gaps, design).fit()
    found = compare_pairs(Cells.of_blocks(score, stratum), [(0, 1)])
    assert found.estimate[0] == pytest.approx(expected.params[0])
    assert found.standard_error[0] == pytest.approx(expected.bse[0])
    assert found.df[0] == 3 * varieties
    assert found.p_value[0] == pytest.approx(expected.pvalues[0])
