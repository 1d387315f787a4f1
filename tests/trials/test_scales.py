"""Scores, their way back, adjusted p values and the power's own test, against libraries."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests
from statsmodels.stats.proportion import proportion_confint

from tests.trials.conftest import many_trials
from tests.trials.model_trials import simulate_counts
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.block_model import fit_blocked
from thermosprout.trials.analysis.compare import (
    BY_PLOTS,
    Group,
    fit_measure,
    holm,
    pairs_of,
)
from thermosprout.trials.analysis.curves import fit_lognormal, fit_many, fit_plots, turnbull
from thermosprout.trials.analysis.measures import angle, back, difference, score_plots, wilson
from thermosprout.trials.analysis.pairs import permute_within_blocks
from thermosprout.trials.analysis.results import Difference
from thermosprout.trials.analysis.timing import plot_intervals
from thermosprout.trials.power import Trial, Truths, power
from thermosprout.trials.records.read import plots


@pytest.mark.parametrize(("emerged", "seeds"), [(0, 20), (7, 20), (20, 20), (133, 300)])
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_interval_of_a_share_is_wilsons(emerged: int, seeds: int, level: float) -> None:
    expected = proportion_confint(emerged, seeds, alpha=1 - level, method="wilson")
    assert wilson(emerged, seeds, level) == pytest.approx(expected, abs=1e-12)


def test_p_values_are_adjusted_as_holm_says() -> None:
    rng = np.random.default_rng(1)
    p = [*rng.uniform(0, 0.1, 5), *rng.uniform(0, 1, 4)]
    base = Difference(
        a="a", b="b", measure="stand", estimate=0.0, low=0.0, high=0.0, p_value=0.5,
        method=BY_PLOTS,
    )  # fmt: skip
    items = [replace(base, p_value=value) for value in p]
    none = replace(base, p_value=None)
    alone = replace(base, measure="t50_since_planted_d", p_value=0.04)
    found = holm([*items, none, alone])
    expected = multipletests(p, method="holm")[1]
    assert [item.p_adjusted for item in found[:9]] == pytest.approx(list(expected))
    assert {item.comparisons for item in found[:9]} == {9}
    assert found[9].p_adjusted is None
    assert (found[10].p_adjusted, found[10].comparisons) == (0.04, 1)


def test_beyond_a_dozen_treatments_pairs_hold_the_first() -> None:
    assert pairs_of(["a", "b", "c"]) == [(1, 0), (2, 0), (2, 1)]
    assert len(pairs_of([str(k) for k in range(12)])) == 66
    assert pairs_of([str(k) for k in range(13)]) == [(k, 0) for k in range(1, 13)]


def test_a_difference_keeps_the_unit_of_its_values() -> None:
    middle, gap = 0.9, 0.2
    up, down = middle + gap / 2, middle - gap / 2
    estimate, low, high = difference("angle", middle, gap, 0.0, 0.0)
    assert estimate == pytest.approx(back("angle", up) - back("angle", down), rel=1e-12)
    assert low == high == estimate
    estimate, *_ = difference("ln", middle, gap, 0.0, 0.0)
    assert estimate == pytest.approx(np.exp(up) - np.exp(down), rel=1e-12)
    assert difference("plain", middle, gap, 0.05, 9.0) == pytest.approx((0.2, 0.15, 0.25))
    assert back("plain", 3.5) == 3.5
    assert back("ln", 2.0) == pytest.approx(np.exp(2.0))
    assert back("angle", -0.1) == 0.0
    assert back("angle", 2.0) == 1.0


@pytest.mark.parametrize("scale", ["angle", "ln"])
def test_what_is_not_known_of_the_middle_widens_the_interval(scale: str) -> None:
    """Variance of f(m, g) by its two partial derivatives, where both spreads are small."""
    middle, gap, half, around = 0.7, 0.3, 1e-4, 2e-4
    value, low, high = difference(scale, middle, gap, half, around)  # type: ignore[arg-type]

    def at(m: float, g: float) -> float:
        return difference(scale, m, g, 0.0, 0.0)[0]  # type: ignore[arg-type]

    by_gap = (at(middle, gap + 1e-6) - at(middle, gap - 1e-6)) / 2e-6
    by_middle = (at(middle + 1e-6, gap) - at(middle - 1e-6, gap)) / 2e-6
    expected = np.hypot(by_gap * half, by_middle * around)
    assert high - value == pytest.approx(expected, rel=1e-3)
    assert value - low == pytest.approx(expected, rel=1e-3)


def test_angle_is_anscombes() -> None:
    found = angle(np.array([0.0, 10.0]), np.array([20.0, 20.0]))
    assert found == pytest.approx([np.arcsin(np.sqrt(0.375 / 20.75)), np.pi / 4])


def test_scores_of_large_plots_are_the_truth() -> None:
    rng = np.random.default_rng(8)
    looks = np.arange(0.5, 30.0, 0.5)
    records = many_trials(
        rng, 1, 60, ("direct",), (9.0,), (0.8,), seeds=400, speed_sd=0.0, correlation=0.0,
        block_speed_sd=0.0, block_logit_sd=0.0, looks=looks,
    )  # fmt: skip
    records["started"] -= pd.Timedelta(days=2)
    records["first_harvest"] = records["planted"] + pd.Timedelta(days=50)
    records.loc[records["plot"] == "0-0-0", "first_harvest"] = pd.NaT
    table = plots(records)
    scores = score_plots(records, table, None)
    ln_t50 = scores.scores["t50_since_planted_d"]
    assert ln_t50.mean() == pytest.approx(np.log(9.0), abs=0.01)
    # The median of a normal sample's mean: sigma^2 over the seedlings.
    expected = 0.2**2 / (0.8 * 400)
    assert scores.seed_variance["t50_since_planted_d"].mean() == pytest.approx(expected, rel=0.05)
    assert ln_t50.var() == pytest.approx(expected, rel=0.6)
    started = scores.values["t50_since_started_d"]
    assert started == pytest.approx(scores.values["t50_since_planted_d"] + 2.0)
    narrower = (9.0 / 11.0) ** 2
    assert scores.seed_variance["t50_since_started_d"].mean() == pytest.approx(
        expected * narrower, rel=0.06
    )
    full, spread = scores.values["full_since_planted_d"], scores.values["spread_d"]
    assert full.mean() == pytest.approx(9 * np.exp(0.2 * stats.norm.ppf(0.9)), rel=0.02)
    tails = np.exp(0.2 * stats.norm.ppf(0.9)) - np.exp(0.2 * stats.norm.ppf(0.1))
    assert spread.mean() == pytest.approx(9 * tails, rel=0.03)
    assert scores.seed_variance["stand"] == pytest.approx(np.full(60, 1 / (4 * 400 + 2)))
    # A plot that was never harvested has no bed-days, and the others keep theirs.
    bed = scores.values["bed_days_to_first_harvest"]
    assert np.isnan(bed[0])
    assert bed[1:] == pytest.approx(np.full(59, 50.0))
    harvest = scores.values["first_harvest_since_started_d"]
    assert harvest[1:] == pytest.approx(np.full(59, 52.0))
    first = scores.values["first_since_planted_d"]
    by_hand = records[records["emerged"] > 0].groupby("plot", sort=False)["inspected"].min()
    planted = records["planted"].iloc[0]
    assert first == pytest.approx(
        (by_hand.reindex(table["plot"]) - planted).dt.total_seconds().to_numpy() / 86_400 - 0.25
    )


def truths(trials: int = 4, t50: float = 9.0) -> Truths:
    return Truths(
        t50_d=np.full(trials, t50), sigma=np.full(trials, 0.2), speed_sd=np.full(trials, 0.1),
        stand=np.full(trials, 0.8), correlation=np.full(trials, 0.05),
    )  # fmt: skip


def test_power_grows_with_the_difference_and_has_its_own_error() -> None:
    many = truths(300)
    small, large = (
        power(Trial(blocks=6), many, np.random.default_rng(3), later_d=d) for d in (0.05, 3.0)
    )
    assert small.chance < 0.2
    assert large.chance > 0.85
    expected = np.sqrt(max(small.chance * (1 - small.chance), 1e-4) / 300)
    assert small.standard_error == pytest.approx(expected)
    # A stand of 80 % cannot be 30 points higher; then 30 points lower is looked for.
    points = power(Trial(blocks=6), many, np.random.default_rng(3), points=0.3)
    lower = power(Trial(blocks=6), many, np.random.default_rng(3), points=-0.3)
    assert points.chance == lower.chance > 0.8


def test_counts_have_the_law_of_their_draws() -> None:
    size = 20_000
    counts = simulate_counts(
        np.random.default_rng(4), t50=np.full(size, 9.0), sigma=0.2, stand=0.7,
        seeds=np.full(size, 30), inspections=[0.0, 9.0, 1000.0], correlation=0.1,
    )  # fmt: skip
    assert (counts[:, 0] == 0).all()
    assert (np.diff(counts, axis=1) >= 0).all()
    law = stats.betabinom(30, 0.7 * 9, 0.3 * 9)
    assert counts[:, 2].mean() == pytest.approx(law.mean(), abs=5 * law.std() / np.sqrt(size))
    assert counts[:, 2].var() == pytest.approx(law.var(), rel=0.05)
    assert counts[:, 1].sum() / counts[:, 2].sum() == pytest.approx(0.5, abs=0.005)
    plain = simulate_counts(
        np.random.default_rng(4), t50=np.full(size, 9.0), sigma=0.2, stand=0.7,
        seeds=np.full(size, 30), inspections=[1000.0], speed_sd=0.5,
    )  # fmt: skip
    assert plain.var() == pytest.approx(30 * 0.7 * 0.3, rel=0.05)


def test_the_curve_is_log_normal_times_final_share() -> None:
    left = np.array([0.0, 5.0, 7.0, 9.0, 12.0, 20.0])
    right = np.array([5.0, 7.0, 9.0, 12.0, 20.0, np.inf])
    fit = fit_lognormal(left, right, [2, 9, 15, 9, 3, 12])
    law = stats.lognorm(s=fit.sigma[0], scale=np.exp(fit.mu[0]))
    assert fit.quantile(0.9)[0] == pytest.approx(law.ppf(0.9), rel=1e-9)
    # The shares that the fit expects of the intervals are near those that came.
    share = fit.final[0] * np.diff(law.cdf(np.r_[left[:-1], 20.0]))
    assert 50 * share == pytest.approx([2, 9, 15, 9, 3], abs=2)
    assert 50 * (1 - fit.final[0] * law.cdf(20.0)) == pytest.approx(12, abs=0.5)
    assert fit.covariance[0, 0, 0] > 0


def test_few_seedlings_borrow_the_spread_of_others() -> None:
    rng = np.random.default_rng(6)
    edges = np.arange(0.0, 31.0)
    left = np.tile(edges[:-1], (9, 1))
    right = np.tile(edges[1:], (9, 1))
    times = np.exp(np.log(9.0) + 0.12 * rng.standard_normal((9, 80)))
    seeds = np.stack([np.histogram(row, edges)[0] for row in times]).astype(float)
    seeds[8] = 0.0
    seeds[8, 9] = 3.0
    together = fit_plots(left, right, seeds)
    alone = fit_many(left, right, seeds)
    assert together.sigma[:8] == pytest.approx(alone.sigma[:8], rel=0.12)
    assert together.sigma[8] == pytest.approx(together.sigma[:8].mean(), rel=0.3)
    assert alone.sigma[8] < 0.5 * together.sigma[8]


def test_the_curve_without_a_shape_settles() -> None:
    rng = np.random.default_rng(7)
    times = np.exp(2.2 + 0.3 * rng.standard_normal(400))
    left = np.maximum(times - rng.uniform(0, 3, 400), 0.0)
    fit = turnbull(left, left + rng.uniform(3, 4, 400))
    assert fit.gap <= 1e-9 * 400


@pytest.mark.parametrize(
    ("sizes", "expected"),
    [([(1, 1)] * 5, 2 / 32), ([(1, 2), (1, 2)], 1 / 9), ([(2, 2), (0, 3)], 2 / 6)],
)
def test_smallest_p_is_that_of_the_most_extreme_arrangement(
    sizes: list[tuple[int, int]], expected: float
) -> None:
    is_a = np.concatenate([np.repeat([True, False], pair) for pair in sizes])
    block = np.repeat(np.arange(len(sizes)), [a + b for a, b in sizes])
    rng = np.random.default_rng(1)
    test = permute_within_blocks(is_a * 50.0 + rng.random(is_a.size), is_a, block, rng=rng)
    assert test is not None
    assert test.smallest_p == test.p_value == pytest.approx(expected)


def test_permutation_of_one_block_is_the_list_of_all_ways() -> None:
    from itertools import combinations

    score = np.array([3.0, 1.0, 4.0, 1.5, 9.0, 2.0])
    is_a = np.array([True, False, True, False, True, False])
    found = permute_within_blocks(score, is_a, np.zeros(6, int), rng=np.random.default_rng(0))
    assert found is not None
    gaps = np.array(
        [
            score[list(pick)].mean() - np.delete(score, list(pick)).mean()
            for pick in combinations(range(6), 3)
        ]
    )
    seen = score[is_a].mean() - score[~is_a].mean()
    assert found.statistic == pytest.approx(seen)
    assert found.p_value == pytest.approx((np.abs(gaps) >= abs(seen) - 1e-9).mean())
    ties = (np.abs(np.abs(gaps) - abs(seen)) < 1e-9).mean()
    assert found.mid_p == pytest.approx(found.p_value - ties / 2)
    assert (found.arrangements, found.exact) == (20, True)
    assert found.smallest_p == pytest.approx(2 / 20)


def test_both_clocks_differ_by_the_lead() -> None:
    rng = np.random.default_rng(9)
    records = many_trials(rng, 1, 4, ("direct",), (9.0,), (0.8,), seeds=100)
    records["started"] -= pd.Timedelta(days=3)
    scores = score_plots(records, plots(records), None)
    for name in ("t50", "first", "full"):
        planted, started = (
            scores.values[f"{name}_since_{clock}_d"] for clock in ("planted", "started")
        )
        assert started == pytest.approx(planted + 3.0), name
        assert scores.scores[f"{name}_since_started_d"] == pytest.approx(np.log(planted + 3.0))


def test_blocks_weigh_in_a_permutation_by_what_they_tell() -> None:
    """n1 n2 / (n1 + n2) of each block, as least squares with blocks weighs them."""
    score = np.array([1.0, 2.0, 4.0, 6.0, 3.0, 9.0, 8.0])
    is_a = np.array([True, False, False, False, True, False, True])
    block = np.array([0, 0, 0, 0, 1, 1, 1])
    found = permute_within_blocks(score, is_a, block, rng=np.random.default_rng(0))
    assert found is not None
    fit = fit_blocked(score, (~is_a).astype(int), block, 2, least_variance=0.0)
    contrast = fit.contrast(0, 1)
    assert contrast is not None
    assert found.statistic == pytest.approx(contrast.estimate)
    assert found.arrangements == 4 * 3


@pytest.mark.parametrize("clock", ["planted", "started", "thermal"])
def test_seedlings_lie_between_the_looks_on_every_clock(clock: str) -> None:
    day = pd.Timestamp("2026-05-03T12:00")
    looks = [(2, "B", 1, 0.4), (4, "B", 1, 0.9), (6, "B", 5, 30.0), (3, "A", 2, 25.5)]
    records = pd.DataFrame(
        [
            {
                "plot": plot, "planted": day, "started": day - pd.Timedelta(days=1.5),
                "inspected": day + pd.Timedelta(days=days), "emerged": count, "seeds_planted": 5,
            }
            for days, plot, count, _ in looks
        ]
        + [{"plot": "C", "planted": day, "started": day, "inspected": pd.NaT, "emerged": 0,
            "seeds_planted": 5}]
    )  # fmt: skip
    thermal = np.array([*(warmth for *_, warmth in looks), np.nan])
    found = plot_intervals(records, clock, thermal)
    by_hand = {
        "planted": [("B", 0, 2, 1), ("B", 4, 6, 4), ("A", 0, 3, 2), ("A", 3, np.inf, 3)],
        "started": [("B", 1.5, 3.5, 1), ("B", 5.5, 7.5, 4), ("A", 1.5, 4.5, 2),
                    ("A", 4.5, np.inf, 3)],
        "thermal": [("B", 0, 0.4, 1), ("B", 0.9, 30, 4), ("A", 0, 25.5, 2), ("A", 25.5, np.inf, 3)],
    }  # fmt: skip
    assert list(found.columns) == ["plot", "left", "right", "seeds"]
    assert list(found.itertuples(index=False, name=None)) == by_hand[clock]
    assert found.index.tolist() == [0, 1, 2, 3]


@pytest.mark.parametrize(("gap", "half"), [(-0.9, 1.2), (0.9, 1.2), (0.1, 0.0), (-0.3, 2.0)])
def test_an_interval_of_angles_ends_at_the_widest(gap: float, half: float) -> None:
    middle = np.pi / 4  # half of the seed up: every difference from -1 to 1 can be
    estimate, low, high = difference("angle", middle, gap, half, 0.0)
    ends = [np.sin(np.clip(x, -np.pi / 2, np.pi / 2)) for x in (gap, gap - half, gap + half)]
    assert (estimate, low, high) == pytest.approx(ends, abs=1e-12)
    assert -1.0 <= low <= high <= 1.0


def test_speed_of_plots_is_known_from_two_blocks_of_two() -> None:
    records = many_trials(
        np.random.default_rng(2), 1, 2, ("direct", "soaked"), (9.0, 8.0), (0.8, 0.8),
        seeds=200, speed_sd=0.3,
    )  # fmt: skip
    found = analyse(records)
    times = {}
    for key, plot in records.groupby(["block", "treatment"]):
        day = (plot["inspected"] - plot["planted"]) / pd.Timedelta(days=1)
        times[key] = np.log(np.interp(0.5 * plot["emerged"].max(), plot["emerged"], day))
    # One degree of freedom: the difference of the differences of two blocks.
    odd = (times["0", "direct"] - times["0", "soaked"]) - (
        times["1", "direct"] - times["1", "soaked"]
    )
    assert found.variation.ln_t50_sd == pytest.approx(abs(odd) / 2, rel=0.1)
    one = records[records["block"] == "0"]
    assert analyse(one).variation.ln_t50_sd is None


def test_plain_times_weigh_plots_by_chance_in_days() -> None:
    rng = np.random.default_rng(4)
    looks = np.arange(0.5, 40.0, 0.5)
    records = many_trials(
        rng, 1, 6, ("direct", "soaked", "fleece"), (16.0, 9.0, 12.0), (0.8, 0.8, 0.8),
        seeds=(20, 200, 60), speed_sd=0.02, looks=looks,
    )  # fmt: skip
    # As many days of luck in every plot, quick or slow: as they are, not as logarithms.
    late = records["plot"].map(
        dict(zip(records["plot"].unique(), rng.normal(0.0, 2.0, 18), strict=True))
    )
    records["planted"] -= pd.to_timedelta(late + 6.0, unit="D")
    records["started"] = records["planted"]
    table = plots(records)
    scores = score_plots(records, table, None)
    group = Group(
        plots=table, scores=scores, labels=["direct", "soaked", "fleece"],
        treatment=table["treatment"].map({"direct": 0, "soaked": 1, "fleece": 2}).to_numpy(),
        block=table["block"].astype(int).to_numpy(), stratum=np.zeros(18, int), variety=None,
    )  # fmt: skip
    name = "t50_since_planted_d"
    found = fit_measure(group, name, 0.9)
    assert found is not None
    assert found.scale == "plain"
    times = scores.values[name]
    chance = scores.seed_variance[name] * times**2
    even = fit_blocked(times, group.treatment, group.block, 3, least_variance=0.0)
    assert found.plain_variance == pytest.approx(even.error_variance)
    weight = 1.0 / (even.error_variance - np.median(chance) + chance)
    assert found.fit.weights == pytest.approx(weight / weight.mean(), rel=1e-9)
