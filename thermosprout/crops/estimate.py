"""What is known of a crop, as a normal over transformed parameters, and the table of these."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

import numpy as np

from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray


class Scale(StrEnum):
    """Scale on which a parameter is normal."""

    IDENTITY = "identity"
    LOG = "log"
    LOGIT = "logit"


@dataclass(frozen=True, kw_only=True)
class Parameter:
    """One model parameter.

    Attributes
    ----------
    name : str
        Carries the unit.
    scale : Scale
        On which it is normal.
    typical, spread : float
        Of the generic prior: natural units, and sd on the scale.
    meaning : str
        One line for a reader of the documents.
    label, unit : str
        What tables call it, and the unit shown beside it; the one place for both.
    """

    name: str
    scale: Scale
    typical: float
    spread: float
    meaning: str
    label: str
    unit: str

    @property
    def heading(self) -> str:
        """Label with its unit in brackets."""
        return f"{self.label} [{self.unit}]" if self.unit else self.label

    def transform(self, natural: float | FloatArray) -> FloatArray:
        """Natural units to the scale on which the estimate is normal."""
        value = np.asarray(natural, dtype=float)
        if self.scale is Scale.LOG:
            return np.asarray(np.log(value))
        if self.scale is Scale.LOGIT:
            return np.asarray(np.log(value / (1.0 - value)))
        return value

    def natural(self, transformed: float | FloatArray) -> FloatArray:
        """Transformed scale to natural units."""
        value = np.asarray(transformed, dtype=float)
        if self.scale is Scale.LOG:
            return np.asarray(np.exp(value))
        if self.scale is Scale.LOGIT:
            return np.asarray(1.0 / (1.0 + np.exp(-value)))
        return value


DERIVED_HEADINGS = {
    "t_opt_C": "optimum temperature [°C]",
    "t_ceiling_C": "ceiling temperature [°C]",
}
"""What tables call the temperatures that are sums of parameters."""


_IDENTITY, _LOG, _LOGIT = Scale.IDENTITY, Scale.LOG, Scale.LOGIT

# fmt: off
_ROWS: tuple[tuple[str, Scale, float, float, str, str, str], ...] = (
    ("t_base_C", _IDENTITY, 4.0, 3.0, "base temperature", "°C",
     "base temperature: no progress at or below it"),
    ("opt_gap_C", _LOG, 23.0, 0.2, "optimum above base", "°C",
     "optimum minus base temperature"),
    ("ceiling_gap_C", _LOG, 11.0, 0.3, "ceiling above optimum", "°C",
     "ceiling minus optimum temperature"),
    ("curvature", _LOG, 1.0, 0.3, "shape of the curve", "",
     "power of the beta response; 1 is the plain curve"),
    ("thermal_time_50_Cd", _LOG, 120.0, 0.6, "thermal time to half", "°C d",
     "thermal time to half emergence from 1.27 cm"),
    ("sigma", _LOG, 0.18, 0.35, "spread among seeds", "ln",
     "sd of ln thermal time among the seeds of a row"),
    ("germination_share", _LOGIT, 0.5, 0.4, "share of warmth to germinate", "",
     "share of thermal time up to radicle emergence"),
    ("depth_cost_Cd_per_cm", _LOG, 8.0, 0.5, "thermal time per cm deeper", "°C d",
     "thermal time per cm deeper than 1.27 cm"),
    ("field_factor", _LOGIT, 0.85, 0.6, "share of live seed that emerges", "",
     "share of viable seed that emerges in a good moist seedbed"),
    ("waiting_loss_per_d", _LOG, 0.006, 0.7, "loss per day of waiting", "",
     "hazard of loss per day in the soil before emergence"),
    ("chilling_loss_per_C", _LOG, 0.06, 0.7, "loss per °C of chilling", "",
     "hazard per degree below the chilling limit, first day"),
    ("soak_reach", _LOGIT, 0.6, 0.4, "share of germination a soak can do", "",
     "share of the germination part that a soak can do at most"),
    ("soak_credit", _IDENTITY, 0.5, 0.45, "share of soak credited", "",
     "part of the soak's thermal time that is kept"),
    ("soak_stand", _IDENTITY, 0.0, 0.5, "stand after a soak", "log odds",
     "shift of the log odds of the stand by a full soak"),
    ("soak_loss_per_d", _LOG, 0.02, 0.8, "loss per day of soaking", "",
     "hazard per day of soaking beyond the safe time"),
    ("dry_bed_gain", _IDENTITY, 0.2, 0.3, "extra gain of a soak, dry bed", "",
     "share of the way that a soak saves more in a dry bed"),
    ("dry_bed_stand", _IDENTITY, 0.5, 0.5, "extra stand, dry bed", "log odds",
     "shift of the log odds by a soak, more in a dry bed"),
    ("radicle_mm_per_Cd", _LOG, 0.8, 0.4, "root growth", "mm per °C d",
     "radicle growth after germination"),
    ("handling_delay_Cd", _LOG, 6.0, 0.6, "delay after handling", "°C d",
     "set-back of sprouted seed when it is planted"),
    ("handling_loss_per_mm", _LOG, 0.008, 0.7, "loss per mm of root", "",
     "hazard of loss per mm of radicle when planted"),
    ("sprout_stand", _IDENTITY, 0.0, 0.4, "stand of sprouts", "log odds",
     "shift of the log odds of the stand of sprouted seed"),
    ("plot_speed_sd", _LOG, 0.08, 0.5, "spread among plots, speed", "ln",
     "sd of ln thermal time from row to row"),
    ("plot_stand_rho", _LOGIT, 0.04, 0.7, "spread among plots, stand", "",
     "correlation of the fate of two seeds in one row"),
)
# fmt: on

PARAMETERS: dict[str, Parameter] = {
    name: Parameter(
        name=name, scale=scale, typical=typical, spread=spread, label=label, unit=unit,
        meaning=meaning,
    )
    for name, scale, typical, spread, label, unit, meaning in _ROWS
}  # fmt: skip
"""Every parameter in the order of the estimate's vector."""

NAMES: tuple[str, ...] = tuple(PARAMETERS)


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
        Transformed scale of :data:`thermosprout.crops.estimate.PARAMETERS`.
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
        from thermosprout.special import ndtri

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
