"""Facts of the trade (common practice, no source): a warm summer bed of snap beans.

Soil about 24 to 30 degC, good seed sown dry 2.5 cm deep shows between day 4 and day 6; an
overnight soak gives no clear gain there; seed on damp paper indoors shows radicles after 2 to 4
days and comes up 3 to 5 days after planting out; old lots take a day or two longer. The forecast's
80 % interval must hold the middle of each range.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.seed_lots import SeedLot, ln_time_shift_draws, viability_draws
from thermosprout.emergence.forecast import (
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    forecast_row,
    generator,
)
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.soil.series import hours_since_epoch, soil_series

DAY = date(2026, 7, 1)
ROOM_C = 21.0


def warm_bed() -> xr.DataArray:
    hour = np.arange(24 * 60)
    time = np.datetime64("2026-07-01", "ns") + hour * np.timedelta64(1, "h")
    values = 27.0 + 3.0 * np.cos(2 * np.pi * (hour - 16) / 24)
    return soil_series(time, values, depth_cm=2.5, source="made for this test", surface="bare")


def bean_row(handling: Handling, lot: SeedLot | None = None, size: int = 4000) -> RowForecast:
    crop = find_crop("snap bean")
    series = warm_bed()
    draws = CropDraws.of(crop, size)
    seed_lot = lot or SeedLot(id="good", crop=crop.name, seeds_tested=200, seeds_germinated=190)
    start = float(hours_since_epoch(series["time"].values)[0]) + 8
    return forecast_row(
        Sowing(
            row="B",
            crop=crop,
            handling=handling,
            started_h=start,
            planted_h=start,
            depth_cm=2.5,
            seeds_planted=60,
        ),
        draws,
        clock_for(draws, series),
        viability=viability_draws(seed_lot, crop, size, generator(0, "viability"), DAY),
        ln_shift=ln_time_shift_draws(seed_lot, crop, size, generator(0, "shift"), DAY),
    )


def days(row: RowForecast, stage: int) -> np.ndarray:
    return np.asarray((row.hours[:, stage] - row.sowing.planted_h) / 24)


def interval(values: np.ndarray) -> tuple[float, float]:
    low, high = np.nanquantile(values, [0.1, 0.9])
    return float(low), float(high)


def test_dry_seed_shows_between_day_four_and_six() -> None:
    low, high = interval(days(bean_row(Handling()), 0))
    assert low <= 5.0 <= high


def test_an_overnight_soak_gains_less_than_half_a_day() -> None:
    soak = Handling(treatment=Treatment.SOAKED, soak_h=12, water_C=20)
    gain = days(bean_row(Handling()), 1) - days(bean_row(soak), 1)
    assert np.nanmedian(gain) < 0.5


def test_radicles_show_on_damp_paper_after_two_to_four_days() -> None:
    crop = find_crop("snap bean")
    draws = CropDraws.of(crop, 4000)
    germination = draws.values["germination_share"] * draws.values["thermal_time_50_Cd"]
    low, high = interval(germination / draws.rates.at(ROOM_C))
    assert low <= 3.0 <= high


@pytest.mark.parametrize("stage", [0, 1], ids=["first", "half"])
def test_sprouted_seed_comes_up_three_to_five_days_after_planting_out(stage: int) -> None:
    sprouted = Handling(treatment=Treatment.PRESPROUTED, radicle_mm=3.0, room_C=ROOM_C)
    low, high = interval(days(bean_row(sprouted), stage))
    assert low <= 4.0 <= high


def test_an_old_lot_takes_a_day_or_two_longer() -> None:
    old = SeedLot(id="old", crop="snap bean", seeds_tested=100, seeds_germinated=65)
    # Tested lately, so its age is in the count of germinated seeds.
    later = days(bean_row(Handling(), old), 1) - days(bean_row(Handling()), 1)
    low, high = interval(later)
    assert low <= 1.5 <= high
