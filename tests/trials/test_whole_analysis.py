"""A whole analysis of a complete trial, every figure worked again from the plots by hand."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION, BY_PLOTS
from thermosprout.trials.analysis.measures import score_plots
from thermosprout.trials.analysis.results import Difference, TrialResult
from thermosprout.trials.records.read import plots

NAMES = ("direct", "soaked", "presprouted")
BLOCKS = 5


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    found = many_trials(
        np.random.default_rng(12), 1, BLOCKS, NAMES, (11.0, 10.0, 6.0), (0.7, 0.75, 0.85),
        seeds=80, speed_sd=0.1, looks=np.arange(1.0, 30.0),
    )  # fmt: skip
    sprouted = found["treatment"] == "presprouted"
    found.loc[sprouted, "started"] -= pd.Timedelta(days=3)
    found.loc[sprouted, "seeds_started"] = 110
    return found


@pytest.fixture(scope="module")
def result(records: pd.DataFrame) -> TrialResult:
    return analyse(records)


def table_of(records: pd.DataFrame, values: np.ndarray) -> np.ndarray:
    """Values of plots as (block, treatment)."""
    where = plots(records)
    table = np.full((BLOCKS, len(NAMES)), np.nan)
    table[where["block"].astype(int), [NAMES.index(name) for name in where["treatment"]]] = values
    return table


def found_of(result: TrialResult, a: str, b: str, measure: str, method: str) -> Difference:
    (one,) = (
        item for item in result.differences
        if (item.a, item.b, item.measure, item.method) == (a, b, measure, method)
    )  # fmt: skip
    return one


def test_counts_and_shares_of_each_treatment(records: pd.DataFrame, result: TrialResult) -> None:
    where = plots(records)
    for summary in result.treatments:
        mine = where[where["treatment"] == summary.treatment]
        assert (summary.plots, summary.seeds_planted) == (BLOCKS, 80 * BLOCKS)
        assert summary.seeds_started == (110 if summary.treatment == "presprouted" else 80) * BLOCKS
        assert summary.emerged == mine["final"].sum()
        assert summary.stand.estimate == pytest.approx(summary.emerged / summary.seeds_planted)
        assert summary.stand_per_started.estimate == pytest.approx(
            summary.emerged / summary.seeds_started
        )
        for value in (summary.stand, summary.stand_per_started):
            assert value.low < value.estimate < value.high


@pytest.mark.parametrize("measure", ["t50_since_planted_d", "t50_since_started_d"])
def test_days_between_treatments_are_those_between_their_estimates(
    result: TrialResult, measure: str
) -> None:
    value = {s.treatment: getattr(s, measure).estimate for s in result.treatments}
    for a, b in (("soaked", "direct"), ("presprouted", "direct"), ("presprouted", "soaked")):
        item = found_of(result, a, b, measure, BY_PLOTS)
        # Plots that are known better weigh more in the comparison than in the mean.
        assert item.estimate == pytest.approx(value[a] - value[b], rel=0.02)
        assert item.low < item.estimate < item.high
    gap = {
        clock: found_of(result, "presprouted", "direct", f"t50_since_{clock}_d", BY_PLOTS).estimate
        for clock in ("planted", "started")
    }
    assert gap["started"] - gap["planted"] == pytest.approx(3.0, abs=0.15)


def test_on_a_logarithm_days_are_still_those_between_the_estimates() -> None:
    proportional = many_trials(
        np.random.default_rng(3), 1, 8, ("slow", "quick"), (20.0, 5.0), (0.8, 0.8), seeds=150,
        speed_sd=0.3, looks=np.arange(1.0, 80.0),
    )  # fmt: skip
    found = analyse(proportional)
    name = "t50_since_planted_d"
    assert found.variation.error[name].scale == "ln"
    value = {s.treatment: s.t50_since_planted_d.estimate for s in found.treatments}
    (item,) = (
        item for item in found.differences if item.measure == name and item.method == BY_PLOTS
    )
    assert item.estimate == pytest.approx(value[item.a] - value[item.b], rel=0.01)
    assert item.low < item.estimate < item.high


@pytest.mark.parametrize(("measure", "seeds"), [("stand", 80), ("stand_per_started", 110)])
def test_points_between_treatments_are_those_between_their_shares(
    records: pd.DataFrame, result: TrialResult, measure: str, seeds: int
) -> None:
    stand = table_of(records, plots(records)["final"].to_numpy(dtype=float)) / np.array(
        [80, 80, seeds]
    )
    item = found_of(result, "presprouted", "direct", measure, BY_PLOTS)
    assert item.estimate == pytest.approx((stand[:, 2] - stand[:, 0]).mean(), rel=1e-6)


def test_students_t_of_the_angles_and_the_exact_permutation(
    records: pd.DataFrame, result: TrialResult
) -> None:
    scores = score_plots(records, plots(records), None)
    angles = table_of(records, scores.scores["stand"])
    effect = angles.mean(axis=0) - angles.mean()
    rest = angles - angles.mean(axis=1, keepdims=True) - effect
    df = (BLOCKS - 1) * (len(NAMES) - 1)
    variance = (rest**2).sum() / df
    item = found_of(result, "presprouted", "direct", "stand", BY_PLOTS)
    # Between the t test with the error of all treatments and that of the pair alone.
    t = (effect[2] - effect[0]) / np.sqrt(2 * variance / BLOCKS)
    alone = stats.ttest_rel(angles[:, 2], angles[:, 0]).pvalue
    lent = sorted((alone, 2 * stats.t.sf(abs(t), df)))
    assert lent[0] <= item.p_value <= lent[1] + 1e-9
    assert result.variation.error["stand"].variance == pytest.approx(variance)
    assert result.variation.error["stand"].df == df
    gaps = angles[:, 2] - angles[:, 0]
    signs = np.array(np.meshgrid(*[[-1, 1]] * BLOCKS)).reshape(BLOCKS, -1)
    sums = np.abs(gaps @ signs)
    exact = found_of(result, "presprouted", "direct", "stand", BY_PERMUTATION)
    seen = abs(gaps.sum())
    assert exact.p_value == pytest.approx((sums >= seen - 1e-12).mean())
    assert exact.mid_p == pytest.approx(exact.p_value - (np.abs(sums - seen) < 1e-12).mean() / 2)
    assert (exact.arrangements, exact.smallest_p) == (32, 2 / 32)


def test_an_overall_test_is_given_for_more_than_two_treatments(
    records: pd.DataFrame, result: TrialResult
) -> None:
    scores = score_plots(records, plots(records), None)
    angles = table_of(records, scores.scores["stand"])
    effect = angles.mean(axis=0) - angles.mean()
    rest = angles - angles.mean(axis=1, keepdims=True) - effect
    f = (BLOCKS * (effect**2).sum() / 2) / ((rest**2).sum() / 8)
    (overall,) = (item for item in result.overall if item.measure == "stand")
    assert overall.p_value == pytest.approx(stats.f.sf(f, 2, 8), rel=1e-6)
    two = analyse(records[records["treatment"] != "soaked"].reset_index(drop=True))
    assert two.overall == ()


def test_plots_differ_in_speed_beyond_chance(records: pd.DataFrame, result: TrialResult) -> None:
    scores = score_plots(records, plots(records), None)
    name = "t50_since_planted_d"
    logs = table_of(records, scores.scores[name])
    rest = logs - logs.mean(axis=1, keepdims=True) - logs.mean(axis=0) + logs.mean()
    variance = (rest**2).sum() / 8 - np.median(scores.seed_variance[name])
    assert result.variation.ln_t50_sd == pytest.approx(np.sqrt(max(variance, 0.0)), rel=1e-6)
    assert result.variation.ln_t50_sd > 0.05


def test_each_measure_is_adjusted_for_its_own_comparisons(result: TrialResult) -> None:
    for method in (BY_PLOTS, BY_PERMUTATION):
        mine = [
            item for item in result.differences
            if item.measure == "stand" and item.method == method
        ]  # fmt: skip
        assert len(mine) == 3
        assert {item.comparisons for item in mine} == {3}
        ranked = sorted(mine, key=lambda item: item.p_value)
        worst = 0.0
        for place, item in enumerate(ranked):
            worst = min(max(worst, (3 - place) * item.p_value), 1.0)
            assert item.p_adjusted == pytest.approx(worst)


def test_a_measure_is_not_compared_twice(records: pd.DataFrame, result: TrialResult) -> None:
    dry = analyse(records[records["treatment"] != "presprouted"].reset_index(drop=True))
    measures = {item.measure for item in dry.differences}
    assert {"stand", "t50_since_planted_d"} <= measures
    assert not measures & {"stand_per_started", "t50_since_started_d"}
    assert {"stand_per_started", "t50_since_started_d"} <= {i.measure for i in result.differences}


def test_numbers_of_any_kind_become_plain_ones(result: TrialResult) -> None:
    odd = replace(
        result, blocks=np.int64(7), counted_once=np.bool_(True), interval=np.float32(0.5),
        varieties=(np.nan, np.inf, 1 / 3, None, "x"),
    )  # fmt: skip
    document = json.loads(json.dumps(odd.to_dict(), allow_nan=False))
    assert (document["blocks"], document["counted_once"], document["interval"]) == (7, True, 0.5)
    assert document["varieties"] == [None, None, 0.333333, None, "x"]


def test_a_result_is_json_with_whole_counts() -> None:
    records = many_trials(
        np.random.default_rng(2), 1, 3, ("direct", "soaked"), (9.0, 8.0), (0.6, 0.7), seeds=50
    )
    document = json.loads(json.dumps(analyse(records).to_dict(), allow_nan=False))
    for treatment in document["treatments"]:
        assert isinstance(treatment["emerged"], int)
        assert treatment["seeds_planted"] == 150
