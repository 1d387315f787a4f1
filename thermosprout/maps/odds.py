"""Thermal times that carry the odds of a forecast over to a map.

A map moves every cell by one fixed response. What the draws of a forecast know beyond it (other
cardinal temperatures, slow lots, small rows) is put into the thermal times asked for: the time
each draw needs at a constant temperature, multiplied by the fixed rate at that temperature, is
the thermal time after which the fixed response is as late as that draw. Draws that differ in
their base temperature are further apart in cold ground, so this is tabulated over temperatures
and looked up by how fast the wait of a cell goes.

What a map is question, and what that comes to for each crop: a response and thermal times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import (
    STAGES,
    CropDraws,
    Sowing,
    forecast_constant,
    forecast_row,
)
from thermosprout.emergence.response import response as rate_at
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import InputError
from thermosprout.maps.engine import GridResponse, Thresholds
from thermosprout.planning.options import Option, lead_hours, usual_options
from thermosprout.quantities import TABLE_DEPTH_CM, FloatArray

_LINES = 24


def stage_thresholds(
    crop: Crop,
    handling: Handling,
    *,
    odds: Sequence[float] = (0.1, 0.5, 0.9),
    depth_cm: float = TABLE_DEPTH_CM,
    seeds: int = 100,
    viability: float = 1.0,
    draws: int = 1000,
    seed: int = 0,
) -> Thresholds:
    """Thermal time after planting to every stage at every odds, under the centre's response.

    Parameters
    ----------
    crop : Crop
        The crop.
    handling : Handling
        What was done to the seed.
    odds : sequence of float
        Quantiles of the forecast's draws.
    depth_cm : float
        Sowing depth. [cm]
    seeds : int
        Seeds planted in a row; a longer row shows its first seedling earlier.
    viability : float
        Live share of the lot.
    draws, seed : int
        Number of draws and seed of the random numbers.

    Returns
    -------
    Thresholds
        ``thermal_time`` of shape (rate, stage * odds), odds running fastest, with median half
        emergence as the pivot. Where a share of the draws never comes up in ground that cold,
        the late odds are inf.
    """
    response = GridResponse.centre(crop)
    # From just above the base to the optimum: beyond it, ground is no faster, so nothing is asked.
    gap = response.t_opt - response.t_base
    temperatures = response.t_base + gap * np.linspace(0.03, 1.0, _LINES) ** 1.5
    crop_draws = CropDraws.of(crop, draws, seed)
    # The same name at every temperature: the same rows and seeds, so that lines differ smoothly.
    sowing = Sowing(
        row="map",
        crop=crop,
        handling=handling,
        started_h=0.0,
        planted_h=0.0,
        depth_cm=depth_cm,
        seeds_planted=seeds,
    )
    lines = []
    for temperature in temperatures.tolist():
        row = forecast_row(
            sowing,
            crop_draws,
            ConstantClock(draws=crop_draws.rates, temperature_C=temperature),
            viability=np.full(draws, viability),
            ln_shift=np.zeros(draws),
            seed=seed,
        )
        days = np.stack([row.stage_quantile(stage, list(odds)) / 24.0 for stage in STAGES])
        lines.append(days.ravel())
    rate = centre_rate(response, temperatures)
    middle = int(np.argmin(np.abs(np.asarray(odds) - 0.5)))
    return Thresholds(
        thermal_time=np.nan_to_num(np.array(lines) * rate[:, None], nan=np.inf, posinf=np.inf),
        rate=rate,
        pivot=STAGES.index("half") * len(odds) + middle,
        late=tuple(
            stage * len(odds) + index
            for stage in range(len(STAGES))
            for index, odd in enumerate(odds)
            if odd > odds[middle]
        ),
    )


def centre_rate(response: GridResponse, temperature: npt.ArrayLike) -> FloatArray:
    """Rate of a fixed response at temperatures, in double precision. [C]"""
    return rate_at(
        response.shape,
        temperature,
        response.t_base,
        response.t_opt,
        response.t_ceiling,
        response.curvature,
    )


_LEVELS = 9
"""Quantiles that stand for each member where members are pooled."""


@dataclass(frozen=True, kw_only=True)
class CropPlan:
    """What a map asks of one crop: its response, and thermal times for each treatment."""

    name: str
    response: GridResponse
    thresholds: tuple[Thresholds, ...]
    lead_d: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class MapPlan:
    """Everything about a map but its soil."""

    crops: tuple[CropPlan, ...]
    treatments: tuple[str, ...]
    odds: tuple[float, ...]
    sown_h: tuple[float, ...]
    pooled: bool
    node_h: int

    @property
    def shape(self) -> tuple[int, ...]:
        """Sizes of crop, treatment, sowing, stage and odds."""
        sizes = (self.crops, self.treatments, self.sown_h, STAGES, self.odds)
        return tuple(len(part) for part in sizes)


@dataclass(frozen=True, kw_only=True)
class MapQuestion:
    """What a map is asked of each crop, as in :func:`thermosprout.maps.map.emergence_map`."""

    treatments: tuple[str, ...]
    odds: tuple[float, ...]
    depth_cm: float
    seeds: int
    viability: float
    soak_h: float | None
    sprout_h: float | None
    water_C: float
    room_C: float
    draws: int
    seed: int

    def require_rising_odds(self) -> None:
        """Refuse odds that are no quantiles or do not rise."""
        rise = all(low < high for low, high in pairwise(self.odds))
        if not self.odds or not rise or any(not 0 < odd < 1 for odd in self.odds):
            raise InputError("odds lie between 0 and 1 and rise")

    def options(self, crop: Crop) -> list[Option]:
        """Ways of sowing a crop, one for each treatment."""
        usual = usual_options(
            crop,
            soaks_h=() if self.soak_h is None else (self.soak_h,),
            sprout_h=self.sprout_h,
            water_C=self.water_C,
            room_C=self.room_C,
        )
        return [_option(usual, treatment) for treatment in self.treatments]


def crop_plan(crop: Crop, question: MapQuestion, *, pooled: bool) -> CropPlan:
    """Response of a crop, and the thermal times of each treatment at the odds asked for.

    Where members are pooled, odds are read off evenly spaced levels of all members together.
    """
    levels = tuple((np.arange(_LEVELS) + 0.5) / _LEVELS) if pooled else question.odds
    options = question.options(crop)
    return CropPlan(
        name=crop.name,
        response=GridResponse.centre(crop),
        thresholds=tuple(
            stage_thresholds(
                crop,
                option.handling,
                odds=levels,
                depth_cm=question.depth_cm,
                seeds=question.seeds,
                viability=question.viability,
                draws=question.draws,
                seed=question.seed,
            )
            for option in options
        ),
        lead_d=tuple(_lead_days(crop, option, question.draws, question.seed) for option in options),
    )


def _option(usual: Sequence[Option], treatment: str) -> Option:
    """Pick the way of sowing of a treatment; the mildest where there are several."""
    try:
        way = Treatment(treatment)
    except ValueError:
        names = ", ".join(Treatment)
        raise InputError(f"there is no treatment {treatment!r}, expected one of {names}") from None
    return next(option for option in usual if option.handling.treatment is way)


def _lead_days(crop: Crop, option: Option, draws: int, seed: int) -> float:
    """Days from wetting the seed to planting it, at the middle of the draws."""
    row = forecast_constant(crop, 15.0, handling=option.handling, size=draws, seed=seed)
    return float(np.median(lead_hours(row))) / 24.0
