"""Emergence from every sowing day under every member at once.

A forecast asks one planting day of many draws. A sowing window asks hundreds of planting days of
dozens of years, where a clock that is asked day by day is far too slow. Here the soil is turned
once into a table of how long it was at which temperature, step by step; the progress of all draws
of a crop is one product of that table with their response; and as running sums rise, all sowing
days are answered by one search on the sums laid end to end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import refine
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import hours_since_epoch

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_BIN_C = 0.2
_SUBSTEPS = 2


def cross_rising(running: FloatArray, target: FloatArray) -> FloatArray:
    """Where along each row a running sum reaches each target.

    Parameters
    ----------
    running : ndarray, shape (row, step + 1)
        Rising along each row.
    target : ndarray, shape (row, k)
        Not below the first entry of its row.

    Returns
    -------
    ndarray, shape (row, k)
        Position in steps, interpolated; inf where the row ends below the target.
    """
    rows, size = running.shape
    # Rows are lifted so far apart that together they are one rising sequence for one search.
    lift = float(max(running.max(initial=0.0), target.max(initial=0.0))) + 1.0
    row_lift = lift * np.arange(rows)[:, None]
    flat = (running + row_lift).ravel()
    found = np.searchsorted(flat, (target + row_lift).ravel(), side="left").reshape(target.shape)
    local = found - size * np.arange(rows)[:, None]
    reached = local < size
    upper = np.clip(local, 1, size - 1)
    at = upper + size * np.arange(rows)[:, None]
    plain = running.ravel()
    low, high = plain[at - 1], plain[at]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(high > low, (target - low) / (high - low), 0.0)
    return np.asarray(np.where(reached, upper - 1 + np.clip(share, 0.0, 1.0), np.inf))


@dataclass(frozen=True, kw_only=True)
class SoilSteps:
    """Soil temperature of all members in steps of a few hours, ready for many crops.

    Attributes
    ----------
    start_h : float
        Hour of the first instant since 1970-01-01T00:00 UTC.
    step_h : int
        Length of a step. [h]
    running_C : ndarray, shape (member, step + 1)
        Running sum of the mean temperature of the steps. [degC step]
    weights : ndarray, shape (member,)
        Odds of the members, summing to one.
    """

    start_h: float
    step_h: int
    grid: FloatArray
    table: npt.NDArray[np.float32]
    running_C: FloatArray
    hole: IntArray
    weights: FloatArray

    @classmethod
    def of(cls, series: xr.DataArray, *, step_h: int = 6) -> SoilSteps:
        """Tabulate an hourly series.

        Parameters
        ----------
        series : xarray.DataArray, dims ([member,] time)
            Hourly soil temperature; a member may end early in NaN. [degC]
        step_h : int
            Divides 24. Sowing instants are rounded to whole steps; crossings are interpolated.

        Raises
        ------
        InputError
            When the series is not hourly or the step does not divide a day.
        """
        if step_h <= 0 or 24 % step_h:
            raise InputError(f"a step of {step_h} h does not divide a day")
        hours = hours_since_epoch(series["time"].values)
        if not np.allclose(np.diff(hours), 1.0, atol=1e-6):
            raise InputError("the soil temperature for a sowing window must be hourly")
        values = np.atleast_2d(series.values.astype(float))
        steps = (values.shape[1] - 1) // step_h
        if steps < 1:
            raise CoverageError("the soil temperature is shorter than one day")
        values = values[:, : steps * step_h + 1]
        missing = ~np.isfinite(values)
        # A hole is filled so that sums stay finite; nothing past it is ever reported.
        typical = values[~missing].mean() if (~missing).any() else 0.0
        fine = refine(np.where(missing, typical, values), _SUBSTEPS)
        members = values.shape[0]
        per_step = step_h * _SUBSTEPS
        low = np.floor(fine.min() / _BIN_C) * _BIN_C
        bins = int(np.ceil((fine.max() - low) / _BIN_C)) + 2
        position = (fine - low) / _BIN_C
        below = position.astype(np.intp)
        above_share = position - below
        step = np.arange(fine.shape[1]) // per_step
        cell = ((np.arange(members)[:, None] * steps + step) * bins + below).ravel()
        weight = 1.0 / (24.0 * _SUBSTEPS)
        size = members * steps * bins
        table = np.bincount(cell, (weight * (1 - above_share)).ravel(), minlength=size)
        table += np.bincount(cell + 1, (weight * above_share).ravel(), minlength=size + 1)[:size]
        means = fine.reshape(members, steps, per_step).mean(axis=2)
        holes = missing[:, :-1].reshape(members, steps, step_h).any(axis=2)
        odds = np.ones(members)
        if "member_weight" in series.coords:
            odds = np.asarray(series["member_weight"].values, dtype=float)
        return cls(
            start_h=float(hours[0]),
            step_h=step_h,
            grid=low + _BIN_C * np.arange(bins),
            table=table.astype(np.float32).reshape(members * steps, bins),
            running_C=np.concatenate([np.zeros((members, 1)), means.cumsum(axis=1)], axis=1),
            hole=next_true(holes),
            weights=odds / odds.sum(),
        )

    @property
    def members(self) -> int:
        """Return the number of members."""
        return int(self.running_C.shape[0])

    @property
    def steps(self) -> int:
        """Return the number of steps."""
        return int(self.running_C.shape[1]) - 1

    @property
    def per_day(self) -> int:
        """Return the number of steps in a day."""
        return 24 // self.step_h

    def step_of(self, hour: npt.ArrayLike) -> IntArray:
        """Step nearest to instants, which must lie inside the series.

        Raises
        ------
        CoverageError
            When an instant lies outside.
        """
        at = np.rint((np.asarray(hour, dtype=float) - self.start_h) / self.step_h).astype(np.intp)
        if at.size and (at.min() < 0 or at.max() >= self.steps):
            raise CoverageError("the soil temperature does not hold every sowing day asked for")
        return at

    def running(self, rates: ResponseDraws, offset: FloatArray | None = None) -> FloatArray:
        """Running thermal time of each draw under each member, (draw, member, step + 1). [C d]

        Parameters
        ----------
        rates : ResponseDraws
            Response of the draws.
        offset : ndarray, shape (draw,), optional
            Added to the temperature of each draw. [K]
        """
        shift = np.zeros(rates.size) if offset is None else offset
        response = rates.at(self.grid[None, :] + shift[:, None]).astype(np.float32)
        steps = (response @ self.table.T).reshape(rates.size, self.members, self.steps)
        total = np.zeros((rates.size, self.members, self.steps + 1))
        np.cumsum(steps, axis=2, dtype=float, out=total[:, :, 1:])
        return total

    def cross(self, running: FloatArray, sown: IntArray, needed: FloatArray) -> FloatArray:
        """Step at which a thermal time is reached from each sowing step.

        Parameters
        ----------
        running : ndarray, shape (draw, member, step + 1)
            From :meth:`running`.
        sown : ndarray of int, shape (sowing,)
            Steps of sowing.
        needed : ndarray, shape (draw,)
            Thermal time. [C d]

        Returns
        -------
        ndarray, shape (draw, member, sowing)
            Position in steps, inf past the end of the series or past a hole.
        """
        target = running[:, :, sown] + needed[:, None, None]
        flat = cross_rising(
            running.reshape(-1, running.shape[2]), target.reshape(-1, target.shape[2])
        ).reshape(target.shape)
        return np.asarray(np.where(flat <= self.hole[:, sown], flat, np.inf))

    def mean_temperature(self, start: npt.ArrayLike, end: FloatArray) -> FloatArray:
        """Mean temperature between steps of shape (..., member, sowing); inf counts to the end."""
        first = np.asarray(start, dtype=np.intp)
        stop = np.ceil(np.minimum(end, self.steps)).astype(np.intp)
        stop = np.maximum(stop, np.minimum(first + 1, self.steps))
        first = np.broadcast_to(np.minimum(first, self.steps - 1), stop.shape)
        member = np.arange(self.members)[:, None]
        total = self.running_C[member, stop] - self.running_C[member, first]
        return np.asarray(total / np.maximum(stop - first, 1))


def next_true(flags: npt.NDArray[np.bool_]) -> IntArray:
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
