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
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.forecast import generator
from thermosprout.emergence.response import ResponseDraws, linear_response
from thermosprout.emergence.thermal_time import assign_members
from thermosprout.errors import CoverageError
from thermosprout.planning.many_sowings import cross_rising
from thermosprout.soil.series import hours_since_epoch

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

FloatArray = npt.NDArray[np.float64]

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
        given = [
            days
            for days in (
                crop.practice.days_to_harvest_low,
                crop.practice.days_to_harvest_high,
            )
            if days is not None
        ]
        spread, days = _UNKNOWN_SD, _UNKNOWN_DAYS
        if given:
            low, high = min(given), max(given)
            days = float(np.sqrt(low * high))
            spread = float(np.hypot(np.log(high / low) / (2 * _CHART_Z), _PLACE_SD))
        centre = crop.estimate.centre()
        rates = ResponseDraws.from_draws(
            crop.response, {name: np.array([value]) for name, value in centre.items()}
        )
        emergence_d = centre["thermal_time_50_Cd"] / max(float(rates.at(reference)[0]), 0.5)
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
            published=bool(given),
        )


@dataclass(frozen=True, kw_only=True)
class GrowthClock:
    """Growth after emergence under air temperature.

    Attributes
    ----------
    start_h : float
        Hour of the first instant.
    running : ndarray, shape (member, hour)
        Running thermal time. [C d]
    member : ndarray of int, shape (draw,)
        Member that each draw lives under, dealt as the soil's are.
    source : str
        What the temperature is, in words.
    """

    start_h: float
    running: FloatArray
    member: npt.NDArray[np.intp]
    source: str

    @classmethod
    def of(
        cls, air: xr.DataArray, need: HarvestNeed, *, source: str = "air temperature"
    ) -> GrowthClock:
        """Tabulate an hourly air temperature series, dims ([member,] time). [degC]

        Raises
        ------
        CoverageError
            When the series starts with a hole.
        """
        hours = hours_since_epoch(air["time"].values)
        values = np.atleast_2d(air.values.astype(float))
        # What lies past a hole is not known, so the series ends there for all members.
        whole = np.isfinite(values).all(axis=0)
        size = int(np.argmin(whole)) if not whole.all() else whole.size
        if size < 2:
            raise CoverageError("the air temperature has a hole at its start")
        rate = linear_response(values[:, :size], *need.cardinals_C)
        step = 0.5 * (rate[:, 1:] + rate[:, :-1]) / 24.0
        running = np.concatenate([np.zeros((values.shape[0], 1)), step.cumsum(axis=1)], axis=1)
        weights = air["member_weight"].values if "member_weight" in air.coords else None
        return cls(
            start_h=float(hours[0]),
            running=running,
            member=assign_members(values.shape[0], need.thermal_time.size, weights),
            source=source,
        )

    def harvest_h(self, emerged_h: FloatArray, thermal_time: FloatArray) -> FloatArray:
        """Hour of first harvest for each draw; inf past the series, NaN where nothing emerged."""
        result = np.where(np.isnan(emerged_h), np.nan, np.inf)
        last = self.running.shape[1] - 1
        position = emerged_h - self.start_h
        inside = np.isfinite(position) & (position <= last)
        for index in np.unique(self.member[inside]):
            mine = np.flatnonzero(inside & (self.member == index))
            row = self.running[index]
            begun = np.interp(np.clip(position[mine], 0.0, last), np.arange(last + 1), row)
            target = (begun + thermal_time[mine])[None, :]
            result[mine] = self.start_h + cross_rising(row[None, :], target)[0]
        return result

    def between(self, start_h: FloatArray, end_h: FloatArray) -> FloatArray:
        """Thermal time of growth from one hour to another, per draw; NaN where unknown. [C d]"""
        last = self.running.shape[1] - 1
        ends = []
        for hour in (start_h, end_h):
            position = np.where(np.isfinite(hour), hour - self.start_h, np.nan)
            position = np.where(position <= last, np.maximum(position, 0.0), np.nan)
            lower = np.minimum(np.nan_to_num(position).astype(np.intp), last - 1)
            low = self.running[self.member, lower]
            high = self.running[self.member, lower + 1]
            ends.append(low + (position - lower) * (high - low))
        return np.asarray(ends[1] - ends[0])


@dataclass(frozen=True, kw_only=True)
class ConstantGrowth:
    """Growth at a constant air temperature."""

    temperature_C: float
    cardinals_C: tuple[float, float, float]
    source: str = "constant temperature"

    def harvest_h(self, emerged_h: FloatArray, thermal_time: FloatArray) -> FloatArray:
        """See :class:`GrowthClock`."""
        rate = float(linear_response(self.temperature_C, *self.cardinals_C))
        if rate <= 0:
            return np.where(np.isnan(emerged_h), np.nan, np.inf)
        return np.asarray(emerged_h + thermal_time / rate * 24.0)

    def between(self, start_h: FloatArray, end_h: FloatArray) -> FloatArray:
        """See :class:`GrowthClock`."""
        rate = float(linear_response(self.temperature_C, *self.cardinals_C))
        with np.errstate(invalid="ignore"):
            days = (end_h - start_h) / 24.0
        return np.asarray(np.where(np.isfinite(days), days * rate, np.nan))


Growth = GrowthClock | ConstantGrowth
