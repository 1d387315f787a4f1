"""Axes that are the same on every machine.

Draws of the posterior: importance sampling, and moves where that is not enough.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.linalg import orthogonal_procrustes, solve_triangular
from scipy.special import logsumexp

from thermosprout.arrays import FloatArray
from thermosprout.calibration.posterior import Problem

_EQUAL = 1e-6


def settled(columns: FloatArray) -> FloatArray:
    """Turn columns among themselves until they lie as near as they can to fixed directions.

    Parameters
    ----------
    columns : ndarray, shape (coordinate, column)
        Orthonormal directions.

    Returns
    -------
    ndarray, shape (coordinate, column)
        Orthonormal directions that span the same.

    Notes
    -----
    The orthogonal Procrustes solution (Schonemann 1966, Psychometrika 31:1-10).
    """
    if columns.shape[1] == 0:
        return columns
    fixed = np.random.default_rng(0).standard_normal(columns.shape)
    turn, _ = orthogonal_procrustes(columns, fixed)
    return np.asarray(columns @ turn)


def principal_axes(matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Eigenvalues, rising, and eigenvectors of a symmetric matrix, settled.

    Parameters
    ----------
    matrix : ndarray, shape (coordinate, coordinate)

    Returns
    -------
    tuple of ndarray
        Shapes (coordinate,) and (coordinate, coordinate), vectors as columns.

    Notes
    -----
    An eigendecomposition leaves signs open, and all axes within equal values; rounding then
    decides, and the same seed gives other draws on another processor.
    """
    values, vectors = np.linalg.eigh(matrix)
    apart = np.diff(values) > _EQUAL * np.abs(values).max()
    groups = np.split(np.arange(values.size), np.flatnonzero(apart) + 1)
    return values, np.hstack([settled(vectors[:, group]) for group in groups])


_ROUNDS = 3
_ENOUGH = 0.3
_POOR = 0.15
_FREEDOM = 8.0
_INFORMED = 1.5
_WIDER = 1.2
_WIDEST = 4.0
_RUNGS = 12
_MOVES = 3
_LAST_MOVES = 5


def sample(
    problem: Problem,
    centre: FloatArray,
    precision: FloatArray,
    draws: int,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, float]:
    """Importance sample about an optimum, with a proposal that learns where it misses.

    Returns
    -------
    tuple of ndarray, ndarray, float
        Coordinates of shape (draw, coordinate), weights that sum to one, effective size.

    Notes
    -----
    Proposal: multivariate t, first from the curvature at the optimum, then from the weighted
    moments (Oh & Berger 1992, J. Stat. Comput. Simul. 41:143-168). All rounds stay in, each
    draw weighted by the mixture of the proposals (Veach & Guibas 1995, balance heuristic).
    Where a wall or a second peak in the likelihood leaves few draws, they are moved from the
    proposals to the posterior in steps (:func:`_moved`).
    """
    proposals = [_Proposal.about(centre, precision)]
    points: list[FloatArray] = []
    targets: list[FloatArray] = []
    weights = np.zeros(0)
    for _ in range(_ROUNDS):
        points.append(proposals[-1].draw(draws, rng))
        targets.append(problem.log_posterior(points[-1]))
        w, target = np.concatenate(points), np.concatenate(targets)
        densities = np.stack([proposal.log_density(w) for proposal in proposals])
        logs = target - logsumexp(densities, axis=0)
        weights = np.exp(logs - logsumexp(logs))
        effective = 1.0 / float(np.square(weights).sum())
        if effective >= _ENOUGH * draws:
            break
        proposals.append(proposals[-1].learned(w, weights))
    if effective < _POOR * draws:
        return _moved(problem, proposals[0], draws, rng)
    return w, weights, effective


def _moved(
    problem: Problem, narrow: _Proposal, draws: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray, float]:
    """Sequential Monte Carlo from a wide proposal to the posterior.

    Notes
    -----
    Del Moral, Doucet & Jasra (2006), J. R. Stat. Soc. B 68:411-436, along the geometric path,
    with autoregressive moves about the draws' own mean and covariance. The effective size is
    the smallest of all steps.
    """
    start = replace(narrow, root=_WIDEST * narrow.root)
    w = start.draw(draws, rng)
    target, begun = problem.log_posterior(w), start.log_density(w)
    reached, step, least = 0.0, 0.6, float(draws)
    while reached < 1.0:
        ratio = target - begun
        power = _next_power(ratio, reached)
        logs = (power - reached) * ratio
        weights = np.exp(logs - logsumexp(logs))
        least = min(least, 1.0 / float(np.square(weights).sum()))
        index = _systematic(weights, rng)
        w, target, begun = w[index], target[index], begun[index]
        reached = power
        about = _Normal(w)
        for _ in range(_LAST_MOVES if reached >= 1.0 else _MOVES):
            tried = about.moved(w, step, rng)
            new_target, new_begun = problem.log_posterior(tried), start.log_density(tried)
            odds = reached * (new_target - target) + (1.0 - reached) * (new_begun - begun)
            odds += about.log_density(w) - about.log_density(tried)
            taken = np.log(rng.random(draws)) < odds
            w = np.where(taken[:, None], tried, w)
            target = np.where(taken, new_target, target)
            begun = np.where(taken, new_begun, begun)
            step = float(np.clip(step * (1.3 if taken.mean() > 0.3 else 0.7), 0.05, 0.95))
    return w, np.full(draws, 1.0 / draws), least


