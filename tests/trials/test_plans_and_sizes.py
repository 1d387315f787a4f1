"""Plans as they are written, the search for the smallest trial, and permutations too many."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from tests.trials.conftest import many_trials
from thermosprout.errors import InputError
from thermosprout.trials.analysis.block_model import fit_blocked
from thermosprout.trials.analysis.compare import Group, fit_measure
from thermosprout.trials.analysis.curves import fit_lognormal, fit_many, turnbull
from thermosprout.trials.analysis.measures import score_plots
from thermosprout.trials.analysis.pairs import permute_within_blocks
from thermosprout.trials.design import Plan, Spot, Together, calendar
from thermosprout.trials.records.read import plots
from thermosprout.trials.records.values import read_moment

UTC = ZoneInfo("UTC")


def spot(treatment: str = "direct", *, day: int = 0, plot: str = "A1") -> Spot:
    return Spot(plot=plot, block="A", row=0, column=0, variety="", treatment=treatment, day=day)


def plan(*spots: Spot, planting: str = "2026-05-10", **changed: object) -> Plan:
    usual: dict[str, object] = {
        "spots": spots, "together": Together.PLANT, "planting": (read_moment(planting, UTC),),
        "lead_h": {"soaked": 12.0, "presprouted": 72.0}, "stations": 20, "seeds_per_station": 2,
        "sprout_share": 0.7, "depth_cm": 2.5, "seed_lot": "L", "timezone": UTC,
    }  # fmt: skip
    return Plan(**(usual | changed))  # type: ignore[arg-type]


def test_a_plan_writes_when_each_plot_is_started_and_planted() -> None:
    made = plan(spot(), spot("Soaked", plot="A2"), spot("presprouted", plot="A3"))
    assert made.seeds == 40
    assert [made.seeds_started(s) for s in made.spots] == [40, 40, 58]
    assert made.dates(made.spots[0]) == ("2026-05-10", "2026-05-10")
    assert made.dates(made.spots[1]) == ("2026-05-10T00:00+00:00", "2026-05-10")
    assert made.dates(made.spots[2]) == ("2026-05-07", "2026-05-10")
    started = replace(made, together=Together.START)
    assert started.dates(made.spots[2]) == ("2026-05-10", "2026-05-13")
    header, rows = made.records()
    assert len(header) == len(rows[0])
    assert rows[2][:10] == ["A3", "A", "", "L", "presprouted", "2026-05-07", "2026-05-10", "58",
                            "40", "2.5"]  # fmt: skip
    assert [task.what for task in calendar(made)] == [
        "wet the seed for sprouting, about 72 h: 58 seeds a plot",
        "start soaking for 12 h: 40 seeds a plot",
        "plant Soaked: 40 seeds in 20 stations a plot",
        "plant direct: 40 seeds in 20 stations a plot",
        "plant presprouted: 40 seeds in 20 stations a plot",
    ]
    other = plan(spot("kept warm"), lead_h={"kept warm": 5.0})
    assert other.lead(other.spots[0]) == timedelta(hours=5)
    assert calendar(other)[0].what == "start kept warm, 5 h ahead: 40 seeds a plot"


@pytest.mark.parametrize(
    ("changed", "words"),
    [({"stations": 0}, "at least one station"), ({"seeds_per_station": 0}, "at least one station"),
     ({"sprout_share": 0.049}, "between 0.05 and 1"), ({"sprout_share": 1.01}, "between 0.05")],
)  # fmt: skip
def test_plans_that_cannot_be(changed: dict[str, object], words: str) -> None:
    with pytest.raises(InputError, match=words):
        plan(spot(), **changed)
    assert plan(spot(), stations=1, seeds_per_station=1, sprout_share=1.0).seeds == 1
    assert plan(spot("presprouted"), sprout_share=0.05).sprout_share == 0.05


def test_too_many_arrangements_are_drawn_with_the_observed() -> None:
    rng = np.random.default_rng(1)
    score = np.r_[rng.normal(3.0, 1.0, 20), rng.normal(0.0, 1.0, 20)]
    is_a, block = np.repeat([True, False], 20), np.tile(np.arange(20), 2)
    found = permute_within_blocks(score, is_a, block, rng=rng, resamples=999)
    assert found is not None
    assert (found.exact, found.smallest_p) == (False, pytest.approx(1 / 1000))
    assert found.p_value == pytest.approx(1 / 1000)
    assert found.mid_p == pytest.approx(0.5 / 1000)
    # One block with more ways than are listed: close to the t test for many plots.
    one = np.r_[rng.normal(0.5, 1.0, 15), rng.normal(0.0, 1.0, 15)]
    single = permute_within_blocks(
        one, np.repeat([True, False], 15), np.zeros(30, int), rng=rng, resamples=9_999
    )
    assert single is not None
    assert not single.exact
    expected = stats.ttest_ind(one[:15], one[15:]).pvalue
    assert single.p_value == pytest.approx(expected, abs=0.02)
    assert single.statistic == pytest.approx(one[:15].mean() - one[15:].mean())


def group_of(records: pd.DataFrame) -> tuple[Group, pd.DataFrame]:
    table = plots(records)
    labels = sorted(set(table["treatment"]))
    code = table["treatment"].map({name: i for i, name in enumerate(labels)}).to_numpy()
    return (
        Group(
            plots=table, scores=score_plots(records, table, None), labels=labels, treatment=code,
            block=pd.factorize(table["block"])[0], stratum=np.zeros(len(table), int),
        ),
        table,
    )  # fmt: skip


@pytest.mark.parametrize(("in_proportion", "scale"), [(True, "ln"), (False, "plain")])
def test_times_are_compared_where_plots_vary_alike(in_proportion: bool, scale: str) -> None:
    """Plots ten days apart that vary by a share of their time, or by the same days."""
    rng = np.random.default_rng(4)
    records = many_trials(
        rng, 1, 12, ("a", "b"), (4.0, 16.0), (0.9, 0.9), seeds=200, speed_sd=0.0,
        block_speed_sd=0.0, looks=np.arange(0.25, 40, 0.25),
    )  # fmt: skip
    group, table = group_of(records)
    noise = rng.normal(0.0, 0.15, 24)
    middle = np.where(group.treatment == 0, 4.0, 16.0)
    times = middle * np.exp(noise) if in_proportion else middle + 8.0 * noise
    name = "t50_since_planted_d"
    scores = replace(
        group.scores,
        values=group.scores.values | {name: times},
        scores=group.scores.scores | {name: np.log(times)},
    )
    group = replace(group, scores=scores)
    found = fit_measure(group, name, 0.9)
    assert found is not None
    assert found.scale == scale
    # With too few plots to tell, logarithms are taken.
    few = replace(
        group, plots=table.iloc[:4], scores=scores.of(np.arange(4)), block=group.block[:4],
        treatment=group.treatment[:4], stratum=group.stratum[:4],
    )  # fmt: skip
    little = fit_measure(few, name, 0.9)
    assert little is not None
    assert little.scale == "ln"
    assert fit_measure(group, "no such measure", 0.9) is None


def test_plots_of_few_seeds_weigh_less() -> None:
    rng = np.random.default_rng(5)
    records = many_trials(
        rng, 1, 12, ("a", "b"), (9.0, 9.0), (0.6, 0.6), seeds=(20, 400), correlation=0.0,
        block_logit_sd=0.0,
    )  # fmt: skip
    group, _ = group_of(records)
    found = fit_measure(group, "stand", 0.9)
    assert found is not None
    few, many = (found.fit.weights[group.treatment == t].mean() for t in (0, 1))
    assert few < many
    assert found.fit.weights.mean() == pytest.approx(1.0)
    assert found.scale == "angle"


def test_treatments_that_seldom_meet_compare_through_others() -> None:
    """a and b share a block, b and c another: a - c comes by way of b."""
    score = np.array([1.0, 2.0, 1.5, 2.5, 4.0, 7.0, 5.0, 8.5])
    treatment = np.array([0, 1, 0, 1, 1, 2, 1, 2])
    block = np.array([0, 0, 1, 1, 2, 2, 3, 3])
    fit = fit_blocked(score, treatment, block, 3, least_variance=0.0)
    assert fit.blocked
    first, second = fit.contrast(1, 0), fit.contrast(2, 1)
    whole = fit.contrast(2, 0)
    assert first is not None
    assert second is not None
    assert whole is not None
    assert first.estimate == pytest.approx(1.0)
    assert second.estimate == pytest.approx(3.25)
    assert whole.estimate == pytest.approx(4.25)
    lone = fit_blocked(score[:5], treatment[:5], block[:5], 3, least_variance=0.0)
    assert lone.blocked
    assert np.isnan(lone.effects[2])


def test_log_normal_fits_stay_within_their_bounds() -> None:
    """All seedlings in one narrow interval: the spread ends at its least."""
    one = fit_many(np.array([[3.0, 3.001]]), np.array([[3.001, np.inf]]), np.array([[500.0, 0.0]]))
    assert not one.converged.any(), "no peak, but the end of what is looked at"
    assert one.sigma[0] == pytest.approx(0.002, rel=0.2)
    assert one.final[0] > 0.99
    assert np.exp(one.mu[0]) == pytest.approx(3.0005, abs=0.002)
    far = fit_lognormal([0.0, 50.0], [1.0, np.inf], [1, 9])
    assert np.isfinite(far.mu[0])
    assert far.final[0] == pytest.approx(0.1, abs=0.05)


def test_shares_of_the_curve_without_a_shape() -> None:
    fit = turnbull([0.0, 1.0, 2.0], [1.0, 2.0, np.inf], [5, 3, 2])
    assert fit.left.tolist() == [0.0, 1.0, 2.0]
    assert fit.right.tolist() == [1.0, 2.0, np.inf]
    assert fit.mass == pytest.approx([0.5, 0.3, 0.2])
    # An exact time within an interval takes its mass there.
    mixed = turnbull([1.0, 2.0, 2.0], [3.0, 2.0, 4.0])
    assert mixed.left.tolist() == [2.0, 2.0]
    assert mixed.right.tolist() == [2.0, 3.0]
    assert mixed.mass.sum() == pytest.approx(1.0)
