"""What a calibration found of each parameter: centre, interval, and what the records added."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.calibration.fit import Fit
from thermosprout.crops.crop import Crop
from thermosprout.crops.parameters import NAMES, PARAMETERS
from thermosprout.emergence.quantiles import weighted_quantile

INTERVAL = 0.9
"""Probability of the intervals reported."""

_TAIL = 0.5 * (1.0 - INTERVAL)
_NARROWED, _MOVED = 0.1, 0.3
Z = 1.6448536269514722

DERIVED: dict[str, tuple[str, ...]] = {
    "t_opt_C": ("t_base_C", "opt_gap_C"),
    "t_ceiling_C": ("t_base_C", "opt_gap_C", "ceiling_gap_C"),
}
"""Temperatures that are sums of parameters."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One parameter.

    Attributes
    ----------
    estimate, low, high : float or None
        Centre and 90 % interval; None where the records alone do not tell it.
    prior : tuple of float
        Estimate, low and high before the records.
    narrower : float
        By which part the interval is narrower than before, on the parameter's scale.
    kept : bool
        The catalogue's figure stands.
    """

    name: str
    estimate: float | None
    low: float | None
    high: float | None
    prior: tuple[float, float, float]
    narrower: float
    kept: bool

    @property
    def learned(self) -> bool:
        """Whether the records moved or narrowed it noticeably."""
        if self.kept or self.estimate is None:
            return False
        middle, low, high = self.prior
        side = high - middle if self.estimate > middle else middle - low
        return self.narrower >= _NARROWED or abs(self.estimate - middle) >= _MOVED * side


def parameter_finding(
    crop: Crop, draws: FloatArray, weights: FloatArray, name: str, *, kept: bool
) -> Finding:
    """One parameter from weighted draws of shape (draw, parameter), transformed scale."""
    estimate = crop.estimate
    if name in DERIVED:
        parts = DERIVED[name]
        values = sum(PARAMETERS[part].natural(draws[:, NAMES.index(part)]) for part in parts)
        rng = np.random.default_rng(0)
        drawn = estimate.draw(4000, rng)
        before = np.sort(sum(drawn[part] for part in parts))
        prior = tuple(float(np.quantile(before, p)) for p in (0.5, _TAIL, 1 - _TAIL))
        low, middle, high = weighted_quantile(np.asarray(values), weights, [_TAIL, 0.5, 1 - _TAIL])
        narrower = 1.0 - (high - low) / (prior[2] - prior[1])
    else:
        column = draws[:, NAMES.index(name)]
        scale = PARAMETERS[name]
        quantiles = weighted_quantile(column, weights, [_TAIL, 0.5, 1 - _TAIL])
        low, middle, high = (float(scale.natural(q)) for q in quantiles)
        prior = (estimate.centre()[name], *estimate.interval(name, INTERVAL))
        sd = float(np.sqrt(estimate.covariance[NAMES.index(name), NAMES.index(name)]))
        narrower = 1.0 - float(quantiles[2] - quantiles[0]) / max(2 * Z * sd, 1e-12)
    if kept:
        middle, low, high = prior
        narrower = 0.0
    return Finding(
        name=name, estimate=float(middle), low=float(low), high=float(high),
        prior=(float(prior[0]), float(prior[1]), float(prior[2])),
        narrower=float(max(narrower, 0.0)), kept=kept,
    )  # fmt: skip


def treatment_findings(fit: Fit) -> tuple[Finding, ...]:
    """Effects of unknown treatments as factors, with their intervals."""
    findings = []
    for column, entry in enumerate(fit.layers.names):
        owner, name = entry.rsplit(":", 1)
        if owner.startswith("treatment "):
            quantiles = weighted_quantile(
                fit.vectors[:, column], fit.weights, [0.5, _TAIL, 1 - _TAIL]
            )
            sd = float(np.sqrt(fit.layers.covariance[column, column]))
            middle, low, high = (float(q) for q in np.exp(quantiles))
            findings.append(factor_finding(owner, name, middle, low, high, sd))
    return tuple(findings)


def factor_finding(
    owner: str, name: str, middle: float, low: float, high: float, sd: float
) -> Finding:
    """Effect of an unknown treatment as a factor; ``sd`` is the prior's, of its ln."""
    what = "thermal_time_factor" if name == "thermal_time_50_Cd" else "stand_odds_factor"
    return Finding(
        name=f"{owner.removeprefix('treatment ')}:{what}",
        estimate=float(middle), low=float(low), high=float(high),
        prior=(1.0, float(np.exp(-Z * sd)), float(np.exp(Z * sd))),
        narrower=1.0 - float(np.log(high / low)) / (2 * Z * sd), kept=False,
    )  # fmt: skip