def _next_power(ratio: FloatArray, reached: float) -> float:
    """Largest power that still leaves half of the draws effective, at least a small step on."""

    def left(power: float) -> float:
        logs = (power - reached) * ratio
        weights = np.exp(logs - logsumexp(logs))
        return 1.0 / float(np.square(weights).sum())

    wanted = 0.5 * ratio.size
    if left(1.0) >= wanted:
        return 1.0
    low, high = reached, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) >= wanted else (low, middle)
    return min(max(low, reached + 1.0 / _RUNGS**2), 1.0)


def _systematic(weights: FloatArray, rng: np.random.Generator) -> npt.NDArray[np.intp]:
    """Systematic resampling: as many copies of a draw as its weight asks for, within one."""
    size = weights.size
    found = np.searchsorted(np.cumsum(weights), (np.arange(size) + rng.random()) / size)
    return np.minimum(found, size - 1)


class _Normal:
    """Normal with the mean and covariance of draws, and moves that leave it as it is."""

    def __init__(self, w: FloatArray) -> None:
        self._mean = w.mean(axis=0)
        covariance = np.atleast_2d(np.cov(w.T))
        ridge = 1e-3 * np.diag(np.maximum(np.diag(covariance), 1e-8))
        self._root = np.linalg.cholesky(covariance + ridge)

    def moved(self, w: FloatArray, step: float, rng: np.random.Generator) -> FloatArray:
        """Autoregressive moves; a step of one is a fresh draw."""
        noise = rng.standard_normal(w.shape) @ self._root.T
        return np.asarray(self._mean + np.sqrt(1 - step**2) * (w - self._mean) + step * noise)

    def log_density(self, w: FloatArray) -> FloatArray:
        """Log-density up to a constant, shape (draw,)."""
        own = solve_triangular(self._root, (w - self._mean).T, lower=True)
        return np.asarray(-0.5 * np.square(own).sum(axis=0))


@dataclass(frozen=True, kw_only=True)
class _Proposal:
    """Heavy-tailed along directions the records inform, normal along all others.

    Attributes
    ----------
    centre : ndarray, shape (coordinate,)
    axes : ndarray, shape (coordinate, coordinate)
        Orthonormal directions as columns, those the records inform first.
    informed : int
        How many those are.
    root : ndarray, shape (coordinate, coordinate)
        Lower triangular root of the covariance along the axes.
    """

    centre: FloatArray
    axes: FloatArray
    informed: int
    root: FloatArray

    @classmethod
    def about(cls, centre: FloatArray, precision: FloatArray) -> _Proposal:
        """Proposal from the curvature; directions in which it fails keep the prior's spread."""
        values, vectors = principal_axes(0.5 * (precision + precision.T))
        order = np.argsort(-values)
        values, vectors = np.maximum(values[order], 0.7), vectors[:, order]
        informed = max(int((values > _INFORMED).sum()), 1)
        axes = np.hstack([vectors[:, :informed], settled(vectors[:, informed:])])
        spread = np.where(values > _INFORMED, _WIDER, 1.0) / values
        along = axes.T @ vectors
        root: FloatArray = np.linalg.cholesky((along * spread) @ along.T).astype(np.float64)
        return cls(centre=centre, axes=axes, informed=informed, root=root)

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

    def learned(self, w: FloatArray, weights: FloatArray) -> _Proposal:
        """Proposal with the weighted moments of draws; no single draw may rule."""
        capped = np.minimum(weights, 10.0 / weights.size)
        capped = capped / capped.sum()
        mean = capped @ w
        along = (w - mean) @ self.axes
        covariance = (along * capped[:, None]).T @ along
        worth = 1.0 / float(np.square(capped).sum())
        part = worth / (worth + 2.0 * w.shape[1])
        mixed = part * covariance + (1.0 - part) * self.root @ self.root.T
        return replace(self, centre=mean, root=np.linalg.cholesky(mixed))
