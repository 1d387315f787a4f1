"""Weighted quantiles of draws, where a draw that never gets there counts as later than all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from thermosprout.arrays import FloatArray

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
    known = ranked.shape[1] - np.isnan(ranked).sum(axis=1)
    finite = np.isfinite(ranked).sum(axis=1)
    place = points[:, None] * known - 0.5
    last = np.maximum(finite - 1, 0)
    inside = np.clip(place, 0, last)
    low = inside.astype(np.intp)
    column = np.arange(ranked.shape[0])
    below, above = ranked[column, low], ranked[column, np.minimum(low + 1, last)]
    with np.errstate(invalid="ignore"):
        result = below + (inside - low) * (above - below)
    late = (finite < known) & ((place > last) | (finite == 0))
    return np.asarray(np.where(known == 0, np.nan, np.where(late, np.inf, result)))


def _of_weighted_draws(values: FloatArray, weights: FloatArray, points: FloatArray) -> FloatArray:
    """Quantiles of one column of draws."""
    kept = ~np.isnan(values) & (weights > 0)
    if not kept.any():
        return np.full(points.size, np.nan)
    order = np.argsort(values[kept], kind="stable")
    ranked = values[kept][order]
    mass = weights[kept][order]
    position = (np.cumsum(mass) - 0.5 * mass) / mass.sum()
    finite = np.isfinite(ranked)
    if not finite.any():
        return np.full(points.size, np.inf)
    result = np.interp(points, position[finite], ranked[finite])
    late = (points > position[finite][-1]) & (not finite.all())
    return np.asarray(np.where(late, np.inf, result))


def odds(values: FloatArray, weights: FloatArray) -> dict[str, float]:
    """Return the 10, 50 and 90 % quantiles by name."""
    found = weighted_quantile(values, weights, list(ODDS.values()))
    return dict(zip(ODDS, found.tolist(), strict=True))
