"""Axes that are the same on every machine."""

from __future__ import annotations

import numpy as np
from scipy.linalg import orthogonal_procrustes

from thermosprout.arrays import FloatArray

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
