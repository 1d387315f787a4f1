"""The thermal-time clock against analytic solutions and against summing step by step."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st

from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.errors import CoverageError
from thermosprout.soil.series import hours_since_epoch, soil_series


def response_draws(size: int, shape: str = "linear", base: float = 5.0) -> ResponseDraws:
    return ResponseDraws(
        shape=shape,  # type: ignore[arg-type]
        t_base=np.full(size, base),
        t_opt=np.full(size, 28.0),
        t_ceiling=np.full(size, 40.0),
        curvature=np.ones(size),
    )


def hourly(values: np.ndarray, start: str = "2026-03-01") -> xr.DataArray:
    size = np.shape(values)[-1]
    time = np.datetime64(start, "ns") + np.arange(size) * np.timedelta64(1, "h")
    return soil_series(time, values, depth_cm=2, source="made", surface="bare")


def first_hour(series: xr.DataArray) -> float:
    return float(hours_since_epoch(series["time"].values)[0])


@pytest.mark.parametrize("phase", [0.0, 3.7, 8.3])
def test_sine_that_crosses_the_base_has_its_analytic_sum(phase: float) -> None:
    # The mean lies on the base, so each day brings amplitude / pi degree-days.
    amplitude, days = 8.0, 30
    hour = np.arange(days * 24 + 1)
    series = hourly(5.0 + amplitude * np.sin(2 * np.pi * (hour - phase) / 24))
    clock = ThermalClock(series, response_draws(2))
    start = first_hour(series)
    found = clock.progress(start, np.array([start + 24 * days]))[0, 0]
    assert found == pytest.approx(days * amplitude / np.pi, rel=1e-4)


def test_sine_partly_above_the_base_has_its_sum() -> None:
    # Base above the mean: the sum of a day is A/pi * (sin(a) - a cos(a)), a = arccos(d/A).
    amplitude, above, days = 8.0, 3.0, 30
    hour = np.arange(days * 24 + 1)
    series = hourly(5.0 - above + amplitude * np.cos(2 * np.pi * (hour - 12) / 24))
    clock = ThermalClock(series, response_draws(1))
    start = first_hour(series)
    angle = np.arccos(above / amplitude)
    daily = amplitude / np.pi * (np.sin(angle) - angle * np.cos(angle))
    found = clock.progress(start, np.array([start + 24 * days]))[0, 0]
    assert found == pytest.approx(days * daily, rel=1e-4)


@pytest.mark.parametrize("shape", ["linear", "beta"])
def test_constant_series_equals_the_constant_clock(shape: str) -> None:
    draws = response_draws(3, shape)
    series = hourly(np.full(24 * 40, 17.3))
    start = first_hour(series) + 7.25
    thermal = np.array([[5.0, 60.0, 200.0]] * 3)
    running = ThermalClock(series, draws)
    constant = ConstantClock(draws=draws, temperature_C=17.3)
    # The table of the response has a step of a tenth of a degree.
    found, expected = running.cross(start, thermal), constant.cross(start, thermal)
    assert found == pytest.approx(expected, abs=0.1)


def test_crossing_and_progress_are_each_others_inverse() -> None:
    rng = np.random.default_rng(1)
    hour = np.arange(24 * 90)
    series = hourly(10 + 5 * np.sin(2 * np.pi * hour / 24) + rng.normal(0, 1, hour.size))
    draws = ResponseDraws(
        shape="beta",
        t_base=rng.normal(5, 1, 50),
        t_opt=rng.normal(28, 1, 50),
        t_ceiling=np.full(50, 40.0),
        curvature=rng.uniform(0.8, 1.2, 50),
    )
    clock = ThermalClock(series, draws)
    start = first_hour(series) + 100.4
    thermal = rng.uniform(1, 200, (50, 3))
    when = clock.cross(start, thermal)
    back = np.array([clock.progress(start, when[i])[i] for i in range(50)])
    assert back == pytest.approx(thermal, rel=1e-9)


@settings(max_examples=25, deadline=None)
@given(
    cut=st.integers(1, 23),
    warmer=st.floats(0.1, 4.0),
    seed=st.integers(0, 1000),
    mean=st.sampled_from([9.0, 14.0]),
)
def test_progress_rises_with_warmth_wherever_the_series_begins(
    cut: int, warmer: float, seed: int, mean: float
) -> None:
    rng = np.random.default_rng(seed)
    hour = np.arange(24 * 30)
    values = mean + 4 * np.sin(2 * np.pi * hour / 24) + rng.normal(0, 0.5, hour.size)
    series = hourly(values)
    draws = response_draws(4)
    start = first_hour(series) + 48
    at = np.array([start + 24 * 20])
    whole = ThermalClock(series, draws).progress(start, at)
    later = ThermalClock(series.isel(time=slice(cut, None)), draws).progress(start, at)
    hotter = ThermalClock(hourly(values + warmer), draws).progress(start, at)
    # Days are summed exactly, hours inside the first and the last day by their mean temperature:
    # exact under a straight response, and a few hundredths of a degree-day off where nights lie
    # at the base, however long the span.
    assert later == pytest.approx(whole, abs=1e-9 if mean > 12 else 0.05)
    assert (hotter > whole).all()


def test_a_hole_ends_what_can_be_said() -> None:
    values = np.full(24 * 30, 15.0)
    values[24 * 10 : 24 * 11] = np.nan
    series = hourly(values)
    clock = ThermalClock(series, response_draws(2))
    start = first_hour(series) + 24
    assert clock.end_h(start) == start + 24 * 9 - 1
    crossed = clock.cross(start, np.array([[50.0, 150.0]] * 2))
    assert np.isfinite(crossed[:, 0]).all()
    assert np.isinf(crossed[:, 1]).all()
    with pytest.raises(CoverageError, match="hole at 2026-03-11"):
        clock.cross(first_hour(series) + 24 * 10 + 5, np.array([[1.0]] * 2))


def test_a_start_outside_the_series_is_refused() -> None:
    series = hourly(np.full(48, 15.0))
    with pytest.raises(CoverageError, match="does not cover 2026-02-28"):
        ThermalClock(series, response_draws(1)).cross(first_hour(series) - 5, np.ones((1, 1)))


def test_each_draw_lives_under_its_own_member() -> None:
    warm_and_cold = np.stack([np.full(24 * 60, 20.0), np.full(24 * 60, 10.0)])
    series = hourly(warm_and_cold)
    clock = ThermalClock(series, response_draws(10))
    start = first_hour(series)
    days = (clock.cross(start, np.full((10, 1), 60.0))[:, 0] - start) / 24
    assert sorted(set(np.round(days, 2))) == [4.0, 12.0]
    assert clock.mean_temperature(start, start + days * 24) == pytest.approx(
        np.where(days < 5, 20.0, 10.0)
    )


def test_dry_soil_slows_progress_in_proportion() -> None:
    series = hourly(np.full(24 * 20, 15.0))
    start = first_hour(series)
    at = np.array([start + 240.0])
    moist = ThermalClock(series, response_draws(1)).progress(start, at)
    half = np.full(series.sizes["time"], 0.5)
    dry = ThermalClock(series, response_draws(1), slowing=half).progress(start, at)
    assert dry == pytest.approx(0.5 * moist)
