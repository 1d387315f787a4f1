"""A robust hierarchical fit of one effect: crops within relatives within all crops.

Plain Gibbs sampling: given the weights of the rows every unknown is normal, given the unknowns the
weights are gamma (Student-t noise), and rows that give a direction alone are drawn from the side
that they name. Gelman et al. (2013), Bayesian Data Analysis, ch. 5, 11 and 17.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr, ndtri

from thermosprout.quantities import FloatArray

ALL = "*"
"""Crop and relatives of a row that belongs to all crops, as a meta-analysis does."""

_FREEDOM = 4.0
_STEPS, _WARM_UP = 1000, 300
_SPREADS = np.geomspace(0.02, 3.0, 60)


@dataclass(frozen=True, kw_only=True)
class EffectRow:
    """One published result: the effect lies between ``low`` and ``high``, equal for a figure.

    Attributes
    ----------
    low, high : float
        On the scale of the effect, infinite where a side is open.
    sd : float
        Error of the trial, on the same scale.
    weight, dry : float
        How much one unit of the parameter moves this result, and of what a dry bed adds.
    crop, relatives, source : str
        Whom it belongs to.
    """

    low: float
    high: float
    sd: float
    weight: float
    dry: float
    crop: str
    relatives: str
    source: str


@dataclass(frozen=True, kw_only=True)
class EffectPrior:
    """What is assumed before any row: normal for all crops, half-normal for the spreads.

    ``spreads`` are those between groups of relatives, between crops of a group, and between
    sources.
    """

    mean: float
    sd: float
    spreads: tuple[float, float, float]
    dry_mean: float
    dry_sd: float


@dataclass(frozen=True, kw_only=True)
class FittedEffect:
    """Draws of one effect: all crops, groups, crops, and the spreads; arrays (draw, ...)."""

    groups: tuple[str, ...]
    crops: tuple[str, ...]
    common: FloatArray
    of_group: FloatArray
    of_crop: FloatArray
    spreads: FloatArray
    dry: FloatArray

    def of(self, crop: str, relatives: str) -> tuple[float, float]:
        """Middle of a crop's effect, and its sd in one more trial of it."""
        rng = np.random.default_rng(1)
        draws = self.common.copy()
        size = draws.size
        if relatives in self.groups:
            draws += self.of_group[:, self.groups.index(relatives)]
        else:
            draws += self.spreads[:, 0] * rng.standard_normal(size)
        if crop in self.crops:
            draws += self.of_crop[:, self.crops.index(crop)]
        else:
            draws += self.spreads[:, 1] * rng.standard_normal(size)
        again = draws + self.spreads[:, 2] * rng.standard_normal(size)
        return float(np.median(draws)), float(again.std())


def fit_effect(rows: Sequence[EffectRow], prior: EffectPrior, *, seed: int = 0) -> FittedEffect:
    """Fit one effect to published results.

    Parameters
    ----------
    rows : sequence of EffectRow
        At least one.
    """
    rng = np.random.default_rng(seed)
    groups = tuple(sorted({row.relatives for row in rows} - {ALL, ""}))
    crops = tuple(sorted({row.crop for row in rows} - {ALL}))
    sources = tuple(sorted({row.source for row in rows}))
    design, blocks = _design(rows, groups, crops, sources)
    low, high = (np.array([getattr(row, name) for row in rows]) for name in ("low", "high"))
    sd = np.array([row.sd for row in rows])
    exact = low == high
    start = np.zeros(design.shape[1])
    start[0], start[-1] = prior.mean, prior.dry_mean
    precision = np.ones(design.shape[1])
    precision[0], precision[-1] = prior.sd**-2, prior.dry_sd**-2
    spreads = np.array(prior.spreads)
    weights = np.ones(sd.size)
    seen = np.where(exact, low, np.clip(design @ start, low, high))
    kept: list[FloatArray] = []
    for step in range(_STEPS):
        for block, spread in zip(blocks, spreads, strict=True):
            precision[block] = spread**-2
        weighted = (design * (weights / sd**2)[:, None]).T
        root = np.linalg.cholesky(weighted @ design + np.diag(precision))
        centre = np.linalg.solve(root.T, np.linalg.solve(root, weighted @ seen + precision * start))
        unknown = centre + np.linalg.solve(root.T, rng.standard_normal(start.size))
        fitted = design @ unknown
        noise = sd / np.sqrt(weights)
        share_low, share_high = ndtr((low - fitted) / noise), ndtr((high - fitted) / noise)
        share = share_low + (share_high - share_low) * rng.uniform(size=sd.size)
        latent = fitted + noise * ndtri(np.clip(share, 1e-10, 1.0 - 1e-10))
        seen = np.where(exact, low, np.clip(latent, low, high))
        misfit = ((seen - fitted) / sd) ** 2
        weights = rng.gamma((_FREEDOM + 1.0) / 2.0, 2.0 / (_FREEDOM + misfit))
        spreads = np.array(
            [
                _spread(unknown[block], scale, rng)
                for block, scale in zip(blocks, prior.spreads, strict=True)
            ]
        )
        if step >= _WARM_UP:
            kept.append(np.concatenate([unknown, spreads]))
    draws = np.array(kept)
    return FittedEffect(
        groups=groups,
        crops=crops,
        common=draws[:, 0],
        of_group=draws[:, blocks[0]],
        of_crop=draws[:, blocks[1]],
        spreads=draws[:, -3:],
        dry=draws[:, start.size - 1],
    )


def _design(
    rows: Sequence[EffectRow],
    groups: tuple[str, ...],
    crops: tuple[str, ...],
    sources: tuple[str, ...],
) -> tuple[FloatArray, tuple[slice, slice, slice]]:
    """Matrix of what moves each row, and where groups, crops and sources stand in it."""
    first, second = 1 + len(groups), 1 + len(groups) + len(crops)
    last = second + len(sources)
    design = np.zeros((len(rows), last + 1))
    for line, row in zip(design, rows, strict=True):
        line[0] = row.weight
        if row.relatives in groups:
            line[1 + groups.index(row.relatives)] = row.weight
        if row.crop in crops:
            line[first + crops.index(row.crop)] = row.weight
        line[second + sources.index(row.source)] = row.weight
        line[-1] = row.dry
    return design, (slice(1, first), slice(first, second), slice(second, last))


def _spread(values: FloatArray, scale: float, rng: np.random.Generator) -> float:
    """Draw the spread of normal values on a grid, with a half-normal prior of that scale."""
    grid = _SPREADS * scale
    logs = -(values.size - 1) * np.log(grid) - 0.5 * (values @ values) / grid**2
    logs = logs - 0.5 * (grid / scale) ** 2
    odds = np.exp(logs - logs.max())
    return float(rng.choice(grid, p=odds / odds.sum()))
