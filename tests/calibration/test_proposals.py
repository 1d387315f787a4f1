"""Proposals of the sampler against densities of scipy and moments in plain Python."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from thermosprout.calibration import sampling
from thermosprout.calibration.sampling import _FREEDOM, _INFORMED, _WIDER, _Proposal


def test_a_proposal_is_heavy_where_the_records_inform_and_keeps_the_priors_spread_elsewhere() -> (
    None
):
    """A diagonal curvature: its own axes, so that the density is a product of two known ones."""
    centre = np.array([1.0, -2.0, 0.5])
    proposal = _Proposal.about(centre, np.diag([1.0, 9.0, 0.2]))
    assert proposal.informed == 1
    # Beyond 1.5 the records inform; below 0.7 the curvature has failed and is taken as 0.7.
    variances = np.array([1.0, _WIDER / 9.0, 1.0 / 0.7])
    covariance = proposal.axes @ proposal.root @ proposal.root.T @ proposal.axes.T
    assert _INFORMED == 1.5
    assert covariance == pytest.approx(np.diag(variances), abs=1e-12)
    at = centre + np.random.default_rng(0).standard_normal((6, 3))
    heavy = stats.t(_FREEDOM, centre[1], np.sqrt(variances[1])).logpdf(at[:, 1])
    plain = stats.norm(centre[[0, 2]], np.sqrt(variances[[0, 2]])).logpdf(at[:, [0, 2]]).sum(axis=1)
    found = proposal.log_density(at)
    assert np.diff(found) == pytest.approx(np.diff(heavy + plain), rel=1e-9)
    uninformed = _Proposal.about(centre, np.eye(3))
    assert uninformed.informed == 1


def test_densities_of_two_proposals_differ_by_their_volumes() -> None:
    """The constant left out is common: the log of the root's determinant is not."""
    at = np.zeros((1, 2))
    narrow, wide = (
        _Proposal.about(np.zeros(2), precision * np.eye(2)) for precision in (36.0, 4.0)
    )
    assert narrow.log_density(at) - wide.log_density(at) == pytest.approx(2 * np.log(3.0))


def test_draws_are_student_where_informed_and_normal_elsewhere() -> None:
    proposal = _Proposal.about(np.array([3.0, 0.0]), np.diag([4.0, 1.0]))
    w = proposal.draw(20_000, np.random.default_rng(2))
    heavy = stats.t(_FREEDOM, 3.0, np.sqrt(_WIDER / 4.0))
    assert stats.kstest(w[:, 0], heavy.cdf).pvalue > 0.01
    assert stats.kstest(w[:, 1], stats.norm.cdf).pvalue > 0.01
    assert stats.kurtosis(w[:, 0]) > 0.7, "6 / (freedom - 4) is 1.5 for eight degrees"


def test_what_is_learned_are_capped_weighted_moments_mixed_with_what_was() -> None:
    rng = np.random.default_rng(3)
    proposal = _Proposal.about(np.array([1.0, 2.0]), np.array([[5.0, 1.0], [1.0, 3.0]]))
    w = proposal.draw(50, rng)
    weights = rng.dirichlet(np.full(50, 0.2))
    assert weights.max() > 10.0 / 50, "one draw would rule"
    capped = [min(x, 0.2) for x in weights]
    capped = [x / sum(capped) for x in capped]
    mean = [sum(c * row[k] for c, row in zip(capped, w, strict=True)) for k in range(2)]
    moments = np.array([
        [sum(c * (row[i] - mean[i]) * (row[j] - mean[j]) for c, row in zip(capped, w, strict=True))
         for j in range(2)] for i in range(2)
    ])  # fmt: skip
    worth = 1.0 / sum(x * x for x in capped)
    part = worth / (worth + 2 * 2)
    axes = proposal.axes
    before = axes @ proposal.root @ proposal.root.T @ axes.T
    learned = proposal.learned(w, weights)
    assert learned.centre == pytest.approx(mean)
    assert axes @ learned.root @ learned.root.T @ axes.T == pytest.approx(
        part * moments + (1 - part) * before
    )
    assert (learned.informed, learned.axes.tolist()) == (proposal.informed, axes.tolist())


def test_rounds_go_on_until_enough_draws_count_and_all_stay_in() -> None:
    """A normal target: the first proposal is enough; a target off it takes more rounds."""
    asked: list[int] = []

    def target(law: stats.rv_continuous) -> SimpleNamespace:
        def log_posterior(w: np.ndarray) -> np.ndarray:
            asked.append(len(w))
            return np.asarray(law.logpdf(w[:, 0]))

        return SimpleNamespace(log_posterior=log_posterior)

    near = target(stats.norm(0.0, 0.5))
    w, weights, effective = sampling.sample(
        near,
        np.zeros(1),
        np.array([[4.0]]),
        500,
        np.random.default_rng(1),  # type: ignore[arg-type]
    )
    assert asked == [500]
    assert (w.shape, weights.sum()) == ((500, 1), pytest.approx(1.0))
    assert effective == pytest.approx(1.0 / sum(x * x for x in weights))
    logs = stats.norm(0.0, 0.5).logpdf(w[:, 0]) - stats.t(
        _FREEDOM, 0.0, np.sqrt(_WIDER / 4.0)
    ).logpdf(w[:, 0])
    assert weights == pytest.approx(np.exp(logs) / np.exp(logs).sum())
    asked.clear()
    far = target(stats.norm(1.4, 0.2))
    w, weights, effective = sampling.sample(
        far,
        np.zeros(1),
        np.array([[4.0]]),
        500,
        np.random.default_rng(1),  # type: ignore[arg-type]
    )
    assert len(asked) > 1
    assert len(w) == 500 * len(asked)
    assert effective >= 0.3 * 500
    assert weights @ w[:, 0] == pytest.approx(1.4, abs=0.03)
    assert np.sqrt(weights @ (w[:, 0] - 1.4) ** 2) == pytest.approx(0.2, rel=0.1)
