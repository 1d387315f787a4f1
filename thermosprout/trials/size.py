"""How many plots a trial needs, from how much plots differ."""

from __future__ import annotations

import numpy as np
from scipy.special import chdtri, nctdtr, stdtr, stdtrit

from thermosprout.trials.adjusting import holm_adjusted
from thermosprout.trials.comparing import pairs_of

_MOST = 60
_DRAWS = 20_000


def power_of_t(
    difference: float, error_variance: float, plots: int, df: int, level: float
) -> float:
    """Chance that a two-sided t test shows a difference.

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


def power_of_pairs(
    difference: float, error_variance: float, treatments: int, blocks: int, level: float
) -> float:
    """Chance that one treatment that differs from all others is shown to differ from a given one.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance : float
        Of one plot within its block.
    treatments : int
        All of them are compared, and p is adjusted for the number of pairs (Holm).
    blocks : int
        Of one plot a treatment.
    level : float
        Of the test, such as 0.05.

    Notes
    -----
    Student's t by the noncentral t where there is one pair; else 20 000 sets of treatment means
    and error variances, the same for all sizes of trial (simulation error 0.3 points).
    """
    df = (treatments - 1) * (blocks - 1)
    if treatments == 2 or df < 1:
        return power_of_t(difference, error_variance, blocks, df, level)
    away = abs(difference) / float(np.sqrt(error_variance / blocks))
    rng = np.random.default_rng(treatments)
    means = rng.standard_normal((_DRAWS, treatments))
    means[:, 1] += away
    error = np.sqrt(2.0 * chdtri(df, rng.random(_DRAWS)) / df)
    a, b = np.array(pairs_of(range(treatments))).T
    t = np.abs(means[:, a] - means[:, b]) / error[:, None]
    shown = holm_adjusted(2.0 * stdtr(df, -t))[:, 0] <= level
    return float(shown.mean())


def blocks_needed(
    difference: float,
    error_variance: float,
    treatments: int,
    *,
    power: float = 0.8,
    level: float = 0.05,
) -> int | None:
    """Fewest blocks of one plot a treatment that show a difference with the power asked for.

    Returns
    -------
    int or None
        None where even 60 blocks would not do.
    """
    low, high = 1, _MOST + 1
    while high - low > 1:  # more blocks never hurt
        blocks = (low + high) // 2
        if power_of_pairs(difference, error_variance, treatments, blocks, level) >= power:
            high = blocks
        else:
            low = blocks
    return high if high <= _MOST else None
