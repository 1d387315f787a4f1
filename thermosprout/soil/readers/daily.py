"""Daily means of soil temperature turned into hours that keep each day's mean."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.soil.quality import DAMPING_CM

Stamps = npt.NDArray[np.datetime64]
SURFACE_PEAK_H = 13.5
"""Local hour at which a bare surface is warmest: an hour and a half after noon; from memory."""


def hours_from_days(
    starts: Stamps, means: FloatArray, half_range: FloatArray | None, depth_cm: float
) -> tuple[Stamps, FloatArray]:
    """Hourly soil temperature from daily means.

    The slow part is the derivative of a cubic spline through the running sum of the days, which
    keeps each daily mean. The daily wave, where a range is known, is a sine whose peak comes later
    with depth (a damped wave: delay = depth / damping depth x 24 / 2 pi hours).

    Parameters
    ----------
    starts : datetime64 array, shape (day,)
        UTC instants at which the days begin, strictly rising.
    means : float array, shape (day,)
        Mean of each day, NaN where missing. [degC]
    half_range : float array, shape (day,), optional
        Half the daily range at the depth. [K]
    depth_cm : float
        Depth, NaN where not known (the peak is then put where it is at 5 cm). [cm]
    """
    from scipy.interpolate import CubicSpline

    hour = np.timedelta64(1, "h")
    first = starts[0].astype("datetime64[h]")
    if first < starts[0]:
        first = first + hour
    end = starts[-1] + np.timedelta64(1, "D")
    time = np.arange(first.astype("datetime64[ns]"), end, hour)
    values = np.full(time.size, np.nan)
    position = (time - starts[0]) / np.timedelta64(1, "D")
    days = (starts - starts[0]) / np.timedelta64(1, "D")
    known = np.isfinite(means)
    joined = np.concatenate([[False], known[1:] & known[:-1] & (np.diff(days) < 1.1)])
    delay_h = (depth_cm if np.isfinite(depth_cm) else 5.0) / DAMPING_CM * 24.0 / (2.0 * np.pi)
    for run in np.split(np.arange(days.size), np.flatnonzero(~joined)):
        if run.size == 0 or not known[run[0]]:
            continue
        edges = np.append(days[run], days[run[-1]] + 1.0)
        inside = (position >= edges[0]) & (position < edges[-1])
        if run.size < 3:
            values[inside] = (
                means[run[0]]
                if run.size == 1
                else np.repeat(means[run], np.histogram(position[inside], edges)[0])
            )
        else:
            total = np.concatenate([[0.0], np.cumsum(means[run] * np.diff(edges))])
            # The mean of 24 values on the hour stands for the half hour before them.
            at = np.clip(position[inside] + 0.5 / 24.0, edges[0], edges[-1])
            values[inside] = CubicSpline(edges, total, bc_type="natural")(at, 1)
        if half_range is not None:
            day = np.searchsorted(edges, position[inside], side="right") - 1
            clock = (position[inside] - edges[day]) * 24.0
            swing = np.nan_to_num(half_range[run])[day]
            values[inside] += swing * np.cos(
                2.0 * np.pi * (clock - SURFACE_PEAK_H - delay_h) / 24.0
            )
    return time, values
