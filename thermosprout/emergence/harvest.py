"""First harvest: thermal time on air temperature, with the wide spread of published days.

Seed charts give days to harvest for a good season. They are turned into thermal time at the mean
air temperature of such a season, so that a head start won in cold weather shrinks in warm weather
as it does in the garden. Charts differ by a third and more between varieties and places, and the
spread carries that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from thermosprout.emergence.course_table import CourseTable, assign_members, next_true
from thermosprout.emergence.forecast import generator
from thermosprout.emergence.response import ResponseDraws, linear_response
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.errors import CoverageError
from thermosprout.quantities import BoolArray, FloatArray, IntArray

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

GROWTH_CARDINALS_C = {"cool": (4.4, 24.0, 35.0), "warm": (10.0, 30.0, 42.0)}
"""Base, optimum and ceiling of growth. [degC]

40 and 50 degF are the bases of the growing degree-days of cool and warm crops (common practice;
the 50 to 86 degF form is that of maize); optimum and ceiling are assumptions.
"""

CHART_SEASON_C = {"cool": 16.0, "warm": 21.0}
"""Mean air temperature of the season a seed chart has in mind (assumption). [degC]"""

TRANSPLANTED = frozenset(
    {
        "broccoli", "brussels sprouts", "cabbage", "cauliflower", "eggplant", "pepper", "tomato",
    }
)  # fmt: skip
"""Crops whose charts may count from setting out (as the notes of the sowing charts say)."""

NURSERY_D = 30.0
"""Days that a plant set out is older than one sown in place (assumption). [d]"""

FROST_C = 0.0
"""Air temperature at which seedlings of tender crops die. [degC]"""

HARD_FROST_C = -2.2
"""A hard frost: 28 degF in the air (common practice, US National Weather Service; from memory)."""

_MONTH_H = 24 * 30
_UNKNOWN_DAYS = 75.0
_UNKNOWN_SD = 0.35
_PLACE_SD = 0.15
_CHART_Z = 1.2816
"""A chart's low and high days are read as the 10 and 90 % points of varieties."""


@dataclass(frozen=True, kw_only=True)
class HarvestNeed:
    """Thermal time from emergence to first harvest, per draw.

    Attributes
    ----------
    thermal_time : ndarray, shape (draw,)
        Log-normal draws about ``median`` with ``spread``. [C d]
    median, spread : float
        [C d], and sd of its logarithm.
    cardinals_C : tuple of float
        Base, optimum and ceiling. [degC]
    published : bool
        From a chart's days to harvest; a generic span with a very wide spread otherwise.
    """

    thermal_time: FloatArray
    median: float
    spread: float
    cardinals_C: tuple[float, float, float]
    published: bool

    @classmethod
    def of(cls, crop: Crop, size: int, seed: int = 0) -> HarvestNeed:
        """Draw the thermal time to first harvest of a crop; the same seed, the same draws."""
        base, optimum, ceiling = GROWTH_CARDINALS_C[crop.season]
        reference = CHART_SEASON_C[crop.season]
        practice = crop.practice
        chart = (practice.days_to_harvest_low, practice.days_to_harvest_high)
        limits = [days for days in chart if days is not None]
        spread, days = _UNKNOWN_SD, _UNKNOWN_DAYS
        if limits:
            low, high = min(limits), max(limits)
            days = float(np.sqrt(low * high))
            spread = float(np.hypot(np.log(high / low) / (2 * _CHART_Z), _PLACE_SD))
        centre = crop.estimate.centre()
        emergence_d = centre["thermal_time_50_Cd"] / max(crop_rate(crop, reference), 0.5)
        from_emergence_d = max(days - emergence_d, 0.3 * days)
        if crop.name in TRANSPLANTED:
            from_emergence_d = days + NURSERY_D
        rate = float(linear_response(reference, base, optimum, ceiling))
        deviates = generator(seed, "harvest", crop.name).standard_normal(size)
        return cls(
            thermal_time=from_emergence_d * rate * np.exp(spread * deviates),
            median=from_emergence_d * rate,
            spread=spread,
            cardinals_C=(base, optimum, ceiling),
            published=bool(limits),
        )

    @property
    def response(self) -> ResponseDraws:
        """Response of growth to air temperature, one for all draws."""
        base, optimum, ceiling = (np.array([value]) for value in self.cardinals_C)
        return ResponseDraws(
            shape="linear", t_base=base, t_opt=optimum, t_ceiling=ceiling, curvature=np.ones(1)
        )


def crop_rate(crop: Crop, temperature_C: float) -> float:
    """Progress at a temperature with the crop's parameters in the middle of their range. [C]"""
    middle = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    return float(ResponseDraws.from_draws(crop.response, middle).at(temperature_C)[0])


