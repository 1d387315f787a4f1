"""The analysis of a trial: what comes out, what it warns of, what it says."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.trials.conftest import many_trials
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import soil_series
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.compare import BY_PERMUTATION, BY_PLOTS, holm, pairs_of
from thermosprout.trials.analysis.results import Difference, TrialResult
from thermosprout.trials.analysis.timing import plot_intervals, thermal_times
from thermosprout.trials.records.read import read_records

TREATMENTS = ("direct", "soaked", "presprouted")
Write = Callable[..., Path]


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    """One trial of three treatments in five blocks; sprouted seed comes four days sooner."""
    rng = np.random.default_rng(21)
    table = many_trials(rng, 1, 5, TREATMENTS, (9.0, 8.8, 5.0), (0.75, 0.75, 0.9), seeds=60)
    lead = table["treatment"].map({"direct": 0, "soaked": 1, "presprouted": 3})
    table["started"] = table["planted"] - pd.to_timedelta(lead, unit="D")
    table.loc[table["treatment"] == "presprouted", "seeds_started"] = 75
    return table


@pytest.fixture(scope="module")
def result(records: pd.DataFrame) -> TrialResult:
    return analyse(records)


def pick(result: TrialResult, a: str, b: str, measure: str, method: str = BY_PLOTS) -> Difference:
    found = [
        d for d in result.differences
        if (d.a, d.b, d.measure, d.method) == (a, b, measure, method)
    ]  # fmt: skip
    assert len(found) == 1
    return found[0]


def test_the_document_has_what_other_programs_rely_on(result: TrialResult) -> None:
    document = result.to_dict()
    assert [t["treatment"] for t in document["treatments"]] == list(TREATMENTS)
    for item in document["treatments"]:
        for key in ("stand", "t50_since_planted_d", "t50_since_started_d"):
            assert item[key]["low"] <= item[key]["estimate"] <= item[key]["high"]
        assert {"plots", "seeds_planted", "thermal_time_50_Cd"} <= item.keys()
    for item in document["differences"]:
        assert {"a", "b", "measure", "estimate", "low", "high", "p_value", "method"} <= item.keys()
    assert isinstance(document["warnings"], list)


def test_no_seed_is_lost_between_records_and_results(
    records: pd.DataFrame, result: TrialResult
) -> None:
    intervals = plot_intervals(records)
    assert intervals["seeds"].sum() == 15 * 60
    assert sum(t.seeds_planted for t in result.treatments) == 15 * 60
    final = records.groupby("plot")["emerged"].max().sum()
    assert sum(t.emerged for t in result.treatments) == final


def test_the_two_clocks_differ_by_the_lead(result: TrialResult) -> None:
    for summary, lead in zip(result.treatments, (0.0, 1.0, 3.0), strict=True):
        assert summary.t50_since_planted_d is not None
        assert summary.t50_since_started_d is not None
        gap = summary.t50_since_started_d.estimate - summary.t50_since_planted_d.estimate
        assert gap == pytest.approx(lead, abs=0.05)  # means of plots, some geometric


def test_the_difference_is_a_minus_b(result: TrialResult) -> None:
    sooner = pick(result, "presprouted", "direct", "t50_since_planted_d")
    assert sooner.estimate == pytest.approx(-4.0, abs=1.0)
    assert sooner.high is not None
    assert sooner.high < 0
    assert sooner.p_value is not None
    assert sooner.p_value < 0.01
    assert sooner.shown


def test_stand_per_seed_started_counts_what_was_not_planted(result: TrialResult) -> None:
    sprouted = result.treatments[2]
    assert sprouted.stand_per_started.estimate == pytest.approx(sprouted.emerged / (5 * 75))
    assert any("selected group" in warning for warning in result.warnings)


def test_permutations_know_what_they_cannot_show(result: TrialResult) -> None:
    item = pick(result, "soaked", "direct", "stand", BY_PERMUTATION)
    assert item.arrangements == 32
    assert item.smallest_p == pytest.approx(2 / 32)
    assert any("7 blocks" in warning for warning in result.warnings)


def test_six_blocks_are_not_warned_of() -> None:
    table = many_trials(np.random.default_rng(2), 1, 6, TREATMENTS[:2], (9, 9), (0.7, 0.7))
    assert not any("permutation" in warning for warning in analyse(table).warnings)


def test_row_order_does_not_matter(records: pd.DataFrame, result: TrialResult) -> None:
    again = analyse(records.sample(frac=1.0, random_state=1).reset_index(drop=True))
    for mine, theirs in zip(result.differences, again.differences, strict=True):
        assert (mine.a, mine.b, mine.measure) == (theirs.a, theirs.b, theirs.measure)
        assert mine.estimate == pytest.approx(theirs.estimate, rel=1e-6, abs=1e-9)
        assert mine.p_value == pytest.approx(theirs.p_value, rel=1e-6)


def test_labels_do_not_matter_but_for_their_order(records: pd.DataFrame) -> None:
    renamed = records.assign(treatment=records["treatment"].map(
        {"direct": "fleece", "soaked": "no cover", "presprouted": "old seed"}))  # fmt: skip
    result = analyse(renamed)
    assert [t.treatment for t in result.treatments] == ["fleece", "no cover", "old seed"]


def test_many_blocks_of_zero_difference_are_not_shown() -> None:
    table = many_trials(np.random.default_rng(4), 1, 8, TREATMENTS[:2], (9, 9), (0.7, 0.7))
    same = table.copy()
    other = table["treatment"] == "soaked"
    same.loc[other, "emerged"] = table.loc[~other, "emerged"].to_numpy()
    result = analyse(same)
    item = pick(result, "soaked", "direct", "stand")
    assert item.estimate == pytest.approx(0.0, abs=1e-12)
    assert item.p_value == pytest.approx(1.0)
    assert not item.shown


def test_one_plot_each_is_told_and_not_tested() -> None:
    table = many_trials(np.random.default_rng(4), 1, 1, TREATMENTS[:2], (9, 5), (0.7, 0.9))
    result = analyse(table)
    item = pick(result, "soaked", "direct", "t50_since_planted_d")
    assert item.p_value is None
    assert item.low is None
    assert result.treatments[0].stand.low is not None
    assert any("single plot" in warning for warning in result.warnings)
    assert not item.shown


def test_nothing_emerged_is_an_answer_too() -> None:
    table = many_trials(np.random.default_rng(4), 1, 3, TREATMENTS[:2], (9, 9), (0.7, 0.7))
    table["emerged"] = 0
    result = analyse(table)
    assert [t.stand.estimate for t in result.treatments] == [0.0, 0.0]
    assert [t.t50_since_planted_d for t in result.treatments] == [None, None]
    assert any("left out of the times" in warning for warning in result.warnings)


def test_nothing_counted_is_refused(write: Write) -> None:
    with pytest.raises(InputError, match="nothing has been counted"):
        analyse(read_records(write({"inspected": "", "emerged": ""}), planned=True))


def test_varieties_are_compared_where_there_is_one_treatment() -> None:
    table = many_trials(np.random.default_rng(8), 3, 4, ("direct",), (9,), (0.7,))
    result = analyse(table)
    assert result.compared == "variety"
    assert [t.treatment for t in result.treatments] == ["0", "1", "2"]


def test_p_values_are_adjusted_over_all_varieties() -> None:
    table = many_trials(np.random.default_rng(8), 3, 4, TREATMENTS[:2], (9, 7), (0.7, 0.7))
    result = analyse(table)
    assert [v.variety for v in result.varieties] == ["0", "1", "2"]
    item = result.varieties[0].differences[0]
    assert (item.variety, item.comparisons) == ("0", 3)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda t: t.assign(planted=t["planted"] - pd.to_timedelta(
            (t["treatment"] == "soaked").astype(int), unit="D")), "different days"),
        (lambda t: t.assign(depth_cm=t["treatment"].map({"direct": 2.5, "soaked": 4.0})),
         "its own depth"),
        (lambda t: t[t["inspected"].dt.day % 4 == 0], "looked at about every"),
        (lambda t: t[t["inspected"] < "2026-05-11"], "still coming"),
        (lambda t: t[(t["block"] != "1") | (t["treatment"] == "direct")], "not every block"),
        (lambda t: t.assign(block=t["block"] + t["treatment"]), "no block holds more"),
        (lambda t: t[t["inspected"] == t["inspected"].max()], "counted once only"),
    ],
    ids=["days", "depth", "gaps", "unfinished", "missing plot", "no blocks", "one look"],
)  # fmt: skip
def test_cautions(change: Callable[[pd.DataFrame], pd.DataFrame], words: str) -> None:
    table = many_trials(np.random.default_rng(6), 1, 4, TREATMENTS[:2], (9, 8), (0.7, 0.7))
    result = analyse(change(table).reset_index(drop=True))
    assert any(words in warning for warning in result.warnings), result.warnings


def test_harvest_and_bed_days() -> None:
    table = many_trials(np.random.default_rng(6), 1, 4, TREATMENTS[:2], (9, 8), (0.7, 0.7))
    table["started"] = table["planted"] - pd.Timedelta(days=1)
    wait = pd.to_timedelta(table["treatment"].map({"direct": 60, "soaked": 50}), unit="D")
    wait += pd.to_timedelta(table["block"].astype(int), unit="D")
    table["first_harvest"] = table["planted"] + wait
    result = analyse(table)
    item = pick(result, "soaked", "direct", "bed_days_to_first_harvest")
    assert item.estimate == pytest.approx(-10.0, abs=0.1)
    started = pick(result, "soaked", "direct", "first_harvest_since_started_d")
    assert started.estimate == pytest.approx(-10.0, abs=0.1)
    bed_days = result.treatments[0].bed_days_to_first_harvest
    assert bed_days is not None
    assert bed_days.estimate == pytest.approx(61.5, abs=0.1)


def test_days_to_harvest_have_the_interval_of_paired_logarithms() -> None:
    """Slow plots vary more in days than quick ones do: compared as logarithms, by scipy."""
    table = many_trials(np.random.default_rng(6), 1, 8, TREATMENTS[:2], (9, 8), (0.7, 0.7))
    rng = np.random.default_rng(3)
    days = {name: mean * np.exp(0.2 * rng.standard_normal(8))
            for name, mean in zip(TREATMENTS[:2], (90.0, 45.0), strict=True)}  # fmt: skip
    wait = [days[t][int(b)] for t, b in zip(table["treatment"], table["block"], strict=True)]
    table["first_harvest"] = table["planted"] + pd.to_timedelta(wait, unit="D")
    result = analyse(table)
    assert result.variation.error["bed_days_to_first_harvest"].scale == "ln"
    item = pick(result, "soaked", "direct", "bed_days_to_first_harvest")
    logs = {name: np.log(values) for name, values in days.items()}
    test = stats.ttest_rel(logs["soaked"], logs["direct"])
    assert item.p_value == pytest.approx(test.pvalue, rel=1e-6)
    middle = np.exp(np.mean([logs[name].mean() for name in days]))
    ends = middle * 2.0 * np.sinh(np.array(test.confidence_interval(0.9)) / 2.0)
    # Wider by what is not known of the middle.
    assert item.low is not None
    assert item.high is not None
    assert item.low <= ends[0] < item.estimate < ends[1] <= item.high
    assert item.high - item.low < 1.2 * (ends[1] - ends[0])


def test_the_next_trial_is_large_enough_for_ten_points() -> None:
    """Noncentral t (scipy), averaged over what the variance could be from a few blocks."""
    table = many_trials(
        np.random.default_rng(6), 1, 5, TREATMENTS[:2], (9, 8), (0.6, 0.7), correlation=0.04
    )
    result = analyse(table)
    error = result.variation.error["stand"]
    angles = [np.arcsin(np.sqrt(t.stand.estimate)) for t in result.treatments]
    gap = np.arcsin(0.1 / np.sin(2.0 * np.mean(angles)))
    shares = (np.arange(400) + 0.5) / 400
    variances = error.variance * error.df / stats.chi2.isf(shares, error.df)

    def mean_chance(blocks: int) -> float:
        away, critical = gap / np.sqrt(2.0 * variances / blocks), stats.t.ppf(0.975, blocks - 1)
        return float(np.nanmean(stats.nct.sf(critical, blocks - 1, np.minimum(away, 30.0))))

    blocks = next(n for n in range(2, 60) if mean_chance(n) >= 0.8)
    (sentence,) = (text for text in result.verdict if "10-point difference in stand" in text)
    assert any(f"needs {n} plots of each" in sentence for n in (blocks - 1, blocks, blocks + 1))


def test_thermal_time_takes_the_weather_out() -> None:
    """Plots of one treatment planted in a cold week, those of the other in a warm one."""
    response = ResponseDraws(
        shape="linear", t_base=np.array([5.0]), t_opt=np.array([30.0]),
        t_ceiling=np.array([40.0]), curvature=np.array([1.0]),
    )  # fmt: skip
    time = np.arange("2026-05-01T00", "2026-06-20T00", dtype="datetime64[h]")
    warmth = np.where(time < np.datetime64("2026-05-21T12"), 10.0, 20.0)
    soil = soil_series(time, warmth, depth_cm=2.5, source="invented")
    rng = np.random.default_rng(12)
    cold = many_trials(rng, 1, 6, ("direct",), (12.0,), (0.8,))
    warm = many_trials(rng, 1, 6, ("soaked",), (4.0,), (0.8,))  # 60 C d both
    shift = pd.Timedelta(days=21)
    warm["planted"] += shift
    warm["started"] += shift
    warm["inspected"] += shift
    warm["plot"] = "w" + warm["plot"]
    table = pd.concat([cold, warm], ignore_index=True)
    result = analyse(table, thermal=thermal_times(table, response, soil))
    days = pick(result, "soaked", "direct", "t50_since_planted_d")
    assert days.p_value is not None
    assert days.p_value < 0.01
    warmths = pick(result, "soaked", "direct", "thermal_time_50_Cd")
    assert warmths.p_value is not None
    assert warmths.p_value > 0.05
    for summary in result.treatments:
        assert summary.thermal_time_50_Cd is not None
        assert summary.thermal_time_50_Cd.estimate == pytest.approx(60.0, rel=0.12)


def test_a_soil_series_that_ends_too_early_is_not_stretched() -> None:
    table = many_trials(np.random.default_rng(1), 1, 2, TREATMENTS[:2], (9, 8), (0.7, 0.7))
    response = ResponseDraws(
        shape="linear", t_base=np.array([5.0]), t_opt=np.array([30.0]),
        t_ceiling=np.array([40.0]), curvature=np.array([1.0]),
    )  # fmt: skip
    time = np.arange("2026-05-01T00", "2026-05-12T00", dtype="datetime64[h]")
    soil = soil_series(time, np.full(time.size, 12.0), depth_cm=2.5, source="invented")
    with pytest.raises(CoverageError, match="ends, or has a hole"):
        thermal_times(table, response, soil)


def test_a_constant_temperature_needs_no_series() -> None:
    table = many_trials(np.random.default_rng(1), 1, 2, TREATMENTS[:2], (9, 8), (0.7, 0.7))
    response = ResponseDraws(
        shape="linear", t_base=np.array([5.0]), t_opt=np.array([30.0]),
        t_ceiling=np.array([40.0]), curvature=np.array([1.0]),
    )  # fmt: skip
    with pytest.raises(InputError, match="not known"):
        thermal_times(table, response)
    found = thermal_times(table.assign(temperature_C=15.0), response)
    waits = (table["inspected"] - table["planted"]).dt.total_seconds() / 86_400
    assert found == pytest.approx(10.0 * waits.to_numpy())


def test_holm_is_the_textbook_procedure() -> None:
    from statsmodels.stats.multitest import multipletests

    p = [0.01, 0.04, 0.03, 0.5]
    items = [
        Difference(a=str(i), b="0", measure="stand", estimate=0.0, low=0.0, high=0.0, p_value=x,
                   method=BY_PLOTS)
        for i, x in enumerate(p)
    ]  # fmt: skip
    ours = [item.p_adjusted for item in holm(items)]
    assert ours == pytest.approx(list(multipletests(p, method="holm")[1]))


def test_many_labels_are_held_against_the_first() -> None:
    assert len(pairs_of([str(i) for i in range(12)])) == 66
    assert pairs_of([str(i) for i in range(40)]) == [(a, 0) for a in range(1, 40)]


def test_the_thermal_clock_needs_a_temperature(records: pd.DataFrame) -> None:
    with pytest.raises(InputError, match="needs a soil temperature"):
        plot_intervals(records, "thermal")
