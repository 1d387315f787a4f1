"""Holes of a few days in a logger's record, bridged for a forecast and told."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.soil.readers.logger_csv import read_soil_csv

BRIDGED_H = 72
"""Longest hole that is bridged [h]: the days of a sowing move by a small part of the hole, while
past it the spell of weather is no longer the one on either side."""
_DAY_H = 24


def read_bridged(path: Path, **options: Any) -> tuple[xr.DataArray, list[str]]:
    """Read a logger's file and bridge its holes.

    Parameters
    ----------
    path : Path
    **options
        As :func:`~thermosprout.soil.readers.logger_csv.read_soil_csv` takes them.

    Returns
    -------
    tuple of xarray.DataArray, list of str
        Hourly soil temperature [degC], and how it was read.
    """
    series, reading = read_soil_csv(path, **options)
    bridged, told = bridge(series)
    if not told:
        return bridged, reading.sentences()
    empty = {str(stamp)[:16] for stamp in bridged["time"].values[np.isnan(bridged.values)]}
    left = replace(reading, gaps=tuple(gap for gap in reading.gaps if gap.start in empty))
    return bridged, [*left.sentences(), *told]


def bridge(series: xr.DataArray, most_h: int = BRIDGED_H) -> tuple[xr.DataArray, list[str]]:
    """Close holes with the same hours of the days around them.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]
    most_h : int
        Longest hole that is closed. [h]

    Returns
    -------
    tuple of xarray.DataArray, list of str
        The series, and a sentence about what was closed, if anything was.

    Notes
    -----
    Each missing hour lies on the straight line between the nearest readings of the same hour of
    the day before and after the hole, so that the daily wave goes on. A hole with less than a day
    of readings on either side stays.
    """
    values = np.asarray(series.values, dtype=float)
    if values.ndim != 1:
        return series, []
    filled, closed = values.copy(), []
    rows = np.flatnonzero(np.isnan(values))
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        if 0 < run.size <= most_h and _close(filled, values, run):
            closed.append(run)
    if not closed:
        return series, []
    longest = max(closed, key=len)
    begin = str(series["time"].values[longest[0]])[:16]
    which = f"1 hole of {longest.size} h from {begin} UTC was"
    if len(closed) > 1:
        which = f"{len(closed)} holes, the longest {longest.size} h from {begin} UTC, were"
    told = f"{which} bridged with the same hours of the days around."
    return series.copy(data=filled), [told]


def _close(filled: FloatArray, values: FloatArray, run: npt.NDArray[np.intp]) -> bool:
    """Fill one hole; false where the days around it are not known."""
    left = run - _DAY_H * ((run - run[0]) // _DAY_H + 1)
    right = run + _DAY_H * ((run[-1] - run) // _DAY_H + 1)
    if left.min() < 0 or right.max() >= values.size:
        return False
    before, after = values[left], values[right]
    if not (np.isfinite(before).all() and np.isfinite(after).all()):
        return False
    share = (run - left) / (right - left)
    filled[run] = before + share * (after - before)
    return True
