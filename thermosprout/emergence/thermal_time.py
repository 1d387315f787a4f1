"""Thermal time: from a temperature response and a temperature course to when a sum is reached.

Progress is the integral of the response over time. Response draws differ from draw to draw but
the soil does not, so the progress of all draws is one matrix product of the soil's table of "how
long at which temperature, day by day" (:class:`CourseTable`) with the response at its temperatures.
Instants are then placed inside their day on the hourly course: a few of them day by day, many on
the whole hourly running sum, laid out once and searched. Both follow the same course.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from copy import copy
from dataclasses import dataclass
from functools import cached_property
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.course_table import (
    DAY_H,
    PLACED_AT_ONCE,
    CourseTable,
    assign_members,
    columns,
    count_ahead,
    count_from,
    ends_of,
    part_done,
    parts,
)
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import CoverageError
from thermosprout.quantities import BoolArray, FloatArray, IntArray

T = TypeVar("T", bound=np.generic)

_LAID_OUT = 20_000_000
"""Most cells of the hourly running sum of all draws that are laid out at once (160 MB)."""
_DEARER = 4
"""Placing an hour by its day costs so many times as much as laying it out with its neighbours."""
_FEW_TARGETS = 16
"""Up to so many targets a draw, all draws are searched at once."""
_INSTANTS_A_ROW = 6
"""Instants that a row has placed in each draw: its start, its middle seed and its stages."""
_LAID_OUT_SUMS = ("_hourly_sums", "_midnight_sums")
_PACE_H = 168.0


class Clock(ABC):
    """Thermal time of many draws; hours count from 1970-01-01T00:00 UTC.

    ``start_h`` is one hour, or broadcasts against (draw, k): one hour for each column, which the
    clock must know, or for each draw and column, of which it may know some.
    """

    @abstractmethod
    def cross(self, start_h: npt.ArrayLike, thermal_time: FloatArray) -> FloatArray:
        """Hour at which each thermal time is reached, shape (draw, k).

        inf past the end of what the clock knows, NaN where it does not know the start.
        """

    @abstractmethod
    def between(self, start_h: npt.ArrayLike, end_h: npt.ArrayLike) -> FloatArray:
        """Thermal time between hours that broadcast against (draw, k). [C d]"""

    @abstractmethod
    def mean_temperature(self, start_h: npt.ArrayLike, end_h: FloatArray) -> FloatArray:
        """Mean temperature from the start to an end per draw, (draw,) or (draw, k). [degC]"""

    @abstractmethod
    def ends_h(self, start_h: npt.ArrayLike) -> FloatArray:
        """Last hour that each draw covers after each start, shape (draw, k)."""

    @abstractmethod
    def pace_from_h(self, start_h: npt.ArrayLike, least_h: float) -> FloatArray:
        """From when a pace is read, shape (draw, k): the start, or earlier where it is too near."""

    def progress(self, start_h: float, at_h: FloatArray) -> FloatArray:
        """Thermal time from one start to each of k hours, shape (draw, k). [C d]"""
        return self.between(start_h, np.asarray(at_h, dtype=float)[None, :])

    def curve(self, start_h: float, at_h: FloatArray) -> FloatArray:
        """As :meth:`progress`, faster for many hours and within 0.02 C d of it."""
        return self.progress(start_h, at_h)

    def end_h(self, start_h: float) -> float:
        """Last hour that all draws cover without a hole after the start."""
        return float(self.ends_h(start_h).min())


@dataclass(frozen=True, kw_only=True)
class ConstantClock(Clock):
    """Clock at a constant temperature, as in a dish or a published table."""

    draws: ResponseDraws
    temperature_C: float

    def cross(self, start_h: npt.ArrayLike, thermal_time: FloatArray) -> FloatArray:
        """See :class:`Clock`."""
        rate = self.draws.at(self.temperature_C)
        with np.errstate(divide="ignore", invalid="ignore"):
            hours = np.where(rate[:, None] > 0, thermal_time / rate[:, None] * 24.0, np.inf)
        return np.asarray(np.asarray(start_h) + np.clip(hours, 0.0, None))

    def between(self, start_h: npt.ArrayLike, end_h: npt.ArrayLike) -> FloatArray:
        """See :class:`Clock`."""
        days = np.clip(np.asarray(end_h, dtype=float) - np.asarray(start_h), 0.0, None) / 24.0
        return np.asarray(self.draws.at(self.temperature_C)[:, None] * days)

    def mean_temperature(self, start_h: npt.ArrayLike, end_h: FloatArray) -> FloatArray:
        """See :class:`Clock`."""
        return np.full(np.shape(end_h), self.temperature_C)

    def ends_h(self, start_h: npt.ArrayLike) -> FloatArray:
        """See :class:`Clock`."""
        return np.full(columns(start_h).shape, np.inf)

    def pace_from_h(self, start_h: npt.ArrayLike, least_h: float) -> FloatArray:
        """See :class:`Clock`."""
        return columns(start_h)


class ThermalClock(Clock):
    """Thermal time under an hourly temperature series, with members, for all draws at once.

    Parameters
    ----------
    series : xarray.DataArray or CourseTable
        Hourly temperature, dims ([member,] time), or its table, to share it between clocks. [degC]
    draws : ResponseDraws
        Response of each draw; a single one is shared by all draws where ``member`` is given.
    offset : ndarray, shape (draw,), optional
        Added to the temperature of each draw: what is not known of the site, under the usual
        sun; the table scales it through the season. [K]
    slowing : ndarray, shape (time,) or (member, time), optional
        Factor on progress at each time, 1 in moist soil; a table has its own already.
    member : ndarray of int, shape (draw,), optional
        Member that each draw lives under; :func:`assign_members` by weight when absent.

    Raises
    ------
    InputError
        When the series is not hourly.
    """

    def __init__(
        self,
        series: xr.DataArray | CourseTable,
        draws: ResponseDraws,
        *,
        offset: FloatArray | None = None,
        slowing: FloatArray | None = None,
        member: IntArray | None = None,
    ) -> None:
        if not isinstance(series, CourseTable):
            series = CourseTable(series, slowing, sites=offset is not None)
        self.table = series
        self.first_h, self.last_h = self.table.first_h, self.table.last_h
        if member is None:
            member = assign_members(self.table.members, draws.size, self.table.weights)
        shift = np.zeros(draws.size) if offset is None else np.asarray(offset, dtype=float)
        self._set(draws, member, shift)

    def _set(self, draws: ResponseDraws, member: IntArray, offset: FloatArray) -> None:
        """Take draws over; what was worked out for others is worked out anew when needed."""
        self._draws, self.member, self.offset = draws, member, offset
        # Draws that share one response follow one course a member; others one each.
        self._shared = draws.size == 1 and member.size > 1
        self._row = member if self._shared else np.arange(draws.size)
        self._row_member = np.arange(self.table.members) if self._shared else member
        self._start_sum: tuple[FloatArray, FloatArray] | None = None
        self._end: tuple[float, FloatArray] | None = None
        self._placed = 0
        for name in ("_rates", "_running", "_day_ends", *_LAID_OUT_SUMS):
            self.__dict__.pop(name, None)

    def rest(self) -> None:
        """Give back the memory of the laid-out sums; they are laid out anew when needed."""
        self._placed = 0
        for name in _LAID_OUT_SUMS:
            self.__dict__.pop(name, None)

    def with_draws(
        self,
        draws: ResponseDraws,
        *,
        offset: FloatArray | None = None,
        like: IntArray | None = None,
    ) -> ThermalClock:
        """Return a clock of other draws under the same soil, without tabulating it again.

        ``like`` names, per new draw, the draw of this clock whose member and offset it takes over.
        """
        other = copy(self)
        if like is not None:
            member, shift = self.member[like], self.offset[like]
        else:
            member = assign_members(self.table.members, draws.size, self.table.weights)
            shift = np.zeros(draws.size)
        other._set(draws, member, shift if offset is None else np.asarray(offset, dtype=float))
        return other

    def progress_through(self, spent: FloatArray) -> FloatArray:
        """Thermal time of every draw for spans of :meth:`CourseTable.dwell`, (draw, k). [C d]"""
        result = self._sums_of(spent)
        return result[self._row] if self._shared else result

    def _sums_of(self, spent: FloatArray, bins: slice = slice(None)) -> FloatArray:
        """Thermal time of each course for times (member, k, bin) at the temperatures. [C d]"""
        result = np.empty((self._row_member.size, spent.shape[1]))
        for member in np.unique(self._row_member):
            mine = np.flatnonzero(self._row_member == member)
            result[mine] = self._rates[mine, bins] @ spent[member].T
        return result

    @cached_property
    def _rates(self) -> FloatArray:
        """Response of each course on the grid of temperatures, (course, bin)."""
        table = self.table
        rates = self._draws.at(table.grid + self.offset[:, None] * table.grid_scale)
        return np.repeat(rates, self.table.members, axis=0) if self._shared else rates

    @cached_property
    def _running(self) -> FloatArray:
        """Thermal time at the beginning of each day and at the end, (course, day + 1)."""
        daily = np.empty((self._row_member.size, self.table.days))
        for bins, days, spent in self.table.parts:
            daily[:, days] = self._sums_of(spent, bins)
        return np.concatenate([np.zeros((daily.shape[0], 1)), daily.cumsum(axis=1)], 1)

    def _hours_of(self, row: IntArray, day: IntArray) -> FloatArray:
        """Running thermal time at the 25 hours of one day per entry, ending at the day's sum."""
        # Flat indices and take: several times quicker than indexing with several arrays.
        first = self._row_member[row] * (self.table.days * DAY_H) + day * DAY_H
        hours = first[..., None] + np.arange(DAY_H)
        below = np.take(self.table.below, hours)
        below += row[..., None] * self.table.grid.size
        rate = np.take(self._rates, below)
        below += 1
        rise = np.take(self._rates, below)
        rise -= rate
        rise *= np.take(self.table.above_share, hours)
        rate += rise
        rate *= np.take(self.table.hour_weight, hours)
        running = np.zeros((*rate.shape[:-1], DAY_H + 1))
        np.cumsum(rate, axis=-1, out=running[..., 1:])
        total = self._running[row, day + 1] - self._running[row, day]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(running[..., -1] > 0, total / running[..., -1], 0.0)
        running *= scale[..., None]
        return running

    @cached_property
    def _hourly_sums(self) -> FloatArray:
        """Running thermal time at every hour of the series, (course, hour + 1)."""
        size, days = self._row_member.size, self.table.days
        sums = np.empty((size, days * DAY_H + 1))
        step = max(PLACED_AT_ONCE // days, 1)
        for member in np.unique(self._row_member):
            below, share = self.table.below[member], self.table.above_share[member]
            weight = self.table.hour_weight[member]
            mine = np.flatnonzero(self._row_member == member)
            for rows in (mine[at : at + step] for at in range(0, mine.size, step)):
                rates = self._rates[rows]
                gained = np.take(np.diff(rates, axis=1), below, axis=1)
                gained *= share
                gained += np.take(rates, below, axis=1)
                if self.table.slowing is not None or self.table.hours < days * DAY_H:
                    gained *= weight
                hourly = gained.reshape(rows.size, days, DAY_H)
                np.cumsum(hourly, axis=2, out=hourly)
                total, last = np.diff(self._running[rows], axis=1), hourly[..., -1]
                with np.errstate(divide="ignore", invalid="ignore"):
                    hourly *= np.where(last > 0, total / last, 0.0)[..., None]
                hourly += self._running[rows, :-1, None]
                sums[rows, 1:] = gained
        sums[:, 0] = 0.0
        return sums

    @cached_property
    def _midnight_sums(self) -> FloatArray:
        """Running thermal time at the end of each day of the laid-out sums, (course, day)."""
        return np.ascontiguousarray(self._hourly_sums[:, DAY_H::DAY_H])

    @cached_property
    def _day_ends(self) -> FloatArray:
        """Running thermal time at the end of each day, (course, day)."""
        return np.ascontiguousarray(self._running[:, 1:])

    def expect(self, rows: int) -> None:
        """Say how many more rows will be asked, so that the sums are laid out when it pays."""
        self._placed += _INSTANTS_A_ROW * rows * self.member.size

    def _lays_out(self, instants: int) -> bool:
        """Whether laying out the whole running sum is less work than placing instants by day.

        Rows that share a clock count together: after a few of them it is laid out.
        """
        if "_hourly_sums" in self.__dict__:
            return True
        self._placed += instants
        cells = self._row_member.size * self.table.days * DAY_H
        return cells <= min(_LAID_OUT, self._placed * DAY_H * _DEARER)

    def _sum_at(self, position: FloatArray) -> FloatArray:
        """Running thermal time at hours after the first, shape (draw, k)."""
        if self._lays_out(position.size):
            hour = np.minimum(position.astype(np.intp), self.table.hours - 1)
            row = self._row[:, None]
            before, after = self._hourly_sums[row, hour], self._hourly_sums[row, hour + 1]
            return np.asarray(before + (position - hour) * (after - before))
        return np.concatenate([self._sum_in_days(part) for part in parts(position)], axis=1)

    def _sum_in_days(self, position: FloatArray) -> FloatArray:
        day = np.minimum((position // DAY_H).astype(np.intp), self.table.days - 1)
        row = np.broadcast_to(self._row[:, None], day.shape)
        within = position - day * DAY_H
        hour = np.minimum(within.astype(np.intp), DAY_H - 1)
        before, after = ends_of(self._hours_of(row, day), hour)
        return np.asarray(self._running[row, day] + (before + (within - hour) * (after - before)))

    def _hour_reached(self, target: FloatArray) -> FloatArray:
        """Hours after the first at which running sums reach targets, (draw, k); inf if never."""
        if self._lays_out(target.size):
            return self._search_hours(target)
        return np.concatenate([self._search_days(part) for part in parts(target)], axis=1)

    def _search_hours(self, target: FloatArray) -> FloatArray:
        sums = self._hourly_sums
        size = sums.shape[1]
        if target.shape[1] <= _FEW_TARGETS:
            # The day first, in a table small enough for the cache, then the hour in it.
            day = count_ahead(self._midnight_sums, self._row, target, np.less)
            within = np.minimum(day, self.table.days - 1) * DAY_H
            begin = self._row[:, None] * size + within
            hour = within + count_from(begin, DAY_H, sums.ravel(), target, np.less)
            hour = np.where(day < self.table.days, hour, size)
        else:
            hour = np.empty(target.shape, dtype=np.intp)
            for course in np.unique(self._row):
                mine = self._row == course if self._shared else slice(course, course + 1)
                hour[mine] = np.searchsorted(sums[course], target[mine])
        upper = np.clip(hour, 1, size - 1)
        row = self._row[:, None]
        before, after = sums[row, upper - 1], sums[row, upper]
        return np.where(hour < size, upper - 1 + part_done(before, after, target), np.inf)

    def _search_days(self, target: FloatArray) -> FloatArray:
        # Running sums rise, so the day is the number of day ends not above the target.
        day = count_ahead(self._day_ends, self._row, target, np.less_equal)
        safe = np.minimum(day, self.table.days - 1)
        row = np.broadcast_to(self._row[:, None], safe.shape)
        hourly = self._hours_of(row, safe)
        need = target - self._running[row, safe]
        hour = np.clip((hourly < need[..., None]).sum(axis=-1) - 1, 0, DAY_H - 1)
        before, after = ends_of(hourly, hour)
        at = safe * DAY_H + hour + part_done(before, after, need)
        return np.where(day < self.table.days, at, np.inf)

    def _knows(self, start: FloatArray) -> BoolArray:
        """Which draws know each start: no hole of their member is there, shape (draw, k)."""
        inside = (start >= self.first_h) & (start <= self.last_h)
        index = np.where(inside, start - self.first_h, 0.0).astype(np.intp)
        hole = self.table.hole
        holed = hole | np.concatenate([hole[:, 1:], hole[:, -1:]], axis=1)
        return np.asarray(inside & ~self._of_members(holed, index))

    def _of_members(self, values: npt.NDArray[T], index: IntArray) -> npt.NDArray[T]:
        """Entries of (member, hour) for hours that broadcast against (draw, k)."""
        if index.shape[0] == 1:
            return np.take(values[:, index[0]], self.member, axis=0)
        return values[self.member[:, None], index]

    def _check(self, start: FloatArray) -> None:
        """Refuse a day of planting that is not known.

        One day must be known to all draws. Of many days within the series a member, such as a
        year that ends early, may lack some.
        """
        wrong = ~((start >= self.first_h) & (start <= self.last_h))
        if wrong.any():
            raise CoverageError(
                f"the soil temperature runs from {_stamp(self.first_h)} to {_stamp(self.last_h)} "
                f"UTC and does not cover {_stamp(start[wrong].flat[0])}"
            )
        if start.size == 1 and not self._knows(start).all():
            raise CoverageError(f"the soil temperature has a hole at {_stamp(start.flat[0])} UTC")

    def _start(self, start: FloatArray) -> FloatArray:
        """Running sum at the start, (draw, k), NaN where a draw does not know it."""
        # A row asks several times from the same start, a window from the same days.
        if self._start_sum is not None and np.array_equal(self._start_sum[0], start):
            return self._start_sum[1]
        if start.shape[0] == 1:
            self._check(start)
        holds = self._knows(start)
        position = np.where(holds, start - self.first_h, 0.0)
        total = np.where(holds, self._sum_at(position), np.nan)
        if start.shape[0] == 1:
            self._start_sum = (start, total)
        return total

    def cross(self, start_h: npt.ArrayLike, thermal_time: FloatArray) -> FloatArray:
        """See :class:`Clock`.

        Raises
        ------
        CoverageError
            When the series does not hold a start, or has a hole there.
        """
        start = columns(start_h)
        target = self._start(start) + np.clip(thermal_time, 0.0, None)
        unknown = np.isnan(target)
        at = self.first_h + self._hour_reached(np.where(unknown, 0.0, target))
        at = np.where(at <= self.ends_h(start), np.maximum(at, start), np.inf)
        return np.asarray(np.where(unknown, np.nan, at))

    def curve(self, start_h: float, at_h: FloatArray) -> FloatArray:
        """See :class:`Clock`.

        Time at each temperature is summed once for all draws: for many hours some twenty times
        faster than reading each draw's running sum hour by hour.
        """
        at = np.asarray(at_h, dtype=float)
        self._start(columns(start_h))
        spent = self.table.dwell(np.concatenate([[start_h], np.maximum(at, start_h)]))
        result = self.progress_through(spent[:, 1:] - spent[:, :1])
        ends = self.ends_h(start_h)
        if (ends < at.max()).any():
            result = np.minimum(result, self.between(start_h, ends))
        return result

    def between(self, start_h: npt.ArrayLike, end_h: npt.ArrayLike) -> FloatArray:
        """See :class:`Clock`; hours past the end stay at the last value."""
        start = columns(start_h)
        before = self._start(start)
        end = np.clip(np.asarray(end_h, dtype=float), start, np.maximum(self.ends_h(start), start))
        shape = (self.member.size, np.broadcast_shapes(before.shape, end.shape)[1])
        position = np.clip(end - self.first_h, 0.0, self.table.hours)
        result = self._sum_at(np.broadcast_to(position, shape)) - before
        return np.asarray(np.clip(result, 0.0, None))

    def ends_h(self, start_h: npt.ArrayLike) -> FloatArray:
        """See :class:`Clock`."""
        start = columns(start_h)
        if start.size > 1:
            return self._ends(start)
        # A row asks several times from the same start.
        if self._end is None or self._end[0] != start[0, 0]:
            self._end = (float(start[0, 0]), self._ends(start))
        return self._end[1]

    def _ends(self, start: FloatArray) -> FloatArray:
        index = np.clip(np.ceil(start - self.first_h), 0, self.table.hours + 1).astype(np.intp)
        last = np.minimum(self.table.next_hole - 1, self.table.hours)
        return np.asarray(self.first_h + self._of_members(last, index))

    def whole_since(self, at: FloatArray) -> FloatArray:
        """First hour from which each draw's series has no hole up to each hour, (draw, k)."""
        index = np.clip(np.floor(at - self.first_h), 0, self.table.hours).astype(np.intp)
        step = np.arange(self.table.hours + 1)
        after = np.maximum.accumulate(np.where(self.table.hole, step + 1, 0), axis=1)
        return np.asarray(self.first_h + self._of_members(after, index))

    def pace_from_h(self, start_h: npt.ArrayLike, least_h: float) -> FloatArray:
        """See :class:`Clock`; a week is looked at where less than ``least_h`` is known."""
        start = columns(start_h)
        end = self.ends_h(start)
        near = end - start < least_h
        if not near.any():
            return start
        earlier = np.maximum(self.whole_since(start), np.minimum(start, end - _PACE_H))
        return np.where(near, earlier, start)

    def mean_temperature(self, start_h: npt.ArrayLike, end_h: FloatArray) -> FloatArray:
        """See :class:`Clock`; an end that is not reached counts to the end of the series."""
        start = columns(start_h)
        end = np.asarray(end_h, dtype=float)
        wide = end.reshape(end.shape[0], -1)
        last = float(self.table.hours)
        first = np.clip(start - self.first_h, 0, last - 1.0)
        # fmin: an end that is not known counts to the end of the series too.
        stop = np.fmin(wide, self.ends_h(start)) - self.first_h
        # At least an hour, and without steps from hour to hour, which a fit would stumble over.
        stop = np.clip(stop, first + 1.0, last)
        warmth = self.table.warmth

        def until(position: FloatArray) -> FloatArray:
            hour = position.astype(np.intp)
            below, above = self._of_members(warmth, hour), self._of_members(warmth, hour + 1)
            return np.asarray(below + (position - hour) * (above - below))

        mean = (until(stop + 0.5) - until(first + 0.5)) / (stop - first)
        # Of a scale that hardly changes within a wait, the middle hour stands for the mean.
        scale = self.table.site_scale[((first + stop) / 2.0).astype(np.intp)]
        return np.asarray((mean + self.offset[:, None] * scale).reshape(end.shape))


def _stamp(hour: float) -> str:
    return str(np.datetime64(int(hour * 60), "m"))
