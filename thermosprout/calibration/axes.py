"""Axes that are the same on every machine."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.linalg import orthogonal_procrustes

FloatArray = npt.NDArray[np.float64]


def settled(columns: FloatArray) -> FloatArray:
    """Turn columns among themselves until they lie as near as they can to fixed directions.

    Parameters
    ----------
    columns : ndarray, shape (coordinate, column)
        Root of a covariance or orthonormal directions, of full column rank.

    Returns
    -------
    ndarray, shape (coordinate, column)
        Spans and covers the same.

    Notes
    -----
    An eigendecomposition leaves signs open, and all axes within equal values; rounding then
    decides, and the same seed gives other draws on another processor. The turn is the
    orthogonal Procrustes solution (Schonemann 1966, Psychometrika 31:1-10).
    """
    if columns.shape[1] == 0:
        return columns
    fixed = np.random.default_rng(0).standard_normal(columns.shape)
    turn, _ = orthogonal_procrustes(columns, fixed)
    return np.asarray(columns @ turn)
