"""Facts of the trade on snap beans; common practice, no source."""

from __future__ import annotations

import numpy as np
import pytest

from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.forecast import RowForecast, forecast_constant
from thermosprout.emergence.treatments import Handling, Treatment

WARM = (24.0, 27.0, 30.0)
BEAN = find_crop("snap bean")
THREE_DAYS = Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0, room_C=20.5)
SORTED = Handling(treatment=Treatment.PRESPROUTED, radicle_mm=4.0, sorted=True)
AT_4_MM = pytest.mark.xfail(
    strict=False,
    reason="2026-11-27: of seed sorted at 4 mm the first comes up 0.4, 0.3 and 0.3 d after the "
    "first of dry seed at 24, 27 and 30 degC, and at 27 degC on day 4.06 at the earliest (10 %), "
    "since the figures of handling are fitted to published results",
)


def row(temperature: float, handling: Handling | None = None) -> RowForecast:
    return forecast_constant(
        BEAN, temperature, depth_cm=2.5, handling=handling, seeds=60, size=2000
    )


def first(temperature: float, handling: Handling | None = None) -> list[float]:
    quantiles = row(temperature, handling).stage_quantile("first", [0.1, 0.5, 0.9])
    return [float(hours) / 24.0 for hours in quantiles]


@pytest.mark.parametrize("temperature", WARM)
def test_beans_show_between_day_4_and_day_6_in_a_warm_bed(temperature):
    low, middle, high = first(temperature)
    assert low < 5.0 < high
    assert 3.5 < middle < 6.5


@pytest.mark.parametrize(
    "temperature",
    [
        pytest.param(
            24.0,
            marks=pytest.mark.xfail(
                strict=False,
                reason="2026-11-27: the first of soaked seed 0.22 d after the first of dry "
                "(bar 0.2 d), since the figures of handling are fitted to published results",
            ),
        ),
        27.0,
        30.0,
    ],
)
def test_an_overnight_soak_gains_less_than_half_a_day(temperature):
    soaked = Handling(treatment=Treatment.SOAKED, soak_h=12.0, water_C=20.0)
    for stage in ("first", "half"):
        dry, wet = (
            float(row(temperature, handling).stage_quantile(stage, [0.5])[0]) / 24.0
            for handling in (None, soaked)
        )
        assert -0.2 < dry - wet < 0.5


def test_radicles_show_after_2_to_4_days_on_damp_paper_indoors():
    sprouted = [
        Handling(treatment=Treatment.PRESPROUTED, sprout_h=24.0 * days, room_C=20.5)
        for days in (1.0, 2.0, 3.0, 4.0, 6.0)
    ]
    shares = [float(np.mean(row(27.0, handling).state.sprouted)) for handling in sprouted]
    assert shares[0] < 0.1
    assert shares[1] > 0.05
    assert shares[3] > 0.5
    assert shares[4] > 0.8


@pytest.mark.parametrize("temperature", WARM)
@pytest.mark.parametrize(
    "sprouted", [THREE_DAYS, pytest.param(SORTED, marks=AT_4_MM)], ids=["3 days", "4 mm"]
)
def test_sprouted_beans_come_up_3_to_5_days_after_planting_out(temperature, sprouted):
    """Day 4 lies inside the interval in the middle of the warm range; near its ends, 3 to 5 do."""
    low, middle, high = first(temperature, sprouted)
    assert low < 5.0
    assert high > 3.0
    assert middle < first(temperature)[1]
    if temperature == 27.0:
        assert low < 4.0 < high
