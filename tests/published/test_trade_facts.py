"""Facts of the trade on snap beans in a warm summer bed; common practice, no source.

Soil of 24 to 30 degC, good seed sown dry 2.5 cm deep shows between day 4 and day 6; an overnight
soak gives no clear gain there; seed on damp paper indoors shows radicles after 2 to 4 days and
comes up 3 to 5 days after planting out; old lots take a day or two longer.

The middle of the forecast must lie in the range of the fact. Where it does not, the fact stands in
``MISSES`` with the figure and its date, which may not drift.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date

import numpy as np
import pytest
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.crops.seed_lots import SeedLot, ln_time_shift_draws, viability_draws
from thermosprout.emergence.forecast import (
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    forecast_constant,
    forecast_row,
    generator,
)
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.soil.series import hours_since_epoch, soil_series

BEAN = find_crop("snap bean")
DAY = date(2026, 7, 1)
FIRST, HALF = 0, 1
DRAWS = 4000
STEADY_DRAWS = 40_000
"""Enough for a difference of two medians to 0.02 d."""

DRY = Handling()
SOAKED = Handling(treatment=Treatment.SOAKED, soak_h=12, water_C=20)
SPROUTED = Handling(treatment=Treatment.PRESPROUTED, radicle_mm=3.0, room_C=21.0)
THREE_DAYS = Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0, room_C=20.5)
SORTED = Handling(treatment=Treatment.PRESPROUTED, radicle_mm=4.0, sorted=True)
OLD = SeedLot(id="old", crop=BEAN.name, seeds_tested=100, seeds_germinated=65)


def summer_bed(handling: Handling, lot: SeedLot | None = None) -> RowForecast:
    """Row in soil of 27 degC that swings by 3 degC either way every day."""
    hour = np.arange(24 * 60)
    time = np.datetime64("2026-07-01", "ns") + hour * np.timedelta64(1, "h")
    values = 27.0 + 3.0 * np.cos(2 * np.pi * (hour - 16) / 24)
    series: xr.DataArray = soil_series(
        time, values, depth_cm=2.5, source="made for this test", surface="bare"
    )
    draws = CropDraws.of(BEAN, DRAWS)
    seed_lot = lot or SeedLot(id="good", crop=BEAN.name, seeds_tested=200, seeds_germinated=190)
    start = float(hours_since_epoch(series["time"].values)[0]) + 8
    return forecast_row(
        Sowing(
            row="B",
            crop=BEAN,
            handling=handling,
            started_h=start,
            planted_h=start,
            depth_cm=2.5,
            seeds_planted=60,
        ),
        draws,
        clock_for(draws, series),
        viability=viability_draws(seed_lot, BEAN, DRAWS, generator(0, "viability"), DAY),
        ln_shift=ln_time_shift_draws(seed_lot, BEAN, DRAWS, generator(0, "shift"), DAY),
    )


def days(row: RowForecast, stage: int) -> np.ndarray:
    """Draws of days since planting."""
    return np.asarray((row.hours[:, stage] - row.sowing.planted_h) / 24)


def steady(celsius: float, handling: Handling = DRY, stage: str = "first") -> float:
    """Even odds of a stage at a constant temperature, in days since planting."""
    row = forecast_constant(
        BEAN, celsius, depth_cm=2.5, handling=handling, seeds=60, size=STEADY_DRAWS
    )
    return float(row.stage_quantile(stage, [0.5])[0]) / 24.0


def middle(values: np.ndarray) -> float:
    return float(np.nanmedian(values))


def gain(handling: Handling, stage: int) -> float:
    return middle(days(summer_bed(DRY), stage) - days(summer_bed(handling), stage))


def radicles_after() -> float:
    draws = CropDraws.of(BEAN, DRAWS)
    germination = draws.values["germination_share"] * draws.values["thermal_time_50_Cd"]
    return middle(germination / draws.rates.at(21.0))


Fact = tuple[float, float, Callable[[], float]]
SUMMER: dict[str, Fact] = {
    "dry seed shows": (4, 6, lambda: middle(days(summer_bed(DRY), FIRST))),
    "soak brings the first forward by": (-0.2, 0.5, lambda: gain(SOAKED, FIRST)),
    "soak brings half forward by": (-0.2, 0.5, lambda: gain(SOAKED, HALF)),
    "radicles show on damp paper": (2, 4, radicles_after),
    "sprouted seed shows": (3, 5, lambda: middle(days(summer_bed(SPROUTED), FIRST))),
    "sprouted seed is half up": (3, 5, lambda: middle(days(summer_bed(SPROUTED), HALF))),
    "an old lot is later by": (
        1, 2, lambda: middle(days(summer_bed(DRY, OLD), HALF) - days(summer_bed(DRY), HALF))
    ),
}  # fmt: skip
STEADY: dict[str, Fact] = {
    f"{what} at {celsius} °C": (low, high, lambda c=celsius, f=function: f(float(c)))
    for celsius in (24, 27, 30)
    for what, low, high, function in (
        ("dry seed shows", 4, 6, steady),
        ("soak brings the first forward by", -0.2, 0.5, lambda c: steady(c) - steady(c, SOAKED)),
        ("seed of three days indoors shows", 3, 5, lambda c: steady(c, THREE_DAYS)),
        ("seed sorted at 4 mm shows", 3, 5, lambda c: steady(c, SORTED)),
    )
}
FACTS = SUMMER | STEADY

MISSES = {
    # figure of 27 November 2026 [d]
    "dry seed shows at 24 °C": 6.08,
    "soak brings the first forward by at 24 °C": -0.23,
    "soak brings the first forward by at 27 °C": -0.21,
    "soak brings the first forward by at 30 °C": -0.23,
    "sprouted seed is half up": 5.46,
    "seed sorted at 4 mm shows at 24 °C": 6.50,
    "seed sorted at 4 mm shows at 27 °C": 5.76,
    "seed sorted at 4 mm shows at 30 °C": 5.32,
    "an old lot is later by": 0.87,
}
"""Facts that the model does not meet, handling being fitted to published results and not to them.

