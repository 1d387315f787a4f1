"""A year of sowing days over many years: the window against asking the clock day by day."""

from __future__ import annotations

import numpy as np
import pytest

from tests.benchmarks.conftest import Paired
from tests.planning.climates import INLAND, series, soil_under, years
from thermosprout.crops.catalogue import catalogue
from thermosprout.crops.crop import Crop
from thermosprout.emergence.course_table import CourseTable
from thermosprout.emergence.forecast import CropDraws, clock_for
from thermosprout.emergence.harvest import Air, HarvestNeed
from thermosprout.emergence.treatments import seed_state
from thermosprout.planning.options import usual_options
from thermosprout.planning.window import WindowQuestion, sowing_window
from thermosprout.season.setting import Setting

YEARS, SOWINGS, CROPS, DRAWS = 30, 365, 4, 1000
ASKED_SECONDS = 10.0


@pytest.fixture(scope="module")
def climate() -> tuple[np.ndarray, np.ndarray]:
    air = years(INLAND, YEARS, days=SOWINGS + 200)
    return soil_under(air), air


def _crops() -> list[Crop]:
    return list(catalogue().values())[:CROPS]


@pytest.mark.benchmark(group="sowing window: 365 days x 30 years x 4 crops x 3 treatments")
def test_window_of_a_year_against_the_clock_of_single_days(
    climate: tuple[np.ndarray, np.ndarray], paired: Paired
) -> None:
    soil, air = (series(values) for values in climate)

    def ours() -> None:
        table, above = CourseTable(soil), Air.of(air)
        for crop in _crops():
            draws = CropDraws.of(crop, DRAWS)
            question = WindowQuestion(
                planted_h=table.first_h + 12 + 24.0 * np.arange(SOWINGS),
                need=HarvestNeed.of(crop, DRAWS), air=above,
            )  # fmt: skip
            bed = Setting(
                draws=draws, clock=clock_for(draws, table), viability=np.full(DRAWS, 0.9),
                ln_shift=np.zeros(DRAWS), depth_cm=2.0,
            )  # fmt: skip
            sowing_window(
                question, {"open bed": bed},
                usual_options(crop, soaks_h=(crop.safe_soak_h,)),
            )  # fmt: skip

    def day_by_day() -> None:
        # Emergence alone, without stand, harvest or frost, of one crop.
        crop = _crops()[0]
        draws = CropDraws.of(crop, DRAWS)
        clock = clock_for(draws, soil)
        for option in usual_options(crop, soaks_h=(crop.safe_soak_h,)):
            state = seed_state(crop, draws.values, draws.rates, option.handling, depth_cm=2.0)
            needed = state.needed(np.full((DRAWS, 1), 0.5))
            for day in range(SOWINGS):
                clock.cross(float(clock.first_h) + 12 + 24.0 * day, needed)

    # The reference does a quarter of the work, and less of each piece; the ratio is per piece.
    ratios = paired(
        ours, {"clock day by day": day_by_day}, rounds=3,
        work={"clock day by day": 1 / CROPS}, asked={"clock day by day": 1.0},
        asked_seconds=ASKED_SECONDS,
    )  # fmt: skip
    assert ratios
