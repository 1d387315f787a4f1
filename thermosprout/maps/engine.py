"""Days to emergence on a grid: many cells and sowing days under one fixed response.

A forecast asks many draws of one soil; a map asks one response of millions of soils. Its spread
sits in the thermal times asked for (:mod:`thermosprout.maps.odds`), so that a cell
costs one pass over its temperatures and one search for all its sowing days.

Cells are worked on in pieces that stay in the processor's cache. Rates are summed into nodes a
few hours apart, and the running sums of all cells of a block are laid end to end: rates are
never negative, so together they rise, and one search answers every cell, sowing day and odds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.response import Shape
from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop


SingleArray = npt.NDArray[np.float32]

NODE_H = 3
"""Hours between nodes of the running sum; crossings are interpolated between them. [h]"""

HOUR_OF_MAXIMUM = 15.0
"""Clock hour of the daily maximum near the surface (an assumption; the daily sum does not hang on
it, only where in its day a crossing falls). [h]"""

_STRIP_CELLS = 4096
_STRIP_VALUES = 48 * _STRIP_CELLS
_BLOCK_NODES = 100_000
_SPARE_CELLS = 16
_HOURS_IN_DAY = 24


@dataclass(frozen=True, kw_only=True)
class GridResponse:
    """One temperature response for all cells. [degC]"""

    shape: Shape
    t_base: float
    t_opt: float
    t_ceiling: float
    curvature: float = 1.0

    @classmethod
    def centre(cls, crop: Crop) -> GridResponse:
        """Response at the centre of a crop's estimate."""
        values = crop.estimate.centre()
        opt = values["t_base_C"] + values["opt_gap_C"]
        return cls(
            shape=crop.response,
            t_base=values["t_base_C"],
            t_opt=opt,
            t_ceiling=opt + values["ceiling_gap_C"],
            curvature=values["curvature"],
        )

    def rates(self, temperature: SingleArray, out: SingleArray, spare: SingleArray) -> None:
        """Fill ``out`` with the response in single precision, NaN where there is no temperature.

        Parameters
        ----------
        temperature, out, spare : ndarray of float32, equal shapes
            ``temperature`` is left alone, ``spare`` is written over. [degC]
        """
        base, opt, top = (np.float32(x) for x in (self.t_base, self.t_opt, self.t_ceiling))
        below, above = opt - base, top - opt
        np.subtract(temperature, base, out=out)
        if self.shape == "linear":
            np.maximum(out, np.float32(0), out=out)
            # Few blocks reach the optimum, and the falling side is the dearer half.
            if not temperature.max() <= opt:
                np.subtract(top, temperature, out=spare)
                np.multiply(spare, below / above, out=spare)
                np.minimum(out, spare, out=out)
                np.maximum(out, np.float32(0), out=out)
            return
        # Powers by way of logarithms: numpy has those for whole vectors, powers it has not.
        np.divide(out, below, out=out)
        np.maximum(out, np.float32(0), out=out)
        np.subtract(top, temperature, out=spare)
        np.divide(spare, above, out=spare)
        np.maximum(spare, np.float32(0), out=spare)
        with np.errstate(divide="ignore", invalid="ignore"):
            np.log(out, out=out)
            np.multiply(out, below / above, out=out)
            np.log(spare, out=spare)
            np.add(out, spare, out=out)
            np.multiply(out, np.float32(self.curvature), out=out)
            np.exp(out, out=out)
        np.multiply(out, below, out=out)


@dataclass(frozen=True, kw_only=True)
class SoilGrid:
    """Soil temperature of many cells over whole days; time runs along the first axis.

    Attributes
    ----------
    hourly : ndarray, shape (hour, cell), optional
        At the instant, in whole days from the first value. [degC]
    low, high : ndarray, shape (day, cell), optional
        Daily minimum and maximum, in place of hourly values. [degC]
    offset : float
        Added to every value: -273.15 for kelvin. [K]
    """

    hourly: npt.NDArray[np.floating] | None = None
    low: npt.NDArray[np.floating] | None = None
    high: npt.NDArray[np.floating] | None = None
    offset: float = 0.0

    @property
    def days(self) -> int:
        """Whole days covered; what is left of an hourly series after them is not used."""
        if self.hourly is not None:
            return int(self.hourly.shape[0]) // _HOURS_IN_DAY
        return 0 if self.low is None else int(self.low.shape[0])

    @property
    def cells(self) -> int:
        """Return the number of cells."""
        values = self.low if self.hourly is None else self.hourly
        return 0 if values is None else int(values.shape[1])

    def temperature(self, days: slice, cells: slice, out: SingleArray) -> SingleArray:
        """Hourly temperature of some days and cells, (hour, cell): a view, or ``out`` filled."""
        offset = np.float32(self.offset)
        if self.hourly is not None:
            part = self.hourly[days.start * _HOURS_IN_DAY : days.stop * _HOURS_IN_DAY, cells]
            if part.dtype == np.float32 and not offset:
                return part
            np.add(part, offset, out=out, casting="same_kind")
            return out
        if self.low is None or self.high is None:
            raise InputError("a grid needs hourly soil temperature, or daily minimum and maximum")
        low = self.low[days, cells].astype(np.float32)
        span = self.high[days, cells].astype(np.float32) - low
        course = daily_course().astype(np.float32)
        through_day = out.reshape(low.shape[0], _HOURS_IN_DAY, -1)
        np.multiply(course[:, None], span[:, None, :], out=through_day)
        through_day += (low + offset)[:, None, :]
        return out


