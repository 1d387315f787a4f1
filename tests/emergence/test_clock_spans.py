"""What the clock says of spans, members, offsets and dry soil, against plain sums."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.interpolate import CubicSpline

from tests.emergence.test_clock import first_hour, hourly, response_draws
from thermosprout.emergence.course_table import assign_members
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.errors import CoverageError
from thermosprout.soil.series import site_scale

HOURS = 24 * 20 + 7
HOUR = np.arange(HOURS)
SPRING = 11 + 0.01 * HOUR + 6 * np.sin(2 * np.pi * (HOUR - 9) / 24)


def some_draws(size: int, seed: int = 0) -> ResponseDraws:
    rng = np.random.default_rng(seed)
    return ResponseDraws(
        shape="beta",
        t_base=rng.normal(5, 1, size),
        t_opt=rng.normal(27, 1, size),
        t_ceiling=rng.normal(39, 1, size),
        curvature=rng.uniform(0.8, 1.2, size),
    )


def of_members(*rows: np.ndarray, weights: np.ndarray | None = None) -> xr.DataArray:
    time = hourly(rows[0])["time"].values
    coords: dict[str, object] = {"time": time, "member": np.arange(len(rows))}
    if weights is not None:
        coords["member_weight"] = ("member", weights)
    return xr.DataArray(np.stack(rows), dims=("member", "time"), coords=coords)


def test_mean_temperature_is_the_mean_of_the_hours_between() -> None:
    series = hourly(SPRING)
    begin = first_hour(series)
    clock = ThermalClock(series, response_draws(4), offset=np.array([0.0, 1.0, -2.0, 0.5]))
    ends = begin + np.array([124.0, 220.0, 300.0, 101.0])
    found = clock.mean_temperature(begin + 100, ends)
    # The hours at either end count half.
    for at, (end, offset) in enumerate(zip((124, 220, 300, 101), (0, 1, -2, 0.5), strict=True)):
        expected = (0.5 * (SPRING[100:end] + SPRING[101 : end + 1])).sum() / (end - 100) + offset
        assert found[at] == pytest.approx(expected, rel=1e-9)


def test_mean_temperature_of_parts_of_hours() -> None:
    series = hourly(SPRING)
    begin = first_hour(series)
    clock = ThermalClock(series, response_draws(3))
    short, half, never = clock.mean_temperature(
        begin + 100.25, begin + np.array([100.3, 102.75, np.inf])
    )
    # Less than an hour is taken as an hour; a value holds for the half hours on either side.
    assert short == pytest.approx(0.25 * SPRING[100] + 0.75 * SPRING[101], rel=1e-9)
    parts = 0.25 * SPRING[100] + SPRING[101] + SPRING[102] + 0.25 * SPRING[103]
    assert half == pytest.approx(parts / 2.5, rel=1e-9)
    rest = 0.25 * SPRING[100] + SPRING[101:-1].sum() + 0.5 * SPRING[-1]
    assert never == pytest.approx(rest / (HOURS - 1 - 100.25), rel=1e-9)


def test_hourly_values_between_two_instants() -> None:
    series = hourly(SPRING)
    begin = first_hour(series)
    clock = ThermalClock(series, response_draws(1))
    assert clock.table.temperatures(begin + 3, begin + 5) == pytest.approx(SPRING[3:6])
    assert clock.table.temperatures(begin + 3.2, begin + 5.9) == pytest.approx(SPRING[4:6])
    assert clock.table.temperatures(begin + 3.2, begin + 3.4) == pytest.approx(SPRING[4:5])
    assert clock.table.temperatures(begin - 9, begin + 1) == pytest.approx(SPRING[:2])
    assert clock.table.temperatures(begin + HOURS - 2, begin + 9e9) == pytest.approx(SPRING[-2:])


def test_first_last_and_end() -> None:
    series = hourly(SPRING)
    begin = first_hour(series)
    clock = ThermalClock(series, response_draws(1))
    assert (clock.first_h, clock.last_h) == (begin, begin + HOURS - 1)
    assert clock.end_h(begin + 50.5) == begin + HOURS - 1
    assert clock.end_h(begin - 50) == begin + HOURS - 1
    holed = SPRING.copy()
    holed[200] = np.nan
    other = ThermalClock(hourly(holed), response_draws(1))
    assert other.end_h(begin + 10) == begin + 199
    assert other.end_h(begin + 200.5) == begin + HOURS - 1
    for start in (199.5, 200.0, 200.9):
        with pytest.raises(CoverageError, match="hole"):
            other.progress(begin + start, np.array([begin + 300.0]))
    assert other.progress(begin + 201, np.array([begin + 300.0]))[0, 0] > 0
    for start in (-0.5, HOURS - 0.5):
        with pytest.raises(CoverageError, match="does not cover"):
            clock.progress(begin + start, np.array([begin + 300.0]))


def test_progress_is_the_integral_of_the_response() -> None:
    series = hourly(SPRING)
    begin = first_hour(series)
    draws = some_draws(6)
    clock = ThermalClock(series, draws)
    minutes = (np.arange(60 * (SPRING.size - 1)) + 0.5) / 60
    fine = CubicSpline(np.arange(SPRING.size), SPRING)(minutes)
    sums = np.concatenate([np.zeros((6, 1)), draws.at(fine[None, :]).cumsum(axis=1) / 1440], 1)
    at = np.array([60.0, 75.5, 200.25, 333.0, HOURS - 1])
    found = clock.progress(begin + 51.5, begin + at)
    expected = sums[:, (at * 60).astype(int)] - sums[:, [int(51.5 * 60)]]
    assert found == pytest.approx(expected, rel=2e-3, abs=0.03)


def test_time_at_each_temperature_gives_the_same_progress() -> None:
    series = of_members(SPRING, SPRING + 3, SPRING - 2)
    begin = first_hour(hourly(SPRING))
    slowing = np.clip(np.cos(HOUR / 40.0), 0.1, 1.0)
    draws = some_draws(9)
    for clock in (ThermalClock(series, draws), ThermalClock(series, draws, slowing=slowing)):
        at = begin + np.array([300.5, 100.0, 411.75, 300.5])
        spent = clock.table.dwell(at)
        assert spent[..., :].sum(axis=-1).shape == (3, 4)
        found = clock.progress_through(spent)
        assert found == pytest.approx(clock.progress(begin, at), rel=2e-3, abs=0.03)
    plain = ThermalClock(series, draws).table.dwell(at)
    assert plain.sum(axis=-1) == pytest.approx(np.tile((at - begin) / 24.0, (3, 1)))
    outside = ThermalClock(series, draws).table.dwell(begin + np.array([-5.0, 0.0, 1e6]))
    assert outside.sum(axis=-1)[0] == pytest.approx([0.0, 0.0, (HOURS - 1) / 24.0])


def test_other_draws_share_the_soil() -> None:
    series = of_members(SPRING, SPRING + 3)
    begin = first_hour(hourly(SPRING))
    at = begin + np.array([150.0, 400.0])
    first, second = some_draws(8), some_draws(8, seed=1)
    offset = np.linspace(-1, 1, 8)
    clock = ThermalClock(series, first, offset=offset)
    clock.progress(begin, at)
    fresh = ThermalClock(series, second)
    assert ThermalClock(clock.table, second).progress(begin, at) == pytest.approx(
        fresh.progress(begin, at), rel=1e-12
    )
    like = np.array([7, 6, 5, 4, 3, 2, 1, 0])
    turned = ResponseDraws(
        shape="beta", t_base=first.t_base[like], t_opt=first.t_opt[like],
        t_ceiling=first.t_ceiling[like], curvature=first.curvature[like],
    )  # fmt: skip
    taken = clock.with_draws(turned, like=like).progress(begin, at)
    assert taken == pytest.approx(clock.progress(begin, at)[like], rel=1e-12)
    moved = ThermalClock(clock.table, second, offset=offset).progress(begin, at)
    assert moved == pytest.approx(
        ThermalClock(series, second, offset=offset).progress(begin, at), rel=1e-12
    )


def test_an_offset_is_a_warmer_series() -> None:
    begin = first_hour(hourly(SPRING))
    thermal = np.tile([20.0, 60.0], (3, 1))
    warmer = ThermalClock(hourly(SPRING + 2.0), some_draws(3)).cross(begin + 10, thermal)
    offset = ThermalClock(hourly(SPRING), some_draws(3), offset=np.full(3, 2.0))
    assert offset.cross(begin + 10, thermal) == pytest.approx(warmer, abs=0.05)


def test_an_unknown_site_is_off_by_more_in_stronger_sun() -> None:
    """As under series that are warmer by what the sun of each day makes of the offset."""
    hours = np.arange(24 * 120)
    time = np.datetime64("2026-03-01", "ns") + hours * np.timedelta64(1, "h")
    course = 6 + 0.1 * hours / 24 + 4 * np.sin(2 * np.pi * (hours - 9) / 24)
    series = xr.DataArray(course, dims="time", coords={"time": time}, attrs={"site_latitude": 50})
    scale = site_scale(series)
    assert scale[0] < 0.7
    assert scale[-1] > 1.15
    offsets = np.array([-1.5, 0.0, 2.0])
    draws, begin = some_draws(3), first_hour(series)
    start, thermal = np.array([begin + 10, begin + 24 * 70]), np.tile([80.0, 120.0], (3, 1))
    clock = ThermalClock(series, draws, offset=offsets)
    at = clock.cross(start, thermal)
    warmth = clock.mean_temperature(start, at)
    gained = clock.curve(begin, begin + np.arange(0.0, 24 * 100, 60))
    for row, offset in enumerate(offsets):
        plain = ThermalClock((series + offset * scale).drop_attrs(), draws)
        assert at[row] == pytest.approx(plain.cross(start, thermal)[row], abs=12.0)
        theirs = plain.curve(begin, begin + np.arange(0.0, 24 * 100, 60))[row]
        assert gained[row] == pytest.approx(theirs, abs=2.0)
        mean = plain.mean_temperature(start, at)[row]
        assert warmth[row] == pytest.approx(mean, abs=0.1)


def test_a_dry_week_halts_the_clock() -> None:
    series = hourly(np.full(24 * 30 + 1, 15.0))
    begin = first_hour(series)
    slowing = np.ones(24 * 30 + 1)
    slowing[24 * 5 : 24 * 12 + 1] = 0.0
    clock = ThermalClock(series, response_draws(1), slowing=slowing)
    # Ten degrees above the base a day: 50 by the fifth day, the rest a week later.
    found = clock.cross(begin, np.array([[40.0, 100.0]]))[0] - begin
    assert found == pytest.approx([96.0, 24 * 17], abs=1.0)
    assert clock.progress(begin, begin + np.array([24.0 * 8]))[0, 0] == pytest.approx(50, abs=0.5)


def test_members_are_dealt_by_weight_and_spread_over_the_draws() -> None:
    weights = np.array([1.0, 3.0, 4.0])
    dealt = assign_members(3, 4000, weights)
    assert np.bincount(dealt) == pytest.approx(4000 * weights / 8, abs=3)
    assert np.bincount(dealt[:40]) == pytest.approx(40 * weights / 8, abs=2)
    assert np.bincount(assign_members(4, 4000)) == pytest.approx(np.full(4, 1000), abs=3)
    assert (assign_members(1, 5) == 0).all()
    series = of_members(SPRING, SPRING + 5, weights=np.array([0.0, 1.0]))
    only = ThermalClock(series, response_draws(4))
    warm = ThermalClock(hourly(SPRING + 5), response_draws(4))
    at = np.array([first_hour(hourly(SPRING)) + 300])
    assert only.progress(at[0] - 200, at) == pytest.approx(warm.progress(at[0] - 200, at), rel=2e-3)


def test_the_steady_clock_is_degrees_times_days() -> None:
    draws = response_draws(2, base=5.0)
    clock = ConstantClock(draws=draws, temperature_C=15.0)
    assert clock.progress(100.0, np.array([76.0, 100.0, 148.0])).tolist() == [[0, 0, 20]] * 2
    assert clock.cross(100.0, np.array([[-3.0, 10.0]] * 2)).tolist() == [[100, 124]] * 2
    assert clock.mean_temperature(0.0, np.zeros(3)).tolist() == [15.0] * 3
    assert np.isinf(clock.end_h(0.0))
    cold = ConstantClock(draws=draws, temperature_C=5.0)
    assert np.isinf(cold.cross(0.0, np.ones((2, 1)))).all()


def test_the_sum_is_reached_up_to_the_last_hour() -> None:
    series = hourly(np.full(24 * 10 + 6, 15.0))
    begin = first_hour(series)
    clock = ThermalClock(series, response_draws(1))
    last = (24 * 10 + 5) / 24 * 10.0
    found = clock.cross(begin, np.array([[last - 0.01, last + 0.01, 0.0]]))[0] - begin
    assert found[0] == pytest.approx(24 * 10 + 5, abs=0.1)
    assert np.isinf(found[1])
    assert found[2] == 0.0
    later = clock.progress(begin, begin + np.array([24 * 10 + 5, 9e9]))[0]
    assert later == pytest.approx([last, last])


def test_a_hole_at_the_very_end_is_a_hole() -> None:
    holed = SPRING.copy()
    holed[-1] = np.nan
    series = hourly(holed)
    clock = ThermalClock(series, response_draws(1))
    assert clock.end_h(first_hour(series) + 3) == first_hour(series) + HOURS - 2


def test_a_hole_in_one_member_ends_what_its_draws_know() -> None:
    holed = SPRING.copy()
    holed[200] = np.nan
    begin = first_hour(hourly(SPRING))
    clock = ThermalClock(of_members(SPRING, holed), response_draws(4))
    assert clock.end_h(begin + 10) == begin + 199
    assert sorted(set(clock.ends_h(begin + 10)[:, 0] - begin)) == [199, HOURS - 1]
    late = clock.cross(begin + 10, np.full((4, 1), 70.0))[:, 0]
    assert np.isinf(late).tolist() == (clock.member == 1).tolist()
    # One planting day must be known to all; of many days a member may lack some.
    with pytest.raises(CoverageError, match="hole"):
        clock.progress(begin + 200, np.array([begin + 300.0]))
    days = clock.cross(begin + np.array([10.0, 200.0]), np.full((4, 2), 5.0))
    assert np.isnan(days[:, 1]).tolist() == (clock.member == 1).tolist()
    assert np.isfinite(days[:, 0]).all()
