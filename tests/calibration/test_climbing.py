"""Starts and climbs of a fit on surfaces whose peaks are known, and dates noted."""

from __future__ import annotations

from dataclasses import dataclass
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.special import betaln
from scipy.stats import beta, norm

from thermosprout.calibration.fit import climb, starts
from thermosprout.calibration.hierarchy import root_of
from thermosprout.calibration.likelihood import noted_log_likelihood, sprouted_log_likelihood
from thermosprout.errors import FitError


@dataclass
class Hills:
    """Hills of two coordinates: log of a sum of normals, their heights and places given."""

    places: np.ndarray
    heights: np.ndarray

    size = 2

    def log_posterior(self, w: np.ndarray) -> np.ndarray:
        off = w[:, None, :] - self.places
        return np.logaddexp.reduce(self.heights - 2.0 * np.square(off).sum(axis=2), axis=1)

    def value_and_gradient(self, w: np.ndarray) -> tuple[float, np.ndarray]:
        value = self.log_posterior(w[None])[0]
        off = w - self.places
        share = np.exp(self.heights - 2.0 * np.square(off).sum(axis=1) - value)
        return -float(value), 4.0 * share @ off


def hills(*heights: float) -> Hills:
    return Hills(np.array([[0.0, 0.0], [6.0, 1.0], [-6.0, 2.0]]), np.array(heights))


NEAR = np.array([[0.4, -0.3], [5.5, 1.2], [-5.6, 2.1]])


@pytest.mark.parametrize("how", [{}, {"thorough": True}, {"exact": True}])
@pytest.mark.parametrize("highest", [0, 1, 2])
def test_the_highest_of_all_ends_is_taken(how: dict[str, bool], highest: int) -> None:
    heights = [0.0, 0.0, 0.0]
    heights[highest] = 3.0
    problem = hills(*heights)
    for turn in range(3):
        found = climb(problem, np.roll(NEAR, turn, axis=0), **how)  # type: ignore[arg-type]
        close = 1e-4 if how.get("exact") else 0.05
        assert found == pytest.approx(problem.places[highest], abs=close)


def test_a_slightly_higher_hill_is_not_followed() -> None:
    problem = hills(0.0, 0.005, -9.0)
    assert climb(problem, NEAR[:2]) == pytest.approx(problem.places[0], abs=0.05)  # type: ignore[arg-type]
    problem = hills(0.0, 0.05, -9.0)
    assert climb(problem, NEAR[:2]) == pytest.approx(problem.places[1], abs=0.05)  # type: ignore[arg-type]


def test_one_start_is_climbed_and_no_way_is_told() -> None:
    for how in ({}, {"thorough": True}):
        only = climb(hills(1.0, 3.0, 2.0), np.array([[0.5, 0.5]]), **how)  # type: ignore[arg-type]
        assert only == pytest.approx([0.0, 0.0], abs=0.05)
    lost = SimpleNamespace(value_and_gradient=lambda w: (np.inf, np.zeros(2)))
    with pytest.raises(FitError, match="no parameters explain the records at all"):
        climb(lost, np.zeros((2, 2)), thorough=True)  # type: ignore[arg-type]


def test_starts_are_the_best_draws_or_the_centre() -> None:
    tried: list[np.ndarray] = []

    def near_five(w: np.ndarray) -> np.ndarray:
        tried.append(w)
        return -np.abs(w[:, 0] - 1.0)

    problem = SimpleNamespace(size=2, log_posterior=near_five)
    points = np.random.default_rng(1).standard_normal((50, 2))
    found = starts(problem, points, number=4)  # type: ignore[arg-type]
    (all_of_them,) = tried
    assert all_of_them.shape == (50, 2)
    assert (all_of_them[0] == 0.0).all()
    assert (all_of_them[1:] == points[1:]).all()
    ranked = sorted(all_of_them.tolist(), key=lambda row: abs(row[0] - 1.0))
    assert found.tolist() == ranked[:4]
    flat = SimpleNamespace(size=2, log_posterior=lambda w: -np.square(w).sum(axis=1))
    best = starts(flat, points, number=1)  # type: ignore[arg-type]
    assert best.tolist() == [[0.0, 0.0]]