def daily_course() -> FloatArray:
    """Share of the daily range above the minimum at the middle of each hour, shape (24,).

    The wave of one day in the ground is close to a sine; de Vries (1963) in van Wijk (ed.),
    Physics of Plant Environment, ch. 7 (from memory).
    """
    middle = np.arange(_HOURS_IN_DAY) + 0.5
    return np.asarray(0.5 + 0.5 * np.cos(2 * np.pi * (middle - HOUR_OF_MAXIMUM) / 24.0))


@dataclass(frozen=True, kw_only=True)
class Thresholds:
    """Thermal times asked for, by how fast things go.

    Attributes
    ----------
    thermal_time : ndarray, shape (rate, k)
        Under the fixed response; inf where never. [C d]
    rate : ndarray, shape (rate,), rising
        Mean rate of the wait that each line belongs to; one line serves all. [C]
    pivot : int
        Which of the k a first search is made with, to learn the mean rate of each wait.
    late : tuple of int
        Which of the k are later than the middle and take the mean rate of their own wait.
    """

    thermal_time: FloatArray
    rate: FloatArray = field(default_factory=lambda: np.zeros(1))
    pivot: int = 0
    late: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        if self.thermal_time.shape[0] != self.rate.size or self.thermal_time.ndim != 2:
            raise InputError("thresholds need one line of thermal times for each rate")

    @property
    def size(self) -> int:
        """Number of thermal times asked for."""
        return int(self.thermal_time.shape[1])

    @property
    def fixed(self) -> bool:
        """Whether the same thermal times serve every wait."""
        return self.rate.size == 1


_NEVER_CD = 1e7
"""Stands for a thermal time that is never reached, where infinity would spoil interpolation."""


