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
from thermosprout.special import fdtrc, stdtr, stdtrit
from thermosprout.trials.analysis.pairs import lend, unlikeness


@dataclass(frozen=True, kw_only=True)
class Contrast:
    """Difference between two treatments on the scale of the scores; NaN where it has no error.

    Attributes
    ----------
    estimate, standard_error : float
    df : float
        Degrees of freedom of the error.
    half_width : float
        Of the interval, at the level of the fit.
    """

    estimate: float
    standard_error: float = np.nan
    df: float = np.nan
    half_width: float = np.nan

    @property
    def p_value(self) -> float:
        """Two-sided, by Student's t."""
        return float(2.0 * stdtr(self.df, -abs(self.estimate) / self.standard_error))


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

    def contrast(self, a: int, b: int) -> Contrast | None:
        """Treatment ``a`` minus treatment ``b``, or None where it cannot be estimated."""
        weights = np.zeros(self.effects.size)
        weights[a] += 1.0
        weights[b] -= 1.0
        if self.df < 1 or not np.isfinite(self.effects[[a, b]]).all():
            return None
        variance = float(weights @ self.covariance @ weights)
        if variance <= 0:
            return None
        estimate, error = float(self.effects[a] - self.effects[b]), float(np.sqrt(variance))
        return Contrast(
            estimate=estimate,
            standard_error=error,
            df=self.df,
            half_width=float(stdtrit(self.df, 0.5 + self.level / 2.0)) * error,
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
    present = np.bincount(treatment, minlength=treatments)
    design = np.eye(treatments)[treatment]
    centred, response, blocked = _take_out_blocks(design, score, block, weight)
    rank, inverse = _pseudo_inverse(centred)
    if blocked and rank < (present > 0).sum() - 1:  # treatments do not meet within blocks
        block = np.zeros_like(block)
        centred, response, _ = _take_out_blocks(design, score, block, weight)
        rank, inverse = _pseudo_inverse(centred)
        blocked = False
    blocks = np.unique(block).size
    df = score.size - blocks - rank
    effects = inverse @ (centred.T @ response)
    explained = float(effects @ (centred.T @ response))
    residual = max(float(response @ response) - explained, 0.0)
    variance = max(residual / df, least_variance) if df > 0 else np.nan
    means, half = _means(score, treatment, treatments, weight, least_variance, level)
    return BlockedFit(
        means=means,
        mean_half_width=half,
        error_variance=variance,
        df=max(df, 0),
        effects=np.where(present > 0, effects, np.nan),
        covariance=inverse * (variance if df > 0 else np.nan),
        overall_p=_overall(explained, rank, variance, df),
        blocked=blocked,
        weights=weight,
        level=level,
    )


def _take_out_blocks(
    design: FloatArray, score: FloatArray, block: IntArray, weight: FloatArray
) -> tuple[FloatArray, FloatArray, bool]:
    """Design and score less their block means, times the root of the weights."""
    codes = np.unique(block, return_inverse=True)[1]
    sizes = np.bincount(codes, weight)
    root = np.sqrt(weight)

    def within(column: FloatArray) -> FloatArray:
        return root * (column - (np.bincount(codes, weight * column) / sizes)[codes])

    return np.stack([within(c) for c in design.T], axis=1), within(score), sizes.size > 1


def _pseudo_inverse(centred: FloatArray) -> tuple[int, FloatArray]:
    values, vectors = np.linalg.eigh(centred.T @ centred)
    kept = values > 1e-9 * max(float(values.max(initial=0.0)), 1.0)
    part = vectors[:, kept]
    return int(kept.sum()), part @ np.diag(1.0 / values[kept]) @ part.T


def _overall(explained: float, rank: int, variance: float, df: int) -> float:
    if df < 1 or rank < 1 or variance <= 0:
        return np.nan
    return float(fdtrc(rank, df, explained / rank / variance))


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
