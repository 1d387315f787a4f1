"""Without a prior nothing is reported that the records alone cannot carry."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.result import calibrate
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.response import response
from thermosprout.errors import FitError

CROP = replace(
    plain_crop(estimate=Estimate.generic("cress", {"t_base_C": (3.0, 3.0)})), response="linear"
)
BASE, THERMAL, SIGMA, SHARE = 2.0, 60.0, 0.2, 0.85


def dish(constant_C: float, rng, *, seeds: int = 100, name: str = "", every_h: float = 12.0):
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
    plots = [dish(t, rng, name=f"{t}-{k}") for t in (8, 18) for k in range(3)]
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