class _Nodes:
    """Thermal time from midnight to each node of each day, for a strip of cells.

    The strip is wide and worked on a few days at a time: memory is read in the order it lies in.
    """

    def __init__(self, days: int, cells: int, node_h: int) -> None:
        self.days, self.cells, self.node_h = days, cells, node_h
        self.per_day = _HOURS_IN_DAY // node_h
        # A few spare columns: rows a power of two apart would share one line of the cache.
        room = np.empty((days, self.per_day, cells + _SPARE_CELLS), np.float32)
        self.sums = room[:, :, :cells]
        # As many days at once as the cache holds, all of them where there are few cells.
        self._step = min(max(_STRIP_VALUES // (_HOURS_IN_DAY * cells), 1), days)
        hours = self._step * _HOURS_IN_DAY
        self._room, self._rate, self._spare = (
            np.empty((hours, cells), np.float32) for _ in range(3)
        )

    def fill(self, soil: SoilGrid, cells: slice, response: GridResponse) -> None:
        """Sum the response of a strip into nodes, NaN from a hole to the end of its day."""
        for begin in range(0, self.days, self._step):
            days = slice(begin, min(begin + self._step, self.days))
            hours = (days.stop - begin) * _HOURS_IN_DAY
            temperature = soil.temperature(days, cells, self._room[:hours])
            rate = self._rate[:hours]
            response.rates(temperature, rate, self._spare[:hours])
            # Sums over a few hours of all cells run at the speed of the cache; a running sum
            # hour by hour would wait for each addition before the next.
            sums = self.sums[days]
            parts = rate.reshape(sums.shape[0], self.per_day, self.node_h, self.cells)
            np.copyto(sums, parts[:, :, 0])
            for hour in range(1, self.node_h):
                np.add(sums, parts[:, :, hour], out=sums)
            for node in range(1, self.per_day):
                np.add(sums[:, node], sums[:, node - 1], out=sums[:, node])


class _Block:
    """Running sums of a block of cells laid end to end, and the search on them."""

    def __init__(self, days: int, cells: int, node_h: int) -> None:
        self.days, self.cells, self.node_h = days, cells, node_h
        self.per_day = _HOURS_IN_DAY // node_h
        nodes = cells * days * self.per_day
        self._whole = np.zeros(nodes + 1)
        self._position = np.arange(-1.0, nodes)
        self._running = self._whole[1:].reshape(cells, days, self.per_day)
        self._before = np.zeros((cells, days))
        self._missing: npt.NDArray[np.int32] | None = None

    def join(self, sums: SingleArray) -> None:
        """Turn the sums of each day, (day, node, cell), into sums from the first day on."""
        sums = sums.transpose(2, 0, 1)
        daily = sums[:, :, -1].astype(float)
        missing = np.isnan(daily)
        self._missing = None
        if missing.any():
            self._missing = np.cumsum(missing, axis=1, dtype=np.int32)
            daily[missing] = 0.0
            sums = np.where(missing[:, :, None], np.float32(0), sums)
        np.cumsum(daily.ravel(), out=self._before.ravel())
        self._before -= daily
        np.add(self._before[:, :, None], sums, out=self._running)

    def start(self, sown_h: FloatArray) -> FloatArray:
        """Running sum at each sowing hour, shape (cell, sowing). [C h]"""
        # A value stands for the hour around it, so that the n-th sum belongs to half an hour less.
        position = (sown_h + 0.5) / self.node_h - 1.0
        lower = np.floor(position).astype(np.intp)
        share = position - lower
        flat = self._running.reshape(self._running.shape[0], -1)
        upper = np.minimum(lower + 1, flat.shape[1] - 1)
        start = np.where(lower < 0, self._before[:, :1], flat[:, np.maximum(lower, 0)])
        return np.asarray(start + share * (flat[:, upper] - start))

    def cross(self, start: FloatArray, need: FloatArray, sown_h: FloatArray) -> FloatArray:
        """Days to reach a further sum, shape (cell, k, sowing); see :func:`days_to_reach`.

        Parameters
        ----------
        start : ndarray, shape (cell, sowing)
            As :meth:`start` gives it. [C h]
        need : ndarray, broadcastable to (cell, k, sowing)
            [C h]
        """
        cells = start.shape[0]
        target = start[:, None, :] + need
        # Sowing days come last, so that each search begins where the one before it ended.
        at = np.interp(target.ravel(), self._whole, self._position).reshape(target.shape)
        first = np.arange(cells)[:, None, None] * (self.days * self.per_day)
        at -= first
        last = self._running[:, -1, -1]
        late = target >= last[:, None, None]
        crossed_day = None
        if self._missing is not None:
            day = np.where(late, self.days - 1, at / self.per_day)
            crossed_day = np.maximum(day, 0).astype(np.intp)
        at += 1.0
        at *= self.node_h
        at -= 0.5 + sown_h
        at /= _HOURS_IN_DAY
        np.maximum(at, 0.0, out=at)
        at[late] = np.inf
        if self._missing is not None and crossed_day is not None:
            count = np.pad(self._missing, ((0, 0), (1, 0)))
            sown_day = (sown_h // _HOURS_IN_DAY).astype(np.intp)
            cell = np.arange(cells)[:, None, None]
            holes = count[cell, crossed_day + 1] - count[:, sown_day][:, None, :]
            at[holes > 0] = np.nan
        return np.asarray(at)

    def mean_rate(
        self, start: FloatArray, need: FloatArray, days: FloatArray, sown_h: FloatArray
    ) -> FloatArray:
        """Mean rate over each wait of :meth:`cross`, over what the series holds of it. [C]"""
        left = self._running[:, -1, -1][:, None, None] - start[:, None, :]
        done = np.where(np.isfinite(days), need, left)
        wait = np.where(np.isfinite(days), days, self.days - sown_h / _HOURS_IN_DAY)
        return np.asarray(done / _HOURS_IN_DAY / np.maximum(wait, 1e-3))


def days_to_reach(
    soil: SoilGrid,
    response: GridResponse,
    sown_h: npt.ArrayLike,
    thresholds: Sequence[Thresholds],
    *,
    node_h: int = NODE_H,
    block_cells: int | None = None,
) -> list[SingleArray]:
    """Days from each sowing until thermal times are reached, for every cell.

    Parameters
    ----------
    soil : SoilGrid
        Temperature of the cells.
    response : GridResponse
        The same for all cells.
    sown_h : array_like, shape (sowing,), rising
        Hours of sowing after the first value (after the start of the first day where values are
        daily). [h]
    thresholds : sequence of Thresholds
        Thermal times asked for, as of several treatments: the soil is summed up once for all.
    node_h : int
        Hours between the nodes of the running sum; divides 24. [h]
    block_cells : int, optional
        Cells searched at once; as many as the cache holds when absent.

    Returns
    -------
    list of ndarray of float32, each of shape (k, sowing, cell)
        Days from sowing; inf where the series ends first, NaN where it has a hole before. [d]

    Raises
    ------
    InputError
        When the series is shorter than a day or a sowing lies outside it.
    """
    sown = np.asarray(sown_h, dtype=float)
    if node_h <= 0 or _HOURS_IN_DAY % node_h:
        raise InputError(f"nodes {node_h} h apart do not divide a day")
    if soil.days < 1:
        raise InputError("the soil temperature of a grid is shorter than one day")
    if sown.size and (sown.min() < 0 or sown.max() >= soil.days * _HOURS_IN_DAY):
        raise InputError("a sowing lies outside the soil temperature of the grid")
    nodes_of_cell = soil.days * (_HOURS_IN_DAY // node_h)
    width = block_cells or max(_BLOCK_NODES // nodes_of_cell, 8)
    # Daily values are spread to the middles of the hours, hourly ones are those of the instant.
    shift = 0.0 if soil.hourly is not None else 0.5
    results = [np.empty((one.size, sown.size, soil.cells), np.float32) for one in thresholds]
    nodes: _Nodes | None = None
    for begin in range(0, soil.cells, _STRIP_CELLS):
        strip = slice(begin, min(begin + _STRIP_CELLS, soil.cells))
        if nodes is None or nodes.cells != strip.stop - begin:
            nodes = _Nodes(soil.days, strip.stop - begin, node_h)
        nodes.fill(soil, strip, response)
        block: _Block | None = None
        for left in range(0, nodes.cells, width):
            sums = nodes.sums[:, :, left : left + width]
            cells = slice(begin + left, begin + left + sums.shape[2])
            if np.isnan(sums[0]).all() and np.isnan(sums).all():
                for result in results:
                    result[:, :, cells] = np.nan
                continue
            if block is None or block.cells != sums.shape[2]:
                block = _Block(soil.days, sums.shape[2], node_h)
            block.join(sums)
            start = block.start(sown - shift)
            for result, one in zip(results, thresholds, strict=True):
                days = _cross_block(block, start, sown - shift, one)
                result[:, :, cells] = days.transpose(1, 2, 0)
    return results


def _cross_block(
    block: _Block, start: FloatArray, sown_h: FloatArray, thresholds: Thresholds
) -> FloatArray:
    """Search a block, with thresholds that follow the mean rate of each wait."""
    thermal = np.minimum(thresholds.thermal_time, _NEVER_CD) * _HOURS_IN_DAY
    if thresholds.fixed:
        return block.cross(start, thermal[0][None, :, None], sown_h)
    # A first search with a middling thermal time tells how fast the wait of a cell goes.
    typical = thermal[:, thresholds.pivot]
    finite = typical[typical < _NEVER_CD * _HOURS_IN_DAY]
    if not finite.size:
        return block.cross(start, thermal[-1][None, :, None], sown_h)
    need = np.full((1, 1, 1), np.median(finite))
    middle = block.mean_rate(start, need, block.cross(start, need, sown_h), sown_h)
    need = _look_up(middle, thresholds.rate, thermal)
    days = block.cross(start, need, sown_h)
    # Late odds wait on into other weather than the middle does, so they look at their own wait.
    late = np.asarray(thresholds.late, dtype=np.intp)
    if late.size:
        own = block.mean_rate(start, need[:, late], days[:, late], sown_h)
        need = _look_up(own, thresholds.rate, thermal[:, late])
        days[:, late] = block.cross(start, need, sown_h)
    return days


def _look_up(rate: FloatArray, rates: FloatArray, thermal: FloatArray) -> FloatArray:
    """Thermal time at mean rates of shape (cell, 1 or k, sowing) from a table (rate, k)."""
    columns = thermal.shape[1]
    at = np.broadcast_to(rate, (rate.shape[0], columns, rate.shape[2]))
    return np.stack([np.interp(at[:, k], rates, thermal[:, k]) for k in range(columns)], axis=1)
