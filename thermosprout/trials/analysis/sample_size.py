"""How many plots a next trial needs, from how much the plots of this one differ.

A variance from few plots is itself in doubt; sizes are averaged over what it could be, so that a
size for 80 % power has 80 % on average and not only where the variance happens to be right.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from scipy.special import chdtri, nctdtr, stdtrit

from thermosprout.arrays import FloatArray
from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.analysis.compare import pairs_of
from thermosprout.trials.analysis.pairs import Cells, compare_pairs, usual_unlikeness

_MOST = 60
_NODES = 64
_DRAWS = 1_000


def power_of_t(
    difference: float, error_variance: float, plots: int, df: int, level: float
) -> float:
    """Chance that a two-sided t test shows a difference, the variance being known.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance : float
        Of one plot within its block.
    plots : int
        Of each treatment.
    df : int
        Of the error.
    level : float
        Of the test, such as 0.05.
    """
    if df < 1 or plots < 1:
        return 0.0
    critical = float(stdtrit(df, 1.0 - level / 2.0))
    away = abs(difference) / float(np.sqrt(2.0 * error_variance / plots))
    if away > 30.0:
        return 1.0
    # Far from zero the library has no number for the other tail, which is below 1e-17 there.
    other_way = float(np.nan_to_num(nctdtr(df, away, -critical)))
    return float(1.0 - nctdtr(df, away, critical)) + other_way


def mean_power(
    difference: float,
    error_variance: float,
    treatments: int,
    blocks: int,
    *,
    variance_df: float = np.inf,
    level: float = 0.05,
) -> float:
    """Chance to show that one treatment differs from a given one, all others being alike.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance, variance_df : float
        Variance of one plot within its block as estimated, and the degrees of freedom it was
        estimated from; power is averaged over the variances that these leave open.
    treatments : int
        All of them are compared, and p is adjusted for the number of pairs (Holm).
    blocks : int
        Of one plot a treatment, none lost.
    level : float
        Of the test, such as 0.05.

    Notes
    -----
    The variance is taken as s² df / chi²(df) (its posterior under the usual flat prior; "assurance"
    after O'Hagan et al. 2005, Pharm. Stat. 4:187-201). One pair: noncentral t. More: simulated
    plots, the same for all sizes of trial.
    """
    if blocks < 2:
        return 0.0
    if treatments == 2:
        share = (np.arange(_NODES) + 0.5) / _NODES
        return float(
            np.mean(
                [
                    power_of_t(difference, variance, blocks, blocks - 1, level)
                    for variance in _variances(error_variance, variance_df, share)
                ]
            )
        )
    plots, share, likeness = _simulated(treatments, blocks)
    variance = _variances(error_variance, variance_df, share)
    score = plots.copy()
    score[:, :, 1] += (abs(difference) / np.sqrt(variance))[:, None]
    fits = compare_pairs(Cells.of_blocks(score), pairs_of(range(treatments)), likeness=likeness)
    return float((holm_adjusted(fits.p_value)[:, 0] <= level).mean())


def _variances(estimate: float, df: float, share: FloatArray) -> FloatArray:
    """Quantiles of what the variance could be."""
    if not np.isfinite(df):
        return np.full(share.shape, estimate)
    return np.asarray(estimate * df / chdtri(df, share))


@lru_cache(maxsize=32)
def _simulated(treatments: int, blocks: int) -> tuple[FloatArray, FloatArray, float]:
    """Plots of unit variance, shares for the variance, and the likeness of the layout."""
    rng = np.random.default_rng(treatments)
    share = rng.permutation((np.arange(_DRAWS) + 0.5) / _DRAWS)
    plots = rng.standard_normal((_MOST, _DRAWS, treatments))[:blocks].transpose(1, 0, 2)
    layout = Cells.of_blocks(np.zeros((blocks, treatments)))
    return plots, share, usual_unlikeness(layout, pairs_of(range(treatments)))


def blocks_needed(
    difference: float,
    error_variance: float,
    treatments: int,
    *,
    variance_df: float = np.inf,
    power: float = 0.8,
    level: float = 0.05,
) -> int | None:
    """Fewest blocks of one plot a treatment that show a difference with a given power.

    Returns
    -------
    int or None
        None where even 60 blocks would not do.
    """
    low, high = 1, _MOST + 1
    while high - low > 1:  # more blocks never hurt
        blocks = (low + high) // 2
        reached = mean_power(
            difference, error_variance, treatments, blocks, variance_df=variance_df, level=level
        )
        if reached >= power:
            high = blocks
        else:
            low = blocks
    return high if high <= _MOST else None