def test_a_root_leaves_out_directions_without_spread() -> None:
    covariance = np.array([[4.0, 2.0, 0.0], [2.0, 1.0, 0.0], [0.0, 0.0, 9.0]])
    root = root_of(covariance)
    assert root.shape == (3, 2)
    assert root @ root.T == pytest.approx(covariance)


def test_a_noted_date_allows_for_slips() -> None:
    """Two draws of two plots; a third look, past the date, has no say."""
    progress = np.array([[[80.0, 120.0, 900.0], [0.0, 60.0, 900.0]]] * 2)
    credit = np.array([[0.0, 20.0], [10.0, 20.0]])
    ln_scale = np.log([[100.0, 90.0], [120.0, 70.0]])
    sigma, speed_sd = np.array([[0.2, 0.3]] * 2), np.array([[0.1, 0.0], [0.15, 0.05]])
    predicted = SimpleNamespace(
        progress=progress,
        credit=credit,
        ln_scale=ln_scale,
        sigma=sigma,
        speed_sd=speed_sd,
        shift=np.zeros_like(credit),
    )
    found = noted_log_likelihood(predicted)  # type: ignore[arg-type]
    assert found.shape == (2, 2)
    for draw in range(2):
        for plot in range(2):
            spread = np.hypot(0.7 * sigma[draw, plot], speed_sd[draw, plot])
            law = norm(ln_scale[draw, plot], spread)
            ends = np.log(progress[draw, plot, :2] + credit[draw, plot])
            inside = law.cdf(ends[1]) - law.cdf(ends[0])
            assert found[draw, plot] == pytest.approx(np.log(0.999 * inside + 0.001 / 60))
    never = SimpleNamespace(
        progress=np.zeros((1, 1, 2)), credit=np.zeros((1, 1)), ln_scale=np.zeros((1, 1)),
        shift=np.zeros((1, 1)),
        sigma=np.ones((1, 1)), speed_sd=np.zeros((1, 1)),
    )  # fmt: skip
    assert noted_log_likelihood(never)[0, 0] == pytest.approx(np.log(0.001 / 60))  # type: ignore[arg-type]


def test_a_batch_has_a_thinned_binomial_tail() -> None:
    """Seed between two deviates; the binomial's tail is a beta's, of as many as count alone."""
    z_low, z_high = np.array([[-1.2, -np.inf, 0.0]]), np.array([[0.6, 0.3, 0.0]])
    predicted = SimpleNamespace(
        share=np.zeros((1, 3)), z_low=z_low, z_high=z_high,
        viability=np.array([[0.9, 0.8, 0.5]]),
    )  # fmt: skip
    counted = SimpleNamespace(
        seeds=np.array([30.0, 12.0, 5.0]), seeds_started=np.array([70.0, 12.0, np.nan]),
    )  # fmt: skip
    found = sprouted_log_likelihood(predicted, counted)[0]  # type: ignore[arg-type]
    for at, (k, n, alive) in enumerate(((30, 70, 0.9), (12, 12, 0.8))):
        odds = alive * (norm.cdf(z_high[0, at]) - norm.cdf(z_low[0, at]))
        thin = 1 / (1 + (n - 1) * 0.05)
        assert found[at] == pytest.approx(beta.logcdf(odds, k * thin, (n - k) * thin + 1))
    assert found[2] == 0.0
    # As good as none sprouted: x^a / (a B(a, b)) is all that is left of the tail.
    single = SimpleNamespace(
        share=np.zeros((1, 1)),
        z_low=np.full((1, 1), -np.inf),
        z_high=np.full((1, 1), -40.0),
        viability=np.ones((1, 1)),
    )
    batch = SimpleNamespace(seeds=np.array([900.0]), seeds_started=np.array([901.0]))
    thin = 1 / (1 + 900 * 0.05)
    a, b = 900 * thin, thin + 1
    expected = a * np.log(1e-12) - np.log(a) - betaln(a, b)
    assert sprouted_log_likelihood(single, batch)[0, 0] == pytest.approx(expected, rel=1e-9)  # type: ignore[arg-type]
