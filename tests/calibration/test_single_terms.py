"""Terms of the likelihood one by one: noted dates, sprouted batches, counts laid into arrays."""

from __future__ import annotations

import math
from dataclasses import fields
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.stats import beta, norm

from thermosprout.calibration.likelihood import (
    BATCH_RHO,
    NOTED_SPREAD,
    SLIPS,
    Counted,
    noted_log_likelihood,
    sprouted_log_likelihood,
)
from thermosprout.calibration.plots import Plot
from thermosprout.emergence.treatments import Handling, Treatment


def test_a_noted_date_is_a_normal_with_slips() -> None:
    """Also where progress is below one degree-day, nothing at all, or only a head start."""
    progress = np.array([[[0.3, 0.9, 0.9], [0.0, 0.0, 0.0], [40.0, 60.0, 60.0]]])
    predicted = SimpleNamespace(
        shift=np.zeros((1, 3)), progress=progress,
        credit=np.array([[0.0, 0.4, 7.0]]), sigma=np.array([[0.3, 0.2, 0.25]]),
        speed_sd=np.array([[0.1, 0.3, 0.0]]), ln_scale=np.log([[0.5, 0.4, 60.0]]),
    )  # fmt: skip
    found = noted_log_likelihood(predicted)  # type: ignore[arg-type]
    spans = [(0.3, 0.9, 0.5), (0.4, 0.4, 0.4), (47.0, 67.0, 60.0)]
    for index, (low, high, scale) in enumerate(spans):
        sd = math.hypot(NOTED_SPREAD * predicted.sigma[0, index], predicted.speed_sd[0, index])
        inside = norm.cdf(math.log(high / scale) / sd) - norm.cdf(math.log(low / scale) / sd)
        assert found[0, index] == pytest.approx(math.log((1 - SLIPS) * inside + SLIPS / 60))
    nothing = SimpleNamespace(**{**vars(predicted), "credit": np.zeros((1, 3))})
    assert noted_log_likelihood(nothing)[0, 1] == pytest.approx(math.log(SLIPS / 60))  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("low", "high", "alive"), [(-np.inf, 0.8, 0.9), (-0.7, 1.2, 0.8), (-np.inf, -4.0, 1.0)]
)
def test_a_batch_has_odds_of_its_thinned_counts(low: float, high: float, alive: float) -> None:
    """P(at least k of n) as an integral of the beta density (Abramowitz & Stegun 26.5.24)."""
    seeds, started = np.array([40.0, 30.0, 25.0]), np.array([52.0, np.nan, 90.0])
    predicted = SimpleNamespace(
        share=np.zeros((1, 3)),
        z_low=np.full((1, 3), low),
        z_high=np.full((1, 3), high),
        viability=np.full((1, 3), alive),
    )
    counted = SimpleNamespace(seeds=seeds, seeds_started=started)
    found = sprouted_log_likelihood(predicted, counted)[0]  # type: ignore[arg-type]
    assert found[1] == 0.0, "nothing is known of the others"
    odds = alive * (norm.cdf(high) - norm.cdf(low))
    for index in (0, 2):
        n, k = started[index], seeds[index]
        alike = 1 + (n - 1) * BATCH_RHO
        law = beta(k / alike, (n - k) / alike + 1)
        tail, _ = quad(law.pdf, 0.0, odds, epsabs=0.0, epsrel=1e-9)
        assert found[index] == pytest.approx(math.log(tail), rel=1e-6)


def test_odds_of_a_batch_have_a_floor() -> None:
    """Where nothing sprouts the odds are taken as 1e-12; the leading term of the tail is all."""
    n, k = np.array([1e3, 60.0]), np.array([999.0, 50.0])
    predicted = SimpleNamespace(
        share=np.zeros((1, 2)),
        z_low=np.full((1, 2), -np.inf),
        z_high=np.full((1, 2), -40.0),
        viability=np.ones((1, 2)),
    )
    counted = SimpleNamespace(seeds=k, seeds_started=n)
    found = sprouted_log_likelihood(predicted, counted)[0]  # type: ignore[arg-type]
    alike = 1 + (n - 1) * BATCH_RHO
    for index in range(2):
        a, b = k[index] / alike[index], (n[index] - k[index]) / alike[index] + 1
        log_beta = math.lgamma(a) + math.lgamma(b) - math.lgamma(a + b)
        assert found[index] == pytest.approx(a * math.log(1e-12) - math.log(a) - log_beta)
    predicted.z_high = np.full((1, 2), 40.0)
    assert sprouted_log_likelihood(predicted, counted)[0] == pytest.approx([0.0, 0.0])  # type: ignore[arg-type]


def test_counts_have_slips_by_length_of_span() -> None:
    handled = Handling(treatment=Treatment.PRESPROUTED, sprout_h=48.0)
    plots = [
        Plot(name="a", planted_h=10.0, depth_cm=2.0, seeds=40, viability=0.8, seeds_started=55,
             handling=handled, treatment="presprouted",
             hours=np.array([34.0, 58.0, 106.0]), new=np.array([0.0, 8.0, 4.0])),
        Plot(name="n", planted_h=0.0, depth_cm=2.0, seeds=0, noted_h=(24.0, 72.0)),
        Plot(name="d", planted_h=0.0, depth_cm=2.0, seeds=50, constant_C=20.0, dish=True,
             hours=np.array([24.0, 48.0, 72.0, 96.0]), new=np.array([0.0, 0.0, 9.0, 0.0])),
    ]  # fmt: skip
    found = Counted.of(plots, 4)
    expected = {
        # The dish's first look tells nothing: nothing came before the second either.
        "new": [[0, 8, 4, 0], [0, 0, 0, 0], [0, 9, 0, 0]],
        "slip": [[0.25, 0.25, 0.5, 0], [0, 0, 0, 0], [0.5, 0.25, 0.25, 0]],
        "seeds": [40, 0, 50], "emerged": [12, 0, 9], "noted": [False, True, False],
        "dish": [False, False, True], "seeds_started": [55, np.nan, np.nan],
    }  # fmt: skip
    assert {field.name for field in fields(found)} == expected.keys()
    for name, value in expected.items():
        np.testing.assert_allclose(getattr(found, name), value, err_msg=name)
