"""Thermal time: from a temperature response and a temperature course to when a sum is reached.

Progress is the integral of the response over time. Response draws differ from draw to draw but
the soil does not, so the progress of all draws is one matrix product of the soil's table of "how
long at which temperature, day by day" (:class:`CourseTable`) with the response at its temperatures,
which :mod:`.running_sums` sums up and searches.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.course_table import CourseTable, assign_members, columns
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.running_sums import RunningSums
from thermosprout.errors import CoverageError
from thermosprout.quantities import BoolArray, FloatArray, IntArray

T = TypeVar("T", bound=np.generic)

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
        self._draws, self.member, self.offset = draws, member, shift
        self._sums = RunningSums(series, draws, member, shift)
        self._start_sum: tuple[FloatArray, FloatArray] | None = None
        self._end: tuple[float, FloatArray] | None = None

    def expect(self, rows: int) -> None:
        """Say how many more rows will be forecast, so that sums are laid out when it pays."""
        self._sums.expect(rows)

    def rest(self) -> None:
        """Give back the memory of the laid-out sums; they are laid out anew when needed."""
        self._sums.rest()

    def with_draws(self, draws: ResponseDraws, *, like: IntArray) -> ThermalClock:
        """Clock of other draws under the same soil.

        ``like`` names, per new draw, the draw of this clock whose member and offset it takes over.
        """
        return ThermalClock(self.table, draws, offset=self.offset[like], member=self.member[like])

    def progress_through(self, spent: FloatArray) -> FloatArray:
        """Thermal time of every draw for spans of :meth:`CourseTable.dwell`, (draw, k). [C d]"""
        return self._sums.through(spent)

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
            day = start[wrong].flat[0]
            late = day > self.last_h
            end = f"ends on {_stamp(self.last_h)}" if late else f"begins on {_stamp(self.first_h)}"
            raise CoverageError(
                f"the soil temperature {end} UTC and does not cover {_stamp(day)}",
                hint="name another day, or soil temperature that covers this one",
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
        total = np.where(holds, self._sums.at(position), np.nan)
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
        at = self.first_h + self._sums.reached(np.where(unknown, 0.0, target))
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
        result = self._sums.at(np.broadcast_to(position, shape)) - before
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
    return str(np.datetime64(int(hour * 60), "m")).replace("T", " ")
