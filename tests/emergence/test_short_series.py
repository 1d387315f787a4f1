"""A series that ends before a row is up says nothing against its stand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.forecast import CropDraws, Sowing, clock_for, forecast_row
from thermosprout.emergence.stand import half_beyond
from thermosprout.emergence.treatments import Handling
from thermosprout.soil.series import hours_since_epoch, soil_series


def stand(days: int, temperature_C: float = 10.0, planted_d: int = 1) -> np.ndarray:
    """Expected stand of a row under an invented constant soil that is known for some days."""
    crop = plain_crop()
    draws = CropDraws.of(crop, 200)
    time = np.datetime64("2026-04-01") + np.arange(24 * days) * np.timedelta64(1, "h")
    series = soil_series(time, np.full(time.size, temperature_C), depth_cm=2.0, source="invented")
    last = float(planted_d >= days)
    planted = float(hours_since_epoch(time[:1])[0]) + 24.0 * planted_d - last
    sowing = Sowing(
        row="A", crop=crop, handling=Handling(), started_h=planted, planted_h=planted,
        depth_cm=2.0, seeds_planted=100,
    )  # fmt: skip
    row = forecast_row(
        sowing, draws, clock_for(draws, series), viability=np.full(200, 0.9),
        ln_shift=np.zeros(200), seed=1,
    )  # fmt: skip
    return row.share


@pytest.mark.parametrize("days", [4, 8, 15, 40])
def test_the_end_of_the_temperatures_does_not_move_the_stand(days: int) -> None:
    assert stand(days) == pytest.approx(stand(200), rel=0.01)


@pytest.mark.parametrize("planted_d", [9, 10])
def test_a_row_planted_at_the_end_keeps_the_pace(planted_d) -> None:
    assert stand(10, planted_d=planted_d) == pytest.approx(stand(200), rel=0.01)


def test_seed_that_never_moves_waits_without_end() -> None:
    # Below the base temperature of every draw there is no pace to go on with.
    assert stand(8, -8.0).mean() < 0.1


def test_the_pace_so_far_goes_on() -> None:
    half = half_beyond(
        np.array([5.0, np.inf, np.inf]), planted=2.0, span=4.0,
        needed=np.array([30.0, 80.0, 80.0]), done=np.array([40.0, 40.0, 0.0]),
    )  # fmt: skip
    assert half.tolist() == [5.0, 10.0, np.inf]
