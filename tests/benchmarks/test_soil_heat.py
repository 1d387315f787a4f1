"""How fast the soil model runs: 51 members over 120 days, hourly.

Reference in the same run: scipy's banded solver stepping the same columns implicitly.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.linalg import solve_banded

from tests.soil.test_model import spring
from thermosprout.soil.model.conduction import soil_column
from thermosprout.soil.model.temperature import soil_temperature, to_depth

MEMBERS, DAYS = 51, 120


@pytest.fixture(scope="module")
def weather() -> Any:
    return spring(days=DAYS, members=MEMBERS)


def test_model(benchmark: Any, weather: Any) -> None:
    series = benchmark(lambda: soil_temperature(weather, depth_cm=5, surface="bare"))
    assert series.shape == (MEMBERS, DAYS * 24)


def test_model_under_one_second(benchmark: Any, weather: Any) -> None:
    """The bar of this area: one second on an ordinary core."""
    benchmark.pedantic(
        lambda: soil_temperature(weather, depth_cm=5, surface="bare"), rounds=5, warmup_rounds=1
    )
    assert benchmark.stats.stats.min < 1.0


def test_moving_by_depth(benchmark: Any, weather: Any) -> None:
    series = soil_temperature(weather, depth_cm=5, surface="bare")
    moved = benchmark(lambda: to_depth(series, 2.5))
    assert moved.shape == series.shape


def test_reference_banded_steps(benchmark: Any) -> None:
    """Conduction alone by scipy.linalg.solve_banded, all members at once, backward Euler."""
    column = soil_column("loam", 1.0)
    grid = column.grid
    conductivity = float(column.soil.conductivity(0.25))
    capacity = float(column.soil.heat_capacity(0.25)) * grid.widths
    link = conductivity / np.diff(grid.nodes)
    exchange = 15.0
    diagonal = capacity / 3600.0
    diagonal[:-1] += link
    diagonal[1:] += link
    diagonal[0] += exchange
    bands = np.zeros((3, grid.size))
    bands[0, 1:] = -link
    bands[1] = diagonal
    bands[2, :-1] = -link
    air = 10.0 + 5.0 * np.sin(2 * np.pi * np.arange(DAYS * 24) / 24)

    def march() -> np.ndarray:
        state = np.full((grid.size, MEMBERS), 10.0)
        for now in air:
            right = state * (capacity / 3600.0)[:, None]
            right[0] += exchange * now
            state = solve_banded((1, 1), bands, right)
        return state

    assert np.isfinite(benchmark(march)).all()
