"""Every figure of an answer, its document and its saved estimates, from draws laid by hand."""

from __future__ import annotations

import math
from dataclasses import asdict, replace
from pathlib import Path

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.fit import Fit
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.plots import Plot, digest_of
from thermosprout.calibration.result import (
    Calibration,
    calibration_document,
    calibration_with_prior,
    save_calibration,
)
from thermosprout.calibration.scores import Score
from thermosprout.crops.estimate import NAMES, PARAMETERS
from thermosprout.crops.saved_estimates import load_saved

CROP = plain_crop()
Z = 1.6448536269514722
"""Normal deviate of 95 % (tables of the normal distribution)."""


def dish(name: str, constant_C: float, variety: str, lot: str, treatment: str = "direct") -> Plot:
    return Plot(
        name=name, planted_h=0.0, depth_cm=2.0, seeds=40, treatment=treatment,
        constant_C=constant_C, variety=variety, seed_lot=lot,
        hours=np.array([48.0, 96.0, 144.0]), new=np.array([0.0, 20.0, 10.0]),
    )  # fmt: skip


PLOTS = (
    dish("a", 8.0, "Red", "1"), dish("b", 20.0, "Red", "1"), dish("c", 20.0, "Red", "2"),
    dish("d", 8.0, "Gold", "1", "fleece"), dish("e", 20.0, "Gold", "1", "fleece"),
)  # fmt: skip


def laid(plots: tuple[Plot, ...] = PLOTS) -> Fit:
    layers = layers_of(CROP.estimate, plots)
    rng = np.random.default_rng(11)
    spread = 0.4 * np.sqrt(np.diag(layers.covariance))
    vectors = layers.mean + 0.3 * spread + spread * rng.standard_normal((301, len(layers.names)))
    return Fit(
        crop=CROP, plots=plots, layers=layers, vectors=vectors, weights=np.full(301, 1 / 301),
        effective_draws=301.0, mode=vectors[0], log_likelihood=-12.25,
    )  # fmt: skip


def hazen(values: np.ndarray) -> list[float]:
    return np.quantile(values, [0.5, 0.05, 0.95], method="hazen").tolist()


@pytest.fixture(scope="module")
def answer() -> Calibration:
    return calibration_with_prior(CROP, laid(), [], "Red", "1")


def test_a_lots_figures_are_quantiles_of_its_sums(answer: Calibration) -> None:
    """Nothing lies below a lot, so no spread is added; quantiles are numpy's of Hazen."""
    fit = laid()
    column = {name: fit.vectors[:, i] for i, name in enumerate(fit.layers.names)}
    sums = {
        name: column[f"crop:{name}"] + column.get(f"variety Red:{name}", 0.0)
        + column.get(f"lot Red/1:{name}", 0.0) for name in NAMES
    }  # fmt: skip
    for index, name in enumerate(NAMES):
        found, scale = answer.finding(name), PARAMETERS[name]
        at = hazen(sums[name])
        told = (found.estimate, found.low, found.high)
        assert told == pytest.approx([float(scale.natural(q)) for q in at], rel=1e-9), name
        mean, sd = CROP.estimate.mean[index], math.sqrt(CROP.estimate.covariance[index, index])
        assert found.prior == pytest.approx(
            [float(scale.natural(mean + side * Z * sd)) for side in (0, -1, 1)], rel=1e-6
        )
        narrower = max(1.0 - (at[2] - at[1]) / (2 * Z * sd), 0.0)
        assert found.narrower == pytest.approx(narrower, abs=1e-9)
        assert (found.kept, found.learned) == (False, narrower >= 0.1)
    drawn = CROP.estimate.draw(200_000, np.random.default_rng(5))
    for name, parts in {
        "t_opt_C": ("t_base_C", "opt_gap_C"),
        "t_ceiling_C": ("t_base_C", "opt_gap_C", "ceiling_gap_C"),
    }.items():
        found = answer.finding(name)
        at = hazen(sum(np.asarray(PARAMETERS[part].natural(sums[part])) for part in parts))
        assert (found.estimate, found.low, found.high) == pytest.approx(at, rel=1e-9)
        before = hazen(sum(drawn[part] for part in parts))
        assert found.prior == pytest.approx(before, rel=0.03)
        width = (at[2] - at[1]) / (found.prior[2] - found.prior[1])
        assert found.narrower == pytest.approx(max(1.0 - width, 0.0))


