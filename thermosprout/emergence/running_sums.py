"""Running thermal time of many draws over one table: its sum at an hour, and the hour of a sum.

The sum of each day is one matrix product. Instants are placed inside their day on the hourly
course: a few of them day by day, many on the whole hourly running sum, laid out once and searched.
Both follow the same course.
"""

from __future__ import annotations

from functools import cached_property

import numpy as np

from thermosprout.emergence.course_table import DAY_H, CourseTable
from thermosprout.emergence.response import ResponseDraws
from thermosprout.quantities import FloatArray, IntArray

_PLACED_AT_ONCE = 100_000
"""Most instants that are placed inside their days at once."""
_LAID_OUT = 20_000_000
"""Most cells of the hourly running sum of all draws that are laid out at once (160 MB)."""
_DEARER = 3
"""Placing an hour by its day costs so many times as much as laying it out with its neighbours."""
_FEW_TARGETS = 16
"""Up to so many targets a draw, all draws are searched at once."""
_INSTANTS_A_ROW = 6
"""Instants that a row has placed in each draw: its start, its middle seed and its stages."""


class RunningSums:
    """Thermal time of draws from the beginning of a table on.

    Parameters
    ----------
    table : CourseTable
        Temperatures.
    draws : ResponseDraws
        Response of each draw; a single one is shared by all draws of ``member``.
    member : ndarray of int, shape (draw,)
        Member that each draw lives under.
    offset : ndarray, shape (draw,)
        Added to the temperature of each draw under the usual sun. [K]
    """

    def __init__(
        self, table: CourseTable, draws: ResponseDraws, member: IntArray, offset: FloatArray
    ) -> None:
        self.table, self._draws, self._offset = table, draws, offset
        # Draws that share one response follow one course a member; others one each.
        self._shared = draws.size == 1 and member.size > 1
        self._course = member if self._shared else np.arange(draws.size)
        self._course_member = np.arange(table.members) if self._shared else member
        self._placed = self._expected = 0

    def through(self, spent: FloatArray) -> FloatArray:
        """Thermal time of every draw for spans of :meth:`CourseTable.dwell`, (draw, k). [C d]"""
        result = self._sums_of(spent)
        return result[self._course] if self._shared else result

    def at(self, position: FloatArray) -> FloatArray:
        """Running thermal time at hours after the first, shape (draw, k)."""
        if self._lays_out(position.size):
            hour = np.minimum(position.astype(np.intp), self.table.hours - 1)
            course = self._course[:, None]
            before, after = self._hourly_sums[course, hour], self._hourly_sums[course, hour + 1]
            return np.asarray(before + (position - hour) * (after - before))
        return np.concatenate([self._sum_in_days(part) for part in parts(position)], axis=1)

    def reached(self, target: FloatArray) -> FloatArray:
        """Hours after the first at which running sums reach targets, (draw, k); inf if never."""
        if self._lays_out(target.size):
            return self._search_hours(target)
        return np.concatenate([self._search_days(part) for part in parts(target)], axis=1)

    def expect(self, rows: int) -> None:
        """Say how many more rows will be forecast, so that the sums are laid out when it pays."""
        self._expected = self._placed + _INSTANTS_A_ROW * rows * self._course.size

    def rest(self) -> None:
        """Give back the memory of the laid-out sums; they are laid out anew when needed."""
        self._placed = self._expected = 0
        self.__dict__.pop("_hourly_sums", None)

    def _sums_of(self, spent: FloatArray, bins: slice = slice(None)) -> FloatArray:
        """Thermal time of each course for times (member, k, bin) at the temperatures. [C d]"""
        result = np.empty((self._course_member.size, spent.shape[1]))
        for member in np.unique(self._course_member):
            mine = np.flatnonzero(self._course_member == member)
            result[mine] = self._rates[mine, bins] @ spent[member].T
        return result

    @cached_property
    def _rates(self) -> FloatArray:
        """Response of each course on the grid of temperatures, (course, bin)."""
        table = self.table
        rates = self._draws.at(table.grid + self._offset[:, None] * table.grid_scale)
        return np.repeat(rates, self.table.members, axis=0) if self._shared else rates

    @cached_property
    def _running(self) -> FloatArray:
        """Thermal time at the beginning of each day and at the end, (course, day + 1)."""
        daily = np.empty((self._course_member.size, self.table.days))
        for bins, days, spent in self.table.parts:
            daily[:, days] = self._sums_of(spent, bins)
        return np.concatenate([np.zeros((daily.shape[0], 1)), daily.cumsum(axis=1)], 1)

    def _hours_of(self, course: IntArray, day: IntArray) -> FloatArray:
        """Running thermal time at the 25 hours of one day per entry, ending at the day's sum."""
        # Flat indices and take: several times quicker than indexing with several arrays.
        first = self._course_member[course] * (self.table.days * DAY_H) + day * DAY_H
        hours = first[..., None] + np.arange(DAY_H)
        below = np.take(self.table.below, hours)
        below += course[..., None] * self.table.grid.size
        rate = np.take(self._rates, below)
        below += 1
        rise = np.take(self._rates, below)
        rise -= rate
        rise *= np.take(self.table.above_share, hours)
        rate += rise
        rate *= np.take(self.table.hour_weight, hours)
        running = np.zeros((*rate.shape[:-1], DAY_H + 1))
        np.cumsum(rate, axis=-1, out=running[..., 1:])
        total = self._running[course, day + 1] - self._running[course, day]
        with np.errstate(divide="ignore", invalid="ignore"):
            scale = np.where(running[..., -1] > 0, total / running[..., -1], 0.0)
        running *= scale[..., None]
        return running

    @cached_property
    def _hourly_sums(self) -> FloatArray:
        """Running thermal time at every hour of the series, (course, hour + 1)."""
        size, days = self._course_member.size, self.table.days
        sums = np.empty((size, days * DAY_H + 1))
        step = max(_PLACED_AT_ONCE // days, 1)
        for member in np.unique(self._course_member):
            below, share = self.table.below[member], self.table.above_share[member]
            weight = self.table.hour_weight[member]
            mine = np.flatnonzero(self._course_member == member)
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
    def _day_ends(self) -> FloatArray:
        """Running thermal time at the end of each day, (course, day)."""
        return np.ascontiguousarray(self._running[:, 1:])

    def _lays_out(self, instants: int) -> bool:
        """Whether laying out the whole running sum is less work than placing instants by day.

        Rows that share a clock count together: after a few of them it is laid out.
        """
        if "_hourly_sums" in self.__dict__:
            return True
        self._placed += instants
        cells = self._course_member.size * self.table.days * DAY_H
        return cells <= min(_LAID_OUT, max(self._placed, self._expected) * DAY_H * _DEARER)

    def _sum_in_days(self, position: FloatArray) -> FloatArray:
        day = np.minimum((position // DAY_H).astype(np.intp), self.table.days - 1)
        course = np.broadcast_to(self._course[:, None], day.shape)
        within = position - day * DAY_H
        hour = np.minimum(within.astype(np.intp), DAY_H - 1)
        before, after = ends_of(self._hours_of(course, day), hour)
        return np.asarray(
            self._running[course, day] + (before + (within - hour) * (after - before))
        )

    def _search_hours(self, target: FloatArray) -> FloatArray:
        sums = self._hourly_sums
        size = sums.shape[1]
        if target.shape[1] <= _FEW_TARGETS:
            # The day first, in a table small enough for the cache, then the hour in it.
            day = count_ahead(self._day_ends, self._course, target, np.less)
            within = np.minimum(day, self.table.days - 1) * DAY_H
            begin = self._course[:, None] * size + within
            hour = within + count_from(begin, DAY_H, sums.ravel(), target, np.less)
            hour = np.where(day < self.table.days, hour, size)
        else:
            hour = np.empty(target.shape, dtype=np.intp)
            for course in np.unique(self._course):
                mine = self._course == course if self._shared else slice(course, course + 1)
                hour[mine] = np.searchsorted(sums[course], target[mine])
        upper = np.clip(hour, 1, size - 1)
        course = self._course[:, None]
        before, after = sums[course, upper - 1], sums[course, upper]
        return np.where(hour < size, upper - 1 + part_of_step(before, after, target), np.inf)

    def _search_days(self, target: FloatArray) -> FloatArray:
        # Running sums rise, so the day is the number of day ends not above the target.
        day = count_ahead(self._day_ends, self._course, target, np.less_equal)
        safe = np.minimum(day, self.table.days - 1)
        course = np.broadcast_to(self._course[:, None], safe.shape)
        hourly = self._hours_of(course, safe)
        need = target - self._running[course, safe]
        hour = np.clip((hourly < need[..., None]).sum(axis=-1) - 1, 0, DAY_H - 1)
        before, after = ends_of(hourly, hour)
        at = safe * DAY_H + hour + part_of_step(before, after, need)
        return np.where(day < self.table.days, at, np.inf)


def parts(wide: FloatArray) -> list[FloatArray]:
    """Blocks of columns, each small enough to be placed at once."""
    columns = max(_PLACED_AT_ONCE // wide.shape[0], 1)
    return [wide[:, at : at + columns] for at in range(0, wide.shape[1], columns)]


def ends_of(hourly: FloatArray, hour: IntArray) -> tuple[FloatArray, FloatArray]:
    """Sums of (draw, k, 25) at the beginning and the end of an hour of each entry."""
    at = hour[..., None]
    return (
        np.take_along_axis(hourly, at, axis=-1)[..., 0],
        np.take_along_axis(hourly, at + 1, axis=-1)[..., 0],
    )


def part_of_step(before: FloatArray, after: FloatArray, target: FloatArray) -> FloatArray:
    """Part of a step at which a target lies between the sums at its ends."""
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(after > before, (target - before) / (after - before), 0.0)
    return np.asarray(np.clip(share, 0.0, 1.0))


def count_ahead(
    sums: FloatArray, course: IntArray, target: FloatArray, ahead: np.ufunc
) -> IntArray:
    """Count the sums of each draw's course, rising, that come before (``ahead``) each target."""
    size = sums.shape[1]
    return count_from(course[:, None] * size, size, sums.ravel(), target, ahead)


def count_from(
    begin: IntArray, size: int, sums: FloatArray, target: FloatArray, ahead: np.ufunc
) -> IntArray:
    """Count in each run of ``size`` sums that begins at an index those that come before a target.

    A search by halves without branches: each half takes as few passes over the draws as can be.
    """
    at = np.empty(target.shape, dtype=np.intp)
    at[...] = begin
    probe, value = np.empty_like(at), np.empty(target.shape)
    passed = np.empty(target.shape, dtype=bool)
    while size > 1:
        half = size // 2
        np.add(at, half - 1, out=probe)
        np.take(sums, probe, out=value, mode="clip")
        np.multiply(ahead(value, target, out=passed), half, out=probe)
        at += probe
        size -= half
    return np.asarray(at - begin + ahead(np.take(sums, at), target))
