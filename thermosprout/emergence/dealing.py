"""Which member of an ensemble each draw lives through."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def deal_members(members: int, draws: int, weights: FloatArray | None = None) -> IntArray:
    """Deal members to draws in proportion to their weights, without chance.

    Returns
    -------
    ndarray of int, shape (draw,)
    """
    if members == 1:
        return np.zeros(draws, dtype=np.intp)
    odds = np.full(members, 1.0 / members) if weights is None else weights / weights.sum()
    edges = np.cumsum(odds)
    # Spread each member over the whole range of draws rather than over one block of it.
    golden = ((np.arange(draws) + 0.5) * 0.6180339887498949) % 1.0
    return np.minimum(np.searchsorted(edges, golden, side="right"), members - 1)
