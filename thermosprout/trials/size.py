"""How many plots a trial needs, from how much plots differ."""

from __future__ import annotations

import numpy as np
from scipy.special import nctdtr, stdtrit

_MOST = 60


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
    return float(1.0 - nctdtr(df, away, critical) + nctdtr(df, away, -critical))


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
    for blocks in range(2, _MOST + 1):
        df = (treatments - 1) * (blocks - 1)
        if power_of_t(difference, error_variance, blocks, df, level) >= power:
            return blocks
    return None
