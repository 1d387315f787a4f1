"""Importance sampling: the proposal's figures by hand, and when it is made to learn."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats
from scipy.special import logsumexp

from thermosprout.calibration import sampling
from thermosprout.calibration.sampling import _Proposal, sample


def turned(values: list[float], seed: int = 2) -> tuple[np.ndarray, np.ndarray]:
    """A matrix with these eigenvalues, and its orthonormal directions."""
    directions = np.linalg.qr(np.random.default_rng(seed).normal(size=(len(values),) * 2))[0]
    return (directions * values) @ directions.T, directions


def test_directions_that_the_records_inform_come_first_and_are_widened() -> None:
    """Precision above 1.5 is informed and drawn 1.2 times as wide; failing curvature counts 0.7."""
    values = [0.9, 9.0, -3.0, 1.6]
    precision, directions = turned(values)
    centre = np.array([1.0, 2.0, 3.0, 4.0])
    found = _Proposal.about(centre, precision)
    assert found.informed == 2
    assert found.axes.T @ found.axes == pytest.approx(np.eye(4), abs=1e-9)
    # The first directions span those of precision 9 and 1.6.
    assert np.abs(directions[:, [1, 3]].T @ found.axes[:, 2:]).max() < 1e-9
    root = found.axes @ found.root
    spread = np.array([1 / 0.9, 1.2 / 9.0, 1 / 0.7, 1.2 / 1.6])
    assert root @ root.T == pytest.approx((directions * spread) @ directions.T, abs=1e-9)
    assert np.triu(found.root, 1) == pytest.approx(np.zeros((4, 4)))
    assert (found.centre == centre).all()
    # An asymmetric precision counts as its mean with its transpose; one direction is the least.
    lopsided = precision + np.triu(np.ones((4, 4)), 1) - np.tril(np.ones((4, 4)), -1)
    other = _Proposal.about(centre, lopsided)
    assert other.root == pytest.approx(found.root)
    assert _Proposal.about(np.zeros(3), 0.2 * np.eye(3)).informed == 1


def normal(mean: np.ndarray, precision: np.ndarray) -> tuple[SimpleNamespace, list[int]]:
    law = stats.multivariate_normal(mean, np.linalg.inv(precision))
    asked: list[int] = []

    def log_posterior(w: np.ndarray) -> np.ndarray:
        asked.append(len(w))
        return np.asarray(law.logpdf(w))

    return SimpleNamespace(log_posterior=log_posterior), asked


def test_a_good_proposal_is_drawn_from_once() -> None:
    precision = np.array([[6.0, 1.0], [1.0, 2.0]])
    mean = np.array([1.0, -1.0])
    problem, asked = normal(mean, precision)
    w, weights, effective = sample(problem, mean, precision, 3000, np.random.default_rng(1))  # type: ignore[arg-type]
    assert asked == [3000]
    assert (w.shape, weights.shape) == ((3000, 2), (3000,))
    logs = problem.log_posterior(w) - _Proposal.about(mean, precision).log_density(w)
    assert weights == pytest.approx(np.exp(logs - logsumexp(logs)))
    assert effective == pytest.approx(1 / np.square(weights).sum())
    assert effective > 0.8 * 3000
    assert weights @ w == pytest.approx(mean, abs=0.05)


def test_a_proposal_that_misses_learns_and_all_rounds_stay_in() -> None:
    """Off by 1.7 sd and half as wide as it should be: the mixture of rounds still weighs right."""
    precision = np.diag([4.0, 4.0])
    mean = np.array([0.85, 0.0])
    problem, asked = normal(mean, precision)
    rng = np.random.default_rng(3)
    w, weights, effective = sample(problem, np.zeros(2), 4 * precision, 2000, rng)  # type: ignore[arg-type]
    assert len(asked) > 1
    assert asked == [2000] * len(asked)
    assert len(w) == sum(asked)
    assert weights.sum() == pytest.approx(1.0)
    assert effective == pytest.approx(1 / np.square(weights).sum())
    assert weights @ w == pytest.approx(mean, abs=0.06)
    off = (w - mean) * np.sqrt(weights)[:, None]
    assert off.T @ off == pytest.approx(np.diag([0.25, 0.25]), abs=0.04)


@pytest.mark.parametrize(("reached", "moved"), [(0.16, False), (0.14, True)])
def test_draws_are_moved_only_where_few_count(
    monkeypatch: pytest.MonkeyPatch, reached: float, moved: bool
) -> None:
    """So many of 1000 draws count alike, all others nothing, in each of three rounds."""
    told = (np.zeros((1, 1)), np.ones(1), 1.0)
    first: list[_Proposal] = []

    def instead(problem: object, proposal: _Proposal, draws: int, rng: object) -> object:
        first.append(proposal)
        assert draws == 1000
        return told

    monkeypatch.setattr(sampling, "_moved", instead)
    monkeypatch.setattr(_Proposal, "learned", lambda self, w, weights: self)
    monkeypatch.setattr(_Proposal, "log_density", lambda self, w: np.zeros(len(w)))
    rounds: list[int] = []

    def log_posterior(w: np.ndarray) -> np.ndarray:
        rounds.append(len(w))
        counting = round(1000 * reached) if len(rounds) == 1 else 0
        return np.where(np.arange(len(w)) < counting, 0.0, -1e6)

    problem = SimpleNamespace(log_posterior=log_posterior)
    found = sample(problem, np.zeros(1), np.eye(1), 1000, np.random.default_rng(1))  # type: ignore[arg-type]
    assert rounds == [1000] * 3
    assert (found is told) is moved
    assert len(first) == moved
    if not moved:
        assert found[2] == pytest.approx(160.0)
