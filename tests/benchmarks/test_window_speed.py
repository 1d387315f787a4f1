"""A year of sowing days over many years: the window against asking the clock day by day."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.conftest import Paired
from tests.planning.climates import INLAND, series, soil_under, years
from thermosprout.crops.catalogue import catalogue
from thermosprout.crops.crop import Crop
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.treatments import seed_state
from thermosprout.planning.air_steps import AirSteps
from thermosprout.planning.few_draws import FewDraws
from thermosprout.planning.many_sowings import SoilSteps
from thermosprout.planning.options import usual_options
from thermosprout.planning.window import sowing_window

YEARS, SOWINGS, CROPS = 30, 365, 20
ASKED_SECONDS = 5.0


@pytest.fixture(scope="module")
def climate() -> tuple[np.ndarray, np.ndarray]:
    air = years(INLAND, YEARS, days=SOWINGS + 200)
    return soil_under(air), air


def _crops() -> list[Crop]:
    return list(catalogue().values())[:CROPS]


@pytest.mark.benchmark(group="sowing window: 365 days x 30 years x 20 crops x 3 treatments")
def test_window_of_a_year_against_the_clock_of_single_days(
    climate: tuple[np.ndarray, np.ndarray], paired: Paired
) -> None:
    soil, air = (series(values) for values in climate)

    def ours() -> None:
        steps, above = SoilSteps.of(soil), AirSteps.of(air)
        sown = steps.start_h + 12 + 24.0 * np.arange(SOWINGS)
        for crop in _crops():
            sowing_window(
                crop, {"open bed": steps}, usual_options(crop, soaks_h=(crop.safe_soak_h,)),
                sowing_h=sown, depth_cm=2.0, draws=FewDraws.of(crop), air=above,
            )  # fmt: skip

    def day_by_day() -> None:
        # Emergence alone, without stand, harvest or frost, of one crop and one year of thirty.
        crop = _crops()[0]
        draws = FewDraws.of(crop)
        clock = ThermalClock(series(climate[0][0]), draws.crop.rates)
        for option in usual_options(crop, soaks_h=(crop.safe_soak_h,)):
            state = seed_state(
                crop, draws.crop.values, draws.crop.rates, option.handling, depth_cm=2.0
            )
            needed = state.needed(np.full((draws.row_speed.size, 1), 0.5))
            for day in range(SOWINGS):
                clock.cross(float(clock.first_h) + 12 + 24.0 * day, needed)

    # The reference does 1/600 of the work, and less of each piece; the ratio is per piece of work.
    ratios = paired(
        ours, {"clock day by day": day_by_day}, rounds=3,
        work={"clock day by day": 1 / (CROPS * YEARS)}, asked={"clock day by day": 0.1},
        asked_seconds=ASKED_SECONDS,
    )  # fmt: skip
    assert ratios
