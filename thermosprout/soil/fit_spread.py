"""How single sites differ from the model: shift, error of months and error of days, fitted."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize

from thermosprout.arrays import FloatArray

EVERY_D = 3
"""Days used of each season: neighbours say much the same. [d]"""
NUGGET_K2 = 0.02
"""Variance of a daily mean on its own. [K2]"""
START = (0.8, 0.8, 60.0, 0.7, 3.0)
"""Where the search starts, and centre of a weak pull: a season of half a year hardly tells a shift
that stays from one of months. [K, K, d, K, d]"""
PULL_SD = 0.7
"""Of the logarithms of the first three about :data:`START`."""


@dataclass(frozen=True)
class Spread:
    """Sd [K] of the three parts and memory [d] of the two that fade."""

    shift_sd_K: float
    monthly_sd_K: float
    monthly_memory_d: float
    daily_sd_K: float
    daily_memory_d: float


def fit_spread(residuals: FloatArray, effects: FloatArray, stations: list[str]) -> Spread:
    """Maximum likelihood of a constant and two fading covariances beside the trait effects.

    Parameters
    ----------
    residuals : ndarray, shape (season, day)
        Modelled minus measured, NaN where nothing was measured. [K]
    effects : ndarray, shape (trait, season, day)
        Effect of one sd of each trait. [K]
    stations : list of str
        Station of each season; every station counts the same.
    """
    days = np.arange(residuals.shape[1], dtype=float)
    apart = np.abs(days[:, None] - days[None, :])
    weight = np.array([1.0 / stations.count(name) for name in stations])
    seasons = []
    for row in range(len(stations)):
        pick = np.arange(0, days.size, EVERY_D)
        pick = pick[np.isfinite(residuals[row, pick])]
        own = effects[:, row, pick]
        seasons.append((pick, residuals[row, pick], own.T @ own))

    def cost(logs: FloatArray) -> float:
        shift, month, memory, daily, daily_memory = np.exp(logs)
        field = (
            shift**2 + month**2 * np.exp(-apart / memory) + daily**2 * np.exp(-apart / daily_memory)
        )
        total = 0.5 * float((((logs - np.log(START)) / PULL_SD)[:3] ** 2).sum())
        for (pick, values, traits), share in zip(seasons, weight, strict=True):
            matrix = field[np.ix_(pick, pick)] + traits + NUGGET_K2 * np.eye(pick.size)
            factor = cho_factor(matrix, lower=True)
            logdet = np.log(np.diag(factor[0])).sum()
            total += share * (0.5 * float(values @ cho_solve(factor, values)) + float(logdet))
        return total

    best = minimize(cost, np.log(START), method="L-BFGS-B")
    return Spread(*(float(value) for value in np.exp(best.x)))
