"""An estimate: what is known of a crop, as a normal over transformed parameters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.crops.parameters import NAMES, PARAMETERS
from thermosprout.errors import InputError

Draws = dict[str, FloatArray]
"""Parameter name to draws in natural units, each of shape (draw,)."""


@dataclass(frozen=True, kw_only=True)
class Provenance:
    """Where one figure of an estimate comes from; ``verified`` is page, memory or records."""

    what: str
    source: str
    verified: str


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """Multivariate normal over the transformed parameters of a crop, variety or seed lot.

    Attributes
    ----------
    mean : ndarray, shape (parameter,)
        Transformed scale of :data:`thermosprout.crops.parameters.PARAMETERS`.
    covariance : ndarray, shape (parameter, parameter)
        On the same scale; includes what differs between varieties and lots.
    """

    crop: str
    mean: FloatArray = field(repr=False)
    covariance: FloatArray = field(repr=False)
    variety: str | None = None
    seed_lot: str | None = None
    names: tuple[str, ...] = field(default=NAMES, repr=False)
    provenance: tuple[Provenance, ...] = field(default=(), repr=False)

    def __post_init__(self) -> None:
        size = len(self.names)
        unknown = [name for name in self.names if name not in PARAMETERS]
        if unknown:
            raise InputError(f"unknown parameter {unknown[0]!r} in an estimate of {self.crop}")
        if self.mean.shape != (size,) or self.covariance.shape != (size, size):
            raise InputError(f"the estimate of {self.crop} has {size} names but other shapes")
        if not (np.isfinite(self.mean).all() and np.isfinite(self.covariance).all()):
            raise InputError(f"the estimate of {self.crop} holds a number that is not finite")
        if not np.allclose(self.covariance, self.covariance.T, atol=1e-9):
            raise InputError(f"the covariance of the estimate of {self.crop} is not symmetric")
        if np.linalg.eigvalsh(self.covariance).min() < -1e-8:
            raise InputError(f"the covariance of the estimate of {self.crop} is not positive")

    def __repr__(self) -> str:
        """Name, and each parameter with its 90 % interval, one a line."""
        name = ", ".join(filter(None, (self.crop, self.variety, self.seed_lot)))
        centre = self.centre()
        lines = []
        for parameter in self.names:
            low, high = self.interval(parameter)
            lines.append(f"  {parameter} {centre[parameter]:.4g} ({low:.4g} to {high:.4g})")
        return "\n".join([f"Estimate of {name}", *lines])

    @classmethod
    def generic(
        cls, crop: str, changed: Mapping[str, tuple[float, float]] | None = None
    ) -> Estimate:
        """Generic prior, with some parameters given as (natural value, sd on its scale)."""
        means = [float(p.transform(p.typical)) for p in PARAMETERS.values()]
        spreads = [p.spread for p in PARAMETERS.values()]
        for name, (value, spread) in (changed or {}).items():
            index = NAMES.index(name)
            means[index] = float(PARAMETERS[name].transform(value))
            spreads[index] = spread
        return cls(crop=crop, mean=np.array(means), covariance=np.diag(np.square(spreads)))

    def centre(self) -> dict[str, float]:
        """Each parameter at the mean of its scale, in natural units."""
        pairs = zip(self.names, self.mean, strict=True)
        return {name: float(PARAMETERS[name].natural(value)) for name, value in pairs}

    def interval(self, name: str, probability: float = 0.9) -> tuple[float, float]:
        """Central interval of one parameter in natural units."""
        from scipy.special import ndtri

        index = self.names.index(name)
        half = float(ndtri(0.5 + probability / 2)) * float(np.sqrt(self.covariance[index, index]))
        parameter = PARAMETERS[name]
        centre = float(self.mean[index])
        return float(parameter.natural(centre - half)), float(parameter.natural(centre + half))

    def draw(self, size: int, rng: np.random.Generator) -> Draws:
        """Draw parameter vectors; the result maps each name to an array of shape (size,)."""
        standard = rng.standard_normal((size, len(self.names)))
        return self.from_standard(standard)

    def from_standard(self, standard: FloatArray) -> Draws:
        """Turn standard normals of shape (draw, parameter) into draws in natural units."""
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.clip(values, 0.0, None))
        transformed = self.mean + standard @ root.T
        return self.natural(transformed)

    def natural(self, transformed: FloatArray) -> Draws:
        """Vectors of shape (draw, parameter) on the transformed scale to natural units."""
        # numpy 2.0 rounds exp along a column by where that lies in memory, along a row it does not.
        rows = np.ascontiguousarray(transformed.T)
        return {
            name: PARAMETERS[name].natural(row) for name, row in zip(self.names, rows, strict=True)
        }
