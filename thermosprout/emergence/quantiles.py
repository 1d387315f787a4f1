"""Weighted quantiles of draws, where a draw that never gets there counts as later than all."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]

ODDS: dict[str, float] = {"p10": 0.1, "p50": 0.5, "p90": 0.9}
"""The three odds that every answer gives."""


def weighted_quantile(
    values: FloatArray, weights: FloatArray, probabilities: Sequence[float]
) -> FloatArray:
    """Quantiles of a weighted sample.

    Parameters
    ----------
    values : ndarray, shape (draw,)
        NaN entries are left out; inf entries count as later than all others.
    weights : ndarray, shape (draw,)
        Not negative; need not sum to one.
    probabilities : sequence of float, length k

    Returns
    -------
    ndarray, shape (k,)
        NaN when nothing is left, inf where the quantile lies among the inf entries. With equal
        weights this is numpy's ``hazen`` method: draw ``i`` stands at ``(i + 0.5) / n``.
    """
    kept = ~np.isnan(values) & (weights > 0)
    if not kept.any():
        return np.full(len(probabilities), np.nan)
    order = np.argsort(values[kept], kind="stable")
    ranked = values[kept][order]
    mass = weights[kept][order]
    position = (np.cumsum(mass) - 0.5 * mass) / mass.sum()
    finite = np.isfinite(ranked)
    if not finite.any():
        return np.full(len(probabilities), np.inf)
    result = np.empty(len(probabilities))
    reached = position[finite][-1]
    for index, probability in enumerate(probabilities):
        if not finite.all() and probability > reached:
            result[index] = np.inf
        else:
            result[index] = np.interp(probability, position[finite], ranked[finite])
    return result


def odds(values: FloatArray, weights: FloatArray) -> dict[str, float]:
    """Return the 10, 50 and 90 % quantiles by name."""
    found = weighted_quantile(values, weights, list(ODDS.values()))
    return dict(zip(ODDS, found.tolist(), strict=True))
