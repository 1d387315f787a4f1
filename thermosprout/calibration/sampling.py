"""Draws of the posterior: importance sampling, and Markov chains where that is not enough."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy.linalg import orthogonal_procrustes, solve_triangular
from scipy.special import logsumexp

from thermosprout.calibration.posterior import Posterior
from thermosprout.emergence.weighted_draws import resampled
from thermosprout.quantities import FloatArray, IntArray

_EQUAL = 1e-6


def align(columns: FloatArray) -> FloatArray:
    """Turn orthonormal columns among themselves to lie as near as can be to fixed directions.

    The orthogonal Procrustes solution (Schonemann 1966, Psychometrika 31:1-10); shape
    (coordinate, column) in and out.
    """
    if columns.shape[1] == 0:
        return columns
    directions = np.random.default_rng(0).standard_normal(columns.shape)
    turn, _ = orthogonal_procrustes(columns, directions)
    return np.asarray(columns @ turn)


def principal_axes(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Eigenvalues, rising, and eigenvectors (as columns) of a symmetric matrix, settled.

    An eigendecomposition leaves signs open, and all axes within equal values; rounding then
    decides, and the same seed gives other draws on another processor.
    """
    values, vectors = np.linalg.eigh(matrix)
    apart = np.diff(values) > _EQUAL * np.abs(values).max()
    groups = np.split(np.arange(values.size), np.flatnonzero(apart) + 1)
    return values, np.hstack([align(vectors[:, group]) for group in groups])


_ROUNDS = 3
_ENOUGH = 0.3
_POOR = 0.15
_MANY = 45
"""Coordinates beyond which importance sampling is not tried: too few draws would count."""
_FREEDOM = 8.0
_INFORMED = 1.5
_WIDER = 1.2
_CHAINS = 400
_SWEEPS = 12
_LAST_SWEEPS = 4


@dataclass(frozen=True, kw_only=True)
class Sample:
    """Weighted draws of the posterior.

    Attributes
    ----------
    w : ndarray, shape (draw, coordinate)
    weights : ndarray, shape (draw,)
        Sum to one.
    effective : float
        Effective sample size.
    """

    w: FloatArray
    weights: FloatArray
    effective: float


def sample(
    problem: Posterior,
    centre: FloatArray,
    precision: FloatArray,
    draws: int,
    rng: np.random.Generator,
) -> Sample:
    """Draw from the posterior about an optimum.

    Notes
    -----
    Importance sampling with a multivariate t, first from the curvature at the optimum, then from
    the weighted moments (Oh & Berger 1992, J. Stat. Comput. Simul. 41:143-168). All rounds stay
    in, each draw weighted by the mixture of the proposals (Veach & Guibas 1995, balance
    heuristic). Where that leaves few draws, as among many varieties, or behind a wall or about a
    second peak, they go on as Markov chains (:func:`_chains`).
    """
    proposals = [Proposal.about(centre, precision)]
    points: list[FloatArray] = []
    targets: list[FloatArray] = []
    weights = np.zeros(0)
    w, many, effective = centre[None], centre.size > _MANY, 0.0
    size = min(draws, _CHAINS) if many else draws
    for _ in range(1 if many else _ROUNDS):
        points.append(proposals[-1].draw(size, rng))
        targets.append(problem.log_posterior(points[-1]))
        w, target = np.concatenate(points), np.concatenate(targets)
        densities = np.stack([proposal.log_density(w) for proposal in proposals])
        logs = target - logsumexp(densities, axis=0)
        weights = np.exp(logs - logsumexp(logs))
        effective = 1.0 / float(np.square(weights).sum())
        if effective >= _ENOUGH * size:
            break
        if not many:
            proposals.append(proposals[-1].from_moments(w, weights))
    if effective >= _POOR * draws:
        return Sample(w=w, weights=weights, effective=effective)
    if many:
        begin = w
    else:
        begin = w[resampled(weights, min(draws, _CHAINS), rng)]
        precision = np.asarray(np.linalg.inv(proposals[-1].covariance))
        centre = proposals[-1].centre
    return _chains(problem, begin, Gaussian.of(problem.blocks(), centre, precision), rng)


@dataclass(frozen=True, kw_only=True)
class Own:
    """Coordinates of one variety, and their normal given the shared ones.

    Their mean follows the shared coordinates by ``slope``, shape (own, shared); ``root`` and
    ``precision``, shape (own, own), are those of their covariance given the shared ones.
    """

    at: IntArray
    slope: FloatArray
    root: FloatArray
    precision: FloatArray


