"""Response, accumulation and crossing of the grid engine against one pass and plain loops."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.benchmarks.conftest import Paired, processor_seconds, spring_soil
from tests.published.degree_days import average_degree_days
from thermosprout.maps.engine import GridResponse, SoilGrid, Thresholds, days_to_reach

DAYS, SOWINGS = 200, 120
LINEAR = GridResponse(shape="linear", t_base=4.0, t_opt=26.0, t_ceiling=38.0)
BETA = GridResponse(shape="beta", t_base=4.0, t_opt=26.0, t_ceiling=38.0, curvature=1.3)
QUANTILES = [Thresholds(thermal_time=np.array([[90.0, 110.0, 140.0]]))]
SOWN = np.arange(SOWINGS) * 24 + 12.0


def one_pass(soil: np.ndarray, response: GridResponse) -> np.ndarray:
    """Read, transform and sum as one writes it with numpy, in single precision."""
    base, opt, top = (np.float32(x) for x in (response.t_base, response.t_opt, response.t_ceiling))
    if response.shape == "linear":
        slope = (opt - base) / (top - opt)
        return np.clip(np.minimum(soil - base, slope * (top - soil)), 0, None).sum(axis=0)
    below = np.clip((soil - base) / (opt - base), 0, None)
    above = np.clip((top - soil) / (top - opt), 0, None)
    curve = above * below ** ((opt - base) / (top - opt))
    return (curve ** np.float32(response.curvature)).sum(axis=0)


def one_pass_in_cache(soil: np.ndarray, response: GridResponse, rows: int = 64) -> np.ndarray:
    """The same for the linear response, cut by hand into pieces that never leave the cache."""
    base, opt, top = (np.float32(x) for x in (response.t_base, response.t_opt, response.t_ceiling))
    slope = (opt - base) / (top - opt)
    total = np.zeros(soil.shape[1], np.float32)
    rate, other = (np.empty((rows, soil.shape[1]), np.float32) for _ in range(2))
    for begin in range(0, len(soil) - rows + 1, rows):
        piece = soil[begin : begin + rows]
        np.subtract(piece, base, out=rate)
        np.subtract(top, piece, out=other)
        np.multiply(other, slope, out=other)
        np.minimum(rate, other, out=rate)
        np.maximum(rate, 0, out=rate)
        total += rate.sum(axis=0)
    return total


def days_above_base(soil: np.ndarray) -> np.ndarray:
    """What a sum above a base temperature asks: less than our response."""
    return np.maximum(soil - np.float32(4), 0).sum(axis=0)


@pytest.mark.parametrize("node_h", [1, 3])
@pytest.mark.benchmark(group="grid: one pass of numpy over the same array")
def test_against_one_pass(paired: Paired, node_h: int) -> None:
    soil = spring_soil(4096, DAYS)
    paired(
        lambda: days_to_reach(SoilGrid(hourly=soil), LINEAR, SOWN, QUANTILES, node_h=node_h),
        {
            "read, transform, sum in numpy": lambda: one_pass(soil, LINEAR),
            "the same cut by hand into pieces for the cache": lambda: one_pass_in_cache(
                soil, LINEAR
            ),
            "sum above a base in numpy": lambda: days_above_base(soil),
        },
        asked={
            "read, transform, sum in numpy": 3.0,
            "the same cut by hand into pieces for the cache": 3.0,
        },
        note=f"linear response, {SOWINGS} sowings x 3 quantiles, 4096 cells x 4800 h, nodes "
        f"{node_h} h apart",
    )


@pytest.mark.benchmark(group="grid: one pass of numpy over the same array")
def test_curved_response_against_one_pass(paired: Paired) -> None:
    soil = spring_soil(4096, DAYS)
    paired(
        lambda: days_to_reach(SoilGrid(hourly=soil), BETA, SOWN, QUANTILES),
        {"read, transform, sum in numpy": lambda: one_pass(soil, BETA)},
        rounds=3,
        asked={"read, transform, sum in numpy": 3.0},
        note=f"beta response, {SOWINGS} sowings x 3 quantiles, 4096 cells x 4800 h",
    )


def spreadsheet(soil: np.ndarray, sowings: int) -> list[list[float]]:
    """Day by day and cell by cell, as a grower's spreadsheet does it: degree-days, one quantile."""
    answers = []
    for cell in range(soil.shape[1]):
        days = soil[:, cell].reshape(-1, 24)
        column = [average_degree_days_plain(float(d.min()), float(d.max())) for d in days]
        row = []
        for sown in range(sowings):
            total, day = 0.0, sown
            while day < len(column) and total < 110.0:
                total += column[day]
                day += 1
            row.append(float(day - sown) if total >= 110.0 else float("nan"))
        answers.append(row)
    return answers


def average_degree_days_plain(low: float, high: float) -> float:
    """Average of minimum and maximum above the base."""
    return max((low + high) / 2 - 4.0, 0.0)


@pytest.mark.benchmark(group="grid: a plain loop")
def test_against_a_plain_loop(paired: Paired) -> None:
    soil = spring_soil(4096, DAYS)
    few = np.ascontiguousarray(soil[:, :8])
    paired(
        lambda: days_to_reach(SoilGrid(hourly=soil), LINEAR, SOWN, QUANTILES),
        {"a loop over cells, sowings and days": lambda: spreadsheet(few, SOWINGS)},
        rounds=3,
        work={"ours": 4096, "a loop over cells, sowings and days": 8},
        note="per cell; the loop steps by whole days from daily minimum and maximum and answers "
        "one quantile, ours follows the hours and answers three",
    )


