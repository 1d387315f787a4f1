"""Plots as a fit sees them, their temperatures, and scores of single plots."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest

from tests.calibration.growers import first_hour, plain_crop, spring
from thermosprout.calibration import scores
from thermosprout.calibration.plots import (
    Plot,
    digest_of,
    handling_of,
    plots_of_records,
)
from thermosprout.calibration.predict import Temperatures, middle_h, temperatures_of
from thermosprout.calibration.scores import LeftOut, forecast_draws
from thermosprout.crops.crop import Practice
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import CoverageError, InputError

CROP = plain_crop()
PLANTED = pd.Timestamp("2026-05-01T10:00")
PLANTED_H = PLANTED.value / 3.6e12


def records(*looks: tuple[float, float], **changed: object) -> pd.DataFrame:
    usual: dict[str, object] = {
        "plot": "A1", "treatment": "direct", "variety": "", "seed_lot": "", "block": "A",
        "started": PLANTED, "planted": PLANTED, "seeds_planted": 50, "depth_cm": 3.0,
        "temperature_C": np.nan,
    }  # fmt: skip
    rows = [
        usual | changed | {"inspected": PLANTED + pd.Timedelta(days=day), "emerged": emerged}
        for day, emerged in looks
    ]
    return pd.DataFrame(rows)


def test_a_plot_keeps_its_looks_after_planting_in_order() -> None:
    (one,) = plots_of_records(records((9, 30), (-1, 0), (0, 0), (5, 12), (7, 12)), CROP)
    assert one.hours == pytest.approx(PLANTED_H + 24.0 * np.array([5, 7, 9]))
    assert one.new.tolist() == [12, 0, 18]
    assert (one.seeds, one.emerged, one.depth_cm, one.block) == (50, 30, 3.0, "A")
    assert (one.variety, one.seed_lot, one.constant_C, one.dish) == (None, None, None, False)
    assert one.planted_h == pytest.approx(PLANTED_H)
    assert one.last_h == pytest.approx(PLANTED_H + 216)


def test_looks_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="A1: seedlings are recorded before it was planted"):
        plots_of_records(records((-1, 1), (5, 12)), CROP)
    with pytest.raises(InputError, match="no inspection after planting"):
        plots_of_records(records((-1, 0), (0, 0)), CROP)
    empty = records((5, 3))
    empty["inspected"] = pd.NaT
    with pytest.raises(InputError, match="no inspection after planting"):
        plots_of_records(empty, CROP)


def test_a_plot_without_depth_may_be_a_dish() -> None:
    (bed,) = plots_of_records(records((5, 3), depth_cm=np.nan), CROP)
    assert (bed.dish, bed.depth_cm) == (False, 2.0)
    deep = replace(CROP, practice=Practice(depth_cm=4.0))
    assert plots_of_records(records((5, 3), depth_cm=np.nan), deep)[0].depth_cm == 4.0
    (dish,) = plots_of_records(records((5, 3), depth_cm=np.nan, temperature_C=18.0), CROP)
    assert (dish.dish, dish.depth_cm, dish.constant_C) == (True, 1.27, 18.0)
    (zero,) = plots_of_records(records((5, 3), depth_cm=0.0, temperature_C=18.0), CROP)
    assert zero.dish
    (pot,) = plots_of_records(records((5, 3), depth_cm=2.5, temperature_C=18.0), CROP)
    assert (pot.dish, pot.depth_cm) == (False, 2.5)
    (named,) = plots_of_records(records((5, 3), variety=" Boro ", seed_lot="x"), CROP)
    assert (named.variety, named.seed_lot) == ("Boro", "x")


def test_a_label_and_its_lead_say_what_was_done() -> None:
    soaked = handling_of("a", "soaked", 12.0)
    assert (soaked.treatment, soaked.soak_h, soaked.sprout_h) == (Treatment.SOAKED, 12.0, 0.0)
    sprouted = handling_of("a", "presprouted", 60.0)
    assert (sprouted.treatment, sprouted.sprout_h) == (Treatment.PRESPROUTED, 60.0)
    assert handling_of("a", "fleece", 12.0).treatment is Treatment.DIRECT
    assert handling_of("a", "soaked", 0.5).soak_h == 0.5
    with pytest.raises(InputError, match="plot a is soaked but was started when it was planted"):
        handling_of("a", "soaked", 0.0)
    (plot,) = plots_of_records(
        records((5, 3), treatment="soaked", started=PLANTED - pd.Timedelta(hours=18)), CROP
    )
    assert plot.handling.soak_h == pytest.approx(18.0)


def plot(**changed: object) -> Plot:
    usual: dict[str, object] = {
        "name": "p", "planted_h": 100.0, "depth_cm": 2.0, "seeds": 20,
        "hours": 100.0 + 24.0 * np.array([2.0, 4.0, 6.0]), "new": np.array([0.0, 8.0, 4.0]),
    }  # fmt: skip
    return Plot(**(usual | changed))  # type: ignore[arg-type]


def test_a_digest_is_of_what_a_fit_sees() -> None:
    one, two = plot(), plot(name="q")
    assert digest_of([one, two]) == digest_of([two, one])
    for changed in ({"seeds": 21}, {"depth_cm": 2.1}, {"constant_C": 9.0}, {"variety": "x"}):
        assert digest_of([replace(one, **changed), two]) != digest_of([one, two])


def test_the_middle_of_emergence_is_where_half_were_seen() -> None:
    assert middle_h(plot()) == 100 + 96
    assert middle_h(plot(new=np.array([1.0, 1.0, 10.0]))) == 100 + 144
    assert middle_h(plot(new=np.zeros(3))) == 100 + 144
    assert middle_h(plot(noted_h=(120.0, 160.0))) == 140.0


def test_temperatures_a_degree_apart_are_one() -> None:
    plots = [plot(constant_C=c) for c in (20.0, 10.0, 10.9, 11.1, 15.0)]
    plots += [plot(constant_C=30.0, new=np.zeros(3)), plot(constant_C=5.0, noted_h=(120.0, 160.0))]
    model = SimpleNamespace(plots=plots, temperature=lambda p, _: np.array([p.constant_C]))
    found = temperatures_of(model)  # type: ignore[arg-type]
    assert (found.low, found.high) == (5.0, 20.0)
    assert found.plots_at == ((5.0, 1), (10.0, 2), (11.1, 1), (15.0, 1), (20.0, 1))
    assert found.wide_enough
    for means, enough in (((10.0, 15.0), True), ((10.0, 14.9), False), ((10.0,), False)):
        assert Temperatures(means=np.array(means), plots_at=()).wide_enough is enough
    none = Temperatures(means=np.zeros(0), plots_at=())
    assert np.isnan([none.low, none.high]).all()
    assert not none.wide_enough


def test_plots_are_left_out_by_name_day_year() -> None:
    hour = float(np.datetime64("2025-12-31T23:30", "m").astype(int)) / 60.0
    plots = [plot(name=n, planted_h=hour + h) for n, h in (("a", 0), ("b", 0), ("c", 1), ("d", 24))]

    def names(left_out: LeftOut, zone: str = "UTC") -> list[list[str]]:
        return [[p.name for p in group] for group in scores.left_out_groups(plots, left_out, zone)]

    assert names(LeftOut.PLOT) == [["a"], ["b"], ["c"], ["d"]]
    assert names(LeftOut.DATE) == [["a", "b"], ["c", "d"]]
    assert names(LeftOut.SEASON) == [["a", "b"], ["c", "d"]]
    assert names(LeftOut.SEASON, "Europe/Berlin") == [["a", "b", "c", "d"]]
    assert names(LeftOut.DATE, "Europe/Berlin") == [["a", "b", "c"], ["d"]]


def test_a_line_scores_date_and_stand_of_one_forecast() -> None:
    half = np.linspace(1.0, 6.0, 101)
    stand = np.linspace(0.4, 0.9, 101)
    found = scores.score_of(plot(), half, stand)
    assert found["date_error_d"] == pytest.approx(abs(3.5 - 3.5), abs=1e-9)
    assert found["date_covered"] == 1.0
    assert found["date_crps_d"] == pytest.approx(scores.crps(half, 3.5))
    assert found["stand_covered"] == 1.0
    assert found["stand_crps"] == pytest.approx(scores.crps(stand, 12 / 20))
    off = scores.score_of(plot(), half + 5.0, None)
    assert (off["date_covered"], off["date_error_d"]) == (0.0, pytest.approx(5.0))
    assert np.isnan([off["stand_crps"], off["stand_covered"]]).all()
    never = scores.score_of(plot(), np.full(9, np.inf), stand)
    # No draw gives a day: there is no error to give, and the plot that did come lies outside.
    assert np.isnan(never["date_error_d"])
    assert never["date_covered"] == 0.0
    # Where a draw in six never comes up, the interval is open to the right.
    late = scores.score_of(plot(), np.r_[half[:85] - 1.5, np.full(16, np.inf)], None)
    assert late["date_covered"] == 1.0
    unseen = scores.score_of(plot(new=np.zeros(3)), half, stand)
    assert np.isnan([unseen["date_crps_d"], unseen["date_error_d"], unseen["date_covered"]]).all()
    assert unseen["stand_covered"] == 0.0
    both = scores.mean_score("calibrated", [found, off, unseen])
    assert both.plots == 3
    assert both.date_error_d == pytest.approx(2.5)
    assert both.date_covered == pytest.approx(0.5)
    assert both.stand_covered == pytest.approx(0.5)
    alone = scores.mean_score("packet", [off])
    assert (alone.date_covered, alone.stand_crps) == (None, None)
    assert np.isnan(scores.mean_score("calibrated", [unseen]).date_crps_d)


def test_forecasts_to_score_are_on_the_days_since_planting() -> None:
    estimate = CROP.estimate
    pot = plot(constant_C=18.0, viability=0.8)
    half, stand = forecast_draws(CROP, estimate, pot, [], size=400)
    assert stand is not None
    assert 0 < np.nanmedian(half) < 60
    assert stand.max() <= 1.0
    dish, none = forecast_draws(CROP, estimate, replace(pot, dish=True), [], size=400)
    assert none is None
    # A radicle shows before a shoot does.
    assert np.nanmedian(dish) < np.nanmedian(half)
    noted = plot(constant_C=18.0, noted_h=(124.0, 148.0))
    _, unseen = forecast_draws(CROP, estimate, noted, [], size=50)
    assert unseen is None
    series = spring(days=60)
    with pytest.raises(CoverageError, match="no soil temperature covers the planting of plot p"):
        forecast_draws(CROP, estimate, plot(), [series], size=50)
    begin = first_hour(series)
    at_start, _ = forecast_draws(CROP, estimate, plot(planted_h=begin), [series], size=50)
    assert np.isfinite(np.median(at_start))
