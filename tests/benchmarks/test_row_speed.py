"""One row from Python, and a market garden of rows, against a loop over the draws."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest
import xarray as xr

from tests.benchmarks.conftest import Paired, spring_soil
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.forecast import (
    STAGES,
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    forecast_row,
)
from thermosprout.emergence.response import response
from thermosprout.emergence.treatments import Handling
from thermosprout.soil.series import hours_since_epoch, soil_series

CROPS = ("carrot", "pea", "beet", "snap bean", "sweet corn", "onion", "lettuce", "spinach")
DRAWS = 1000


@pytest.fixture(scope="module")
def series() -> xr.DataArray:
    values = spring_soil(1, 120)[:, 0].astype(float)
    stamps = np.datetime64("2026-03-01", "ns") + np.arange(values.size) * np.timedelta64(1, "h")
    return soil_series(stamps, values, depth_cm=3, source="made up", surface="bare")


def row(crop_draws: CropDraws, clock: Any, name: str, planted_h: float) -> RowForecast:
    sowing = Sowing(
        row=name,
        crop=crop_draws.crop,
        handling=Handling(),
        started_h=planted_h,
        planted_h=planted_h,
        depth_cm=2.0,
        seeds_planted=100,
    )
    return forecast_row(
        sowing, crop_draws, clock, viability=np.ones(DRAWS), ln_shift=np.zeros(DRAWS)
    )


def answers(found: RowForecast) -> list[np.ndarray]:
    return [found.stage_quantile(stage, [0.1, 0.5, 0.9]) for stage in STAGES]


def single_row(series: xr.DataArray) -> list[np.ndarray]:
    """Everything from the crop's estimate to dates, nothing kept from before."""
    draws = CropDraws.of(find_crop("carrot"), DRAWS)
    first = float(hours_since_epoch(series["time"].values)[0])
    return answers(row(draws, clock_for(draws, series), "a", first + 200))


def market_garden(series: xr.DataArray, rows: int) -> list[list[np.ndarray]]:
    """Rows of eight crops, planted over sixty days."""
    draws = {name: CropDraws.of(find_crop(name), DRAWS) for name in CROPS}
    clocks = {name: clock_for(held, series) for name, held in draws.items()}
    first = float(hours_since_epoch(series["time"].values)[0])
    return [
        answers(row(draws[name], clocks[name], f"row {n}", first + 24 * (n % 60)))
        for n in range(rows)
        for name in [CROPS[n % len(CROPS)]]
    ]


def loop_over_draws(series: xr.DataArray, draws: CropDraws, few: int) -> list[float]:
    """Half emergence of one row, draw by draw, numpy over the hours of each."""
    values = series.values
    rates = draws.rates
    found = []
    for d in range(few):
        rate = response(
            rates.shape,
            values,
            rates.t_base[d],
            rates.t_opt[d],
            rates.t_ceiling[d],
            rates.curvature[d],
        )
        running = np.concatenate([[0.0], np.cumsum(0.5 * (rate[1:] + rate[:-1]) / 24)])
        needed = draws.values["thermal_time_50_Cd"][d] + running[200]
        found.append(float(np.interp(needed, running, np.arange(running.size))))
    return found


def median_wall(call: Any, rounds: int) -> float:
    begins = []
    for _ in range(rounds):
        begin = time.perf_counter()
        call()
        begins.append(time.perf_counter() - begin)
    return float(np.median(begins))


@pytest.mark.benchmark(group="rows: one row from Python")
def test_single_row(paired: Paired, series: xr.DataArray) -> None:
    draws = CropDraws.of(find_crop("carrot"), DRAWS)
    single_row(series)
    paired(
        lambda: single_row(series),
        {"a loop over draws, one stage": lambda: loop_over_draws(series, draws, 100)},
        work={"a loop over draws, one stage": 0.1},
        asked_s=0.020,
        wall_s=median_wall(lambda: single_row(series), 15),
        note="1,000 draws, 120 d hourly, three stages with odds and the stand; nothing kept",
    )


@pytest.mark.benchmark(group="rows: a market garden")
def test_two_hundred_rows(paired: Paired, series: xr.DataArray) -> None:
    draws = CropDraws.of(find_crop("carrot"), DRAWS)
    paired(
        lambda: market_garden(series, 200),
        {"a loop over draws, one stage": lambda: loop_over_draws(series, draws, 100)},
        rounds=3,
        work={"a loop over draws, one stage": 0.1 / 200},
        asked_s=2.0,
        wall_s=median_wall(lambda: market_garden(series, 200), 3),
        note="1,000 draws x 200 rows of eight crops x 120 d hourly, on one core",
    )
