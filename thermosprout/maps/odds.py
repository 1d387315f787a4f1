"""Thermal times that carry the odds of a forecast over to a map.

A map moves every cell by one fixed response. What the draws of a forecast know beyond it (other
cardinal temperatures, slow lots, small rows) is put into the thermal times asked for: the time
each draw needs at a constant temperature, multiplied by the fixed rate at that temperature, is
the thermal time after which the fixed response is as late as that draw. Draws that differ in
their base temperature are further apart in cold ground, so this is tabulated over temperatures
and looked up by how fast the wait of a cell goes.

What a map asks comes, for each crop, to a response and thermal times: its plan.
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
from thermosprout.planning.options import Option, lead_hours
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


def levels_of(odds: Sequence[float], *, pooled: bool) -> tuple[float, ...]:
    """Quantiles to look up: the odds asked for, or evenly spaced ones of each member.

    Where members are pooled, odds are read off the levels of all members together.

    Raises
    ------
    InputError
        When odds are no quantiles or do not rise.
    """
    rise = all(low < high for low, high in pairwise(odds))
    if not len(odds) or not rise or any(not 0 < odd < 1 for odd in odds):
        raise InputError("odds lie between 0 and 1 and rise")
    return tuple((np.arange(_LEVELS) + 0.5) / _LEVELS) if pooled else tuple(odds)


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


def crop_plan(
    crop: Crop,
    options: Sequence[Option],
    odds: Sequence[float],
    *,
    depth_cm: float,
    seeds: int,
    viability: float,
    draws: int,
    seed: int,
) -> CropPlan:
    """Response of a crop, and the thermal times of each way of sowing it at the odds asked for."""
    return CropPlan(
        name=crop.name,
        response=GridResponse.centre(crop),
        thresholds=tuple(
            stage_thresholds(
                crop, option.handling, odds=odds, depth_cm=depth_cm, seeds=seeds,
                viability=viability, draws=draws, seed=seed,
            )
            for option in options
        ),
        lead_d=tuple(_lead_days(crop, option, draws, seed) for option in options),
    )  # fmt: skip


def option_of(usual: Sequence[Option], treatment: str) -> Option:
    """Pick the way of sowing of a treatment; the mildest where there are several.

    Raises
    ------
    InputError
        When there is no such treatment.
    """
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
