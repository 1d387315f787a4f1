"""Without a prior nothing is reported that the records alone cannot carry."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.maximum_likelihood import always_free, fit_without_prior, rivals
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.calibration.result import calibrate, calibration_without_prior
from thermosprout.crops.estimate import PARAMETERS, Estimate
from thermosprout.emergence.response import response
from thermosprout.errors import FitError

CROP = replace(
    plain_crop(estimate=Estimate.generic("cress", {"t_base_C": (3.0, 3.0)})), response="linear"
)
BASE, THERMAL, SIGMA, SHARE = 2.0, 60.0, 0.2, 0.85


def dish(constant_C: float, rng, *, seeds: int = 100, name: str = "", every_h: float = 24.0):
    """Germination in a dish, drawn from a thermal-time model."""
    rate = float(response("linear", constant_C, BASE, 27.0, 38.0))
    alive = rng.random(seeds) < SHARE
    hours = 24 * THERMAL / rate * np.exp(SIGMA * rng.standard_normal(seeds))
    looks = np.arange(every_h, 24 * 60, every_h)
    counts = ((hours[:, None] <= looks) & alive[:, None]).sum(axis=0)
    stop = min(int(np.searchsorted(counts, counts[-1])) + 6, looks.size)
    return Plot(
        name=name or f"{constant_C:g}", planted_h=0.0, depth_cm=1.27, seeds=seeds,
        hours=looks[:stop], new=np.diff(counts[:stop], prepend=0.0), constant_C=constant_C,
        dish=True,
    )  # fmt: skip


def test_dishes_at_several_temperatures_give_their_thermal_time() -> None:
    rng = np.random.default_rng(1)
    plots = [dish(t, rng, name=f"{t}-{k}") for t in (8, 12, 16, 20) for k in range(3)]
    found = calibrate(CROP, plots, with_prior=False)
    for name, truth in {
        "t_base_C": BASE, "thermal_time_50_Cd": THERMAL, "sigma": SIGMA,
    }.items():  # fmt: skip
        item = found.finding(name)
        assert item.low - 1e-9 < truth < item.high + 1e-9, name
    assert found.finding("t_base_C").high - found.finding("t_base_C").low < 1.5
    assert found.finding("soak_credit").estimate is None
    assert not any("trust" in text for text in found.warnings)


@pytest.mark.parametrize("temperatures", [(20,), (19, 21, 23)])
def test_no_base_temperature_from_a_narrow_range(temperatures) -> None:
    rng = np.random.default_rng(2)
    plots = [dish(t, rng, name=f"{t}-{k}") for t in temperatures for k in range(2)]
    found = calibrate(CROP, plots, with_prior=False)
    base = found.finding("t_base_C")
    assert base.estimate is None
    assert base.low is None
    where = "all at 20 °C" if len(temperatures) == 1 else "between 19 and 23 °C"
    assert (
        f"your plots were {where}: base temperature stays at the catalogue's 3.0 °C"
        in (found.warnings[0])
    )
    assert "holds for a base temperature of 3.0 °C only" in found.warnings[1]
    # The time to half is right all the same.
    rate = temperatures[0] - 3.0
    true_days = THERMAL / (temperatures[0] - BASE)
    assert found.finding("thermal_time_50_Cd").estimate / rate == pytest.approx(true_days, rel=0.08)


def test_two_temperatures_are_flagged() -> None:
    rng = np.random.default_rng(3)
    plots = [dish(t, rng, name=f"{t}-{k}") for t in (8, 18) for k in range(2)]
    found = calibrate(CROP, plots, with_prior=False)
    assert any("nothing to check it with" in text for text in found.warnings)


def test_one_dish_a_temperature_is_flagged() -> None:
    rng = np.random.default_rng(4)
    found = calibrate(CROP, [dish(t, rng) for t in (8, 13, 18, 23)], with_prior=False)
    assert any("one plot or dish at each temperature" in text for text in found.warnings)


def test_dishes_that_go_backwards_are_flagged() -> None:
    rng = np.random.default_rng(5)
    plots = [dish(t, rng) for t in (8, 12, 16, 20)]
    late = dish(9.0, rng)
    plots[2] = replace(late, name="16", constant_C=16.0)
    found = calibrate(CROP, plots, with_prior=False)
    assert any("speed does not rise steadily" in text for text in found.warnings)
    assert any("do not trust the intervals" in text for text in found.warnings)


@pytest.mark.slow
def test_an_absurd_base_temperature_never_stands_alone() -> None:
    rng = np.random.default_rng(6)
    # Speed that hardly depends on temperature throws the line far below freezing.
    plots = [replace(dish(15.0, rng), name=f"{t}", constant_C=float(t)) for t in (10, 15, 20, 25)]
    found = calibrate(CROP, plots, with_prior=False)
    base = found.finding("t_base_C").estimate
    assert base is None or base < -20
    assert any("absurd" in text or "not reported" in text for text in found.warnings)


def test_nothing_up_is_no_fit() -> None:
    empty = Plot(
        name="e", planted_h=0.0, depth_cm=1.27, seeds=50, hours=np.array([240.0]),
        new=np.array([0.0]), constant_C=15.0, dish=True,
    )  # fmt: skip
    with pytest.raises(FitError, match="nothing emerged in these records") as caught:
        calibrate(CROP, [empty], with_prior=False)
    assert caught.value.exit_code == 5
    kept = calibrate(CROP, [empty])
    assert any("nothing came up in e" in text for text in kept.warnings)


def test_replicates_that_disagree_are_named() -> None:
    rng = np.random.default_rng(7)
    plots = [dish(15.0, rng, name=f"d{k}") for k in range(4)]
    few = plots[0].new.copy()
    few[np.flatnonzero(few)[2:]] = 0.0
    plots[0] = replace(plots[0], new=few)
    found = calibrate(CROP, plots)
    assert any("the replicates lie" in text for text in found.warnings)


def model_of(plots: list[Plot]) -> Model:
    return Model(CROP, plots, layers_of(CROP.estimate, plots), dish_share=1.0)


def names_of(model: Model, entries: list[int]) -> set[str]:
    return {model.layers.names[entry].removeprefix("crop:") for entry in entries}


def pot(name: str, treatment: str = "direct", new: tuple[float, ...] = (4.0, 9.0, 5.0)) -> Plot:
    return Plot(
        name=name, planted_h=0.0, depth_cm=1.27, seeds=30, treatment=treatment,
        hours=24.0 * np.array([6.0, 8.0, 10.0])[: len(new)], new=np.array(new), constant_C=15.0,
    )  # fmt: skip


def test_always_moved_is_what_such_plots_can_tell() -> None:
    def always(plots: list[Plot], **effects: float) -> set[str]:
        model = model_of(plots)
        vector = model.layers.mean.copy()
        for name, nothing in (("plot_speed_sd", 1e-6), ("plot_stand_rho", 1e-9)):
            at = model.layers.names.index(f"crop:{name}")
            vector[at] = PARAMETERS[name].transform(effects.get(name, nothing))
        return names_of(model, always_free(model, vector))

    seldom = replace(dish(15.0, np.random.default_rng(1)), hours=np.array([240.0, 480.0]),
                     new=np.array([20.0, 30.0]))  # fmt: skip
    assert always([seldom]) == {"thermal_time_50_Cd"}
    assert always([pot("p")]) == {"thermal_time_50_Cd", "sigma", "field_factor"}
    assert "sigma" in always([pot("p", new=(1.0, 1.0, 1.0))])
    assert always([pot("p", new=(4.0, 9.0))]) == {"thermal_time_50_Cd", "field_factor"}
    noted = replace(pot("n"), seeds=0, noted_h=(100.0, 124.0), hours=np.zeros(0), new=np.zeros(0))
    assert always([noted]) == {"thermal_time_50_Cd"}
    assert always([pot("p")], plot_speed_sd=0.1) >= {"plot_speed_sd"}
    assert "plot_stand_rho" not in always([pot("p")], plot_speed_sd=0.1)
    # A treatment of one's own has a speed; a stand only where its plots were counted.
    own = always([pot("p"), pot("f", "fleece")])
    assert {name for name in own if "fleece" in name} == {
        "treatment fleece:thermal_time_50_Cd", "treatment fleece:field_factor",
    }  # fmt: skip
    only = always([pot("p"), replace(noted, treatment="fleece")])
    assert {name for name in only if "fleece" in name} == {"treatment fleece:thermal_time_50_Cd"}


def test_rivals_gain_more_than_chance_the_greatest_first() -> None:
    model = model_of([pot("p")])
    names = model.layers.names
    others = [i for i, name in enumerate(names) if name not in
              ("crop:plot_speed_sd", "crop:plot_stand_rho", "crop:sigma")]  # fmt: skip
    begun = model.layers.mean + 1.0
    peak = model.layers.mean.copy()
    worth = {"crop:t_base_C": 7.0, "crop:soak_credit": 9.0, "crop:sigma": 50.0}

    def plots(vectors: np.ndarray) -> np.ndarray:
        gains = np.array([worth.get(name, 0.0) for name in names])
        # Two plots, each of which sees half of the gain.
        return np.stack([0.5 * (vectors - peak) @ gains - 3.0] * 2, axis=1)

    likelihood = SimpleNamespace(model=model, plots=plots)
    free = np.array([names.index("crop:sigma")])

    def names_of_rivals() -> list[str]:
        return [names[entry] for entry in rivals(likelihood, peak, begun, free)]  # type: ignore[arg-type]

    assert names_of_rivals() == ["crop:soak_credit", "crop:t_base_C"]
    worth["crop:soak_credit"] = 5.9
    assert names_of_rivals() == ["crop:t_base_C"]
    worth["crop:t_base_C"] = 5.9
    assert names_of_rivals() == [], "a gain that chance gives one of so many is none"
    worth["crop:t_base_C"] = 0.0
    last = max(others)
    worth[names[last]] = 8.0
    assert names_of_rivals() == [names[last]]


def test_the_fits_own_figures_are_reported() -> None:
    rng = np.random.default_rng(8)
    plots = [dish(t, rng, name=f"{t}-{k}") for t in (10, 18) for k in range(2)]
    quick = [
        replace(plot, name=f"f{plot.name}", dish=False, treatment="fleece") for plot in plots[:2]
    ]
    pots = [replace(plot, name=f"p{plot.name}", dish=False) for plot in plots]
    steps: list[int] = []
    fit = fit_without_prior(CROP, [*pots, *quick], tick=steps.append)
    assert (sum(steps), len(steps)) == (4, 3)
    found = calibration_without_prior(CROP, fit)
    entries = [fit.layers.names[entry] for entry in fit.free]
    errors = dict(zip(entries, np.sqrt(np.diag(fit.covariance)), strict=True))
    z = 1.6448536269514722
    for item in found.parameters:
        at = fit.vector[fit.layers.names.index(f"crop:{item.name}")]
        if f"crop:{item.name}" not in entries:
            assert (item.estimate, item.low, item.high, item.kept) == (None, None, None, True)
            assert item.narrower == 0.0
            continue
        natural = PARAMETERS[item.name].natural
        error = errors[f"crop:{item.name}"]
        assert item.estimate == pytest.approx(float(natural(at)))
        assert (item.low, item.high) == pytest.approx(
            tuple(sorted(float(natural(at + side * z * error)) for side in (-1, 1)))
        )
        assert (item.kept, item.narrower) == (False, 1.0)
    assert found.treatments
    for effect in found.treatments:
        name = {"thermal_time_factor": "thermal_time_50_Cd", "stand_odds_factor": "field_factor"}[
            effect.name.rsplit(":", 1)[1]
        ]
        entry = f"treatment fleece:{name}"
        at = fit.vector[fit.layers.names.index(entry)]
        factors = np.exp(at + z * errors[entry] * np.array([-1, 0, 1]))
        assert (effect.low, effect.estimate, effect.high) == pytest.approx(tuple(factors))
    assert found.log_likelihood == fit.log_likelihood
    assert (found.variety, found.seed_lot, found.with_prior) == (None, None, False)
