"""How well draws of a row agree with cumulative counts of seedlings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import gammaln

from thermosprout.emergence.forecast import RowForecast
from thermosprout.errors import InputError

FloatArray = npt.NDArray[np.float64]

_TINY = 1e-300
_LEAST_RHO = 1e-7


@dataclass(frozen=True, kw_only=True)
class Count:
    """Seedlings counted in a row so far; the hour counts from 1970-01-01T00:00 UTC."""

    hour: float
    emerged: int


def increments(emerged: npt.ArrayLike, seeds: int) -> FloatArray:
    """New seedlings at each inspection from cumulative counts, shape (inspection,).

    Raises
    ------
    InputError
        When a count falls, is negative or is above the seeds planted.
    """
    counts = np.asarray(emerged, dtype=float)
    new = np.diff(counts, prepend=0.0)
    if (new < 0).any():
        at = int(np.argmin(new >= 0))
        raise InputError(
            f"the cumulative count falls from {counts[at - 1] if at else 0:.0f} to "
            f"{counts[at]:.0f}, seedlings seen once stay counted"
        )
    if counts.size and counts[-1] > seeds:
        raise InputError(f"{counts[-1]:.0f} seedlings were counted but {seeds} seeds were planted")
    return np.asarray(new)


@dataclass(frozen=True)
class Inspections:
    """When a row was looked at after planting, and the seedlings new each time, (inspection,)."""

    hours: FloatArray
    new: FloatArray

    @property
    def total(self) -> int:
        """Seedlings that have come up by the last inspection."""
        return int(self.new.sum())


def inspections_after_planting(row: RowForecast, counts: Sequence[Count]) -> Inspections | None:
    """Put the counts of a row in order; none when nobody looked since it was planted.

    Raises
    ------
    InputError
        When counts fall, are above the seeds planted, or seedlings were seen before planting.
    """
    planted = row.sowing.planted_h
    ordered = sorted(counts, key=lambda count: count.hour)
    for count in ordered:
        if count.hour <= planted and count.emerged > 0:
            raise InputError(
                f"row {row.sowing.row}: {count.emerged} seedlings are recorded before it was "
                "planted"
            )
    after = [count for count in ordered if count.hour > planted]
    if not after:
        return None
    try:
        new = increments([count.emerged for count in after], row.sowing.seeds_planted)
    except InputError as error:
        raise InputError(f"row {row.sowing.row}: {error.what}") from None
    return Inspections(np.array([count.hour for count in after]), new)


def partial_rho(shown: FloatArray, share: FloatArray, rho: FloatArray) -> FloatArray:
    """Correlation of two seeds' fates while only a part of the final stand shows.

    If the final share varies from row to row as a beta with correlation ``rho``, the share that
    shows by a time varies less; this matches its variance.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        found = shown * (1.0 - share) * rho / (1.0 - share * shown)
    return np.clip(np.nan_to_num(found), _LEAST_RHO, 1.0 - 1e-9)


def timing_log_likelihood(shown: FloatArray, new: FloatArray) -> FloatArray:
    """Log-likelihood of when the seedlings came, given how many came.

    Parameters
    ----------
    shown : ndarray, shape (..., inspection)
        Share of the final stand that shows at each inspection, not falling.
    new : ndarray, shape (..., inspection)
        New seedlings at each inspection.

    Returns
    -------
    ndarray, shape (...)
        Of labelled seeds: the multinomial coefficient is left out.
    """
    gained = np.diff(shown, axis=-1, prepend=0.0)
    total = new.sum(axis=-1)
    logs = (new * np.log(np.maximum(gained, _TINY))).sum(axis=-1)
    return np.asarray(logs - total * np.log(np.maximum(shown[..., -1], _TINY)))


def stand_log_likelihood(
    emerged: FloatArray, seeds: FloatArray, share: FloatArray, rho: FloatArray
) -> FloatArray:
    """Beta-binomial log-likelihood of a number of seedlings among labelled seeds.

    Parameters
    ----------
    emerged, seeds : ndarray
        Broadcast against the others.
    share, rho : ndarray
        Mean share that shows and the correlation of two seeds' fates.
    """
    p = np.clip(share, 1e-12, 1.0 - 1e-12)
    strength = (1.0 - rho) / rho
    a, b = p * strength, (1.0 - p) * strength
    # A ratio of betas as three ratios of gammas: as exact as betaln and more than twice as fast.
    correlated = (
        (gammaln(a + emerged) - gammaln(a))
        + (gammaln(b + seeds - emerged) - gammaln(b))
        - (gammaln(strength + seeds) - gammaln(strength))
    )
    independent = emerged * np.log(p) + (seeds - emerged) * np.log1p(-p)
    # The difference loses digits where the beta is next to a point; the binomial is its limit.
    return np.asarray(np.where(rho <= 2 * _LEAST_RHO, independent, correlated))
