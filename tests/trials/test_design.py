"""Layouts, plans, and the chance that a planned trial shows something."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np
import pytest

from tests.trials.model_trials import simulate_counts, simulate_records
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.seed_lots import SeedLot, viability_draws
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.treatments import Handling, Treatment, seed_state
from thermosprout.errors import InputError
from thermosprout.trials.design import (
    Layout,
    Plan,
    Together,
    calendar,
    in_the_morning,
    lay_out,
    lead_hours,
    letters,
    sprout_hours,
    sprouting_share,
)
from thermosprout.trials.power import Trial, Truths, power, smallest_trial, truths_of
from thermosprout.trials.records.file import format_table
from thermosprout.trials.records.read import plots, read_records
from thermosprout.trials.records.values import read_moment, zone

TREATMENTS = ("direct", "soaked", "presprouted")


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_every_block_holds_everything_once_and_orders_differ() -> None:
    spots = lay_out(Layout.BLOCKS, ["Ada", "Bo"], TREATMENTS, 5, rng())
    labels = [f"{letter}{number}" for letter in "ABCDE" for number in range(1, 7)]
    assert [spot.plot for spot in spots] == labels
    orders = set()
    for block in {spot.block for spot in spots}:
        mine = [(s.variety, s.treatment) for s in spots if s.block == block]
        assert len(set(mine)) == 6
        orders.add(tuple(mine))
    assert len(orders) > 1


def test_the_same_seed_gives_the_same_plan() -> None:
    first, again, other = (lay_out(Layout.BLOCKS, [""], TREATMENTS, 4, rng(s)) for s in (3, 3, 4))
    assert first == again
    assert first != other


@pytest.mark.parametrize("size", [2, 3, 5])
def test_a_latin_square_has_each_once_in_row_and_column(size: int) -> None:
    names = [f"t{i}" for i in range(size)]
    spots = lay_out(Layout.LATIN, [""], names, size, rng())
    for axis in ("row", "column"):
        for k in range(size):
            assert {s.treatment for s in spots if getattr(s, axis) == k} == set(names)


def test_all_orders_of_a_block_come_up_about_equally() -> None:
    seen = Counter(
        tuple(s.treatment for s in lay_out(Layout.BLOCKS, [""], TREATMENTS, 1, rng(k)))
        for k in range(600)
    )
    assert len(seen) == 6
    assert min(seen.values()) > 65  # 100 expected, sd 9


def test_split_by_planting_day_keeps_treatments_of_a_day_together() -> None:
    spots = lay_out(Layout.SPLIT, [""], TREATMENTS, 3, rng(), days=2)
    assert len(spots) == 18
    for block in {s.block for s in spots}:
        mine = [s for s in spots if s.block == block]
        assert {s.treatment for s in mine} == set(TREATMENTS)
        assert len({s.day for s in mine}) == 1


def test_one_random_order_has_no_blocks() -> None:
    spots = lay_out(Layout.SINGLE, [""], TREATMENTS, 4, rng())
    assert {s.block for s in spots} == {"A"}
    assert Counter(s.treatment for s in spots) == dict.fromkeys(TREATMENTS, 4)


@pytest.mark.parametrize(
    ("layout", "treatments", "replicates", "days", "words"),
    [
        (Layout.BLOCKS, ["direct"], 4, 1, "nothing to compare"),
        (Layout.BLOCKS, ["direct", "Direct"], 4, 1, "named twice"),
        (Layout.BLOCKS, ["direct", " "], 4, 1, "at least one treatment"),
        (Layout.BLOCKS, ["a", "b"], 0, 1, "1 or more"),
        (Layout.BLOCKS, ["a", "b"], 4000, 1, "more than"),
        (Layout.LATIN, ["a", "b", "c"], 4, 1, "has 3 rows"),
        (Layout.SPLIT, ["a", "b"], 4, 1, "at least two"),
        (Layout.BLOCKS, ["a", "b"], 4, 2, "split"),
    ],
)
def test_layouts_that_cannot_be(
    layout: Layout, treatments: list[str], replicates: int, days: int, words: str
) -> None:
    with pytest.raises(InputError, match=words):
        lay_out(layout, [""], treatments, replicates, rng(), days=days)


def test_letters_go_on_after_z() -> None:
    assert [letters(i) for i in (0, 25, 26, 27, 701, 702)] == ["A", "Z", "AA", "AB", "ZZ", "AAA"]


def plan_of(together: Together, day: str = "2026-05-02", timezone: str = "Europe/Paris") -> Plan:
    tz = zone(timezone)
    lead = lead_hours(TREATMENTS, 12.0, 72.0)
    return Plan(
        spots=lay_out(Layout.BLOCKS, [""], TREATMENTS, 2, rng()),
        together=together,
        planting=(in_the_morning(read_moment(day, tz), lead, tz),),
        lead_h=lead,
        stations=20,
        seeds_per_station=2,
        sprout_share=0.8,
        depth_cm=2.5,
        seed_lot="lot 7",
        timezone=tz,
    )


def dates(plan: Plan) -> dict[str, tuple[str, str]]:
    return {spot.treatment: plan.dates(spot) for spot in plan.spots}


def test_planted_together_means_started_earlier() -> None:
    assert dates(plan_of(Together.PLANT)) == {
        "direct": ("2026-05-02T09:00+02:00", "2026-05-02T09:00+02:00"),
        "soaked": ("2026-05-01T21:00+02:00", "2026-05-02T09:00+02:00"),
        "presprouted": ("2026-04-29T09:00+02:00", "2026-05-02T09:00+02:00"),
    }


def test_started_together_means_planted_when_ready() -> None:
    assert dates(plan_of(Together.START))["presprouted"] == (
        "2026-05-02T09:00+02:00", "2026-05-05T09:00+02:00"
    )  # fmt: skip


def test_handling_over_a_clock_change_has_its_real_hours() -> None:
    started, planted = dates(plan_of(Together.PLANT, "2026-03-30"))["presprouted"]
    assert (started, planted) == ("2026-03-27T08:00+01:00", "2026-03-30T09:00+02:00")


def test_the_calendar_is_in_order_and_names_all_plots() -> None:
    tasks = calendar(plan_of(Together.PLANT))
    assert [task.what.split()[0] for task in tasks] == ["wet", "start", "plant", "plant", "plant"]
    assert sorted(p for t in tasks if t.what.startswith("plant") for p in t.plots) == [
        "A1", "A2", "A3", "B1", "B2", "B3"
    ]  # fmt: skip
    assert "50 seeds" in tasks[0].what  # 40 planted, of 50 started


def test_the_records_file_of_a_plan_is_in_order(tmp_path: Path) -> None:
    path = tmp_path / "records.csv"
    path.write_text(format_table(*plan_of(Together.PLANT).records()), encoding="utf-8")
    table = plots(read_records(path, timezone="Europe/Paris", planned=True))
    assert len(table) == 6
    assert table["inspections"].eq(0).all()
    assert table.set_index("treatment").loc["presprouted", "seeds_started"].eq(50).all()


def test_a_plan_with_a_formula_for_a_name_is_refused() -> None:
    tz = zone("UTC")
    with pytest.raises(InputError, match="formula"):
        Plan(
            spots=lay_out(Layout.BLOCKS, ["=1+1"], TREATMENTS, 2, rng()), together=Together.PLANT,
            planting=(read_moment("2026-05-02", tz),), lead_h={}, stations=20, seeds_per_station=1,
            sprout_share=0.8, depth_cm=2.5, seed_lot="", timezone=tz,
        )  # fmt: skip


def test_more_sprouts_with_time_and_never_more_than_live() -> None:
    crop = find_crop("carrot")
    shares = [sprouting_share(crop, 20.0, hours) for hours in (0, 48, 72, 96, 144, 2000)]
    assert shares == sorted(shares)
    assert shares[0] == pytest.approx(0.0, abs=1e-6)
    untested = SeedLot(id="", crop="carrot")
    alive = viability_draws(untested, crop, 4000, np.random.default_rng(1))
    assert shares[-1] == pytest.approx(np.median(alive), abs=0.01)
    # The same share as a forecast of the batch gives, at the middle of what is known of the crop.
    centre = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    state = seed_state(
        crop, centre, ResponseDraws.from_draws(crop.response, centre),
        Handling(treatment=Treatment.PRESPROUTED, sprout_h=96.0), depth_cm=1.3,
    )  # fmt: skip
    assert shares[3] / np.median(alive) == pytest.approx(float(state.sprouted[0]), abs=0.01)


def test_sprouting_takes_longer_in_a_cool_room() -> None:
    crop = find_crop("beet")
    warm, cool = sprout_hours(crop, 24.0), sprout_hours(crop, 12.0)
    assert warm is not None
    assert cool is not None
    assert 24 <= warm < cool
    assert sprout_hours(crop, -5.0) is None


def few(trials: int) -> Truths:
    """One and the same truth for so many simulated trials."""
    return Truths(
        t50_d=np.full(trials, 9.0),
        sigma=np.full(trials, 0.2),
        speed_sd=np.full(trials, 0.08),
        stand=np.full(trials, 0.75),
        correlation=np.full(trials, 0.04),
    )


TRUTHS = few(250)


def test_power_grows_with_blocks_seeds_and_size() -> None:
    small = power(Trial(blocks=3, seeds=30), TRUTHS, rng(), later_d=1.0).chance
    blocks = power(Trial(blocks=8, seeds=30), TRUTHS, rng(), later_d=1.0).chance
    bigger = power(Trial(blocks=8, seeds=30), TRUTHS, rng(), later_d=2.0).chance
    assert small < blocks < bigger
    some = power(Trial(blocks=6, seeds=15), TRUTHS, rng(), points=0.15).chance
    many = power(Trial(blocks=6, seeds=100), TRUTHS, rng(), points=0.15).chance
    assert some < many


def test_the_smallest_trial_reaches_what_was_asked() -> None:
    truths = few(60)
    found = smallest_trial(Trial(every_d=2.0), truths, rng(), later_d=2.0)
    assert found is not None
    assert found.chance >= 0.8
    less = power(Trial(blocks=3, seeds=20, every_d=2.0), truths, rng(), later_d=2.0)
    assert less.chance < 0.8
    assert smallest_trial(Trial(every_d=2.0), few(20), rng(), later_d=0.02) is None


def test_power_asks_for_one_difference() -> None:
    with pytest.raises(InputError, match="either"):
        power(Trial(), TRUTHS, rng())
    with pytest.raises(InputError, match="two blocks"):
        Trial(blocks=1)


def test_a_crop_that_never_comes_up_is_said() -> None:
    with pytest.raises(InputError, match="mostly does not emerge"):
        truths_of(find_crop("melon"), 4.0, trials=200)
    assert truths_of(find_crop("beet"), 15.0, trials=200).trials > 100


def test_simulated_counts_have_the_mean_and_spread_asked_for() -> None:
    counts = simulate_counts(
        rng(), t50=np.full(4000, 8.0), sigma=0.2, stand=0.7, seeds=np.full(4000, 40),
        inspections=np.arange(1.0, 30.0), correlation=0.05,
    )  # fmt: skip
    assert (np.diff(counts, axis=1) >= 0).all()
    final = counts[:, -1]
    assert final.mean() == pytest.approx(28.0, abs=0.3)
    assert final.var() == pytest.approx(40 * 0.21 * (1 + 39 * 0.05), rel=0.1)
    assert counts[:, 7].sum() / final.sum() == pytest.approx(0.5, abs=0.01)


def test_simulated_records_are_records(tmp_path: Path) -> None:
    path = tmp_path / "records.csv"
    path.write_text(format_table(*plan_of(Together.PLANT).records()), encoding="utf-8")
    table = plots(read_records(path, planned=True))
    crop = find_crop("beet")
    made = simulate_records(crop, table, [4, 8, 12, 16], rng(), temperature_C=16.0)
    assert len(made) == 6 * 4
    assert (made["emerged"] <= made["seeds_planted"]).all()
    assert (made.groupby("plot")["emerged"].diff().dropna() >= 0).all()
    with pytest.raises(InputError, match="either"):
        simulate_records(crop, table, [4], rng())
