"""Moving draws to the posterior where an importance sample fails, against known densities."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

from thermosprout.calibration.sampling import _moved, _next_power, _Normal, _Proposal, _systematic


def effective(logs: np.ndarray) -> float:
    weights = np.exp(logs - logsumexp(logs))
    return 1.0 / float(np.square(weights).sum())


def test_two_peaks_are_both_found_and_keep_their_weights() -> None:
    """A mixture of two normals, 7:3, four widths apart."""

    def log_posterior(w: np.ndarray) -> np.ndarray:
        one = np.log(0.7) + stats.norm(-2.0, 0.5).logpdf(w[:, 0])
        two = np.log(0.3) + stats.norm(2.0, 0.5).logpdf(w[:, 0])
        return np.logaddexp(one, two) + stats.norm(1.0, 0.3).logpdf(w[:, 1])

    problem = SimpleNamespace(log_posterior=log_posterior)
    proposal = _Proposal.about(np.array([-2.0, 1.0]), np.diag([4.0, 11.0]))
    w, weights, least = _moved(problem, proposal, 4000, np.random.default_rng(1))  # type: ignore[arg-type]
    assert w.shape == (4000, 2)
    assert weights == pytest.approx(np.full(4000, 1 / 4000))
    assert (w[:, 0] < 0).mean() == pytest.approx(0.7, abs=0.05)
    assert w[w[:, 0] < 0, 0].mean() == pytest.approx(-2.0, abs=0.06)
    assert w[w[:, 0] < 0, 0].std() == pytest.approx(0.5, abs=0.06)
    assert w[:, 1].mean() == pytest.approx(1.0, abs=0.03)
    assert w[:, 1].std() == pytest.approx(0.3, abs=0.03)
    assert 100 < least <= 4000


def test_a_wall_cuts_the_draws_and_nothing_else() -> None:
    """A normal cut at zero: the half-normal's mean and variance."""

    def log_posterior(w: np.ndarray) -> np.ndarray:
        return np.where(w[:, 0] > 0, stats.norm.logpdf(w[:, 0]), -1e6)

    problem = SimpleNamespace(log_posterior=log_posterior)
    proposal = _Proposal.about(np.array([0.1]), np.array([[1.0]]))
    w, _, _ = _moved(problem, proposal, 4000, np.random.default_rng(2))  # type: ignore[arg-type]
    assert (w > 0).all()
    assert w.mean() == pytest.approx(np.sqrt(2 / np.pi), abs=0.05)
    assert w.var() == pytest.approx(1 - 2 / np.pi, abs=0.05)


def test_the_next_step_leaves_half_of_the_draws_effective() -> None:
    ratio = 30.0 * np.random.default_rng(3).standard_normal(2000)
    power = _next_power(ratio, 0.0)
    assert 0 < power < 1
    assert effective(power * ratio) == pytest.approx(1000, rel=0.01)
    later = _next_power(ratio, power)
    assert effective((later - power) * ratio) == pytest.approx(1000, rel=0.01)
    assert later == pytest.approx(2 * power, rel=0.01)
    assert _next_power(0.1 * np.ones(50), 0.0) == 1.0
    # Where even the least step leaves few draws it is taken all the same.
    steep = np.zeros(100)
    steep[0] = 1e9
    stuck = _next_power(steep, 0.2)
    assert 0.2 < stuck < 0.3


def test_copies_are_as_many_as_weights_ask_within_one() -> None:
    weights = np.random.default_rng(4).dirichlet(np.full(60, 0.3))
    for seed in range(5):
        index = _systematic(weights, np.random.default_rng(seed))
        copies = np.bincount(index, minlength=60)
        assert copies.sum() == 60
        assert (np.abs(copies - 60 * weights) < 1.0 + 1e-9).all()
        assert (np.diff(index) >= 0).all()
    mean = np.mean(
        [np.bincount(_systematic(weights, np.random.default_rng(s)), minlength=60)
         for s in range(400)], axis=0,
    )  # fmt: skip
    assert mean == pytest.approx(60 * weights, abs=0.15)


def test_moves_leave_their_normal_as_it_is() -> None:
    rng = np.random.default_rng(5)
    root = np.array([[1.0, 0.0], [0.8, 0.5]])
    w = np.array([3.0, -1.0]) + rng.standard_normal((20_000, 2)) @ root.T
    about = _Normal(w)
    for step in (0.3, 1.0):
        moved = about.moved(w, step, rng)
        assert moved.mean(axis=0) == pytest.approx([3.0, -1.0], abs=0.03)
        assert np.cov(moved.T) == pytest.approx(root @ root.T, abs=0.04)
        old = np.corrcoef(moved[:, 0], w[:, 0])[0, 1]
        assert old == pytest.approx(np.sqrt(1 - step**2), abs=0.02)
    law = stats.multivariate_normal([3.0, -1.0], root @ root.T)
    at = np.array([[3.0, -1.0], [4.0, 0.5], [1.0, -2.0]])
    found, expected = about.log_density(at), law.logpdf(at)
    assert found - found[0] == pytest.approx(expected - expected[0], rel=0.05)


def test_a_proposal_draws_what_its_density_says() -> None:
    """Importance weights of its own draws towards a normal have that normal's moments."""
    precision = np.array([[30.0, 4.0], [4.0, 0.9]])
    centre = np.array([1.0, 2.0])
    proposal = _Proposal.about(centre, precision)
    w = proposal.draw(40_000, np.random.default_rng(6))
    target = stats.multivariate_normal(centre + 0.1, np.linalg.inv(precision))
    logs = target.logpdf(w) - proposal.log_density(w)
    weights = np.exp(logs - logsumexp(logs))
    assert weights @ w == pytest.approx(centre + 0.1, abs=0.04)
    spread = (w - centre - 0.1) * np.sqrt(weights)[:, None]
    assert spread.T @ spread == pytest.approx(np.linalg.inv(precision), rel=0.15, abs=0.05)
    learned = proposal.learned(w, weights)
    assert learned.centre == pytest.approx(centre + 0.1, abs=0.05)
