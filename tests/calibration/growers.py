"""An invented crop and invented growers for the tests of calibration."""

from __future__ import annotations

from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate


def plain_crop(name: str = "beetroot", estimate: Estimate | None = None, **changed) -> Crop:
    """A cool-season crop that is neither chilled nor harmed by soaking."""
    facts = {
        "name": name,
        "latin_name": "",
        "response": "beta",
        "response_reason": "invented",
        "estimate": estimate or Estimate.generic(name),
        "stand_low_C": 2.0,
        "stand_low_width_C": 1.0,
        "stand_high_C": 35.0,
        "stand_high_width_C": 1.5,
        "chilling_sensitive": False,
        "chilling_limit_C": 5.0,
        "harmed_by_soaking": False,
        "safe_soak_h": 24.0,
        "tender": False,
        "season": "cool",
        "seed_size": "medium",
    }
    return Crop(**(facts | changed))