def test_treatments_and_levels_of_an_answer(answer: Calibration) -> None:
    fit = laid()
    assert [item.name for item in answer.treatments] == [
        "fleece:thermal_time_factor", "fleece:stand_odds_factor",
    ]  # fmt: skip
    spreads = {"thermal_time_50_Cd": 0.3, "field_factor": 0.8}
    for item, (name, sd) in zip(answer.treatments, spreads.items(), strict=True):
        at = hazen(fit.vectors[:, fit.layers.names.index(f"treatment fleece:{name}")])
        assert (item.estimate, item.low, item.high) == pytest.approx(np.exp(at).tolist())
        assert item.prior == pytest.approx((1.0, math.exp(-Z * sd), math.exp(Z * sd)))
        assert item.narrower == pytest.approx(1.0 - (at[2] - at[1]) / (2 * Z * sd))
        assert not item.kept
    levels = [
        (None, None),
        ("Red", None),
        ("Gold", None),
        ("Red", "1"),
        ("Red", "2"),
        ("Gold", "1"),
    ]
    assert [(e.variety, e.seed_lot) for e in answer.estimates] == levels
    for level, found in zip(levels, answer.estimates, strict=True):
        chosen, spread = fit.layers.level(*level)
        assert found.mean == pytest.approx(chosen @ fit.vectors.mean(axis=0))
        expected = chosen @ np.cov(fit.vectors.T, bias=True) @ chosen.T + spread
        assert found.covariance == pytest.approx(expected, abs=1e-12)
    assert (answer.variety, answer.seed_lot, answer.with_prior) == ("Red", "1", True)
    assert (answer.effective_draws, answer.log_likelihood) == (301.0, -12.25)
    assert answer.plots == PLOTS
    assert answer.temperatures.means == pytest.approx([8.0, 20.0, 20.0, 8.0, 20.0])
    assert answer.temperatures.plots_at == ((8.0, 2), (20.0, 3))


def test_a_crops_report_spreads_over_unseen_varieties_and_lots() -> None:
    """The variance of draws of the crop is that of its entries and of what lies below it."""
    fit = laid()
    found = calibration_with_prior(CROP, fit, [], None, None)
    own = fit.estimate()
    for name in ("thermal_time_50_Cd", "sigma"):
        item, index = found.finding(name), NAMES.index(name)
        sd = math.sqrt(own.covariance[index, index])
        assert math.log(item.high / item.low) / (2 * Z) == pytest.approx(sd, rel=0.15)
        bare = fit.covariance[index, index]
        assert own.covariance[index, index] > 1.5 * bare
        assert math.log(item.estimate or 1.0) == pytest.approx(own.mean[index], abs=0.15 * sd)


def test_plots_at_one_temperature_leave_the_base_as_it_was() -> None:
    fit = laid(tuple(replace(plot, constant_C=15.0) for plot in PLOTS))
    found = calibration_with_prior(CROP, fit, [], "Red", "1")
    base = found.finding("t_base_C")
    low, high = CROP.estimate.interval("t_base_C", 0.9)
    assert (base.estimate, base.low, base.high) == pytest.approx((4.0, low, high))
    assert (base.kept, base.narrower, base.learned) == (True, 0.0, False)
    assert [item.name for item in found.parameters if item.kept] == ["t_base_C"]


