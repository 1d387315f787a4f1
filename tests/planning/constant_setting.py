"""A moist bed at a constant temperature."""

from __future__ import annotations

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import DRAWS, CropDraws
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.quantities import TABLE_DEPTH_CM, FloatArray
from thermosprout.season.setting import Setting


def constant_setting(
    crop: Crop, temperature_C: float, *, viability: FloatArray | None = None, size: int = DRAWS
) -> Setting:
    """Live seed, unless said otherwise, at the depth of the published table."""
    draws = CropDraws.of(crop, size)
    return Setting(
        draws=draws,
        clock=ConstantClock(draws=draws.rates, temperature_C=temperature_C),
        viability=np.ones(size) if viability is None else viability,
        ln_shift=np.zeros(size),
        depth_cm=TABLE_DEPTH_CM,
        soil=f"constant {temperature_C:g} °C",
    )
