"""Emergence curves with their bands, counts as steps, simulated records and layouts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from tests.emergence.plain_crop import plain_crop
from tests.emergence.test_clock import hourly, response_draws
from tests.trials.conftest import many_trials
from tests.trials.model_trials import simulate_records
from thermosprout.errors import CoverageError, InputError
from thermosprout.trials.analysis.analyse import analyse, emergence_curve, emergence_shape
from thermosprout.trials.analysis.measures import wilson
from thermosprout.trials.analysis.timing import plot_intervals, thermal_times
from thermosprout.trials.design import Layout, lay_out
from thermosprout.trials.power import Trial, truths_of
from thermosprout.trials.records.read import block_steps, plots


@pytest.fixture(scope="module")
def records() -> pd.DataFrame:
    table = many_trials(
        np.random.default_rng(2), 1, 4, ("direct", "soaked"), (9.0, 8.0), (0.8, 0.7), seeds=50
    )
    table["started"] -= pd.Timedelta(days=2)
    return table


def test_the_curve_ends_in_the_share_with_wilsons_band(
    records: pd.DataFrame,
) -> None:
    found = emergence_curve(records)
    assert found is not None
    final = records.groupby("plot")["emerged"].max().sum() / 400
    assert found.emerged[-1] == pytest.approx(final, abs=1e-6)
    assert found.low[-1], found.high[-1] == pytest.approx(wilson(final * 400, 400, 0.9))
    # Eight plots of fifty: a correlation r makes 400 seeds worth 400 / (1 + 49 r) (Kish 1965).
    wide = emergence_curve(records, correlation=0.1)
    assert wide is not None
    worth = 400 / (1 + 49 * 0.1)
    assert (wide.low[-1], wide.high[-1]) == pytest.approx(wilson(final * worth, worth, 0.9))
    other = emergence_curve(records, level=0.5)
    assert other is not None
    assert other.high[-1] - other.low[-1] < found.high[-1] - found.low[-1]
    assert emergence_curve(records.iloc[:0]) is None


def test_intervals_on_each_clock(records: pd.DataFrame) -> None:
    planted, started = plot_intervals(records), plot_intervals(records, "started")
    assert planted["seeds"].sum() == started["seeds"].sum() == 400
    shifted = started["right"].to_numpy() - 2.0
    assert shifted == pytest.approx(planted["right"].to_numpy())
    first = started.groupby("plot")["left"].min()
    assert (first >= 2.0).all()
    early = records.copy()
    early["emerged"] = early["emerged"].where(early["emerged"] == 0, early["emerged"])
    early.loc[early["inspected"] == early["inspected"].min(), "emerged"] = 3
    early["emerged"] = early.groupby("plot")["emerged"].cummax()
    at_once = plot_intervals(early)
    begin = at_once[at_once["left"] == 0.0]
    assert (begin["seeds"] == 3).all()
    assert (begin["right"] == 1.0).all()
    with pytest.raises(InputError, match="needs a soil temperature"):
        plot_intervals(records, "thermal")


def test_the_shape_is_that_of_all_seeds(records: pd.DataFrame) -> None:
    one = emergence_shape(records[records["treatment"] == "direct"])
    assert one is not None
    assert one.t50_d == pytest.approx(9.0, rel=0.15)
    assert 0.1 < one.sigma < 0.4
    assert one.final == pytest.approx(0.8, abs=0.12)
    nothing = records.assign(emerged=0)
    assert emergence_shape(nothing) is None


def test_steps_of_plots_in_the_order_of_blocks(records: pd.DataFrame) -> None:
    found = block_steps(records.sample(frac=1.0, random_state=3))
    assert [step.plot for step in found] == sorted(records["plot"].unique())
    assert found[0].block == "0"
    assert found[0].days == [0.0, *np.arange(1.0, 21.0)]
    mine = records[records["plot"] == found[0].plot]
    assert found[0].emerged == pytest.approx([0.0, *(mine["emerged"] / 50)])
    assert {step.label for step in found} == {"direct", "soaked"}
    two = pd.concat([records.assign(variety="x"),
                     records.assign(variety="y", plot="y" + records["plot"])])  # fmt: skip
    assert block_steps(two)[0].block == "x, block 0"
    assert block_steps(two, "variety")[0].block == "0"
    assert {step.label for step in block_steps(two, "variety")} == {"x", "y"}
    assert block_steps(records.assign(block=""))[0].block == "all"
    none = records.assign(seeds_planted=np.where(records["block"] == "0", 0, 50))
    assert {step.block for step in block_steps(none)} == {"1", "2", "3"}


def test_values_of_treatments_lie_within_their_intervals(records: pd.DataFrame) -> None:
    result = analyse(records)
    for summary in result.treatments:
        for value in (summary.stand, summary.t50_since_planted_d, summary.spread_d):
            assert value is not None
            assert value.low is not None
            assert value.high is not None
            assert value.low < value.estimate < value.high
    one = records[records["block"] == "0"]
    alone = analyse(one).treatments[0]
    assert alone.stand.low, alone.stand.high == pytest.approx(
        wilson(alone.emerged, alone.seeds_planted)
    )
    assert alone.t50_since_planted_d is not None
    low, high = alone.t50_since_planted_d.low, alone.t50_since_planted_d.high
    assert low is not None
    assert high is not None
    # One plot: only chance among its forty or so seedlings, sigma over their root.
    half = 1.645 * 0.2 / np.sqrt(alone.emerged)
    assert np.log(high / low) / 2 == pytest.approx(half, rel=0.5)


def test_thermal_time_up_to_an_hour_past_the_soils_end(records: pd.DataFrame) -> None:
    series = hourly(np.full(24 * 19 + 24, 15.0), start="2026-05-01T12:00")
    held = records.assign(temperature_C=np.nan)
    assert held["inspected"].max() == pd.Timestamp("2026-05-21T12:00")
    found = thermal_times(held, response_draws(1), series)
    days = (held["inspected"] - held["planted"]).dt.total_seconds().to_numpy() / 86_400
    assert found == pytest.approx(10.0 * np.minimum(days, 20 - 1 / 24), abs=0.02)
    with pytest.raises(CoverageError, match="before the inspection of"):
        thermal_times(held, response_draws(1), series.isel(time=slice(0, -1)))
    pots = records.assign(temperature_C=18.0)
    assert thermal_times(pots, response_draws(1), None) == pytest.approx(13.0 * days)
    with pytest.raises(InputError, match="soil temperature of plot 0-0-0 is not known"):
        thermal_times(held, response_draws(1), None)


def test_simulated_records_are_looked_at_on_the_days_asked(records: pd.DataFrame) -> None:
    crop = plain_crop()
    table = plots(records).assign(treatment="Soaked", depth_cm=np.nan)
    rng = np.random.default_rng(6)
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    made = simulate_records(crop, table, [2.5, 30.0, 90.0], rng, truth=truth, temperature_C=20.0)
    waits = (made["inspected"] - made["planted"]).dt.total_seconds() / 86_400
    assert waits.to_list() == [2.5, 30.0, 90.0] * len(table)
    assert (made["temperature_C"] == 20.0).all()
    assert made["line"].to_list() == list(range(2, 2 + len(made)))
    for both in ({}, {"temperature_C": 20.0, "soil": hourly(np.full(48, 9.0))}):
        with pytest.raises(InputError, match="either a soil temperature series or a constant"):
            simulate_records(crop, table, [2.0], rng, **both)  # type: ignore[arg-type]
    # Known labels are handled, others sown dry: a long soak of this crop costs half of the stand.
    frail = replace(crop, safe_soak_h=1.0)
    cruel = truth | {"soak_loss_per_d": np.array([0.9])}
    by = {
        name: simulate_records(
            frail, table.assign(treatment=name), [90.0], np.random.default_rng(6), truth=cruel,
            temperature_C=20.0,
        )["emerged"].sum()
        for name in ("soaked", "SOAKED", "direct", "fleece")
    }  # fmt: skip
    assert by["soaked"] == by["SOAKED"] < 0.5 * by["direct"]
    assert by["fleece"] == by["direct"]


def test_a_trial_needs_two_of_everything() -> None:
    for changed in ({"treatments": 1}, {"blocks": 1}):
        with pytest.raises(InputError, match="at least two treatments and two blocks"):
            Trial(**changed)
    for changed in ({"seeds": 0}, {"every_d": 0.0}):
        with pytest.raises(InputError, match="a plot needs seeds"):
            Trial(**changed)  # type: ignore[arg-type]
    usual = Trial(treatments=2, seeds=1, every_d=0.5)
    assert (usual.blocks, usual.days) == (4, None)


def test_truths_take_the_rows_own_speed_out() -> None:
    crop = plain_crop(t_base=8.0, thermal_time=120.0)
    found = truths_of(crop, 20.0, depth_cm=1.27, trials=2000)
    assert found.trials == found.sigma.size == 2000
    assert np.median(found.t50_d) == pytest.approx(10.0, rel=0.03)
    spread = np.log(found.t50_d).std()
    # Spread of ln days of the estimate alone: thermal time 0.1 and base 0.5 C in 12.
    assert spread == pytest.approx(np.hypot(0.1, 0.5 / 12), rel=0.12)


@pytest.mark.parametrize("seed", range(3))
def test_a_latin_square_varies_and_fills_its_bed(seed: int) -> None:
    names = ("a", "b", "c", "d")
    spots = lay_out(Layout.LATIN, [""], names, 4, np.random.default_rng(seed))
    assert [(s.row, s.column) for s in spots] == [(r, c) for r in range(4) for c in range(4)]
    assert {s.day for s in spots} == {0}
    assert [s.plot for s in spots[:5]] == ["A1", "A2", "A3", "A4", "B1"]
    for line in range(4):
        assert {s.treatment for s in spots if s.row == line} == set(names)
        assert {s.treatment for s in spots if s.column == line} == set(names)
