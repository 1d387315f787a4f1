"""Edges of likelihood and checks: before anything can show, and flushes of plots of few seeds."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.calibration.growers import plain_crop
from thermosprout.calibration.fit_checks import flushes
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.emergence.treatments import Handling, Treatment

CROP = plain_crop()


def dish(name: str, hours: np.ndarray, new: np.ndarray, **more: object) -> Plot:
    return Plot(
        name=name, planted_h=0.0, depth_cm=2.0, seeds=60, constant_C=20.0, dish=True,
        hours=hours, new=new, **more,
    )  # fmt: skip


def test_nothing_shows_at_once_after_planting() -> None:
    """However far seed has come indoors, the ground itself has to do something."""
    hours = np.array([0.01, 0.05, 0.2, 1.0, 60.0, 240.0])
    plot = Plot(
        name="p", planted_h=0.0, depth_cm=2.0, seeds=60, constant_C=20.0, hours=hours,
        new=np.array([1.0, 1.0, 1.0, 1.0, 20.0, 20.0]), treatment="soaked",
        handling=Handling(treatment=Treatment.SOAKED, soak_h=24.0),
    )  # fmt: skip
    layers = layers_of(CROP.estimate, [plot])
    likelihood = Likelihood(Model(CROP, [plot], layers))
    predicted = likelihood.model.predict(layers.mean[None])
    progress = predicted.progress[0, 0]
    assert (progress < 0.05).any()
    assert ((progress > 0.05) & (progress < 1.0)).any()
    speed = np.full((1, 1), 6.0)
    value, slope = likelihood.conditional(predicted).emergence_and_slope(-speed)
    early = progress < 0.05
    assert (value[0, 0, early] == 0.0).all()
    assert (slope[0, 0, early] == 0.0).all()
    assert (value[0, 0, ~early] > 0.0).all()
    # Elsewhere it is the normal share of the ln of thermal time, soaking counted in.
    shift = -6.0 * predicted.speed_sd[0, 0]
    done = progress[~early] + predicted.credit[0, 0] + predicted.credit_slope[0, 0] * shift
    z = (np.log(done) - predicted.ln_scale[0, 0] - shift) / predicted.sigma[0, 0]
    assert value[0, 0, ~early] == pytest.approx(stats.norm.cdf(z), rel=1e-9)


@pytest.mark.parametrize("number", [3, 8])
def test_flushes_of_many_small_plots_name_the_first(number: int) -> None:
    """Ten seedlings a dish are too few to tell two waves; those of many dishes are not."""
    hours = np.arange(1, 31) * 24.0
    rng = np.random.default_rng(2)
    plots = []
    for index in range(number):
        days = np.r_[rng.normal(5.0, 0.3, 5), rng.normal(9.0, 0.4, 5)]
        new = np.histogram(days, np.r_[0.0, hours / 24.0])[0].astype(float)
        plots.append(dish(f"d{index}", hours, new))
    layers = layers_of(CROP.estimate, plots)
    model = Model(CROP, plots, layers)
    (check,) = flushes(model, model.predict(layers.mean[None]))
    assert check.kind == "flushes"
    assert check.plots == ("d0",)
    assert "in d0 about 50 % near 1970-01-06" in check.sentence
    assert check.day is not None
    assert abs(int(check.day[-2:]) - 10) <= 1
