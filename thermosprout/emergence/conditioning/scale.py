"""Draws of an estimate as standard normals, and back."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from thermosprout.crops.estimate import Draws, Estimate
from thermosprout.crops.parameters import PARAMETERS

FloatArray = npt.NDArray[np.float64]


class NormalScale:
    """Between natural parameters and standard normals of an estimate."""

    def __init__(self, estimate: Estimate) -> None:
        values, vectors = np.linalg.eigh(estimate.covariance)
        kept = values > 1e-12
        self._estimate = estimate
        self._root = vectors[:, kept] * np.sqrt(values[kept])
        self._inverse = vectors[:, kept] / np.sqrt(values[kept])

    def standard(self, values: Draws) -> FloatArray:
        """Draws in natural units to standard normals, shape (draw, direction)."""
        names = self._estimate.names
        transformed = np.stack([PARAMETERS[n].transform(values[n]) for n in names], axis=1)
        return np.asarray((transformed - self._estimate.mean) @ self._inverse)

    def natural(self, standard: FloatArray) -> Draws:
        """Standard normals to draws in natural units."""
        return self._estimate.natural(self._estimate.mean + standard @ self._root.T)
