"""A crop with round figures, so that tests of the model do not rest on the catalogue."""

from __future__ import annotations

from thermosprout.crops.crop import Crop, Practice
from thermosprout.crops.estimate import Estimate


def plain_crop(
    *,
    t_base: float = 8.0,
    base_spread: float = 0.5,
    thermal_time: float = 125.0,
    safe_soak_h: float = 12.0,
    chilling_limit: float = 10.0,
    chilling_sensitive: bool = True,
) -> Crop:
    """Return a warm-season crop with large seed."""
    estimate = Estimate.generic(
        "plain",
        {
            "t_base_C": (t_base, base_spread),
            "thermal_time_50_Cd": (thermal_time, 0.1),
            "germination_share": (0.3, 0.2),
        },
    )
    return Crop(
        name="plain",
        latin_name="Planta plana",
        aliases=("flat",),
        response="linear",
        response_reason="made for tests",
        estimate=estimate,
        stand_low_C=8.0,
        stand_low_width_C=1.0,
        stand_high_C=35.0,
        stand_high_width_C=1.0,
        chilling_sensitive=chilling_sensitive,
        chilling_limit_C=chilling_limit,
        harmed_by_soaking=True,
        safe_soak_h=safe_soak_h,
        tender=True,
        season="warm",
        seed_size="large",
        practice=Practice(depth_cm=2.5),
    )
