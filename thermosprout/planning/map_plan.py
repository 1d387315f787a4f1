"""What a map is asked, and what that comes to for each crop: a response and thermal times."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import STAGES, forecast_constant
from thermosprout.emergence.grid import GridResponse, Thresholds
from thermosprout.emergence.thresholds import stage_thresholds
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import InputError
from thermosprout.planning.fingerprint import fingerprint
from thermosprout.planning.options import Option, lead_hours, usual_options

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

    def __dask_tokenize__(self) -> str:
        """Name that is the same in every process, so that a stopped map can go on."""
        return fingerprint(self)

    @property
    def shape(self) -> tuple[int, ...]:
        """Sizes of crop, treatment, sowing, stage and odds."""
        sizes = (self.crops, self.treatments, self.sown_h, STAGES, self.odds)
        return tuple(len(part) for part in sizes)


@dataclass(frozen=True, kw_only=True)
class MapQuestion:
    """What a map is asked of each crop, as in :func:`thermosprout.planning.map.emergence_map`."""

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


def crop_plan(crop: Crop, asked: MapQuestion, *, pooled: bool) -> CropPlan:
    """Response of a crop, and the thermal times of each treatment at the odds asked for.

    Where members are pooled, odds are read off evenly spaced levels of all members together.
    """
    levels = tuple((np.arange(_LEVELS) + 0.5) / _LEVELS) if pooled else asked.odds
    options = asked.options(crop)
    return CropPlan(
        name=crop.name,
        response=GridResponse.centre(crop),
        thresholds=tuple(
            stage_thresholds(
                crop,
                option.handling,
                odds=levels,
                depth_cm=asked.depth_cm,
                seeds=asked.seeds,
                viability=asked.viability,
                draws=asked.draws,
                seed=asked.seed,
            )
            for option in options
        ),
        lead_d=tuple(_lead_days(crop, option, asked.draws, asked.seed) for option in options),
    )


def _option(usual: Sequence[Option], treatment: str) -> Option:
    """Pick the way of sowing of a treatment; the mildest where there are several."""
    try:
        wanted = Treatment(treatment)
    except ValueError:
        known = ", ".join(Treatment)
        raise InputError(f"there is no treatment {treatment!r}, expected one of {known}") from None
    return next(option for option in usual if option.handling.treatment is wanted)


def _lead_days(crop: Crop, option: Option, draws: int, seed: int) -> float:
    """Days from wetting the seed to planting it, at the middle of the draws."""
    row = forecast_constant(crop, 15.0, handling=option.handling, size=draws, seed=seed)
    return float(np.median(lead_hours(row))) / 24.0
