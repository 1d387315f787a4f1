"""An hourly temperature series as a table: how long it was at which temperature, day by day."""

from __future__ import annotations

from functools import cached_property

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import InputError
from thermosprout.quantities import BoolArray, FloatArray, IntArray
from thermosprout.soil.series import hours_since_epoch, site_scale

BIN_C = 0.1
"""Distance of the temperatures of the table. [K]"""
SCALE_STEP = 0.2
"""Days are put together whose unknown sites are off by as much, to this step."""
DAY_H = 24
_SUBSTEPS = 6


def assign_members(members: int, draws: int, weights: FloatArray | None = None) -> IntArray:
    """Assign a member of an ensemble to each draw, in proportion to their weights.

    Returns
    -------
    ndarray of int, shape (draw,)
        The same every time: nothing is left to chance.
    """
    if members == 1:
        return np.zeros(draws, dtype=np.intp)
    odds = np.full(members, 1.0 / members) if weights is None else weights / weights.sum()
    edges = np.cumsum(odds)
    # Spread each member over the whole range of draws rather than over one block of it.
    golden = ((np.arange(draws) + 0.5) * 0.6180339887498949) % 1.0
    return np.minimum(np.searchsorted(edges, golden, side="right"), members - 1)


def refine(values: FloatArray) -> FloatArray:
    """Cubic course through regular samples: (..., n) to midpoints, (..., (n - 1) * 6).

    A mean over an hour would hide what happens when the temperature crosses the base inside it.
    """
    if values.shape[-1] < 4:
        from scipy.interpolate import CubicSpline

        at = (np.arange((values.shape[-1] - 1) * _SUBSTEPS) + 0.5) / _SUBSTEPS
        return np.asarray(CubicSpline(np.arange(values.shape[-1]), values, axis=-1)(at))
    slope = _spline_slopes(values)
    step = np.diff(values, axis=-1)
    bend = slope[..., :-1] + slope[..., 1:] - 2.0 * step
    fine = np.empty((*step.shape, _SUBSTEPS))
    for part in range(_SUBSTEPS):
        t = (part + 0.5) / _SUBSTEPS
        curve = step - slope[..., :-1] - bend
        fine[..., part] = values[..., :-1] + t * (slope[..., :-1] + t * (curve + t * bend))
    return fine.reshape(*values.shape[:-1], -1)


def _spline_slopes(values: FloatArray) -> FloatArray:
    """Slopes of scipy's ``CubicSpline`` (not-a-knot) through four samples or more, one apart.

    Solved by elimination here: a course of hours then needs no import of scipy's interpolation.
    """
    size = values.shape[-1]
    step = np.diff(values, axis=-1)
    right = np.empty_like(values)
    right[..., 1:-1] = 3.0 * (step[..., 1:] + step[..., :-1])
    right[..., 0] = 0.5 * (5.0 * step[..., 0] + step[..., 1])
    right[..., -1] = 0.5 * (5.0 * step[..., -1] + step[..., -2])
    # Plain numbers are quicker than arrays of one, courses beside each other quicker as arrays.
    rows = right.ravel().tolist() if right.size == size else list(np.moveaxis(right, -1, 0))
    # Each row holds 1, 4, 1; the first 1, 2 and the last 2, 1.
    pivot = [1.0]
    above = 2.0
    for i in range(1, size - 1):
        share = 1.0 / pivot[-1]
        pivot.append(4.0 - share * above)
        rows[i] = rows[i] - share * rows[i - 1]
        above = 1.0
    share = 2.0 / pivot[-1]
    rows[-1] = (rows[-1] - share * rows[-2]) / (1.0 - share)
    for i in range(size - 2, 0, -1):
        rows[i] = (rows[i] - rows[i + 1]) / pivot[i]
    rows[0] = rows[0] - 2.0 * rows[1]
    return np.moveaxis(np.array(rows), 0, -1).reshape(values.shape)


def next_true(flags: BoolArray) -> IntArray:
    """First step at or after each where a flag is set, ``steps + 1`` where none is.

    Parameters
    ----------
    flags : ndarray of bool, shape (member, step)

    Returns
    -------
    ndarray of int, shape (member, step + 1)
    """
    size = flags.shape[1]
    index = np.where(flags, np.arange(size), size + 1)
    ahead = np.minimum.accumulate(index[:, ::-1], axis=1)[:, ::-1]
    return np.concatenate([ahead, np.full((flags.shape[0], 1), size + 1)], axis=1)


