"""When half of the seedlings of a plot had come, read off its counts."""

from __future__ import annotations

import numpy as np

from thermosprout.calibration.plots import Plot

_FEW_SEEDLINGS = 3


def half_seen_d(plot: Plot) -> float | None:
    """Day after planting on which half of the plot's seedlings had come, by interpolation. [d]"""
    if plot.noted_h is not None:
        return (0.5 * (plot.noted_h[0] + plot.noted_h[1]) - plot.planted_h) / 24.0
    if plot.emerged < _FEW_SEEDLINGS:
        return None
    cumulative = np.concatenate([[0.0], plot.new.cumsum()])
    hours = np.concatenate([[plot.planted_h], plot.hours])
    at = int(np.searchsorted(cumulative, 0.5 * plot.emerged))
    part = (0.5 * plot.emerged - cumulative[at - 1]) / (cumulative[at] - cumulative[at - 1])
    return float((hours[at - 1] + part * (hours[at] - hours[at - 1]) - plot.planted_h) / 24.0)
