"""The grid engine against analytic sums, a plain loop, and the clock of a single row."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.published.degree_days import single_sine_degree_days
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.errors import InputError
from thermosprout.maps.engine import (
    GridResponse,
    SoilGrid,
    Thresholds,
    days_to_reach,
)
from thermosprout.maps.odds import centre_rate
from thermosprout.soil.series import hours_since_epoch, soil_series

LINEAR = GridResponse(shape="linear", t_base=5.0, t_opt=26.0, t_ceiling=38.0)
BETA = GridResponse(shape="beta", t_base=2.0, t_opt=27.0, t_ceiling=38.0, curvature=1.3)


def spring(cells: int, days: int = 120, seed: int = 4) -> np.ndarray:
    """Hourly soil temperature of a spring, shape (hour, cell)."""
    rng = np.random.default_rng(seed)
    hour = np.arange(days * 24)[:, None]
    noons = np.arange(days) * 24
    spells = rng.normal(0, 1.5, (cells, days))
    weather = np.stack([np.interp(hour[:, 0], noons, one) for one in spells], axis=1)
    site = rng.normal(0, 2, cells)
    wave = rng.uniform(1, 6, cells) * np.cos(2 * np.pi * (hour - 15) / 24)
    season = 9 + 9 * np.sin(2 * np.pi * (hour / 24 - 40) / 365)
    return (season + site + wave + weather).astype(np.float32)


def asked(*thermal_time: float) -> list[Thresholds]:
    return [Thresholds(thermal_time=np.array([thermal_time]))]


def plain_loop(
    temperature: np.ndarray, response: GridResponse, sown_h: float, thermal_time: float
) -> float:
    """One cell summed in double precision, hour by hour, each value for the hour around it."""
    rate = centre_rate(response, temperature.astype(float))
    total, at = 0.0, sown_h
    for hour in range(len(rate)):
        until = min(hour + 0.5, len(rate) - 0.5)
        if until <= at:
            continue
        step = rate[hour] * (until - at) / 24.0
        if total + step >= thermal_time:
            return (at + (thermal_time - total) / rate[hour] * 24.0 - sown_h) / 24.0
        total, at = total + step, until
    return np.inf


@pytest.mark.parametrize("response", [LINEAR, BETA])
def test_equals_a_plain_loop_over_hours(response: GridResponse) -> None:
    soil = spring(70)
    sown = np.array([12.0, 24 * 30 + 7.5, 24 * 90 + 12])
    (found,) = days_to_reach(SoilGrid(hourly=soil), response, sown, asked(30, 90, 160), node_h=1)
    for cell in (0, 1, 63, 64, 69):
        for s, start in enumerate(sown):
            for k, thermal_time in enumerate((30, 90, 160)):
                expected = plain_loop(soil[:, cell], response, start, thermal_time)
                assert found[k, s, cell] == pytest.approx(expected, abs=2e-4)


@pytest.mark.parametrize(("node_h", "most", "mean"), [(1, 0.03, 0.002), (3, 0.08, 0.004)])
def test_a_grid_lies_near_the_clock_of_one_row(node_h: int, most: float, mean: float) -> None:
    # The clock follows a cubic course through the hours; the map sums hours into nodes.
    soil = spring(40)
    draws = ResponseDraws(
        shape="linear",
        t_base=np.full(1, 5.0),
        t_opt=np.full(1, 26.0),
        t_ceiling=np.full(1, 38.0),
        curvature=np.ones(1),
    )
    time = np.datetime64("2026-03-01", "ns") + np.arange(len(soil)) * np.timedelta64(1, "h")
    sown = np.arange(0, 80, 4) * 24 + 12.0
    thermal = np.array([60.0, 110.0])
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, sown, asked(*thermal), node_h=node_h)
    off = []
    for cell in range(soil.shape[1]):
        series = soil_series(time, soil[:, cell], depth_cm=2, source="made", surface="bare")
        clock = ThermalClock(series, draws)
        first = hours_since_epoch(series["time"].values)[0]
        for s, start in enumerate(sown):
            days = (clock.cross(first + start, thermal[None, :])[0] - first - start) / 24.0
            off.append(np.where(np.isfinite(days), found[:, s, cell] - days, 0.0))
    assert np.abs(off).max() < most
    assert np.abs(off).mean() < mean
    assert abs(np.mean(off)) < 0.003


def test_constant_temperature_is_thermal_time_over_rate() -> None:
    temperatures = np.array([5.0, 9.0, 15.0, 26.0, 32.0, 38.0], np.float32)
    soil = np.tile(temperatures, (24 * 60, 1))
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, [12.0, 36.0], asked(40.0))
    expected = [np.inf, 10.0, 4.0, 40 / 21, 40 / (21 * 6 / 12), np.inf]
    for s in range(2):
        assert found[0, s] == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize("response", [LINEAR, BETA])
def test_single_precision_of_the_response(response: GridResponse) -> None:
    temperature = np.linspace(-20, 50, 70_001).astype(np.float32)
    out, spare = np.empty_like(temperature), np.empty_like(temperature)
    response.rates(temperature, out, spare)
    exact = centre_rate(response, temperature.astype(float))
    assert np.abs(out - exact).max() < 2e-5
    assert (out >= 0).all()


def test_single_precision_costs_less_than_a_minute() -> None:
    soil = spring(64)
    sown = np.arange(0, 60, 5) * 24 + 12.0
    (found,) = days_to_reach(SoilGrid(hourly=soil), BETA, sown, asked(60, 120), node_h=1)
    rate = centre_rate(BETA, soil.astype(float)) / 24.0
    running = np.concatenate([np.zeros((1, 64)), rate.cumsum(axis=0)])
    hours = np.arange(len(running)) - 0.5
    for cell in range(64):
        begun = np.interp(sown, hours, running[:, cell])
        for k, thermal in enumerate((60, 120)):
            exact = (np.interp(begun + thermal, running[:, cell], hours) - sown) / 24.0
            reached = begun + thermal < running[-1, cell]
            assert np.abs(found[k, reached, cell] - exact[reached]).max() < 1 / 1440
            assert np.isinf(found[k, ~reached, cell]).all()


def test_daily_extremes_follow_the_degree_day_sine() -> None:
    # Single sine after Baskerville & Emin (1969): the sum of a day does not hang on the clock hour.
    low = np.array([[0.0, 2.0, 6.0, 9.0]]).repeat(60, axis=0)
    high = np.array([[7.0, 12.0, 18.0, 24.0]]).repeat(60, axis=0)
    response = GridResponse(shape="linear", t_base=5.0, t_opt=40.0, t_ceiling=50.0)
    daily = single_sine_degree_days(low[0], high[0], 5.0)
    thermal = 20.5 * daily
    for cell in range(4):
        soil = SoilGrid(low=low[:, [cell]], high=high[:, [cell]])
        (found,) = days_to_reach(soil, response, [0.0], asked(float(thermal[cell])))
        # Half the sum of a day is there at its warmest hour, 15 o'clock.
        assert found[0, 0, 0] == pytest.approx(20 + 15 / 24, abs=0.05)
        (next_,) = days_to_reach(soil, response, [0.0], asked(float(thermal[cell] + daily[cell])))
        assert next_[0, 0, 0] - found[0, 0, 0] == pytest.approx(1.0, abs=0.01)


def test_kelvin_and_double_precision_give_the_same() -> None:
    soil = spring(10)
    sown = [12.0]
    (plain,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, sown, asked(50.0))
    kelvin = SoilGrid(hourly=soil.astype(float) + 273.15, offset=-273.15)
    assert days_to_reach(kelvin, LINEAR, sown, asked(50.0))[0] == pytest.approx(plain, abs=1e-4)


def test_a_hole_hides_what_lies_past_it_and_nothing_else() -> None:
    soil = spring(5)
    question = ([12.0, 1200.0], asked(20.0, 150.0))
    (whole,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, *question)
    crossed = whole[:, 0, 1] + 0.5
    assert crossed[0] + 3 < crossed[1] < 50
    hole_day = int(crossed[0]) + 2
    soil[24 * hole_day + 3, 1] = np.nan
    soil[:, 2] = np.nan
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, *question)
    others = [0, 3, 4]
    assert found[:, :, others] == pytest.approx(whole[:, :, others], rel=1e-6)
    assert np.isnan(found[:, :, 2]).all()
    assert found[:, 1, 1] == pytest.approx(whole[:, 1, 1], rel=1e-6)
    assert found[0, 0, 1] == pytest.approx(whole[0, 0, 1], rel=1e-6)
    assert np.isnan(found[1, 0, 1])


def test_width_of_block_and_strip_do_not_matter() -> None:
    soil = spring(150, days=40)
    sown = np.arange(0, 35, 3) * 24 + 12.0
    sets = [
        days_to_reach(SoilGrid(hourly=soil), BETA, sown, asked(20, 60), block_cells=width)[0]
        for width in (1, 7, 64, 150)
    ]
    for other in sets[1:]:
        np.testing.assert_allclose(other, sets[0], rtol=1e-6)


@settings(max_examples=25, deadline=None)
@given(
    st.lists(st.floats(-10, 45, width=32), min_size=48, max_size=48),
    st.floats(0.5, 40),
    st.floats(0, 12),
)
def test_more_thermal_time_or_a_later_sowing_never_comes_earlier(
    values: list[float], thermal: float, shift: float
) -> None:
    soil = np.repeat(np.array(values, np.float32), 24)[:, None]
    sown = np.array([6.0, 6.0 + shift + 1e-3])
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, sown, asked(thermal, thermal + 5))
    assert (found[1] >= found[0]).all()
    at = found[:, :, 0].astype(float) + sown / 24
    late = np.where(np.isfinite(at), at, 1e9)
    assert (late[:, 1] >= late[:, 0] - 1e-4).all()


def test_wrong_questions_are_refused() -> None:
    soil = spring(3, days=5)
    with pytest.raises(InputError, match="do not divide a day"):
        days_to_reach(SoilGrid(hourly=soil), LINEAR, [0.0], asked(5.0), node_h=5)
    with pytest.raises(InputError, match="outside"):
        days_to_reach(SoilGrid(hourly=soil), LINEAR, [120.0], asked(5.0))
    with pytest.raises(InputError, match="shorter than one day"):
        days_to_reach(SoilGrid(hourly=soil[:20]), LINEAR, [0.0], asked(5.0))
    with pytest.raises(InputError, match="one line"):
        Thresholds(thermal_time=np.ones((2, 3)))


def test_sowings_at_any_hour_of_a_holed_grid() -> None:
    """A hole before the sowing does not matter, one between sowing and crossing does."""
    hourly = np.full((24 * 30, 1), 15.0, dtype=np.float32)
    hourly[24 * 5 + 3] = np.nan
    sown = np.array([24 * 4 + 23.0, 24 * 6.0, 24 * 6 + 13.0])
    (found,) = days_to_reach(SoilGrid(hourly=hourly), LINEAR, sown, asked(50), node_h=1)
    assert np.isnan(found[0, 0, 0])
    assert found[0, 1:, 0] == pytest.approx([5.0, 5.0], abs=0.01)
    daily = np.full((30, 1), 15.0, dtype=np.float32)
    (plain,) = days_to_reach(SoilGrid(low=daily, high=daily), LINEAR, sown[1:], asked(50))
    assert plain[0, :, 0] == pytest.approx([5.0, 5.0], abs=0.01)
    colder = np.full((24 * 30, 1), 15.0 + 273.15, dtype=np.float32)
    (kelvin,) = days_to_reach(
        SoilGrid(hourly=colder, offset=-273.15), LINEAR, sown, asked(50), node_h=1
    )
    assert kelvin[0, :, 0] == pytest.approx([5.0, 5.0, 5.0], abs=0.01)


def test_a_sowing_outside_the_grid_is_refused() -> None:
    grid = SoilGrid(hourly=np.full((48, 1), 15.0, dtype=np.float32))
    for sown in ([-1.0, 5.0], [5.0, -1.0], [5.0, 48.0], [48.0, 5.0]):
        with pytest.raises(InputError, match="outside the soil temperature"):
            days_to_reach(grid, LINEAR, sown, asked(5))
    (found,) = days_to_reach(grid, LINEAR, [0.0, 47.0], asked(500), node_h=24)
    assert np.isinf(found).all()
    for node_h in (0, 5, -1):
        with pytest.raises(InputError, match="do not divide a day"):
            days_to_reach(grid, LINEAR, [0.0], asked(5), node_h=node_h)
    with pytest.raises(InputError, match="shorter than one day"):
        days_to_reach(SoilGrid(hourly=np.zeros((23, 1), np.float32)), LINEAR, [0.0], asked(5))
