"""Air temperature of all members, tabulated for growth after emergence and for frosts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.planning.many_sowings import SoilSteps, next_true

IntArray = npt.NDArray[np.intp]

FROST_C = 0.0
"""Air temperature at which seedlings of tender crops die. [degC]"""
HARD_FROST_C = -2.2
"""A hard frost: 28 degF in the air (common practice, US National Weather Service; from memory)."""


@dataclass(frozen=True, kw_only=True)
class AirSteps:
    """Air temperature of all members: growth after emergence and frosts."""

    steps: SoilSteps
    frost: IntArray
    hard_frost: IntArray
    warmest: int

    @classmethod
    def of(cls, air: xr.DataArray, *, step_h: int = 6) -> AirSteps:
        """Tabulate an hourly air temperature series, dims ([member,] time). [degC]"""
        steps = SoilSteps.of(air, step_h=step_h)
        size = steps.steps * step_h
        values = np.atleast_2d(air.values.astype(float))[:, :size]
        coldest = values.reshape(values.shape[0], -1, step_h)
        with np.errstate(invalid="ignore"):
            frost = np.asarray((coldest <= FROST_C).any(axis=2))
            hard = np.asarray((coldest <= HARD_FROST_C).any(axis=2))
        month = 30 * steps.per_day
        running = steps.running_C.mean(axis=0)
        span = min(month, steps.steps)
        warmest = int(np.argmax(running[span:] - running[:-span])) + span // 2
        return cls(steps=steps, frost=next_true(frost), hard_frost=next_true(hard), warmest=warmest)