@pytest.mark.benchmark(group="grid: a climate-index library")
def test_against_the_degree_day_sum_of_a_climate_index_library(paired: Paired) -> None:
    xr = pytest.importorskip("xarray")
    indices = pytest.importorskip("xclim.indices")
    soil = spring_soil(4096, DAYS).reshape(DAYS, 24, 64, 64)
    low, high = soil.min(axis=1), soil.max(axis=1)
    time_ = np.datetime64("2026-01-01", "ns") + np.arange(DAYS) * np.timedelta64(1, "D")
    mean = xr.DataArray(
        0.5 * (low + high),
        dims=("time", "lat", "lon"),
        coords={"time": time_},
        attrs={"units": "degC"},
    )
    assert average_degree_days(low, high, 4.0).shape == mean.shape
    daily = SoilGrid(low=low.reshape(DAYS, -1), high=high.reshape(DAYS, -1))

    def index() -> Any:
        return indices.growing_degree_days(mean, thresh="4 degC", freq="YS").values

    paired(
        lambda: days_to_reach(daily, LINEAR, SOWN, QUANTILES),
        {"xclim growing_degree_days": index},
        note="one sum of daily means a year there; here 24 hours a day from minimum and maximum, "
        f"{SOWINGS} sowings x 3 quantiles, on the same 64 x 64 x {DAYS} d",
    )


def exponent(sizes: list[int], seconds: list[float]) -> float:
    """Slope of the logarithms by least squares."""
    return float(np.polyfit(np.log(sizes), np.log(seconds), 1)[0])


@pytest.mark.benchmark(group="grid: how time grows")
def test_time_grows_with_cells_and_with_hours(benchmark: Any) -> None:
    # One sowing a quarter of the days, so that questions grow with the hours too.
    by_cells: dict[int, float] = {}
    by_hours: dict[int, float] = {}

    def least(call: Callable[[], Any], rounds: int) -> float:
        return min(processor_seconds(call) for _ in range(rounds))

    for cells in (42, 417, 4167, 41667):
        soil = spring_soil(cells, 100)
        sown = np.arange(60) * 24 + 12.0
        by_cells[soil.size] = least(
            lambda soil=soil, sown=sown: days_to_reach(
                SoilGrid(hourly=soil), LINEAR, sown, QUANTILES
            ),
            9 if cells < 5000 else 3,
        )
    for days in (2, 20, 200, 2000):
        soil = spring_soil(2083, days)
        sown = np.arange(max(days // 4, 1)) * 24 + 12.0
        by_hours[soil.size] = least(
            lambda soil=soil, sown=sown: days_to_reach(
                SoilGrid(hourly=soil), LINEAR, sown, QUANTILES
            ),
            9 if days < 500 else 3,
        )
    benchmark.extra_info.update(
        exponents={
            "cells, 1e5 to 1e8 values": exponent(list(by_cells), list(by_cells.values())),
            "hours, 1e5 to 1e8 values": exponent(list(by_hours), list(by_hours.values())),
        },
        points={"cells": by_cells, "hours": by_hours},
        asked={"cells": "1.0 +- 0.05", "hours": "1.0 +- 0.05"},
    )
    small = spring_soil(417, 100)
    benchmark.pedantic(
        lambda: days_to_reach(SoilGrid(hourly=small), LINEAR, [12.0], QUANTILES), rounds=1
    )


def run_delay_s() -> float:
    """Time this thread was ready to run but the machine ran others (Linux); zero elsewhere."""
    try:
        told = Path(f"/proc/self/task/{threading.get_native_id()}/schedstat").read_text()
    except OSError:
        return 0.0
    return int(told.split()[1]) / 1e9


def own_wall(call: Callable[[], Any]) -> float:
    """Wall time of a call in this thread less what the neighbours took: work, locks and waits."""
    begin, delay = time.perf_counter(), run_delay_s()
    call()
    return time.perf_counter() - begin - (run_delay_s() - delay)


@pytest.mark.benchmark(group="grid: threads")
def test_two_threads(benchmark: Any) -> None:
    """Eight tiles on one thread and on two."""
    tiles = [spring_soil(4096, 120, seed) for seed in range(8)]
    sown = np.arange(0, 90, 7) * 24 + 12.0

    def work(some: list[np.ndarray]) -> None:
        for tile in some:
            days_to_reach(SoilGrid(hourly=tile), BETA, sown, QUANTILES)

    def longest(threads: int) -> float:
        shares = [tiles[n::threads] for n in range(threads)]
        with ThreadPoolExecutor(threads) as pool:
            return max(pool.map(lambda share: own_wall(lambda: work(share)), shares))

    turns = np.array([(longest(1), longest(2)) for _ in range(5)])
    benchmark.extra_info.update(
        speed_up_of_two_threads=float(np.median(turns[:, 0] / turns[:, 1])),
        note="time of the slower thread less the time in which the machine ran other programs",
    )
    benchmark.pedantic(lambda: work(tiles[:1]), rounds=1)
