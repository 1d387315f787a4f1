"""The fit learns what records tell, whatever their order, and parts crop, variety and lot."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from tests.calibration.growers import Planting, grow, plain_crop, spring, write_records
from thermosprout.calibration.fit import base_from_prior, fit_with_prior
from thermosprout.calibration.hierarchy import LOT_SHARE, VARIETY_SHARE, layers_of
from thermosprout.calibration.plots import digest_of, plots_of_records
from thermosprout.calibration.result import calibrate, save_calibration
from thermosprout.crops.catalogue import catalogue, find_crop
from thermosprout.crops.estimate import Estimate
from thermosprout.crops.saved_estimates import load_saved
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import InputError
from thermosprout.trials.records.read import read_records

ESTIMATE = Estimate.generic(
    "beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (100.0, 0.4)}
)
CROP = plain_crop(estimate=ESTIMATE)
SERIES = spring(days=100, seed=4, site_C=4.0)
FEW = 300
"""Draws where their number has no say."""


def truth_with(**changed):
    centre = {name: np.array([value]) for name, value in ESTIMATE.centre().items()}
    return centre | {name: np.array([value]) for name, value in changed.items()}


@pytest.fixture(scope="module")
def fitted():
    rng = np.random.default_rng(0)
    truth = truth_with(thermal_time_50_Cd=160.0, sigma=0.3, field_factor=0.6)
    plots = grow(
        CROP, truth, SERIES, [Planting(day=5.3, plots=3), Planting(day=40.3, plots=3)], rng
    )
    return fit_with_prior(CROP, plots, [SERIES], seed=1)


def test_the_truth_is_found_within_its_interval(fitted) -> None:
    estimate = fitted.estimate()
    for name, value in {"thermal_time_50_Cd": 160.0, "sigma": 0.3, "field_factor": 0.6}.items():
        low, high = estimate.interval(name, 0.98)
        assert low < value < high, name
        index = ESTIMATE.names.index(name)
        assert estimate.covariance[index, index] < 0.8 * ESTIMATE.covariance[index, index]


def test_what_the_records_do_not_touch_stays(fitted) -> None:
    estimate = fitted.estimate()
    for name in ("soak_credit", "handling_loss_per_mm", "radicle_mm_per_Cd"):
        index = ESTIMATE.names.index(name)
        sd = np.sqrt(ESTIMATE.covariance[index, index])
        assert abs(estimate.mean[index] - ESTIMATE.mean[index]) < 0.2 * sd
        assert np.sqrt(estimate.covariance[index, index]) == pytest.approx(sd, rel=0.15)


def test_the_same_seed_gives_the_same_answer(fitted) -> None:
    few = [fit_with_prior(CROP, fitted.plots, [SERIES], seed=1, draws=FEW) for _ in range(2)]
    np.testing.assert_array_equal(few[0].vectors, few[1].vectors)
    other = fit_with_prior(CROP, fitted.plots, [SERIES], seed=2)
    index = ESTIMATE.names.index("thermal_time_50_Cd")
    # Two means of so many draws' worth differ by chance; three standard errors of it are allowed.
    variances = [
        fit.estimate().covariance[index, index] / fit.effective_draws for fit in (fitted, other)
    ]
    assert abs(other.mean[index] - fitted.mean[index]) < 3.0 * np.sqrt(sum(variances))


def test_weights_say_what_they_are_worth(fitted) -> None:
    assert fitted.weights.sum() == pytest.approx(1.0)
    assert 100 < fitted.effective_draws <= fitted.weights.size


@pytest.mark.parametrize("name", list(catalogue())[::6])
def test_crop_variety_and_lot_add_up_to_the_prior(name: str) -> None:
    crop = find_crop(name)
    plot = grow(CROP, truth_with(), SERIES, [Planting(day=5.3, plots=1)], np.random.default_rng(0))
    named = [replace(plot[0], variety="v", seed_lot="l")]
    layers = layers_of(crop.estimate, named)
    cell = layers.maps[0]
    np.testing.assert_allclose(
        cell @ layers.covariance @ cell.T, crop.estimate.covariance, atol=1e-10
    )
    assert np.linalg.eigvalsh(layers.covariance).min() > -1e-10
    chosen, spread = layers.level(None, None)
    np.testing.assert_allclose(
        chosen @ layers.covariance @ chosen.T + spread, crop.estimate.covariance, atol=1e-10
    )
    assert VARIETY_SHARE + LOT_SHARE < 1


def test_one_slow_lot_does_not_become_the_crop() -> None:
    rng = np.random.default_rng(3)
    plots = []
    for lot, thermal in (("A", 100.0), ("B", 100.0), ("C", 170.0)):
        plots += grow(
            CROP, truth_with(thermal_time_50_Cd=thermal), SERIES,
            [Planting(day=20.3, plots=3, variety="v", seed_lot=lot)], rng,
        )  # fmt: skip
    plots = [replace(plot, name=f"{plot.seed_lot}{index}") for index, plot in enumerate(plots)]
    fit = fit_with_prior(CROP, plots, [SERIES])
    thermal = {
        lot: fit.estimate("v", lot).centre()["thermal_time_50_Cd"] for lot in ("A", "B", "C")
    }
    crop = fit.estimate().centre()["thermal_time_50_Cd"]
    assert thermal["C"] > 1.3 * thermal["A"]
    assert thermal["A"] < crop < thermal["C"]
    assert crop - thermal["A"] < 0.6 * (thermal["C"] - thermal["A"])


def test_a_narrow_range_leaves_the_base_temperature_to_the_catalogue() -> None:
    rng = np.random.default_rng(0)
    plots = grow(CROP, truth_with(t_base_C=5.5), SERIES, [Planting(day=20.3, plots=4)], rng)
    found = calibrate(CROP, plots, [SERIES])
    base = found.finding("t_base_C")
    assert base.kept
    assert base.estimate == pytest.approx(4.0)
    assert (base.low, base.high) == ESTIMATE.interval("t_base_C")
    assert any("base temperature stays at the catalogue's 4.0 °C" in w for w in found.warnings)
    # What is kept for forecasts holds the base temperature as it was, too.
    saved = found.estimates[0]
    assert saved.interval("t_base_C") == pytest.approx(ESTIMATE.interval("t_base_C"), abs=0.05)
    assert found.finding("thermal_time_50_Cd").narrower > 0.15


def test_giving_the_base_back_keeps_the_time_to_emergence() -> None:
    rng = np.random.default_rng(0)
    plots = grow(CROP, truth_with(), SERIES, [Planting(day=20.3, plots=4)], rng)
    fit = fit_with_prior(CROP, plots, [SERIES])
    given = base_from_prior(fit)
    names = ESTIMATE.names
    base, thermal = names.index("t_base_C"), names.index("thermal_time_50_Cd")
    mean_C = 13.0

    def ln_days(one):
        return one.vectors[:, thermal] - np.log(np.maximum(mean_C - one.vectors[:, base], 0.5))

    before = np.sqrt(np.cov(ln_days(fit), aweights=fit.weights))
    after = np.sqrt(np.cov(ln_days(given), aweights=given.weights))
    assert after < 1.5 * before


def test_two_temperatures_far_apart_do_move_the_base_temperature() -> None:
    rng = np.random.default_rng(6)
    cold = spring(days=100, seed=5, site_C=0.0)
    warm = cold + 9.0
    warm.attrs = cold.attrs
    warm = warm.assign_coords(time=cold["time"] + np.timedelta64(365, "D"))
    truth = truth_with(t_base_C=5.5)
    crop = plain_crop(estimate=Estimate.generic("beetroot", {"t_base_C": (4.0, 3.0)}))
    plots = grow(crop, truth, cold, [Planting(day=20.3, plots=4)], rng)
    later = grow(crop, truth, warm, [Planting(day=50.3, plots=4)], rng)
    plots += [replace(plot, name=f"w{plot.name}") for plot in later]
    found = calibrate(crop, plots, [cold, warm])
    base = found.finding("t_base_C")
    assert not base.kept
    assert base.low < 5.5 < base.high
    assert base.narrower > 0.1


def test_an_unknown_treatment_gets_its_own_effect() -> None:
    rng = np.random.default_rng(2)
    plain = grow(CROP, truth_with(), SERIES, [Planting(day=10.3, plots=4)], rng)
    slow = grow(
        CROP, truth_with(thermal_time_50_Cd=130.0), SERIES, [Planting(day=10.3, plots=4)], rng
    )
    slow = [replace(p, name=f"x{p.name}", treatment="crusted seedbed") for p in slow]
    found = calibrate(CROP, [*plain, *slow], [SERIES])
    effect = next(item for item in found.treatments if item.name.endswith("thermal_time_factor"))
    assert effect.name.startswith("crusted seedbed:")
    assert effect.low > 1.05
    assert effect.low < 1.3 < effect.high


def test_who_is_reported() -> None:
    rng = np.random.default_rng(0)
    plot = grow(CROP, truth_with(), SERIES, [Planting(day=20.3, plots=1)], rng)[0]
    one = [replace(plot, variety="Red", seed_lot="A")]
    found = calibrate(CROP, one, [SERIES], draws=FEW)
    assert (found.variety, found.seed_lot) == ("Red", "A")
    assert [(e.variety, e.seed_lot) for e in found.estimates] == [
        (None, None), ("Red", None), ("Red", "A"),
    ]  # fmt: skip
    two = [*one, replace(plot, name="q", variety="Gold", seed_lot="B")]
    assert calibrate(CROP, two, [SERIES], draws=FEW).variety is None
    assert calibrate(CROP, two, [SERIES], variety="Gold", draws=FEW).seed_lot == "B"
    with pytest.raises(InputError, match="no plot is of the variety 'Blue'; the records name Gold"):
        calibrate(CROP, two, [SERIES], variety="Blue")
    with pytest.raises(InputError, match="no plot is of the seed lot 'Z'"):
        calibrate(CROP, two, [SERIES], seed_lot="Z")


def test_a_saved_estimate_keeps_what_it_rests_on(fitted, tmp_path: Path) -> None:
    calibration = calibrate(CROP, fitted.plots, [SERIES], seed=1, draws=FEW)
    (path,) = save_calibration(calibration, tmp_path, [Path("trial.csv")], prior="catalogue")
    assert path.parent == tmp_path
    (saved,) = load_saved(tmp_path).values()
    assert saved.origin.effective_draws == round(calibration.effective_draws)  # kept as whole draws
    assert saved.origin.effective_draws > 50
    assert saved.origin.plots == len(fitted.plots)
    assert saved.estimate.mean == pytest.approx(calibration.estimates[0].mean, rel=1e-6)
    assert saved.response == CROP.response
    bare = replace(calibration, estimates=())
    with pytest.raises(InputError, match="a fit without prior holds no estimate"):
        save_calibration(bare, tmp_path, [], prior="")


SOAKED = Handling(treatment=Treatment.SOAKED, soak_h=20.0)


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    truth = {name: np.array([value]) for name, value in ESTIMATE.centre().items()}
    plantings = [Planting(day=5.0), Planting(day=40.0, handling=SOAKED, seed_lot="L2")]
    plots = grow(CROP, truth, SERIES, plantings, np.random.default_rng(3))
    return write_records(plots, tmp_path_factory.mktemp("records") / "trial.csv")


@pytest.fixture(scope="module")
def estimate(records: Path) -> Estimate:
    """Fitted to the records as they were written."""
    return fit_with_prior(
        CROP, plots_of_records(read_records(records), CROP), [SERIES], seed=1
    ).estimate()


@pytest.mark.parametrize("seed", [1, 2])
def test_a_fit_does_not_depend_on_the_order_of_lines(
    records: Path, estimate: Estimate, tmp_path: Path, seed: int
) -> None:
    head, *lines = records.read_text(encoding="utf-8").splitlines()
    shuffled = tmp_path / "trial.csv"
    order = np.random.default_rng(seed).permutation(len(lines))
    shuffled.write_text("\n".join([head, *(lines[i] for i in order)]) + "\n", encoding="utf-8")
    straight = plots_of_records(read_records(records), CROP)
    turned = plots_of_records(read_records(shuffled), CROP)
    assert {plot.name for plot in straight} == {plot.name for plot in turned}
    assert digest_of(straight) == digest_of(turned)
    one = estimate
    two = fit_with_prior(CROP, turned, [SERIES], seed=1).estimate()
    spread = np.sqrt(np.diag(one.covariance))
    assert np.abs((two.mean - one.mean) / spread).max() < 1e-6
    assert np.abs(two.covariance - one.covariance).max() < 1e-6 * np.abs(one.covariance).max()
