"""Sentences on a trial: what is said for which numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION, BY_PLOTS
from thermosprout.trials.analysis.conclusions import (
    amount,
    blocks_needed,
    is_shown,
    power_of_pairs,
    power_of_t,
    score_gap,
    verdict,
)
from thermosprout.trials.analysis.measures import BED_DAYS, STAND, T50_PLANTED, THERMAL_50
from thermosprout.trials.analysis.results import Difference, PlotError, TrialResult


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    rng = np.random.default_rng(3)
    return many_trials(rng, 1, 4, ("direct", "soaked"), (9.0, 8.5), (0.75, 0.75), seeds=60)


@pytest.fixture(scope="module")
def result(records: pd.DataFrame) -> TrialResult:
    return analyse(records)


def told(result: TrialResult, *items: Difference) -> tuple[str, ...]:
    bare = replace(result.variation, error={})
    return verdict(replace(result, differences=list(items), comparisons=len(items), variation=bare))


def item(measure: str = "t50_since_planted_d", **changed: object) -> Difference:
    usual: dict[str, object] = {
        "a": "soaked", "b": "direct", "measure": measure, "estimate": -1.5, "low": -2.0,
        "high": -1.0, "p_value": 0.01, "p_adjusted": 0.02, "method": BY_PLOTS,
    }  # fmt: skip
    return Difference(**(usual | changed))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("changed", "sentence"),
    [
        ({}, ("Shown: soaked is half up 1.5 days sooner than direct, counted from planting "
             "(1.0 to 2.0 days; p = 0.02)")),
        ({"estimate": 1.5, "low": 1.0, "high": 2.0, "p_adjusted": 0.0004},
         ("Shown: soaked is half up 1.5 days later than direct, counted from planting "
         "(1.0 to 2.0 days; p < 0.001)")),
        ({"measure": "stand", "estimate": 0.12, "low": 0.05, "high": 0.2, "p_adjusted": 0.05},
         ("Shown: soaked gives 12 points higher stand than direct per seed planted "
         "(5 to 20 points; p = 0.05)")),
        ({"measure": "stand", "estimate": -0.01, "low": -0.02, "high": -0.004},
         ("Shown: soaked gives 1 point lower stand than direct per seed planted "
         "(0 to 2 points; p = 0.02)")),
        ({"measure": "thermal_time_50_Cd", "estimate": -9.6},
         ("Shown: soaked needs 10 °C d less than direct from planting to half emergence "
         "(1 to 2 °C d; p = 0.02)")),
        ({"measure": "thermal_time_50_Cd", "estimate": 9.6, "low": 3.0, "high": 16.0},
         ("Shown: soaked needs 10 °C d more than direct from planting to half emergence "
         "(3 to 16 °C d; p = 0.02)")),
        ({"p_adjusted": 0.3, "low": -2.0, "high": 0.7},
         ("Not shown: a difference between soaked and direct in half emergence, counted from "
         "planting; soaked could be anything from 2.0 days sooner to 0.7 days later (p = 0.30)")),
        ({"p_adjusted": 0.095, "low": -2.0, "high": -0.2},
         ("Not shown: a difference between soaked and direct in half emergence, counted from "
         "planting; soaked looks 0.2 to 2.0 days sooner, but chance is not ruled out (p = 0.10)")),
        ({"p_adjusted": 0.094, "low": 0.2, "high": 2.0},
         ("Not shown: a difference between soaked and direct in half emergence, counted from "
         "planting; soaked looks 0.2 to 2.0 days later, but chance is not ruled out (p = 0.094)")),
        ({"p_adjusted": 0.6, "low": -0.3, "high": 0.4},
         ("Not shown: a difference between soaked and direct in half emergence, counted from "
         "planting; if there is one, it is under 0.5 days, too little to act on")),
        ({"measure": "stand", "p_adjusted": 0.6, "low": -0.04, "high": 0.06},
         ("Not shown: a difference between soaked and direct in final stand per seed planted; "
         "soaked could be anything from 4 points lower to 6 points higher (p = 0.60)")),
        ({"measure": "bed_days_to_first_harvest", "p_adjusted": 0.6, "low": -0.9, "high": 0.9},
         ("Not shown: a difference between soaked and direct in bed-days from planting to first "
         "harvest; if there is one, it is under 1.0 days, too little to act on")),
        ({"p_adjusted": None, "low": None, "high": None},
         ("Not shown: a difference between soaked and direct in half emergence, counted from "
         "planting; without replicates nothing can be said of it")),
        ({"p_adjusted": None, "low": -3.0, "high": 1.0},
         ("Not shown: a difference between soaked and direct in half emergence, counted from "
         "planting; soaked could be anything from 3.0 days sooner to 1.0 days later")),
    ],
)  # fmt: skip
def test_a_difference_in_words(
    result: TrialResult, changed: dict[str, object], sentence: str
) -> None:
    assert told(result, item(**changed)) == (sentence,)


def test_what_is_shown_comes_first_and_many_pairs_are_counted(result: TrialResult) -> None:
    many = [item(a=f"t{k}", p_adjusted=0.5, low=-3.0, high=2.0) for k in range(11)]
    found = told(result, *many, item(measure=BED_DAYS.name))
    assert found[0].startswith("Shown: soaked gives its first harvest 1.5 days sooner")
    assert found[9] == "3 more pairs in half emergence, counted from planting: not shown"
    assert len(found) == 11
    assert found[10] == (
        "Ranges are 90 % intervals. 12 tests were made in all; p is adjusted for the number of "
        "comparisons of a measure (Holm)"
    )
    assert told(result, item(method=BY_PERMUTATION)) == ()


def test_one_treatment_has_nothing_to_compare(result: TrialResult) -> None:
    alone = replace(result, treatments=result.treatments[:1])
    assert verdict(alone) == ("There is one treatment, so that there is nothing to compare",)


def test_a_difference_stands_at_five_per_cent_after_adjustment() -> None:
    assert is_shown(item(p_adjusted=0.05))
    assert not is_shown(item(p_adjusted=0.0501, p_value=0.001))
    assert not is_shown(item(p_adjusted=None))


def test_sizes_carry_their_unit_and_no_sign() -> None:
    assert amount(T50_PLANTED, -1.26) == "1.3 days"
    assert amount(THERMAL_50, -12.6) == "13 °C d"
    assert amount(STAND, 0.01) == "1 point"
    assert amount(STAND, -0.02) == "2 points"


def test_the_next_trial_is_as_large_as_a_power_calculation_says(result: TrialResult) -> None:
    error = {
        T50_PLANTED.name: PlotError(variance=0.5, df=2, scale="plain"),
        STAND.name: PlotError(variance=9.0, df=6, scale="plain"),
    }
    bare = replace(result, differences=[], comparisons=1)
    found = verdict(replace(bare, variation=replace(result.variation, error=error)))
    needed = blocks_needed(1.0, 0.5, 2)
    assert found == (
        (
            "A next trial with plots as these would show, 8 times in 10 at 5 %, "
            f"1 day: {needed} plots of each treatment; 10 points of stand: more than 60 plots of "
            "each treatment, so larger plots or a steadier bed"
        ),
    )
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
    stands = [t.stand.estimate for t in result.treatments]
    angle = np.mean(np.arcsin(np.sqrt(stands)))
    points = score_gap(STAND, "angle", 0.1, result)
    assert points is not None
    half = points / 2
    apart = np.sin(angle + half) ** 2 - np.sin(angle - half) ** 2
    assert np.sin(points) == pytest.approx(0.1 / np.sin(2 * angle), rel=1e-9)
    assert apart == pytest.approx(0.1, rel=1e-9)
    lost = [replace(t, t50_since_planted_d=None) for t in result.treatments]
    assert score_gap(T50_PLANTED, "ln", 1.0, replace(result, treatments=lost)) is None


def test_power_at_its_edges() -> None:
    assert power_of_t(1.0, 1.0, 4, 0, 0.05) == 0.0
    assert power_of_t(1.0, 1.0, 0, 5, 0.05) == 0.0
    assert power_of_t(0.0, 1.0, 8, 7, 0.05) == pytest.approx(0.05, abs=1e-6)
    assert power_of_t(1000.0, 1.0, 8, 7, 0.05) == 1.0
    assert power_of_t(-0.8, 1.0, 12, 22, 0.05) == power_of_t(0.8, 1.0, 12, 22, 0.05)
    assert blocks_needed(100.0, 1.0, 2) == 2


def test_a_measure_without_degrees_of_freedom_leaves_the_next_one(result: TrialResult) -> None:
    error = {
        T50_PLANTED.name: PlotError(variance=0.5, df=1, scale="plain"),
        STAND.name: PlotError(variance=0.002, df=2, scale="plain"),
    }
    bare = replace(result, differences=[], comparisons=1)
    found = verdict(replace(bare, variation=replace(result.variation, error=error)))
    needed = blocks_needed(0.1, 0.002, 2)
    assert found[0].endswith(f"at 5 %, 10 points of stand: {needed} plots of each treatment")


def test_blocks_needed_are_the_fewest_and_sixty_at_most() -> None:
    for treatments in (2, 3):
        for gap in (2.0, 1.0, 0.6):
            needed = blocks_needed(gap, 0.5, treatments)
            assert needed is not None
            assert power_of_pairs(gap, 0.5, treatments, needed, 0.05) >= 0.8
            assert power_of_pairs(gap, 0.5, treatments, needed - 1, 0.05) < 0.8
    gaps = np.linspace(0.3, 0.5, 200)
    needed = [blocks_needed(float(gap), 0.6, 2) for gap in gaps]
    assert max(n for n in needed if n is not None) == 60
    assert None in needed


@pytest.mark.parametrize("df", [1, 2, 5, 14, 29, 44, 47, 59, 118])
def test_power_of_t_is_a_number_however_clear_the_difference(df: int) -> None:
    """The chance over the spread of the error, summed at 20 000 quantiles of its chi square."""
    spread = np.sqrt(stats.chi2.ppf((np.arange(20_000) + 0.5) / 20_000, df) / df)
    critical = stats.t.ppf(0.975, df)
    for away in np.linspace(0.0, 29.9, 24):
        found = power_of_t(away, 0.5, 1, df, 0.05)
        upper = stats.norm.sf(critical * spread - away).mean()
        assert found == pytest.approx(upper + stats.norm.cdf(-critical * spread - away).mean(),
                                      abs=1e-4)  # fmt: skip


def test_a_clear_difference_needs_few_blocks() -> None:
    # 1 day where plots differ by 0.2 days: three or four blocks, never dozens.
    needed = [blocks_needed(1.0, 0.2**2, count) for count in (2, 3, 4)]
    assert all(number is not None and 2 <= number <= 4 for number in needed)
    assert blocks_needed(30.0, 0.01, 2) == 2
