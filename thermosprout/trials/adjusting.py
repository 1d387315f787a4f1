"""P values adjusted for the number of comparisons of one measure."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray


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