def test_the_document_says_each_figure_once(answer: Calibration) -> None:
    score = Score(
        name="catalogue", plots=5, date_crps_d=1.0, date_error_d=2.0, date_covered=0.8,
        stand_crps=0.1, stand_covered=0.6,
    )  # fmt: skip
    document = calibration_document(
        answer, files=[Path("x/trial.csv")], prior="catalogue", scores=[score], left_out="plot",
        saved=[Path("kept.json")], more_warnings=["first"],
    )  # fmt: skip
    parameters = document.pop("parameters")
    assert list(parameters) == [*NAMES, "t_opt_C", "t_ceiling_C"]
    for item in answer.parameters:
        meaning = {
            "t_opt_C": "optimum temperature",
            "t_ceiling_C": "ceiling temperature: no progress at or above it",
        }
        assert parameters[item.name] == {
            "estimate": item.estimate, "low": item.low, "high": item.high,
            "before": {"estimate": item.prior[0], "low": item.prior[1], "high": item.prior[2]},
            "narrower": round(item.narrower, 3), "learned": item.learned, "kept": False,
            "meaning": meaning.get(item.name) or PARAMETERS[item.name].meaning,
        }  # fmt: skip
    # 15 of 30 seedlings: three quarters of the way through the second interval of two days.
    half = 2.0 + 0.75 * 2.0
    settings = [
        ("Red", "1", "direct", 8.0, 1), ("Red", "1", "direct", 20.0, 1),
        ("Red", "2", "direct", 20.0, 1), ("Gold", "1", "fleece", 8.0, 1),
        ("Gold", "1", "fleece", 20.0, 1),
    ]  # fmt: skip
    assert document.pop("settings") == [
        {
            "variety": variety, "seed_lot": lot, "treatment": treatment,
            "planted": "1970-01-01T00:00Z", "temperature_C": constant, "plots": plots,
            "seeds": 40, "emerged": 30, "half_d": half,
        }
        for variety, lot, treatment, constant, plots in settings
    ]  # fmt: skip
    treatments = document.pop("treatments")
    assert [(t["treatment"], t["measure"]) for t in treatments] == [
        ("fleece", "thermal_time_factor"), ("fleece", "stand_odds_factor"),
    ]  # fmt: skip
    for told, item in zip(treatments, answer.treatments, strict=True):
        assert (told["estimate"], told["low"], told["high"]) == (
            item.estimate, item.low, item.high,
        )  # fmt: skip
    assert document == {
        "crop": "beetroot", "variety": "Red", "seed_lot": "1", "prior": "catalogue",
        "response": "beta", "interval": 0.9,
        "temperatures_C": {"low": pytest.approx(8.0), "high": pytest.approx(20.0)},
        "log_likelihood": -12.25, "effective_draws": 301.0,
        "records": {
            "files": ("trial.csv",), "digest": digest_of(PLOTS), "plots": 5, "seeds": 200,
            "inspections": 15, "first_planted": "1970-01-01", "last_inspected": "1970-01-07",
        },
        "checks": [asdict(check) for check in answer.checks],
        "warnings": ["first", *answer.warnings],
        "check": {
            "left_out": "plot",
            "scores": [{
                "name": "catalogue", "plots": 5, "date_crps_d": 1.0, "date_error_d": 2.0,
                "date_covered": 0.8, "stand_crps": 0.1, "stand_covered": 0.6,
            }],
        },
        "saved": ["kept.json"],
    }  # fmt: skip
    short = calibration_document(replace(answer, with_prior=False), files=[], prior="x")
    assert short["prior"] is None
    assert not short.keys() & {"check", "saved"}


def test_each_saved_estimate_rests_on_its_own_plots(answer: Calibration, tmp_path: Path) -> None:
    paths = save_calibration(answer, tmp_path, [Path("trial.csv")], prior="catalogue")
    assert len(set(paths)) == 6
    assert all(path.is_file() for path in paths)
    kept = load_saved(tmp_path).values()
    mine = {(s.estimate.variety, s.estimate.seed_lot): s for s in kept}
    names = {
        (None, None): "abcde", ("Red", None): "abc", ("Gold", None): "de", ("Red", "1"): "ab",
        ("Red", "2"): "c", ("Gold", "1"): "de",
    }  # fmt: skip
    assert mine.keys() == names.keys()
    for level, saved in mine.items():
        behind = [plot for plot in PLOTS if plot.name in names[level]]
        assert saved.origin.digest == digest_of(behind)
        assert (saved.origin.plots, saved.origin.seeds) == (len(behind), 40 * len(behind))
        assert (saved.origin.files, saved.origin.prior) == (("trial.csv",), "catalogue")
        assert saved.origin.effective_draws == 301.0
        assert saved.response == "beta"
