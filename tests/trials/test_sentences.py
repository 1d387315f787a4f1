"""Sentences on a trial say what its numbers say: who, how much, which way, and how sure."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION, BY_PLOTS
from thermosprout.trials.analysis.measures import STAND, T50_PLANTED, THERMAL_50
from thermosprout.trials.analysis.results import (
    Difference,
    Interaction,
    PlotError,
    TrialResult,
    VarietyResult,
)
from thermosprout.trials.analysis.sentences import amount, bottom_line, score_gap, verdict
from thermosprout.trials.power import blocks_needed


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    return many_trials(rng, 1, 4, ("direct", "soaked"), (9.0, 8.5), (0.75, 0.75), seeds=60)


@pytest.fixture(scope="module")
def result(records: pd.DataFrame) -> TrialResult:
    return analyse(records)


def with_only(result: TrialResult, *items: Difference) -> TrialResult:
    bare = replace(result.variation, error={})
    return replace(result, differences=items, comparisons=len(items), variation=bare)


def item(measure: str = "t50_since_planted_d", **changed: object) -> Difference:
    usual: dict[str, object] = {
        "a": "soaked", "b": "direct", "measure": measure, "estimate": -1.5, "low": -2.0,
        "high": -1.0, "p_value": 0.01, "p_adjusted": 0.02, "shown": True, "method": BY_PLOTS,
    }  # fmt: skip
    return Difference(**(usual | changed))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({}, ("1.5 days sooner than direct", "1.0–2.0 days", "p = 0.02")),
        ({"estimate": 1.5, "low": 1.0, "high": 2.0, "p_adjusted": 0.0004},
         ("1.5 days later than direct", "p < 0.001")),
        ({"measure": "stand", "estimate": 0.12, "low": 0.05, "high": 0.2},
         ("a stand 12 points higher", "5–20 points")),
        ({"measure": "stand", "estimate": -0.01, "low": -0.02, "high": -0.004},
         ("1 point lower",)),
        ({"measure": "thermal_time_50_Cd", "estimate": -9.6}, ("10 °C d less",)),
        ({"shown": False, "p_adjusted": 0.3, "low": -2.0, "high": 0.7},
         ("No clear difference", "2.0 days sooner to 0.7 days later", "p = 0.30")),
        ({"shown": False, "p_adjusted": 0.095, "low": -2.0, "high": -0.2},
         ("No clear difference", "0.2–2.0 days sooner", "may be chance")),
        ({"shown": False, "p_adjusted": 0.6, "low": -0.3, "high": 0.4},
         ("No clear difference", "less than 0.5 days")),
        ({"shown": False, "p_adjusted": None, "p_value": None, "low": None, "high": None},
         ("are not compared",)),
    ],
)  # fmt: skip
def test_a_difference_in_words(
    result: TrialResult, changed: dict[str, object], words: tuple[str, ...]
) -> None:
    (sentence,) = verdict(with_only(result, item(**changed)))
    for part in words:
        assert part in sentence


def test_clear_differences_come_first_and_many_pairs_are_counted(result: TrialResult) -> None:
    many = [item(a=f"t{k}", shown=False, p_adjusted=0.5, low=-3.0, high=2.0) for k in range(11)]
    found = verdict(with_only(result, *many, item(measure="bed_days_to_first_harvest")))
    assert "first harvest 1.5 days sooner" in found[0]
    assert found[9].startswith("3 more pairs do not differ clearly")
    assert "12 tests in all" in found[10]
    assert verdict(with_only(result, item(method=BY_PERMUTATION))) == ()


@pytest.mark.parametrize(
    ("time", "stand", "line"),
    [
        ({}, {"estimate": -0.12, "low": -0.2, "high": -0.05},
         "Soaking: up 1.5 days sooner, 12 fewer plants from 100 seeds"),
        ({"estimate": 4.2}, {"shown": False, "low": -0.1, "high": 0.1},
         "Soaking: up 4 days later, no clear difference in plants"),
        ({"shown": False}, {"shown": False, "low": -0.02, "high": 0.03},
         "Soaking: not clearly sooner or later, as many plants"),
        ({"shown": False, "low": -0.2, "high": 0.1}, {"shown": False, "low": None, "high": None},
         "Soaking: up at the same time, stand not compared"),
    ],
)  # fmt: skip
def test_the_bottom_line_is_what_a_grower_would_repeat(
    result: TrialResult, time: dict[str, object], stand: dict[str, object], line: str
) -> None:
    only = with_only(result, item(**time), item("stand", **stand))
    assert bottom_line(only) == (line,)


def test_the_bottom_line_has_three_sentences_at_most(result: TrialResult) -> None:
    first = result.treatments[0]
    labels = ("direct", *(f"fleece {k}" for k in range(6)))
    many = with_only(result, *(item(a=label, shown=k < 4) for k, label in enumerate(labels[1:])))
    many = replace(many, treatments=tuple(replace(first, treatment=label) for label in labels))
    assert len(bottom_line(many)) == 3
    assert "2 more differ" in bottom_line(many)[2]
    alone = replace(result, treatments=result.treatments[:1])
    assert len(bottom_line(alone)) == len(verdict(alone)) == 1


def test_varieties_that_differ_are_told_with_what_each_gained(result: TrialResult) -> None:
    varieties = tuple(
        VarietyResult(
            variety=name, treatments=result.treatments, differences=(item(estimate=-days),)
        )
        for name, days in (("Amber", 4.5), ("Blanka", 1.5))
    )
    told = replace(
        with_only(result, item()), varieties=varieties,
        interactions=(Interaction(measure="t50_since_planted_d", p_value=0.01, shown=True),),
    )  # fmt: skip
    (sentence,) = (s for s in verdict(told) if "arieties" in s)
    assert "4.5 days sooner in Amber and 1.5 days sooner in Blanka" in sentence
    assert any("varieties" in line for line in bottom_line(told))


def test_sizes_carry_their_unit_and_no_sign() -> None:
    assert amount(T50_PLANTED, -1.26) == "1.3 days"
    assert amount(THERMAL_50, -12.6) == "13 °C d"
    assert amount(STAND, 0.01) == "1 point"
    assert amount(STAND, -0.02) == "2 points"


def test_the_next_trial_has_its_calculated_size(result: TrialResult) -> None:
    error = {
        T50_PLANTED.name: PlotError(variance=0.5, df=6, scale="plain"),
        STAND.name: PlotError(variance=9.0, df=6, scale="plain"),
    }
    bare = replace(result, differences=(), comparisons=1)
    time, stand = verdict(replace(bare, variation=replace(result.variation, error=error)))
    assert f" {blocks_needed(1.0, 0.5, 2, variance_df=6)} plots of each treatment" in time
    assert "more than 60 plots" in stand
    few = {T50_PLANTED.name: PlotError(variance=0.5, df=1, scale="plain")}
    assert verdict(replace(bare, variation=replace(result.variation, error=few))) == ()


def test_a_gap_of_scores_is_the_gap_on_their_scale(result: TrialResult) -> None:
    assert score_gap(T50_PLANTED, "plain", 1.0, result) == 1.0
    times = [t.t50_since_planted_d.estimate for t in result.treatments if t.t50_since_planted_d]
    middle = np.sqrt(times[0] * times[1])
    gap = score_gap(T50_PLANTED, "ln", 1.0, result)
    assert gap is not None
    # Two times about the same middle whose logarithms differ by the gap are a day apart.
    assert middle * (np.exp(gap / 2) - np.exp(-gap / 2)) == pytest.approx(1.0, rel=1e-9)
    angle = np.mean(np.arcsin(np.sqrt([t.stand.estimate for t in result.treatments])))
    points = score_gap(STAND, "angle", 0.1, result)
    assert points is not None
    apart = np.sin(angle + points / 2) ** 2 - np.sin(angle - points / 2) ** 2
    assert apart == pytest.approx(0.1, rel=1e-9)
    lost = tuple(replace(t, t50_since_planted_d=None) for t in result.treatments)
    assert score_gap(T50_PLANTED, "ln", 1.0, replace(result, treatments=lost)) is None
