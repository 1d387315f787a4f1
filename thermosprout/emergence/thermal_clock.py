"""Progress under a soil temperature series, for many draws at once.

Progress is the integral of the response over time. Response draws differ from draw to draw but
the soil does not, so the soil is turned once into a table "how long was it at which temperature,
day by day", and the progress of all draws is one matrix product of that table with the response
at its temperatures. Crossings are then placed inside their day on the hourly course.
"""

from __future__ import annotations

from copy import copy
from functools import cached_property

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.dealing import deal_members
from thermosprout.emergence.response_draws import ResponseDraws
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import hours_since_epoch

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

_BIN_C = 0.1
_SUBSTEPS = 6
_HOURS_IN_DAY = 24


def refine(values: FloatArray, substeps: int = _SUBSTEPS) -> FloatArray:
    """Cubic course through regular samples: (..., n) to (..., (n - 1) * substeps) midpoints.

    A mean over an hour would hide what happens when the temperature crosses the base inside it.
    """
    from scipy.interpolate import CubicSpline

    size = values.shape[-1]
    at = (np.arange((size - 1) * substeps) + 0.5) / substeps
    return np.asarray(CubicSpline(np.arange(size), values, axis=-1)(at))


class ThermalClock:
    """Progress under an hourly soil temperature series, with members, for all draws at once.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Hourly soil temperature at the instant. [degC]
    draws : ResponseDraws
        Response of each draw.
    offset : ndarray, shape (draw,), optional
        Added to the temperature of each draw: what is not known of the site. [K]
    slowing : ndarray, shape (time,) or (member, time), optional
        Factor on progress at each time, 1 in moist soil.

    Raises
    ------
    InputError
        When the series is not hourly.

    Notes
    -----
    Draw ``i`` lives under one member; members are dealt out in proportion to their weights.
    """

    def __init__(
        self,
        series: xr.DataArray,
        draws: ResponseDraws,
        *,
        offset: FloatArray | None = None,
        slowing: FloatArray | None = None,
    ) -> None:
        hours = hours_since_epoch(series["time"].values)
        if not np.allclose(np.diff(hours), 1.0, atol=1e-6):
            raise InputError("the soil temperature for a forecast must be hourly without jumps")
        self._draws = draws
        self._first_h = float(hours[0])
        values = series.values.astype(float)
        self._values = values[None, :] if values.ndim == 1 else values
        self._offset = np.zeros(draws.size) if offset is None else np.asarray(offset, dtype=float)
        weights = series["member_weight"].values if "member_weight" in series.coords else None
        self._member = deal_members(self._values.shape[0], draws.size, weights)
        self._hole = ~np.isfinite(self._values).all(axis=0)
        filled = np.where(np.isfinite(self._values), self._values, _nearest_mean(self._values))
        self._filled = filled
        self._slowing = None if slowing is None else np.broadcast_to(slowing, filled.shape)
        self._days = int(np.ceil((filled.shape[1] - 1) / _HOURS_IN_DAY))
        self._tabulate()
        self._forget()

    def with_draws(
        self,
        draws: ResponseDraws,
        *,
        offset: FloatArray | None = None,
        like: IntArray | None = None,
    ) -> ThermalClock:
        """Return a clock of other draws under the same soil, without tabulating it again.

        Parameters
        ----------
        draws : ResponseDraws
            Response of each new draw.
        offset : ndarray, shape (draw,), optional
            As for the class; zero when absent.
        like : ndarray of int, shape (draw,), optional
            Draw of this clock whose member and offset each new draw takes over.
        """
        other = copy(self)
        other._draws = draws
        if like is not None:
            other._member, other._offset = self._member[like], self._offset[like]
        else:
            odds = np.bincount(self._member, minlength=self._values.shape[0]).astype(float)
            other._member = deal_members(self._values.shape[0], draws.size, odds)
            other._offset = np.zeros(draws.size)
        if offset is not None:
            other._offset = np.asarray(offset, dtype=float)
        other._forget()
        return other

    def _tabulate(self) -> None:
        """Table of time spent at each temperature, (member, day, bin). [d]"""
        fine = refine(self._filled)
        weight = np.full(fine.shape, 1.0 / (_HOURS_IN_DAY * _SUBSTEPS))
        if self._slowing is not None:
            factor = 0.5 * (self._slowing[:, 1:] + self._slowing[:, :-1])
            weight = weight * np.repeat(factor, _SUBSTEPS, axis=1)
        low = np.floor(fine.min() / _BIN_C) * _BIN_C
        bins = int((fine.max() - low) / _BIN_C) + 2
        self._grid = low + _BIN_C * np.arange(bins)
        position = (fine - low) / _BIN_C
        lower = position.astype(np.intp)
        upper_share = position - lower
        day = np.arange(fine.shape[1]) // (_HOURS_IN_DAY * _SUBSTEPS)
        members = fine.shape[0]
        cell = (np.arange(members)[:, None] * self._days + day) * bins + lower
        size = members * self._days * bins
        # The grid ends above the warmest value, so that the upper bin is always one of its own.
        table = np.bincount(cell.ravel(), (weight * (1 - upper_share)).ravel(), minlength=size)
        table += np.bincount((cell + 1).ravel(), (weight * upper_share).ravel(), minlength=size)
        self._table = table.reshape(members, self._days, bins)
        self._place_hours(fine)

    def _place_hours(self, fine: FloatArray) -> None:
        """Where on the temperature grid the mean of each hour lies, (member, hour)."""
        hours = self._filled.shape[1] - 1
        mean = fine.reshape(-1, hours, _SUBSTEPS).mean(axis=-1)
        missing = ((0, 0), (0, self._days * _HOURS_IN_DAY - hours))
        position = np.pad((mean - self._grid[0]) / _BIN_C, missing, "edge")
        self._below = position.astype(np.intp)
        self._above_share = position - self._below
        # How the hours of a day compare: their sum is the table's. None pass beyond the series.
        self._hour_weight = np.ones((fine.shape[0], hours))
        if self._slowing is not None:
            self._hour_weight *= self._slowing[:, 1:] + self._slowing[:, :-1]
        self._hour_weight = np.pad(self._hour_weight, missing)

    def dwell(self, at_h: FloatArray) -> FloatArray:
        """Time spent at each temperature from the start of the series to each instant.

        Parameters
        ----------
        at_h : ndarray, shape (k,)
            Hours, clipped to the series.

        Returns
        -------
        ndarray, shape (member, k, bin)
            For :meth:`progress_through`; differences of two instants are a span. [d]
        """
        fine = refine(self._filled)
        steps = fine.shape[1]
        at = np.clip((np.asarray(at_h, dtype=float) - self._first_h) * _SUBSTEPS, 0.0, steps)
        order = np.argsort(at, kind="stable")
        cuts = np.unique(np.concatenate([np.arange(steps + 1.0), at]))
        middle, length = 0.5 * (cuts[1:] + cuts[:-1]), np.diff(cuts)
        step = middle.astype(np.intp)
        segment = np.searchsorted(at[order], middle)
        kept = segment < at.size
        step, segment, length = step[kept], segment[kept], length[kept]
        weight = np.broadcast_to(length / (_HOURS_IN_DAY * _SUBSTEPS), (fine.shape[0], length.size))
        if self._slowing is not None:
            factor = 0.5 * (self._slowing[:, 1:] + self._slowing[:, :-1])
            weight = weight * factor[:, step // _SUBSTEPS]
        bins = self._grid.size
        position = (fine[:, step] - self._grid[0]) / _BIN_C
        lower = position.astype(np.intp)
        share = position - lower
        cell = (np.arange(fine.shape[0])[:, None] * at.size + segment) * bins + lower
        size = fine.shape[0] * at.size * bins
        spent = np.bincount(cell.ravel(), (weight * (1 - share)).ravel(), minlength=size)
        spent += np.bincount((cell + 1).ravel(), (weight * share).ravel(), minlength=size)
        sorted_table = spent.reshape(fine.shape[0], at.size, bins).cumsum(axis=1)
        result = np.empty_like(sorted_table)
        result[:, order] = sorted_table
        return np.asarray(result)

    def progress_through(self, spent: FloatArray) -> FloatArray:
        """Thermal time of every draw for spans of :meth:`dwell`, shape (draw, k). [C d]"""
        result = np.empty((self._draws.size, spent.shape[1]))
        for member in np.unique(self._member):
            mine = np.flatnonzero(self._member == member)
            result[mine] = self._rates[mine] @ spent[member].T
        return result

    def _forget(self) -> None:
        """Drop what was worked out for other draws; it is worked out again when asked for."""
        self._begun: tuple[float, FloatArray] | None = None
        for name in ("_rates", "_running"):
            self.__dict__.pop(name, None)

    @cached_property
    def _rates(self) -> FloatArray:
        """Response of each draw on the grid of temperatures, (draw, bin)."""
        return self._draws.at(self._grid[None, :] + self._offset[:, None])

    @cached_property
    def _running(self) -> FloatArray:
        """Thermal time at the beginning of each day and at the end, (draw, day + 1)."""
        daily = np.empty((self._draws.size, self._days))
        for member in np.unique(self._member):
            mine = np.flatnonzero(self._member == member)
            daily[mine] = self._rates[mine] @ self._table[member].T
        return np.concatenate([np.zeros((daily.shape[0], 1)), daily.cumsum(axis=1)], 1)

    def _hourly(self, draw: IntArray, day: IntArray) -> FloatArray:
        """Running thermal time at the 25 hours of one day per entry, ending at the day's sum."""
        # Flat indices and take: several times quicker than indexing with several arrays.
        first = self._member[draw] * (self._days * _HOURS_IN_DAY) + day * _HOURS_IN_DAY
        hours = first[..., None] + np.arange(_HOURS_IN_DAY)
        below = np.take(self._below, hours)
        below += draw[..., None] * self._grid.size
        rate = np.take(self._rates, below)
        below += 1
        rise = np.take(self._rates, below)
        rise -= rate
        rise *= np.take(self._above_share, hours)
        rate += rise
        rate *= np.take(self._hour_weight, hours)
        running = np.zeros((*rate.shape[:-1], _HOURS_IN_DAY + 1))
        np.cumsum(rate, axis=-1, out=running[..., 1:])
        total = self._running[draw, day + 1] - self._running[draw, day]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(running[..., -1] > 0, total / running[..., -1], 0.0)
        running *= scale[..., None]
        return running

    def _at(self, at_h: FloatArray) -> FloatArray:
        """Running thermal time at hours of the series, shape (draw, k)."""
        position = at_h - self._first_h
        day = np.minimum((position // _HOURS_IN_DAY).astype(np.intp), self._days - 1)
        draw = np.broadcast_to(np.arange(self._draws.size)[:, None], day.shape)
        hourly = self._hourly(draw, day)
        within = position - day * _HOURS_IN_DAY
        hour = np.minimum(within.astype(np.intp), _HOURS_IN_DAY - 1)
        before = np.take_along_axis(hourly, hour[..., None], axis=-1)[..., 0]
        after = np.take_along_axis(hourly, hour[..., None] + 1, axis=-1)[..., 0]
        inside = before + (within - hour) * (after - before)
        return np.asarray(self._running[draw, day] + inside)

    def _start(self, start_h: float) -> FloatArray:
        """Check that the series holds the start and return the running sum there, (draw, 1)."""
        last = self._first_h + self._filled.shape[1] - 1
        if not self._first_h <= start_h <= last:
            raise CoverageError(
                f"the soil temperature runs from {_stamp(self._first_h)} to {_stamp(last)} UTC "
                f"and does not cover {_stamp(start_h)}"
            )
        index = int(start_h - self._first_h)
        if self._hole[index : index + 2].any():
            raise CoverageError(f"the soil temperature has a hole at {_stamp(start_h)} UTC")
        # A row asks several times from the same start.
        if self._begun is None or self._begun[0] != start_h:
            self._begun = (start_h, self._at(np.full((self._draws.size, 1), start_h)))
        return self._begun[1]

    @property
    def first_h(self) -> float:
        """First hour of the series."""
        return self._first_h

    def whole_since_h(self, at_h: float) -> float:
        """First hour from which the series has no hole up to an hour."""
        index = int(np.clip(np.floor(at_h - self._first_h), 0, self._hole.size - 1))
        holes = np.flatnonzero(self._hole[: index + 1])
        return self._first_h + (int(holes[-1]) + 1 if holes.size else 0)

    @property
    def last_h(self) -> float:
        """Last hour of the series."""
        return float(self._first_h + self._filled.shape[1] - 1)

    def end_h(self, start_h: float) -> float:
        """See :class:`thermosprout.emergence.clock.Clock`."""
        index = max(int(np.ceil(start_h - self._first_h)), 0)
        holes = np.flatnonzero(self._hole[index:])
        stop = index + int(holes[0]) - 1 if holes.size else self._filled.shape[1] - 1
        return self._first_h + stop

    def temperatures(self, start_h: float, end_h: float) -> FloatArray:
        """Hourly values of the first member between two hours, at least one. [degC]"""
        low = int(np.clip(np.ceil(start_h - self._first_h), 0, self._filled.shape[1] - 1))
        high = int(np.clip(np.floor(end_h - self._first_h), low, self._filled.shape[1] - 1))
        return self._filled[0, low : high + 1].copy()

    def cross(self, start_h: float, thermal_time: FloatArray) -> FloatArray:
        """See :class:`thermosprout.emergence.clock.Clock`."""
        target = self._start(start_h) + np.clip(thermal_time, 0.0, None)
        # Running sums rise, so the day is the number of day ends not above the target.
        first_day = int((start_h - self._first_h) // _HOURS_IN_DAY)
        ends = self._running[:, first_day + 1 :]
        day = first_day + _count_not_above(ends, target)
        reached = day < self._days
        safe = np.minimum(day, self._days - 1)
        draw = np.broadcast_to(np.arange(self._draws.size)[:, None], safe.shape)
        hourly = self._hourly(draw, safe)
        need = target - self._running[draw, safe]
        hour = np.clip((hourly < need[..., None]).sum(axis=-1) - 1, 0, _HOURS_IN_DAY - 1)
        before = np.take_along_axis(hourly, hour[..., None], axis=-1)[..., 0]
        after = np.take_along_axis(hourly, hour[..., None] + 1, axis=-1)[..., 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            share = np.where(after > before, (need - before) / (after - before), 0.0)
        at = self._first_h + safe * _HOURS_IN_DAY + hour + np.clip(share, 0.0, 1.0)
        at = np.where(reached & (at <= self.end_h(start_h)), np.maximum(at, start_h), np.inf)
        return np.asarray(at)

    def progress(self, start_h: float, at_h: FloatArray) -> FloatArray:
        """See :class:`Clock`; hours past the end stay at the last value."""
        begun = self._start(start_h)
        wanted = np.clip(np.asarray(at_h, dtype=float), start_h, self.end_h(start_h))
        result = self._at(np.broadcast_to(wanted, (self._draws.size, wanted.size))) - begun
        return np.asarray(np.clip(result, 0.0, None))

    def mean_temperature(self, start_h: float, end_h: FloatArray) -> FloatArray:
        """See :class:`Clock`; an end that is not reached counts to the end of the series."""
        running = np.concatenate(
            [np.zeros((self._filled.shape[0], 1)), self._filled.cumsum(axis=1)], axis=1
        )
        last = self._filled.shape[1] - 1.0
        start = float(np.clip(start_h - self._first_h, 0, last - 1.0))
        end = np.minimum(end_h, self.end_h(start_h)) - self._first_h
        # At least an hour, and without steps from hour to hour, which a fit would stumble over.
        stop = np.clip(end, start + 1.0, last)

        def until(position: FloatArray) -> FloatArray:
            hour = position.astype(np.intp)
            share = position - hour
            below, above = running[self._member, hour], running[self._member, hour + 1]
            return np.asarray(below + share * (above - below))

        total = until(stop + 0.5) - until(np.full(stop.shape, start + 0.5))
        return np.asarray(total / (stop - start) + self._offset)


def _count_not_above(ends: FloatArray, target: FloatArray) -> IntArray:
    """Count per draw the day ends not above each target, by bisection on all draws at once."""
    size = ends.shape[1]
    low = np.zeros(target.shape, dtype=np.intp)
    high = np.full(target.shape, size, dtype=np.intp)
    flat = np.ascontiguousarray(ends)
    rows = np.arange(ends.shape[0])[:, None] * size
    for _ in range(size.bit_length()):
        middle = (low + high) // 2
        open_ = low < high
        not_above = open_ & (np.take(flat, rows + np.minimum(middle, size - 1)) <= target)
        low = np.where(not_above, middle + 1, low)
        high = np.where(open_ & ~not_above, middle, high)
    return low


def _nearest_mean(values: FloatArray) -> FloatArray:
    """Stand-in for holes so that sums stay finite; nothing past a hole is ever reported."""
    with np.errstate(invalid="ignore"):
        finite = np.isfinite(values)
        total = np.where(finite, values, 0.0).sum() / max(int(finite.sum()), 1)
    return np.full(values.shape, total)


def _stamp(hour: float) -> str:
    return str(np.datetime64(int(hour * 60), "m"))
