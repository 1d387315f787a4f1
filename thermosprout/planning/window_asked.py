"""What a sowing window is asked for."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.planning.air_steps import AirSteps
from thermosprout.planning.few_draws import FewDraws
from thermosprout.planning.harvest import HarvestNeed

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class WindowAsked:
    """The question, common to all covers and treatments."""

    crop: Crop
    draws: FewDraws
    need: HarvestNeed
    air: AirSteps | None
    within_d: float
    probabilities: FloatArray

    @property
    def harvest_Cd(self) -> FloatArray:
        """Thermal time to first harvest, per draw."""
        return np.asarray(self.need.median * np.exp(self.need.spread * self.draws.harvest))