Sorted seed has no early ones left, which are what shows first; the set-back of handling, fitted to
other crops, comes second (:func:`test_why_sorted_beans_show_late`). The model lets a seed that is
quick to germinate be as quick to the surface; were the two apart, sorted seed would spread more and
show sooner. No published row tells which: dry and sorted seed of one lot, dug up and timed from the
root on, would.
"""


@pytest.mark.parametrize("name", FACTS)
def test_the_middle_of_the_forecast_lies_in_the_growers_range(name: str) -> None:
    low, high, forecast = FACTS[name]
    figure = forecast()
    print(f"{name}: {figure:.2f} d, {low:g} to {high:g} in practice")
    if name in MISSES:
        assert not low <= figure <= high, "the fact is met: take it from the list"
        assert figure == pytest.approx(MISSES[name], abs=0.08)
    else:
        assert low <= figure <= high


@pytest.mark.parametrize("celsius", [24.0, 27.0, 30.0])
def test_beans_sprouted_three_days_show_before_dry_ones(celsius: float) -> None:
    assert steady(celsius, THREE_DAYS) < steady(celsius) - 1.0


@pytest.mark.parametrize("celsius", [24.0, 27.0, 30.0])
def test_why_sorted_beans_show_late(celsius: float) -> None:
    """What sorting, the set-back and the share up to the root each cost, one changed at a time."""

    def first(crop: Crop, handling: Handling) -> float:
        row = forecast_constant(crop, celsius, depth_cm=2.5, handling=handling, seeds=60, size=8000)
        return float(row.stage_quantile("first", [0.5])[0]) / 24.0

    def with_figure(name: str, value: float) -> Crop:
        mean = BEAN.estimate.mean.copy()
        mean[BEAN.estimate.names.index(name)] = PARAMETERS[name].transform(value)
        return replace(BEAN, estimate=replace(BEAN.estimate, mean=mean))

    late = first(BEAN, SORTED)
    costs = {
        "sorting": late - first(BEAN, replace(SORTED, sorted=False)),
        "set-back": late - first(with_figure("handling_delay_Cd", 0.5), SORTED),
        "a share of 33 % and not 45 % up to the root": (
            late - first(with_figure("germination_share", 0.45), SORTED)
        ),
    }
    print(f"{celsius:g} °C, sorted seed shows after {late:.2f} d, dry {first(BEAN, DRY):.2f} d; " +
          ", ".join(f"{name} {cost:.2f} d" for name, cost in costs.items()))  # fmt: skip
    assert list(costs.values()) == sorted(costs.values(), reverse=True)
    assert costs["sorting"] > 1.0
    assert late - costs["sorting"] < first(BEAN, DRY) - 1.0


def test_few_radicles_after_a_day_and_most_after_four() -> None:
    shares = [
        float(np.mean(forecast_constant(BEAN, 27.0, handling=indoors, size=2000).state.sprouted))
        for indoors in (
            Handling(treatment=Treatment.PRESPROUTED, sprout_h=24.0 * days_in, room_C=20.5)
            for days_in in (1.0, 2.0, 4.0, 6.0)
        )
    ]
    assert shares[0] < 0.1
    assert shares[1] > 0.05
    assert shares[2] > 0.5
    assert shares[3] > 0.8