@dataclass(frozen=True, kw_only=True)
class Gaussian:
    """Normal approximation of a posterior in which blocks hang together through one shared block.

    Attributes
    ----------
    centre : ndarray, shape (coordinate,)
    shared : ndarray of int
        Coordinates that all plots feel: the crop, its plantings and seasons.
    root, precision : ndarray, shape (shared, shared)
        Root of the marginal covariance of the shared coordinates, and its inverse.
    own : tuple of Own
        One for each variety.
    """

    centre: FloatArray
    shared: IntArray
    root: FloatArray
    precision: FloatArray
    own: tuple[Own, ...]

    @classmethod
    def of(cls, blocks: IntArray, centre: FloatArray, precision: FloatArray) -> Gaussian:
        """Split a precision by blocks; zero is the shared one."""
        shared = np.flatnonzero(blocks == 0)
        precision = _positive(precision)
        marginal = precision[np.ix_(shared, shared)]
        own = []
        for block in range(1, int(blocks.max(initial=0)) + 1):
            mine = np.flatnonzero(blocks == block)
            inside = precision[np.ix_(mine, mine)]
            cross = precision[np.ix_(mine, shared)]
            slope = np.asarray(-np.linalg.solve(inside, cross), dtype=np.float64)
            marginal = marginal + cross.T @ slope
            own.append(Own(at=mine, slope=slope, root=_root(inside), precision=inside))
        marginal = _positive(marginal)
        return cls(
            centre=centre, shared=shared, root=_root(marginal), precision=marginal, own=tuple(own)
        )

    def move_shared(self, w: FloatArray, step: float, rng: np.random.Generator) -> FloatArray:
        """Autoregressive move of the shared coordinates; those of varieties follow."""
        off = w[:, self.shared] - self.centre[self.shared]
        noise = rng.standard_normal(off.shape) @ self.root.T
        change = (np.sqrt(1 - step**2) - 1.0) * off + step * noise
        proposal = w.copy()
        proposal[:, self.shared] += change
        for own in self.own:
            proposal[:, own.at] += change @ own.slope.T
        return proposal

    def log_shared(self, w: FloatArray) -> FloatArray:
        """Log-density of the shared coordinates up to a constant, shape (draw,)."""
        return _log_normal(w[:, self.shared] - self.centre[self.shared], self.precision)

    def move_own(self, w: FloatArray, step: float, rng: np.random.Generator) -> FloatArray:
        """Autoregressive move of each variety's coordinates given the shared ones."""
        proposal = w.copy()
        for own in self.own:
            noise = rng.standard_normal((w.shape[0], own.at.size)) @ own.root.T
            proposal[:, own.at] += (np.sqrt(1 - step**2) - 1.0) * self._off(w, own) + step * noise
        return proposal

    def log_own(self, w: FloatArray) -> FloatArray:
        """Log-density of each variety's coordinates given the shared ones, (draw, variety)."""
        parts = [(self._off(w, own), own.precision) for own in self.own]
        return np.stack([_log_normal(off, precision) for off, precision in parts], axis=1)

    def _off(self, w: FloatArray, own: Own) -> FloatArray:
        middle = (w[:, self.shared] - self.centre[self.shared]) @ own.slope.T
        return np.asarray(w[:, own.at] - self.centre[own.at] - middle)


def _log_normal(off: FloatArray, precision: FloatArray) -> FloatArray:
    return np.asarray(-0.5 * ((off @ precision) * off).sum(axis=1))


def _root(precision: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.cholesky(np.linalg.inv(precision)), dtype=np.float64)


def _positive(matrix: FloatArray) -> FloatArray:
    """Nearest symmetric matrix whose eigenvalues leave at most a spread of about one."""
    values, vectors = np.linalg.eigh(0.5 * (matrix + matrix.T))
    return np.asarray((vectors * np.maximum(values, 0.5)) @ vectors.T)


