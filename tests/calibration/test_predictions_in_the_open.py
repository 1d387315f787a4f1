"""What plots in the open are expected to do, put together from the forecast's own parts."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import first_hour, plain_crop, spring
from thermosprout.calibration.fit import Fit, base_from_prior
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.crops.estimate import NAMES
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import stand_share
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.treatments import Handling, Treatment, seed_state

CROP = plain_crop()
SERIES = spring(days=90, seed=6, site_C=3.0)
START = first_hour(SERIES)
HANDLINGS = (
    Handling(), Handling(treatment=Treatment.SOAKED, soak_h=30.0),
    Handling(treatment=Treatment.PRESPROUTED, sprout_h=90.0, sorted=True),
)  # fmt: skip


def plots() -> list[Plot]:
    """Three handlings on two days, at two depths, with looks unlike in number; one noted date."""
    found = []
    for index, handling in enumerate(HANDLINGS):
        for day, looks in ((10.25, 3), (20.5, 2)):
            planted = START + 24.0 * day
            found.append(
                Plot(
                    name=f"{index}-{day}", treatment=handling.treatment.value, handling=handling,
                    planted_h=planted, depth_cm=2.0 + index, seeds=40, viability=0.9 - 0.1 * index,
                    hours=planted + 24.0 * np.array([12.0, 19.0, 26.0][:looks]),
                    new=np.array([6.0, 9.0, 4.0][:looks]),
                )
            )  # fmt: skip
    noted = replace(found[0], name="n", seeds=0, hours=np.zeros(0), new=np.zeros(0),
                    noted_h=(START + 24.0 * 22, START + 24.0 * 24))  # fmt: skip
    return [*found, noted]


def test_a_plot_is_predicted_as_if_alone() -> None:
    together = plots()
    layers = layers_of(CROP.estimate, together)
    vectors = layers.mean + 0.05 * np.random.default_rng(2).standard_normal((5, layers.mean.size))
    found = Model(CROP, together, layers, [SERIES]).predict(vectors)
    values = CROP.estimate.natural(vectors)
    rates = ResponseDraws.from_draws(CROP.response, values)
    clock = ThermalClock(SERIES, rates)
    assert found.progress.shape == (5, 7, 3)
    for index, plot in enumerate(together):
        looks = np.array(plot.noted_h) if plot.noted_h is not None else plot.hours
        spent = clock.progress(clock.first_h, looks) - clock.progress(
            clock.first_h, np.array([plot.planted_h])
        )
        # Fewer looks are filled up with the last one.
        padded = spent[:, [min(k, looks.size - 1) for k in range(3)]]
        np.testing.assert_allclose(found.progress[:, index], padded, rtol=2e-3, err_msg=plot.name)
        state, slower = (
            seed_state(
                CROP, values, rates, plot.handling, depth_cm=plot.depth_cm, ln_shift=shift
            )
            for shift in (0.0, 0.02)
        )  # fmt: skip
        expected = {
            "ln_scale": np.log(state.scale), "credit": state.credit, "sigma": state.sigma,
            "z_low": state.z_low, "z_high": state.z_high,
            "credit_slope": (slower.credit - state.credit) / 0.02,
            "rho": values["plot_stand_rho"], "speed_sd": values["plot_speed_sd"],
        }  # fmt: skip
        for end in ("low", "high"):
            now, then = getattr(state, f"z_{end}"), getattr(slower, f"z_{end}")
            # An end that is open stays open however slow the plot is.
            expected[f"{end}_slope"] = np.array(
                [(b - a) / 0.02 if np.isfinite(a) else 0.0 for a, b in zip(now, then, strict=True)]
            )
        for name, value in expected.items():
            np.testing.assert_allclose(
                getattr(found, name)[:, index], value, rtol=1e-7, err_msg=f"{plot.name} {name}"
            )
        half = clock.cross(plot.planted_h, state.needed(np.full((5, 1), 0.5)))[:, 0]
        share = stand_share(
            CROP, values, state, clock, planted_h=plot.planted_h, half_h=half,
            viability=np.full(5, plot.viability),
        )  # fmt: skip
        np.testing.assert_allclose(found.share[:, index], share, rtol=2e-3, err_msg=plot.name)
    assert np.isfinite(found.z_high[:, 4]).all()
    assert (found.high_slope[:, 4] != 0).any()
    assert (found.credit[:, 2] > 0).all()


def test_a_base_given_back_takes_the_others_along() -> None:
    """Linear regression on the base: its mean and spread are the prior's, residuals stay."""
    named = [replace(plots()[0], variety=name) for name in ("Gold", "Red")]
    layers = layers_of(CROP.estimate, named)
    rng = np.random.default_rng(7)
    size = len(layers.names)
    root = 0.3 * np.tril(rng.standard_normal((size, size))) + 0.3 * np.eye(size)
    vectors = layers.mean + 0.2 + rng.standard_normal((400, size)) @ root.T
    weights = rng.dirichlet(np.full(400, 5.0))
    fit = Fit(
        crop=CROP, plots=tuple(named), layers=layers, vectors=vectors, weights=weights,
        effective_draws=300.0, mode=vectors[0], log_likelihood=-1.0,
    )  # fmt: skip
    found = base_from_prior(fit)
    base = layers.indices("t_base_C")
    assert [layers.names[i] for i in base] == [
        "crop:t_base_C", "variety Gold:t_base_C", "variety Red:t_base_C",
    ]  # fmt: skip
    assert found.mean[base] == pytest.approx(layers.mean[base])
    np.testing.assert_allclose(
        found.covariance[np.ix_(base, base)], layers.covariance[np.ix_(base, base)], atol=1e-9
    )

    def regressed(one: Fit) -> tuple[np.ndarray, np.ndarray]:
        """Intercepts and slopes on the base, and what is left, by weighted least squares."""
        others = [i for i in range(size) if i not in base]
        design = np.column_stack([np.ones(400), one.vectors[:, base]])
        scale = np.sqrt(weights)[:, None]
        answer, *_ = np.linalg.lstsq(scale * design, scale * one.vectors[:, others], rcond=None)
        return answer, one.vectors[:, others] - design @ answer

    for before, after in zip(regressed(fit), regressed(found), strict=True):
        np.testing.assert_allclose(after, before, atol=1e-8)
    assert found.vectors.shape == vectors.shape
    assert found.weights is fit.weights
    assert NAMES[base[0]] == "t_base_C"
