"""When half a row shows, at the centre of an estimate: one number for a soil series, no draws."""

from __future__ import annotations

import numpy as np
import xarray as xr

from thermosprout.crops.crop import Crop
from thermosprout.emergence.response import response
from thermosprout.soil.series import hours_since_epoch

TABLE_DEPTH_CM = 1.27
"""Depth that the catalogue's thermal times are for. [cm]"""


def half_emergence_h(
    series: xr.DataArray,
    crop: Crop,
    planted_h: float,
    depth_cm: float = TABLE_DEPTH_CM,
    *,
    share: float = 1.0,
) -> float:
    """Hour at which the running sum of the response reaches the thermal time of the median seed.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature at seed depth. [degC]
    crop : Crop
    planted_h : float
        Hours since 1970-01-01T00:00 UTC.
    depth_cm : float
        Depth of the seed. [cm]
    share : float
        Part of the thermal time still to go when planted.

    Returns
    -------
    float
        Hours since 1970-01-01T00:00 UTC; NaN where the series starts too late, ends too early or
        has a hole before that.
    """
    centre = crop.estimate.centre()
    base = centre["t_base_C"]
    best = base + centre["opt_gap_C"]
    time_h = hours_since_epoch(series["time"].values)
    inside = time_h >= planted_h
    if not inside.any() or time_h[0] > planted_h:
        return float("nan")
    rate = response(
        crop.response,
        series.values[inside],
        base,
        best,
        best + centre["ceiling_gap_C"],
        centre["curvature"],
    )
    step_d = np.diff(time_h[inside], prepend=time_h[inside][0]) / 24.0
    total = np.cumsum(rate * step_d)
    deeper = max(depth_cm - TABLE_DEPTH_CM, 0.0) * centre["depth_cost_Cd_per_cm"]
    needed = share * centre["thermal_time_50_Cd"] + deeper
    holes = np.flatnonzero(~np.isfinite(total))
    end = int(holes[0]) if holes.size else total.size
    if end < 2 or total[end - 1] < needed:
        return float("nan")
    return float(np.interp(needed, total[:end], time_h[inside][:end]))
