"""How many seeds give the plants wanted, with what is not known of the lot and the bed carried."""

from __future__ import annotations

import numpy as np
from scipy.special import betainc, betaincinv

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError

MOST_SEEDS = 1_000_000

_POINTS = 16


def row_shares(share: FloatArray, rho: FloatArray) -> FloatArray:
    """Shares that emerge in single rows: a few evenly likely points of each draw's beta variable.

    Parameters
    ----------
    share, rho : ndarray, shape (draw,)
        Share of the seeds that emerge, and the correlation of their fates within a row.

    Returns
    -------
    ndarray, shape (draw, point)
    """
    p = np.clip(share, 1e-9, 1 - 1e-9)[:, None]
    strength = ((1.0 - rho) / np.maximum(rho, 1e-6))[:, None]
    points = (np.arange(_POINTS) + 0.5) / _POINTS
    shares = betaincinv(p * strength, (1.0 - p) * strength, points)
    return np.asarray(np.where(share[:, None] <= 0, 0.0, shares))


def odds_of_stand(shares: FloatArray, seeds: int, plants: int) -> float:
    """Odds that so many seeds give at least so many plants, as the mean over equal draws.

    Parameters
    ----------
    shares : ndarray
        From :func:`row_shares`, or the share of each draw where fates do not hang together.
    seeds, plants : int
        Seeds in the ground and plants wanted.
    """
    if plants <= 0:
        return 1.0
    if seeds < plants:
        return 0.0
    # The binomial survival function is the incomplete beta function (DLMF 8.17.5).
    return float(betainc(plants, seeds - plants + 1, np.clip(shares, 0.0, 1.0)).mean())


def seeds_for_stand(
    share: FloatArray, rho: FloatArray, plants: int, *, confidence: float = 0.8
) -> int | None:
    """Fewest seeds that give the plants wanted with these odds.

    Parameters
    ----------
    share, rho : ndarray, shape (draw,)
        As in :func:`row_shares`.
    plants : int
        Plants wanted.
    confidence : float
        Odds asked for.

    Returns
    -------
    int or None
        None where even a hundred times the plants would not do.

    Raises
    ------
    InputError
        When the plants or the odds make no sense.
    """
    if not 0 < plants <= MOST_SEEDS:
        raise InputError(f"{plants} plants were asked for, expected 1 to {MOST_SEEDS}")
    if not 0 < confidence < 1:
        raise InputError(f"odds of {confidence} were asked for, expected between 0 and 1")
    # The survival function is smooth in the draws, so a few hundred of them carry it.
    step = max(share.size // 400, 1)
    shares = row_shares(share[::step], rho[::step])
    high = plants
    while odds_of_stand(shares, high, plants) < confidence:
        high *= 2
        if high > 100 * plants:
            return None
    low = max(high // 2, plants - 1)
    while high - low > 1:
        middle = (low + high) // 2
        if odds_of_stand(shares, middle, plants) >= confidence:
            high = middle
        else:
            low = middle
    return high
