"""Temperatures that plots saw, and the straightened coordinate that comes of them."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from tests.calibration.growers import first_hour, plain_crop, spring
from thermosprout.calibration.fit_checks import offsets
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.posterior import THERMAL, decorrelation_of
from thermosprout.calibration.predict import Model, middle_h
from thermosprout.crops.estimate import NAMES, PARAMETERS
from thermosprout.emergence.response import response

CROP = plain_crop()
SERIES = spring(days=40, seed=3)
START = first_hour(SERIES)


def plot(name: str, new: list[float], **changed: object) -> Plot:
    usual: dict[str, object] = {
        "name": name, "planted_h": START + 24.0, "depth_cm": 2.0, "seeds": 40,
        "hours": START + 24.0 * np.array([3.0, 5.0, 9.0]), "new": np.array(new),
    }  # fmt: skip
    return Plot(**(usual | changed))  # type: ignore[arg-type]


def test_the_middle_is_the_look_by_which_half_had_come() -> None:
    for new, day in (([0, 6, 6], 5), ([0, 5, 7], 9), ([7, 0, 5], 3)):
        assert middle_h(plot("a", [float(count) for count in new])) == START + 24.0 * day
    assert middle_h(plot("a", [0, 0, 0])) == START + 24.0 * 9
    assert middle_h(plot("n", [0, 0, 0], noted_h=(10.0, 50.0))) == 30.0


def test_shares_of_temperature_are_those_of_waiting_hours() -> None:
    """Degrees are rounded; a plot weighs by the root of its seedlings and one."""
    plots = [
        plot("a", [0, 8, 0]), plot("b", [0, 0, 3]), plot("c", [15, 0, 0], constant_C=18.0),
        plot("d", [0, 0, 0], constant_C=11.4),
    ]  # fmt: skip
    decorrelation = decorrelation_of(Model(CROP, plots, layers_of(CROP.estimate, plots), [SERIES]))
    mass: dict[float, float] = {18.0: 4.0, 11.0: 1.0}
    model = Model(CROP, plots, layers_of(CROP.estimate, plots), [SERIES])
    for each, root, day in ((plots[0], 3.0, 5), (plots[1], 2.0, 9)):
        seen = model.temperature(each, START + 24.0 * day)
        for value in seen:
            key = float(round(float(value)))
            mass[key] = mass.get(key, 0.0) + root / len(seen)
    assert decorrelation.temperatures.tolist() == sorted(mass)
    total = sum(mass.values())
    assert total == pytest.approx(3 + 2 + 4 + 1)
    assert decorrelation.shares == pytest.approx([mass[key] / total for key in sorted(mass)])
    assert decorrelation.shares.sum() == pytest.approx(1.0)
    assert decorrelation.target == NAMES.index("thermal_time_50_Cd")
    assert decorrelation.thermal.tolist() == [NAMES.index(name) for name in THERMAL]


def test_the_shift_is_the_log_of_the_mean_response() -> None:
    plots = [plot("a", [0, 8, 0], constant_C=9.0), plot("b", [0, 8, 0], constant_C=21.0)]
    decorrelation = decorrelation_of(Model(CROP, plots, layers_of(CROP.estimate, plots)))
    mean = CROP.estimate.mean
    vectors = mean + 0.1 * np.random.default_rng(1).standard_normal((4, mean.size))

    def by_hand(vector: np.ndarray) -> float:
        value = {
            name: float(PARAMETERS[name].natural(vector[NAMES.index(name)])) for name in THERMAL
        }
        opt = value["t_base_C"] + value["opt_gap_C"]
        rates = [
            float(response("beta", t, value["t_base_C"], opt, opt + value["ceiling_gap_C"],
                           value["curvature"]))
            for t in (9.0, 21.0)
        ]  # fmt: skip
        # A floor of 0.02 degree-days a day keeps the logarithm where all are below the base.
        return math.log(0.5 * sum(rates) + 0.02)

    assert decorrelation.shift(vectors) == pytest.approx([by_hand(v) for v in vectors])
    slope = decorrelation.slope(vectors[0])
    for entry in range(mean.size):
        step = np.zeros(mean.size)
        step[entry] = 1e-5
        change = by_hand(vectors[0] + step) - by_hand(vectors[0] - step)
        assert slope[entry] == pytest.approx(change / 2e-5, rel=1e-4, abs=1e-7)
    cold = mean.copy()
    cold[NAMES.index("t_base_C")] = 25.0
    assert decorrelation.shift(cold[None])[0] == pytest.approx(math.log(0.02))


@pytest.mark.parametrize("late", [0.0, 0.3])
@pytest.mark.parametrize("last_d", [11.0, 30.0])
def test_half_is_that_of_the_seedlings_that_had_time_to_come(late: float, last_d: float) -> None:
    """Counts as a log-normal has them, watched to the end or cut off near the middle."""
    sigma, middle = 0.25, np.log(10.0)
    hours = 24.0 * np.arange(1.0, last_d + 0.5, 0.5)
    share = stats.norm.cdf((np.log(hours / 24.0) - middle - late) / sigma)
    plot = Plot(
        name="p", planted_h=0.0, depth_cm=2.0, seeds=1000, hours=hours,
        new=1000 * np.diff(share, prepend=0.0), constant_C=15.0,
    )  # fmt: skip
    flat = np.zeros((1, 1))
    predicted = SimpleNamespace(
        progress=hours[None, None] / 24.0, credit=flat, ln_scale=flat + middle, shift=flat,
        sigma=flat + sigma, z_low=flat - np.inf, z_high=flat + np.inf,
    )  # fmt: skip
    rows, off, error = offsets(SimpleNamespace(plots=[plot]), predicted)  # type: ignore[arg-type]
    assert rows.tolist() == [0]
    # Of all that come the middle is late; of those up by the last look it is less so.
    until = stats.norm.cdf((np.log(last_d) - middle - np.array([late, 0.0])) / sigma)
    seen, expected = middle + np.array([late, 0.0]) + sigma * stats.norm.ppf(0.5 * until)
    assert off[0] == pytest.approx(seen - expected, abs=0.01)
    assert (off[0] > 0.05) == (late > 0)
    # The variance of a median is pi / 2 that of a mean, and a look tells no hour.
    assert error[0] >= np.sqrt(np.pi / 2 * sigma**2 / plot.new.sum()) * 0.999
    assert error[0] < 0.05
