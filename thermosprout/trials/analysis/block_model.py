"""Differences between treatments from one value a plot, with blocks taken out.

Plots, not seeds, are the replicates: the error is what plots of one block still differ by, and
Student's t keeps the tests honest when there are few of them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray, IntArray
from thermosprout.special import fdtrc, stdtrit
from thermosprout.trials.analysis.pairs import Contrasts, lend, unlikeness

_SINGULAR = 1e-9
"""Eigenvalues below this part of the largest are directions that the layout cannot tell."""


@dataclass(frozen=True, kw_only=True)
class BlockedFit:
    """Blocked comparison of one score.

    Attributes
    ----------
    means : ndarray, shape (treatment,)
        Mean score of each treatment over its plots.
    mean_half_width : ndarray, shape (treatment,)
        Half width of the interval of each mean, block to block variation included, from the
        scatter of the treatment's own plots; NaN without replicates.
    error_variance : float
        Of one plot within its block.
    df : int
        Degrees of freedom of the error; 0 where there are no replicates.
    effects : ndarray, shape (treatment,)
        With blocks taken out; comparable with each other only.
    covariance : ndarray, shape (treatment, treatment)
        Of the effects, up to a common constant.
    overall_p : float
        F test that no treatment differs from another; NaN where it cannot be made.
    blocked : bool
        Whether blocks were taken out; false where treatments do not meet within blocks.
    weights : ndarray, shape (plot,)
        Of the plots, with a mean of one.
    level : float
    """

    means: FloatArray
    mean_half_width: FloatArray
    error_variance: float
    df: int
    effects: FloatArray
    covariance: FloatArray
    overall_p: float
    blocked: bool
    weights: FloatArray
    level: float

    def contrast(self, a: int, b: int) -> Contrasts | None:
        """Treatment ``a`` minus treatment ``b``, or None where it cannot be estimated."""
        signs = np.zeros(self.effects.size)
        signs[a] += 1.0
        signs[b] -= 1.0
        variance = float(signs @ self.covariance @ signs)
        # Effects of treatments without plots are NaN, and so is a variance without replicates.
        if not (np.isfinite(self.effects[[a, b]]).all() and variance > 0):
            return None
        return Contrasts(
            estimate=self.effects[a] - self.effects[b],
            standard_error=np.sqrt(variance),
            df=np.asarray(float(self.df)),
            variance=np.asarray(self.error_variance),
        )


def fit_blocked(
    score: FloatArray,
    treatment: IntArray,
    block: IntArray,
    treatments: int,
    *,
    least_variance: float,
    weights: FloatArray | None = None,
    level: float = 0.9,
) -> BlockedFit:
    """Least squares of a score on treatment and block.

    Parameters
    ----------
    score : ndarray, shape (plot,)
        Finite.
    treatment, block : ndarray of int, shape (plot,)
    treatments : int
        How many treatments there are.
    least_variance : float
        Floor of the error variance, for plots that happen to be all alike.
    weights : ndarray, shape (plot,), optional
        Inverse of how much each plot varies, up to a factor; equal when absent.
    level : float
        Of the intervals.
    """
    weight = np.ones(score.size) if weights is None else weights / weights.mean()
    present = np.bincount(treatment, minlength=treatments) > 0
    design = np.column_stack([np.eye(treatments)[treatment], score])
    within, blocked = _less_block_means(design, block, weight), np.unique(block).size > 1
    if blocked and _rank(within[:, :-1]) < present.sum() - 1:
        # Treatments do not meet within blocks.
        block, blocked = np.zeros_like(block), False
        within = _less_block_means(design, block, weight)
    centred, response = within[:, :-1], within[:, -1]
    rank = _rank(centred)
    inverse = np.linalg.pinv(centred.T @ centred, rtol=_SINGULAR, hermitian=True)
    df = score.size - np.unique(block).size - rank
    effects = inverse @ (centred.T @ response)
    explained = float(effects @ (centred.T @ response))
    variance, overall_p = np.nan, np.nan
    if df > 0:
        residual = max(float(response @ response) - explained, 0.0)
        variance = max(residual / df, least_variance)
        if rank > 0 and variance > 0:
            overall_p = float(fdtrc(rank, df, explained / rank / variance))
    means, half = _means(score, treatment, treatments, weight, least_variance, level)
    return BlockedFit(
        means=means,
        mean_half_width=half,
        error_variance=variance,
        df=max(df, 0),
        effects=np.where(present, effects, np.nan),
        covariance=np.asarray(inverse * variance),
        overall_p=overall_p,
        blocked=blocked,
        weights=weight,
        level=level,
    )


def _less_block_means(columns: FloatArray, block: IntArray, weight: FloatArray) -> FloatArray:
    """Columns less their block means, times the root of the weights."""
    member = np.eye(int(block.max(initial=0)) + 1)[block]
    total = np.maximum(member.T @ weight, 1e-300)
    means = (member.T @ (weight[:, None] * columns)) / total[:, None]
    return np.asarray(np.sqrt(weight)[:, None] * (columns - means[block]))


def _rank(centred: FloatArray) -> int:
    square = centred.T @ centred
    largest = max(float(np.linalg.norm(square, 2)), 1.0) if square.size else 1.0
    return int(np.linalg.matrix_rank(square, tol=_SINGULAR * largest, hermitian=True))


def _means(
    score: FloatArray,
    treatment: IntArray,
    treatments: int,
    weight: FloatArray,
    least: float,
    level: float,
) -> tuple[FloatArray, FloatArray]:
    """Treatment means and their half widths, blocks counting as part of how plots differ."""
    number = np.bincount(treatment, weight, minlength=treatments)
    with np.errstate(invalid="ignore", divide="ignore"):
        means = np.bincount(treatment, weight * score, treatments) / number
        square = np.bincount(treatment, weight * (score - means[treatment]) ** 2, treatments)
        df = np.maximum(np.bincount(treatment, minlength=treatments) - 1.0, 0.0)
        variance, df = lend(square / df, df, _usual_unlikeness(tuple(df.tolist())))
        half = stdtrit(df, 0.5 + level / 2.0) * np.sqrt(np.maximum(variance, least) / number)
    return means, np.where(df > 0, half, np.nan)


@lru_cache(maxsize=64)
def _usual_unlikeness(df: tuple[float, ...]) -> float:
    """Median unlikeness of variances with these degrees of freedom where all are equal."""
    free = np.broadcast_to(np.array(df), (999, len(df)))
    with np.errstate(invalid="ignore", divide="ignore"):
        variance = 2.0 * np.random.default_rng(1).standard_gamma(free / 2.0) / free
    return float(np.median(unlikeness(variance, free)[1]))


def holm_adjusted(p: npt.ArrayLike) -> FloatArray:
    """Adjust p values by Holm's procedure, so that they can be held against the level itself.

    Parameters
    ----------
    p : array_like, shape (..., comparison)
        All comparisons of one family along the last axis.

    Returns
    -------
    ndarray, shape (..., comparison)

    Notes
    -----
    Holm (1979), Scand. J. Stat. 6:65-70.
    """
    raw = np.asarray(p, dtype=float)
    order = np.argsort(raw, axis=-1, kind="stable")
    size = raw.shape[-1]
    stepped = np.minimum(1.0, (size - np.arange(size)) * np.take_along_axis(raw, order, axis=-1))
    adjusted = np.empty_like(raw)
    np.put_along_axis(adjusted, order, np.maximum.accumulate(stepped, axis=-1), axis=-1)
    return adjusted
