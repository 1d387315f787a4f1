"""Invented climates: hourly air and soil temperature of as many years as are asked for."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import xarray as xr

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import CropDraws, clock_for
from thermosprout.emergence.harvest import Air, HarvestNeed
from thermosprout.planning.options import Option
from thermosprout.planning.window import WindowQuestion, sowing_window
from thermosprout.season.setting import Setting
from thermosprout.soil.series import soil_series

START = np.datetime64("2026-01-01T00", "h")


@dataclass(frozen=True)
class Climate:
    """Mean and swing of the year, swing of the day, and how much days differ. [degC]"""

    name: str
    mean: float
    year: float
    day: float
    weather: float


COOL = Climate("cool and maritime", 9.5, 6.0, 3.0, 2.2)
INLAND = Climate("inland, late spring", 8.5, 12.5, 5.0, 3.2)
WARM = Climate("warm and dry", 16.0, 8.5, 6.0, 2.5)


def years(climate: Climate, count: int, *, days: int = 460, seed: int = 0) -> np.ndarray:
    """Air temperature, shape (year, hour), with weather that lasts for some days."""
    rng = np.random.default_rng([seed, len(climate.name)])
    hours = np.arange(24 * days + 1)
    noise = rng.standard_normal((count, days + 2))
    for day in range(1, days + 2):
        noise[:, day] = 0.75 * noise[:, day - 1] + np.sqrt(1 - 0.75**2) * noise[:, day]
    warm_year = 0.8 * rng.standard_normal((count, 1))
    daily = np.stack([np.interp(hours / 24, np.arange(days + 2), row) for row in noise])
    course = climate.mean - climate.year * np.cos(2 * np.pi * (hours / 24 - 20) / 365)
    swing = climate.day * np.cos(2 * np.pi * (hours - 15) / 24)
    return course + swing + climate.weather * daily + warm_year


def soil_under(air: np.ndarray) -> np.ndarray:
    """Soil at 2 cm: the air's course, smoothed over half a day and lagging a little."""
    soil = np.empty_like(air)
    soil[:, 0] = air[:, 0]
    for hour in range(1, air.shape[1]):
        soil[:, hour] = soil[:, hour - 1] + (air[:, hour] + 0.8 - soil[:, hour - 1]) / 8.0
    return soil


def series(values: np.ndarray, *, what: str = "invented") -> xr.DataArray:
    """Hourly series, with members where there are several years."""
    time = START + np.arange(values.shape[-1]) * np.timedelta64(1, "h")
    return soil_series(time, values, depth_cm=2.0, source=what)


def ask_window(
    crop: Crop,
    soil: Mapping[str, xr.DataArray],
    options: Sequence[Option],
    day: np.ndarray,
    *,
    air: xr.DataArray | None = None,
    depth_cm: float = 2.5,
    size: int = 120,
    viability: float = 0.85,
    **question: Any,
) -> xr.Dataset:
    """Sowing window for noons of days after the series begin."""
    draws = CropDraws.of(crop, size)
    clocks = {cover: clock_for(draws, one) for cover, one in soil.items()}
    first_h = next((clock.first_h for clock in clocks.values()), 0.0)
    beds = {
        cover: Setting(
            draws=draws, clock=clock, viability=np.full(size, viability), ln_shift=np.zeros(size),
            depth_cm=depth_cm,
        )
        for cover, clock in clocks.items()
    }  # fmt: skip
    return sowing_window(
        WindowQuestion(
            planted_h=first_h + 12 + 24.0 * np.asarray(day), need=HarvestNeed.of(crop, size),
            air=None if air is None else Air.of(air), **question,
        ),
        beds, options,
    )  # fmt: skip
