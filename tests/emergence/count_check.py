"""Log-likelihood of a row's counts in one piece, for checks."""

from __future__ import annotations

import numpy as np

from thermosprout.emergence.count_likelihood import (
    partial_rho,
    stand_log_likelihood,
    timing_log_likelihood,
)
from thermosprout.quantities import FloatArray


def count_log_likelihood(
    shown: FloatArray, new: FloatArray, seeds: float, share: FloatArray, rho: FloatArray
) -> FloatArray:
    """Log-likelihood of a row's inspections under draws.

    Parameters
    ----------
    shown : ndarray, shape (draw, inspection)
        Share of the final stand that shows at each inspection.
    new : ndarray, shape (inspection,)
        New seedlings at each inspection.
    seeds : float
        Seeds planted.
    share, rho : ndarray, shape (draw,)
        Final share of the seeds planted and its correlation within a row.

    Returns
    -------
    ndarray, shape (draw,)
    """
    last = shown[:, -1]
    emerged = np.asarray(new.sum())
    return timing_log_likelihood(shown, new) + stand_log_likelihood(
        emerged, np.asarray(float(seeds)), share * last, partial_rho(last, share, rho)
    )
