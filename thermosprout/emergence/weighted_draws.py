"""Weighted draws: their quantiles and odds, and the sampler that moves and reweights them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Protocol, Self, TypeVar

import numpy as np

from thermosprout.quantities import BoolArray, FloatArray, IntArray
from thermosprout.special import logsumexp

ODDS: dict[str, float] = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
"""The three odds that every answer gives."""


def weighted_quantile(
    values: FloatArray, weights: FloatArray, probabilities: Sequence[float]
) -> FloatArray:
    """Quantiles of a weighted sample, along the first axis.

    Parameters
    ----------
    values : ndarray, shape (draw, ...)
        NaN entries are left out; inf entries count as later than all others.
    weights : ndarray, shape (draw,)
        Not negative; need not sum to one.
    probabilities : sequence of float, length k

    Returns
    -------
    ndarray, shape (k, ...)
        NaN when nothing is left, inf where the quantile lies among the inf entries. With equal
        weights this is numpy's ``hazen`` method: draw ``i`` stands at ``(i + 0.5) / n``.
    """
    points = np.asarray(probabilities, dtype=float)
    if not values.shape[0]:
        return np.full((points.size, *values.shape[1:]), np.nan)
    flat = values.reshape(values.shape[0], -1)
    if np.ptp(weights) == 0.0 and weights[0] > 0:
        result = _of_equal_draws(flat, points)
    else:
        columns = [_of_weighted_draws(column, weights, points) for column in flat.T]
        result = np.stack(columns, axis=1) if columns else np.empty((points.size, 0))
    return np.asarray(result.reshape(points.size, *values.shape[1:]))


def _of_equal_draws(flat: FloatArray, points: FloatArray) -> FloatArray:
    """Quantiles of each column of (draw, column), all draws alike."""
    ranked = np.sort(flat.T, axis=1)  # NaN last
    numbers = ranked.shape[1] - np.isnan(ranked).sum(axis=1)
    finite = np.isfinite(ranked).sum(axis=1)
    place = points[:, None] * numbers - 0.5
    last = np.maximum(finite - 1, 0)
    inside = np.clip(place, 0, last)
    low = inside.astype(np.intp)
    column = np.arange(ranked.shape[0])
    below, above = ranked[column, low], ranked[column, np.minimum(low + 1, last)]
    with np.errstate(invalid="ignore"):
        result = below + (inside - low) * (above - below)
    late = (finite < numbers) & ((place > last) | (finite == 0))
    return np.asarray(np.where(numbers == 0, np.nan, np.where(late, np.inf, result)))


def _of_weighted_draws(values: FloatArray, weights: FloatArray, points: FloatArray) -> FloatArray:
    """Quantiles of one column of draws."""
    usable = ~np.isnan(values) & (weights > 0)
    if not usable.any():
        return np.full(points.size, np.nan)
    order = np.argsort(values[usable], kind="stable")
    ranked = values[usable][order]
    mass = weights[usable][order]
    position = (np.cumsum(mass) - 0.5 * mass) / mass.sum()
    finite = np.isfinite(ranked)
    if not finite.any():
        return np.full(points.size, np.inf)
    result = np.interp(points, position[finite], ranked[finite])
    late = (points > position[finite][-1]) & (not finite.all())
    return np.asarray(np.where(late, np.inf, result))


def odds(values: FloatArray, weights: FloatArray) -> dict[str, float]:
    """Return the 10, 50 and 90 % quantiles by name."""
    quantiles = weighted_quantile(values, weights, list(ODDS.values()))
    return dict(zip(ODDS, quantiles.tolist(), strict=True))


class Swarm(Protocol):
    """Draws with all that goes with them.

    ``points`` has shape (draw, coordinate); ``prior`` is the log-density they come from and
    ``ratio`` the log of the density they shall go to over it, each up to a constant, (draw,).
    """

    @property
    def points(self) -> FloatArray: ...  # noqa: D102
    @property
    def prior(self) -> FloatArray: ...  # noqa: D102
    @property
    def ratio(self) -> FloatArray: ...  # noqa: D102

    def select(self, index: IntArray) -> Self:
        """Draws by index, repeated or left out."""
        ...

    def merge(self, trial: Self, accepted: BoolArray) -> Self:
        """Moved draws where the move was accepted, these elsewhere."""
        ...


S = TypeVar("S", bound=Swarm)


_EFFECTIVE = 0.4
"""Share of the draws that each step leaves effective."""

_LEAST = 1e-4
"""Smallest step, whatever it leaves."""

_MOST = 12
"""Steps of which the last brings in all that is left."""

_MOVES = 2
"""Moves after each step."""


def temper(
    swarm: S, move: Callable[[S, FloatArray], S], rng: np.random.Generator
) -> tuple[S, list[float]]:
    """Bring draws on to the density they shall have.

    Parameters
    ----------
    swarm : Swarm
        Equally weighted draws of the first density.
    move : callable
        Gives the swarm at other points, judged anew.
    rng : numpy.random.Generator

    Returns
    -------
    Swarm, list of float
        Equally weighted draws, and the effective size at each step.
    """
    size = swarm.points.shape[0]
    reached, stride = 0.0, 0.6
    sizes: list[float] = []
    while reached < 1.0:
        last = len(sizes) + 1 == _MOST
        power = 1.0 if last else _next_power(swarm.ratio, reached)
        logs = (power - reached) * swarm.ratio
        weights = np.exp(logs - logsumexp(logs))
        sizes.append(effective_size(weights))
        swarm = swarm.select(resampled(weights, size, rng))
        reached = power
        about = MovingNormal(swarm.points)
        for _ in range(_MOVES):
            trial = move(swarm, about.move(swarm.points, stride, rng))
            odds = trial.prior - swarm.prior + reached * (trial.ratio - swarm.ratio)
            odds += about.log_density(swarm.points) - about.log_density(trial.points)
            accepted = np.log(rng.random(size)) < odds
            swarm = swarm.merge(trial, accepted)
            stride = float(np.clip(stride * (1.3 if accepted.mean() > 0.3 else 0.7), 0.05, 0.95))
    return swarm, sizes


def _next_power(ratio: FloatArray, reached: float) -> float:
    """Largest power of the ratio that still leaves enough draws effective."""

    def left(power: float) -> float:
        logs = (power - reached) * ratio
        return effective_size(np.exp(logs - logsumexp(logs)))

    target = _EFFECTIVE * ratio.size
    if left(1.0) >= target:
        return 1.0
    low, high = reached, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) >= target else (low, middle)
    return min(max(low, reached + _LEAST), 1.0)


def effective_size(weights: FloatArray) -> float:
    """Effective sample size of weights (Kish 1965)."""
    return float(weights.sum() ** 2 / np.square(weights).sum())


def resampled(weights: FloatArray, size: int, rng: np.random.Generator) -> IntArray:
    """Systematic resampling: as many copies of a draw as its weight asks for, within one."""
    edges = np.cumsum(weights / weights.sum())
    return np.minimum(
        np.searchsorted(edges, (np.arange(size) + rng.random()) / size), weights.size - 1
    )


class MovingNormal:
    """Normal with the mean and covariance of draws, and moves that leave it as it is.

    Parameters
    ----------
    points : ndarray, shape (draw, coordinate)
    """

    def __init__(self, points: FloatArray) -> None:
        self._mean = points.mean(axis=0)
        covariance = np.atleast_2d(np.cov(points.T))
        ridge = 1e-3 * np.diag(np.maximum(np.diag(covariance), 1e-8))
        self._root = np.linalg.cholesky(covariance + ridge)

    def move(self, points: FloatArray, stride: float, rng: np.random.Generator) -> FloatArray:
        """Autoregressive moves; a stride of one is a fresh draw."""
        noise = rng.standard_normal(points.shape) @ self._root.T
        old = np.sqrt(1 - stride**2) * (points - self._mean)
        return np.asarray(self._mean + old + stride * noise)

    def log_density(self, points: FloatArray) -> FloatArray:
        """Log-density up to a constant, shape (draw,)."""
        own = np.linalg.solve(self._root, (points - self._mean).T)
        return np.asarray(-0.5 * np.square(own).sum(axis=0))
