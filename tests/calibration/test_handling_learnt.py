"""Side-by-side trials of a crop with thin evidence: effects are recovered, nil is learnt as nil.

Spinach has no published soak or sprouting of its own. Simulated growers sow it dry, soaked and
sprouted side by side in twelve plots each; what the calibrated crop says of soaking and sprouting
on a bed of 12 °C is held against the truth that made the counts.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import Planting, grow, spring
from thermosprout.calibration.result import calibrate
from thermosprout.crops.catalogue import find_crop, handling_evidence
from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import forecast_constant
from thermosprout.emergence.treatments import Handling, Treatment

CROP = find_crop("spinach")
SOAK = Handling(treatment=Treatment.SOAKED, soak_h=20.0)
SPROUT = Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0)
BED_C = 12.0
SIZE = 800
TRUTHS = {
    "nil": {"soak_credit": 0.0, "soak_stand": 0.0},
    "good soak": {"soak_credit": 1.1, "soak_stand": 0.6},
    "harmful soak": {"soak_credit": 0.2, "soak_stand": -0.6},
    "poor sprouts": {"sprout_stand": -0.7, "handling_delay_Cd": 50.0},
}


def effect(crop: Crop, handling: Handling) -> tuple[np.ndarray, np.ndarray]:
    """Draws of days sooner and of stand gained, on the bed."""
    half, share = [], []
    for one in (Handling(), handling):
        row = forecast_constant(
            crop, BED_C, handling=one, size=SIZE, viability=np.full(SIZE, 0.9), depth_cm=2.0
        )
        needed = row.state.needed(np.full((SIZE, 1), 0.5))
        half.append(row.clock.cross(0.0, needed)[:, 0] / 24.0)
        share.append(row.share)
    return half[0] - half[1], share[1] - share[0]


def exact(crop: Crop, values: dict[str, float]) -> Crop:
    """Crop that is known for sure."""
    from thermosprout.crops.estimate import PARAMETERS

    names = crop.estimate.names
    mean = np.array([float(PARAMETERS[name].transform(values[name])) for name in names])
    covariance = 1e-12 * np.eye(len(names))
    return replace(crop, estimate=replace(crop.estimate, mean=mean, covariance=covariance))


@pytest.mark.slow
@pytest.mark.parametrize("name", TRUTHS)
def test_effects_of_a_thin_crop_are_recovered(name: str) -> None:
    assert handling_evidence("spinach", "sprouting").grade != "measured"
    values = CROP.estimate.centre() | {"field_factor": 0.7} | TRUTHS[name]
    truth = {key: np.array([value]) for key, value in values.items()}
    true_crop = exact(CROP, values)
    misses, narrower = [], []
    for season in range(2):
        rng = np.random.default_rng(season)
        series = spring(seed=season)
        plantings = [
            Planting(day=day, plots=6, seeds=60, handling=handling)
            for day in (12.4, 26.4)
            for handling in (Handling(), SOAK, SPROUT)
        ]
        plots = grow(CROP, truth, series, plantings, rng)
        found = calibrate(CROP, plots, [series], seed=season)
        learnt = replace(CROP, estimate=found.estimates[-1])
        for handling in (SOAK, SPROUT):
            for measure, seen, true, before in zip(
                ("days", "stand"), effect(learnt, handling), effect(true_crop, handling),
                effect(CROP, handling), strict=True,
            ):  # fmt: skip
                low, middle, high = np.nanquantile(seen, [0.05, 0.5, 0.95])
                target = float(np.median(true))
                misses.append((handling.treatment.value, measure, target, low, middle, high))
                narrower.append(np.nanstd(seen) < np.nanstd(before))
    for miss in misses:
        print(name, *miss[:2], " ".join(f"{value:.2f}" for value in miss[2:]))
    assert np.mean([low <= target <= high for *_, target, low, _, high in misses]) >= 0.75
    for treatment in ("soaked", "presprouted"):
        for measure, allowed in (("days", 0.5), ("stand", 0.05)):
            errors = [
                middle - target
                for one, what, target, _, middle, _ in misses
                if (one, what) == (treatment, measure)
            ]
            assert abs(np.mean(errors)) < allowed, (treatment, measure)
    assert np.mean(narrower) >= 0.9