@dataclass(frozen=True, kw_only=True)
class Growth:
    """Growth after emergence, up to first harvest.

    Attributes
    ----------
    need : HarvestNeed
        Thermal time that it takes, per draw.
    clock : ThermalClock or ConstantClock
        One response for all draws, each under its member.
    source : str
        What the temperature is, in words.
    """

    need: HarvestNeed
    clock: ThermalClock | ConstantClock
    source: str

    @classmethod
    def of(
        cls,
        air: xr.DataArray | CourseTable,
        need: HarvestNeed,
        *,
        source: str = "air temperature",
        member: IntArray | None = None,
    ) -> Growth:
        """Growth under an hourly series of air temperature, dims ([member,] time). [degC]

        Parameters
        ----------
        member : ndarray of int, shape (draw,), optional
            Member of the soil that each draw lives under: its air is the same member's, in turn
            where the air has fewer. Assigned by weight when absent.

        Raises
        ------
        CoverageError
            When the series starts with a hole.
        """
        table = air if isinstance(air, CourseTable) else CourseTable(air)
        if table.hours < 1 or not (~table.hole[:, :2]).all(axis=1).any():
            raise CoverageError("the air temperature has a hole at its start")
        if member is None:
            member = assign_members(table.members, need.thermal_time.size, table.weights)
        clock = ThermalClock(table, need.response, member=member % table.members)
        return cls(need=need, clock=clock, source=source)

    @classmethod
    def constant(
        cls, temperature_C: float, need: HarvestNeed, *, source: str = "constant temperature"
    ) -> Growth:
        """Growth at a constant air temperature."""
        clock = ConstantClock(draws=need.response, temperature_C=temperature_C)
        return cls(need=need, clock=clock, source=source)

    def _inside(self, hours: FloatArray) -> tuple[BoolArray, FloatArray]:
        """Which hours the temperatures hold, and hours that they do; before them is their start."""
        if isinstance(self.clock, ConstantClock):
            inside = np.isfinite(hours)
            return inside, np.where(inside, hours, 0.0)
        first, last = self.clock.first_h, self.clock.last_h
        inside = np.isfinite(hours) & (hours <= last)
        return inside, np.where(inside, np.maximum(hours, first), first)

    def harvest_h(self, emerged_h: FloatArray) -> FloatArray:
        """Hour of first harvest; inf past the temperatures, NaN where nothing emerged.

        Parameters
        ----------
        emerged_h : ndarray, shape (draw,) or (draw, day)
            Hour of half emergence; inf past what is known, NaN where nothing emerges.
        """
        wide = emerged_h.reshape(emerged_h.shape[0], -1)
        inside, start = self._inside(wide)
        needed = np.broadcast_to(self.need.thermal_time[:, None], wide.shape)
        hours = self.clock.cross(start, needed)
        hours = np.where(inside & ~np.isnan(hours), hours, np.inf)
        return np.asarray(np.where(np.isnan(wide), np.nan, hours).reshape(emerged_h.shape))

    def between(self, start_h: FloatArray, end_h: FloatArray) -> FloatArray:
        """Thermal time of growth from one hour to another, per draw; NaN where unknown. [C d]

        Negative where the second hour is the earlier.
        """
        (inside, start), (also, end) = self._inside(start_h), self._inside(end_h)
        low, high = np.minimum(start, end)[:, None], np.maximum(start, end)[:, None]
        gained = self.clock.between(low, high)[:, 0]
        return np.asarray(np.where(inside & also, np.where(end < start, -gained, gained), np.nan))


@dataclass(frozen=True, kw_only=True)
class Air:
    """Air temperature after emergence: frosts, and the warmest month.

    Attributes
    ----------
    table : CourseTable
        Its course, for growth.
    frost, hard_frost : ndarray of int, shape (member, hour + 2)
        Hours after the first at which the next frost comes, past the last hour where none does.
    warmest : int
        Middle of the warmest month, in hours after the first.
    """

    table: CourseTable
    frost: IntArray
    hard_frost: IntArray
    warmest: int

    @classmethod
    def of(cls, air: xr.DataArray) -> Air:
        """Look for frosts in an hourly air temperature series, dims ([member,] time). [degC]"""
        values = np.atleast_2d(air.values.astype(float))
        with np.errstate(invalid="ignore"):
            frost, hard = next_true(values <= FROST_C), next_true(values <= HARD_FROST_C)
        finite = np.isfinite(values)
        count = np.maximum(finite.sum(axis=0), 1)
        running = np.cumsum(np.where(finite, values, 0.0).sum(axis=0) / count)
        span = min(_MONTH_H, running.size - 1)
        warmest = int(np.argmax(running[span:] - running[: running.size - span])) + span // 2
        return cls(table=CourseTable(air), frost=frost, hard_frost=hard, warmest=warmest)