def columns(hours: npt.ArrayLike) -> FloatArray:
    """Hours as an array that broadcasts against (draw, k)."""
    array = np.asarray(hours, dtype=float)
    return array if array.ndim == 2 else array.reshape(1, -1)


class CourseTable:
    """An hourly temperature series of one or more members, tabulated for many clocks.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Hourly temperature at the instant; a member may have holes (NaN), past which nothing is
        known of it. [degC]
    slowing : ndarray, shape (time,) or (member, time), optional
        Factor on progress at each time, 1 in moist soil.
    sites : bool
        Whether clocks will add offsets of unknown sites, which the sun scales.

    Attributes
    ----------
    members, hours, days : int
        Size; ``hours`` after the first and ``days`` begun.
    hole : ndarray of bool, shape (member, hour + 1)
        Where the series is not known.
    site_scale : ndarray, shape (hour + 1,)
        How far an unknown site is off at each time, over what it is off under the usual sun.
    grid, grid_scale : ndarray, shape (bin,)
        Temperatures of the table [degC], one after the other for the days of each scale, and that
        scale.
    parts : list of tuple of slice, ndarray of int, ndarray
        Bins and days of each scale, and the time spent in each bin on each of the days, shape
        (member, day, bin). [d]

    Raises
    ------
    InputError
        When the series is not hourly.
    """

    def __init__(
        self, series: xr.DataArray, slowing: FloatArray | None = None, *, sites: bool = True
    ) -> None:
        hours = hours_since_epoch(series["time"].values)
        if not np.allclose(np.diff(hours), 1.0, atol=1e-6):
            raise InputError("the temperature for a forecast must be hourly without jumps")
        values = np.atleast_2d(series.values.astype(float))
        self.series = series
        self.first_h = float(hours[0])
        self.members, self.hours = values.shape[0], values.shape[1] - 1
        self.days = int(np.ceil(self.hours / DAY_H))
        self.weights = None
        if "member_weight" in series.coords:
            self.weights = np.asarray(series["member_weight"].values, dtype=float)
        self.hole = ~np.isfinite(values)
        self.next_hole = next_true(self.hole)
        # A stand-in keeps sums finite; nothing past a hole is ever reported.
        typical = values[~self.hole].mean() if not self.hole.all() else 0.0
        self.filled = np.where(self.hole, typical, values)
        self.slowing = None if slowing is None else np.broadcast_to(slowing, values.shape)
        self.site_scale = site_scale(series) if sites else np.ones(values.shape[1])
        self._tabulate()

    @property
    def last_h(self) -> float:
        """Last hour of the series."""
        return float(self.first_h + self.hours)

    def _tabulate(self) -> None:
        """Time spent at each temperature on each day, and where hours lie on the grid."""
        fine = self._fine
        day = np.arange(fine.shape[1]) // (DAY_H * _SUBSTEPS)
        # Rounded so that the days of a week together have the scale they should.
        steps_of = np.round(np.cumsum(self.site_scale[: self.hours : DAY_H]) / SCALE_STEP)
        scale = np.diff(steps_of, prepend=0.0) * SCALE_STEP
        self._first_bin = np.empty(self.days)
        self.parts: list[tuple[slice, IntArray, FloatArray]] = []
        grids: list[FloatArray] = []
        size, weight = 0, self._step_weight
        for one in np.unique(scale):
            days = np.flatnonzero(scale == one)
            steps = np.flatnonzero(scale[day] == one)
            part = fine[:, steps] / BIN_C
            low = np.floor(part.min())
            bins = int(part.max() - low) + 2
            spent = self._spent(
                part - low,
                np.searchsorted(days, day[steps]),
                None if weight is None else weight[:, steps],
                (days.size, bins),
            )
            self.parts.append((slice(size, size + bins), days, spent))
            self._first_bin[days] = size - low
            grids.append(np.stack([BIN_C * (low + np.arange(bins)), np.full(bins, one)]))
            size += bins
        self.grid, self.grid_scale = np.concatenate(grids, axis=1)
        position = fine / BIN_C + self._first_bin[day]
        missing = ((0, 0), (0, self.days * DAY_H - self.hours))
        mean = position.reshape(self.members, self.hours, _SUBSTEPS).mean(axis=-1)
        mean = np.pad(mean, missing, "edge")
        self.below = mean.astype(np.intp)
        self.above_share = mean - self.below
        # How the hours of a day compare: their sum is the table's. None pass beyond the series.
        hour_weight = np.ones((self.members, self.hours))
        if self.slowing is not None:
            hour_weight *= self.slowing[:, 1:] + self.slowing[:, :-1]
        self.hour_weight = np.pad(hour_weight, missing)

    @cached_property
    def _fine(self) -> FloatArray:
        """Temperature in the middle of each fine step, (member, step). [degC]"""
        return refine(self.filled)

    @property
    def _step_weight(self) -> FloatArray | None:
        """Factor on progress in each fine step, (member, step); None in moist soil."""
        if self.slowing is None:
            return None
        factor = 0.5 * (self.slowing[:, 1:] + self.slowing[:, :-1])
        return np.repeat(factor, _SUBSTEPS, axis=1)

    def _spent(
        self,
        position: FloatArray,
        part: IntArray,
        weight: FloatArray | None,
        shape: tuple[int, int],
    ) -> FloatArray:
        """Sum weights of (member, step) into (member, part, bin), shared between two bins."""
        parts, bins = shape
        size = parts * bins
        table = np.empty((self.members, size))
        for member, at in enumerate(position):
            cell = at.astype(np.intp)
            upper = at - cell
            cell += part * bins
            if weight is None:
                spent = np.bincount(cell, minlength=size).astype(float)
            else:
                spent = np.bincount(cell, weight[member], minlength=size)
                upper *= weight[member]
            above = np.bincount(cell, upper, minlength=size)
            # The grid ends above the warmest value: the upper bin is always one of its own.
            spent -= above
            spent[1:] += above[:-1]
            np.divide(spent, DAY_H * _SUBSTEPS, out=table[member])
        return table.reshape(self.members, parts, bins)

    def dwell(self, at_h: FloatArray) -> FloatArray:
        """Time spent at each temperature from the start of the series to each instant.

        Parameters
        ----------
        at_h : ndarray, shape (k,)
            Hours, clipped to the series.

        Returns
        -------
        ndarray, shape (member, k, bin)
            For :meth:`ThermalClock.progress_through`; differences of two instants are a span. [d]
        """
        fine = self._fine
        steps = fine.shape[1]
        at = np.clip((np.asarray(at_h, dtype=float) - self.first_h) * _SUBSTEPS, 0.0, steps)
        order = np.argsort(at, kind="stable")
        cuts = np.unique(np.concatenate([np.arange(steps + 1.0), at]))
        middle, length = 0.5 * (cuts[1:] + cuts[:-1]), np.diff(cuts)
        step = middle.astype(np.intp)
        segment = np.searchsorted(at[order], middle)
        inside = segment < at.size
        step, segment = step[inside], segment[inside]
        weight = np.broadcast_to(length[inside], (self.members, step.size))
        if (factor := self._step_weight) is not None:
            weight = weight * factor[:, step]
        position = fine[:, step] / BIN_C + self._first_bin[step // (DAY_H * _SUBSTEPS)]
        spent = self._spent(position, segment, weight, (at.size, self.grid.size)).cumsum(axis=1)
        result = np.empty_like(spent)
        result[:, order] = spent
        return np.asarray(result)

    def temperatures(self, start_h: float, end_h: float) -> FloatArray:
        """Hourly values of the first member between two hours, at least one. [degC]"""
        hours = self.hours
        low = int(np.clip(np.ceil(start_h - self.first_h), 0, hours))
        high = int(np.clip(np.floor(end_h - self.first_h), low, hours))
        return self.filled[0, low : high + 1].copy()

    @cached_property
    def warmth(self) -> FloatArray:
        """Running sum of the hourly temperatures, (member, hour + 2). [degC h]"""
        return np.concatenate([np.zeros((self.members, 1)), self.filled.cumsum(axis=1)], axis=1)
