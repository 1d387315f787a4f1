"""Thermal times that carry the odds of a forecast over to a map.

A map moves every cell by one fixed response. What the draws of a forecast know beyond it (other
cardinal temperatures, slow lots, small rows) is put into the thermal times asked for: the time
each draw needs at a constant temperature, multiplied by the fixed rate at that temperature, is
the thermal time after which the fixed response is as late as that draw. Draws that differ in
their base temperature are further apart in cold ground, so this is tabulated over temperatures
and looked up by how fast the wait of a cell goes.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.forecast import STAGES, CropDraws, Sowing, forecast_row
from thermosprout.emergence.grid import GridResponse, Thresholds
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Handling

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

FloatArray = npt.NDArray[np.float64]

_LINES = 24


def stage_thresholds(
    crop: Crop,
    handling: Handling,
    *,
    odds: Sequence[float] = (0.1, 0.5, 0.9),
    depth_cm: float = 1.27,
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
    from thermosprout.emergence.response import response as rate_at

    return rate_at(
        response.shape,
        temperature,
        response.t_base,
        response.t_opt,
        response.t_ceiling,
        response.curvature,
    )
