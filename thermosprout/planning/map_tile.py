"""The work on one tile of a map: days to each stage, members pooled."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.forecast import STAGES
from thermosprout.emergence.grid import SoilGrid, days_to_reach
from thermosprout.planning.map_plan import MapPlan

SingleArray = npt.NDArray[np.float32]


def map_tile(
    *arrays: npt.NDArray[np.floating], plan: MapPlan, offset: float, daily: bool
) -> SingleArray:
    """Days of one tile of the grid.

    Parameters
    ----------
    *arrays : ndarray, shape (..., [member,] time)
        Hourly values, or daily minimum and daily maximum.
    plan : MapPlan
        What is asked.
    offset : float
        Added to the values. [K]
    daily : bool
        Whether the arrays are minimum and maximum.

    Returns
    -------
    ndarray of float32, shape (..., crop, treatment, sowing, stage, odds)
    """
    core = 2 if plan.pooled else 1
    spatial = arrays[0].shape[:-core]
    members = arrays[0].shape[-2] if plan.pooled else 1
    columns = []
    for array in arrays:
        # Time to the front, as it lies in most files: a view there, a copy elsewhere.
        front = np.moveaxis(array, -1, 0)
        if plan.pooled:
            front = np.moveaxis(front, -1, 1)
        columns.append(front.reshape(front.shape[0], -1))
    soil = (
        SoilGrid(low=columns[0], high=columns[1], offset=offset)
        if daily
        else SoilGrid(hourly=columns[0], offset=offset)
    )
    cells = soil.cells // members
    out = np.empty((*plan.shape, cells), np.float32)
    for c, crop in enumerate(plan.crops):
        by_treatment = days_to_reach(
            soil, crop.response, plan.sown_h, crop.thresholds, node_h=plan.node_h
        )
        for t, days in enumerate(by_treatment):
            levels = days.reshape(len(STAGES), -1, len(plan.sown_h), members, cells)
            # Each odds looks up its own thermal time; none may overtake an earlier one.
            np.maximum.accumulate(levels, axis=1, out=levels)
            np.maximum.accumulate(levels, axis=0, out=levels)
            if plan.pooled:
                levels = pool(levels, plan.odds)
            out[c, t] = levels.reshape(*levels.shape[:3], cells).transpose(2, 0, 1, 3)
    # Odds and stages run fastest for xarray; as a view, so that nothing is copied here.
    return np.moveaxis(out, -1, 0).reshape(*spatial, *plan.shape)


def pool(levels: SingleArray, odds: Sequence[float]) -> SingleArray:
    """Quantiles over the levels of all members together.

    Parameters
    ----------
    levels : ndarray, shape (stage, level, sowing, member, cell)
        Evenly spaced quantiles of each member; inf counts as later than all others.
    odds : sequence of float
        Quantiles wanted.

    Returns
    -------
    ndarray, shape (stage, odds, sowing, cell)
        As numpy's ``hazen`` method; NaN where any member has no soil temperature.
    """
    stages, _, sowings, _, cells = levels.shape
    together = np.sort(levels.transpose(0, 2, 4, 1, 3).reshape(stages, sowings, cells, -1), axis=-1)
    size = together.shape[-1]
    found = []
    for odd in odds:
        place = float(np.clip(odd * size - 0.5, 0, size - 1))
        below = int(place)
        low = together[..., below]
        high = together[..., min(below + 1, size - 1)]
        with np.errstate(invalid="ignore"):
            between = low + (place - below) * (high - low)
        found.append(np.where(np.isinf(high), high if place > below else low, between))
    missing = np.isnan(together[..., -1])
    return np.where(missing[:, None], np.nan, np.stack(found, axis=1)).astype(np.float32)
