"""Treatments: what they change must hold for every crop, and seeds are neither made nor lost."""

from __future__ import annotations

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.forecast import (
    CropDraws,
    RowForecast,
    forecast_constant,
)
from thermosprout.emergence.treatments import Handling, Treatment, seed_state

DIRECT = Handling()
SOAK = Handling(treatment=Treatment.SOAKED, soak_h=12, water_C=20)
SPROUT = Handling(treatment=Treatment.PRESPROUTED, sprout_h=72, room_C=22)


def median_days(row: RowForecast, stage: str = "half") -> float:
    return float(row.stage_quantile(stage, [0.5])[0]) / 24


@pytest.mark.parametrize(
    "handling",
    [
        DIRECT,
        SOAK,
        SPROUT,
        Handling(treatment=Treatment.PRESPROUTED, radicle_mm=3.0),
        Handling(treatment=Treatment.PRESPROUTED, sprout_h=80, room_C=22, sorted=True),
    ],
)
def test_share_after_the_needed_thermal_time_is_the_share_asked(handling: Handling) -> None:
    crop = plain_crop()
    draws = CropDraws.of(crop, 200)
    state = seed_state(crop, draws.values, draws.rates, handling, depth_cm=2.5)
    asked = np.tile([0.2, 0.5, 0.9], (200, 1))
    needed = state.needed(asked)
    # Seed so far gone that it shows at once has no later share to ask for.
    at_once = needed <= 0.06
    found = np.where(at_once, asked, state.emerged(needed))
    assert found == pytest.approx(asked, abs=1e-6)


def test_stages_come_in_order_and_half_is_the_published_time() -> None:
    crop = plain_crop(t_base=8.0, thermal_time=120.0)
    row = forecast_constant(crop, 20.0, seeds=400)
    ordered = row.hours[~np.isnan(row.hours).any(axis=1)]
    assert (np.diff(ordered, axis=1) >= 0).all()
    assert median_days(row) == pytest.approx(120 / 12, rel=0.03)


def test_sprouting_shortens_the_ground_time_and_soaking_hardly() -> None:
    crop = plain_crop()
    dry, soaked, sprouted = (
        median_days(forecast_constant(crop, 27.0, handling=handling))
        for handling in (DIRECT, SOAK, SPROUT)
    )
    assert sprouted < dry - 1
    assert 0 <= dry - soaked < 0.5


def test_deeper_is_later() -> None:
    crop = plain_crop()
    days = [median_days(forecast_constant(crop, 18.0, depth_cm=d)) for d in (1.0, 2.5, 5.0)]
    assert days == sorted(days)
    assert days[0] < days[2]


def test_soaking_beyond_the_safe_time_costs_seed() -> None:
    crop = plain_crop(safe_soak_h=12.0)
    short = forecast_constant(crop, 20.0, handling=SOAK)
    long = forecast_constant(
        crop, 20.0, handling=Handling(treatment=Treatment.SOAKED, soak_h=60, water_C=20)
    )
    assert long.share.mean() < short.share.mean() - 0.03


def test_cold_in_the_first_day_harms_dry_seed_only() -> None:
    crop = plain_crop(chilling_limit=15.0)
    hardy = plain_crop(chilling_limit=15.0, chilling_sensitive=False)
    assert forecast_constant(crop, 10.0).share.mean() < forecast_constant(hardy, 10.0).share.mean()
    assert forecast_constant(crop, 10.0, handling=SPROUT).share == pytest.approx(
        forecast_constant(hardy, 10.0, handling=SPROUT).share
    )


def test_seeds_started_and_seeds_planted_are_kept_apart() -> None:
    viability = np.full(1000, 0.6)
    row = forecast_constant(plain_crop(), 20.0, handling=SPROUT, viability=viability)
    # Only sprouted seed is planted, so viability is in the figure per seed started alone.
    expected = row.share * 0.6 * row.state.sprouted
    assert row.share_of_started == pytest.approx(expected)
    assert (row.seedlings <= row.sowing.seeds_planted).all()
    assert (row.stand_per_seed_started <= row.stand).all()


def test_same_inputs_give_the_same_answer() -> None:
    first, second = (forecast_constant(plain_crop(), 15.0, seed=5) for _ in range(2))
    assert np.array_equal(first.hours, second.hours, equal_nan=True)
    other = forecast_constant(plain_crop(), 15.0, seed=6)
    assert not np.array_equal(first.hours, other.hours, equal_nan=True)


def test_too_cold_is_never_and_is_said_so() -> None:
    row = forecast_constant(plain_crop(t_base=8.0, base_spread=0.01), 4.0)
    assert np.isinf(row.stage_quantile("half", [0.5])[0]) or row.nothing_odds > 0.9