def _chains(problem: Posterior, w: FloatArray, about: Gaussian, rng: np.random.Generator) -> Sample:
    """Many short Markov chains from draws near the posterior.

    Notes
    -----
    Metropolis-Hastings in two blocks. Shared coordinates make an autoregressive step (Neal 1998,
    Bayesian Statistics 6:475-501) that takes those of the varieties along; then each variety
    steps by itself and is accepted by itself, since given the shared ones its plots alone speak
    of it. The effective size is that of the first kept sweep, as far as it has forgotten its
    start.
    """
    blocks = problem.plot_blocks()
    target = problem.likelihood_of_plots(w)
    prior = problem.log_prior(w)
    begin, sweeps = w, []
    step, own_step = 0.5, 0.6
    for sweep in range(_SWEEPS):
        proposal = about.move_shared(w, step, rng)
        new_target, new_prior = problem.likelihood_of_plots(proposal), problem.log_prior(proposal)
        odds = (new_target - target).sum(axis=1) + new_prior - prior
        odds += about.log_shared(w) - about.log_shared(proposal)
        accepted = np.log(rng.random(w.shape[0])) < odds
        w = np.where(accepted[:, None], proposal, w)
        target = np.where(accepted[:, None], new_target, target)
        prior = np.where(accepted, new_prior, prior)
        step = _adapted(step, float(accepted.mean()))
        if about.own:
            proposal = about.move_own(w, own_step, rng)
            new_target = problem.likelihood_of_plots(proposal)
            gain = (new_target - target) @ (blocks[:, None] == np.arange(1, len(about.own) + 1))
            gain += about.log_own(w) - about.log_own(proposal)
            gain += problem.own_log_prior(proposal) - problem.own_log_prior(w)
            accepted_by = np.log(rng.random(gain.shape)) < gain
            for column, own in enumerate(about.own):
                w[:, own.at] = np.where(accepted_by[:, [column]], proposal[:, own.at], w[:, own.at])
            of_plot = np.pad(accepted_by, ((0, 0), (1, 0)))[:, blocks]
            target = np.where(of_plot, new_target, target)
            prior = problem.log_prior(w)
            own_step = _adapted(own_step, float(accepted_by.mean()))
        if sweep >= _SWEEPS - _LAST_SWEEPS:
            sweeps.append(w.copy())
    draws = np.concatenate(sweeps)
    memory = [np.corrcoef(begin[:, i], sweeps[0][:, i])[0, 1] for i in range(w.shape[1])]
    fresh = 1.0 - float(np.nanmax(np.square(memory)))
    return Sample(
        w=draws,
        weights=np.full(draws.shape[0], 1.0 / draws.shape[0]),
        effective=max(fresh * w.shape[0], 1.0),
    )


def _adapted(step: float, accepted: float) -> float:
    return float(np.clip(step * (1.25 if accepted > 0.3 else 0.75), 0.05, 0.98))


@dataclass(frozen=True, kw_only=True)
class Proposal:
    """Heavy-tailed along directions the records inform, normal along all others.

    ``axes`` are orthonormal directions as columns, the ``informed`` ones first; ``root`` is the
    lower triangular root of the covariance along them.
    """

    centre: FloatArray
    axes: FloatArray
    informed: int
    root: FloatArray

    @classmethod
    def about(cls, centre: FloatArray, precision: FloatArray) -> Proposal:
        """Proposal from the curvature; directions in which it fails keep the prior's spread."""
        values, vectors = principal_axes(0.5 * (precision + precision.T))
        order = np.argsort(-values)
        values, vectors = np.maximum(values[order], 0.7), vectors[:, order]
        informed = max(int((values > _INFORMED).sum()), 1)
        axes = np.hstack([vectors[:, :informed], align(vectors[:, informed:])])
        spread = np.where(values > _INFORMED, _WIDER, 1.0) / values
        along = axes.T @ vectors
        root: FloatArray = np.linalg.cholesky((along * spread) @ along.T).astype(np.float64)
        return cls(centre=centre, axes=axes, informed=informed, root=root)

    @property
    def covariance(self) -> FloatArray:
        """Covariance of the normal that the heavy tails belong to."""
        return np.asarray(self.axes @ self.root @ self.root.T @ self.axes.T)

    def draw(self, size: int, rng: np.random.Generator) -> FloatArray:
        """Draws of shape (size, coordinate)."""
        normal = rng.standard_normal((size, self.centre.size))
        stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size))
        normal[:, : self.informed] *= stretch[:, None]
        return np.asarray(self.centre + (normal @ self.root.T) @ self.axes.T)

    def log_density(self, w: FloatArray) -> FloatArray:
        """Log-density up to a constant that is the same for all proposals of a fit."""
        own = solve_triangular(self.root, ((w - self.centre) @ self.axes).T, lower=True)
        heavy = np.square(own[: self.informed]).sum(axis=0)
        plain = np.square(own[self.informed :]).sum(axis=0)
        return np.asarray(
            -0.5 * (_FREEDOM + self.informed) * np.log1p(heavy / _FREEDOM)
            - 0.5 * plain
            - np.log(np.diag(self.root)).sum()
        )

    def from_moments(self, w: FloatArray, weights: FloatArray) -> Proposal:
        """Proposal with the weighted moments of draws; no single draw may rule."""
        cut = np.minimum(weights, 10.0 / weights.size)
        cut = cut / cut.sum()
        mean = cut @ w
        along = (w - mean) @ self.axes
        covariance = (along * cut[:, None]).T @ along
        worth = 1.0 / float(np.square(cut).sum())
        part = worth / (worth + 2.0 * w.shape[1])
        mixed = part * covariance + (1.0 - part) * self.root @ self.root.T
        return replace(self, centre=mean, root=np.linalg.cholesky(mixed))
