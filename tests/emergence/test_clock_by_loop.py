"""The clock against plain loops over hours, exact where the response is a straight line.

Between base and optimum the straight response adds up to the same whichever way the hours are
tabulated, so that every figure of the clock can be had from a loop to the last digits.
"""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy.interpolate import CubicSpline

from tests.emergence.test_clock import first_hour, hourly
from tests.emergence.test_clock_spans import of_members, some_draws
from thermosprout.emergence.course_table import assign_members, refine
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.errors import CoverageError

HOURS = 24 * 9 + 7
HOUR = np.arange(HOURS)
MILD = 15 + 0.02 * HOUR + 5 * np.sin(2 * np.pi * (HOUR - 9) / 24) + 0.4 * np.sin(1.7 * HOUR)
SLOW = np.clip(0.6 + 0.5 * np.cos(HOUR / 17.0), 0.0, 1.0)
DRAWS = 5


def straight(bases: np.ndarray) -> ResponseDraws:
    """Degrees above a base that lies below all temperatures; the optimum lies above them all."""
    size = bases.size
    return ResponseDraws(
        shape="linear", t_base=bases, t_opt=np.full(size, 60.0), t_ceiling=np.full(size, 70.0),
        curvature=np.ones(size),
    )  # fmt: skip


BASES = np.array([1.0, 2.5, 4.0, 0.0, 3.3])
OFFSET = np.array([0.0, 0.7, -1.1, 2.0, 0.25])
MEMBERS = (MILD, MILD + 2.0, 18.0 - 0.3 * (MILD - 15.0))
SLOWINGS = np.stack([SLOW, np.ones(HOURS), 1.0 - 0.5 * SLOW])


def hourly_gain(values: np.ndarray, base: float, slowing: np.ndarray | None) -> list[float]:
    """Degree-days of each hour: six points of its course, and the mean slowing of its ends."""
    middles = [[hour + (step + 0.5) / 6 for step in range(6)] for hour in range(values.size - 1)]
    gains = []
    for hour, points in enumerate(CubicSpline(np.arange(values.size), values)(middles).tolist()):
        factor = 1.0 if slowing is None else (slowing[hour] + slowing[hour + 1]) / 2
        gains.append(factor * sum(point - base for point in points) / 6 / 24)
    return gains


def sum_until(gains: list[float], at: float) -> float:
    """Running sum at an hour after the first value, evenly through each hour."""
    at = min(max(at, 0.0), float(len(gains)))
    whole = int(at)
    return sum(gains[:whole]) + ((at - whole) * gains[whole] if whole < len(gains) else 0.0)


def hour_of(gains: list[float], target: float) -> float:
    """Hour after the first value at which the running sum reaches a target."""
    total = 0.0
    for hour, gain in enumerate(gains):
        if total + gain >= target:
            return hour + (target - total) / gain
        total += gain
    return np.inf


def gains_of(clock: ThermalClock, members: tuple[np.ndarray, ...], slowing: np.ndarray | None):
    """Gains of each draw under its member, with its offset."""
    return [
        hourly_gain(
            members[member] + offset, base, None if slowing is None else slowing[member]
        )
        for member, offset, base in zip(clock.member, clock.offset, BASES, strict=True)
    ]  # fmt: skip


@pytest.mark.parametrize("slowed", [False, True])
def test_progress_and_crossings_are_those_of_a_loop(slowed: bool) -> None:
    slowing = SLOWINGS if slowed else None
    series = of_members(*MEMBERS, weights=np.array([2.0, 1.0, 1.0]))
    begin = first_hour(hourly(MILD))
    clock = ThermalClock(series, straight(BASES), offset=OFFSET, slowing=slowing)
    assert clock.member.tolist() == assign_members(3, DRAWS, np.array([2.0, 1.0, 1.0])).tolist()
    gains = gains_of(clock, MEMBERS, slowing)
    # From several starts in turn, the first of them again at the end.
    for start in (0.0, 30.4, 47.0, 200.75, 30.4):
        at = start + np.array([-3.0, 0.0, 0.3, 5.0, 20.9, 24.0, 71.5, 150.0, 1e5])
        found = clock.progress(begin + start, begin + at)
        expected = [[sum_until(g, max(a, start)) - sum_until(g, start) for a in at] for g in gains]
        assert found == pytest.approx(np.array(expected), rel=1e-9, abs=1e-9)
        thermal = np.tile([-2.0, 0.0, 0.02, 0.5, 3.0, 11.1, 40.0, 90.0, 1e4], (DRAWS, 1))
        crossed = clock.cross(begin + start, thermal) - begin
        hours = [[hour_of(g, sum_until(g, start) + max(t, 0.0)) for t in thermal[0]] for g in gains]
        wanted = np.maximum(np.array(hours), start)
        # Where nothing moves on for a while, the first hour of the standstill is as good.
        assert crossed[:, 2:] == pytest.approx(wanted[:, 2:], rel=1e-9, abs=1e-7)
        assert crossed[:, :2] == pytest.approx(np.full((DRAWS, 2), start), abs=1e-7)
    ends = np.array([100.0, 0.0, 17.25, 216.0, 99.99, 222.0])
    spent = clock.table.dwell(begin + ends)
    through = clock.progress_through(spent)
    for draw, (member, g) in enumerate(zip(clock.member, gains, strict=True)):
        course = CubicSpline(HOUR, MEMBERS[member])
        for k, end in enumerate(ends):
            # Parts of an hour are cut at the sixth of an hour they end in.
            whole = int(end)
            sixths = (end - whole) * 6
            rest = sum(
                min(max(sixths - step, 0.0), 1.0)
                * (float(course(whole + (step + 0.5) / 6)) + clock.offset[draw] - BASES[draw])
                for step in range(6)
                if sixths > step
            )
            factor = 1.0
            if slowing is not None and sixths:
                factor = (slowing[member][whole] + slowing[member][whole + 1]) / 2
            expected_end = sum(g[:whole]) + factor * rest / 144
            assert through[draw, k] == pytest.approx(expected_end, rel=1e-9, abs=1e-9)


def test_a_curved_response_is_tabulated() -> None:
    """Days add up over the six points of each hour; inside a day hours share by their mean."""
    draws = some_draws(3)
    values = MILD - 4.0
    series = hourly(values)
    begin = first_hour(series)
    clock = ThermalClock(series, draws)
    fine = CubicSpline(HOUR, values)(np.arange(6 * (HOURS - 1)) / 6 + 1 / 12)
    grid = np.arange(np.floor(fine.min() * 10) - 1, np.ceil(fine.max() * 10) + 2) / 10
    at = np.array([3.5, 24.0, 24.75, 100.3, 215.9, 216.0, 222.0])
    found = clock.progress(begin, begin + at)
    for draw in range(3):
        rates = draws.at(grid[None, :])[draw]
        point = np.interp(fine, grid, rates) / 144
        mean = np.interp(fine.reshape(-1, 6).mean(axis=1), grid, rates) / 24
        for k, end in enumerate(at):
            day = min(int(end // 24), (HOURS - 1) // 24)
            of_day = point[144 * day : 144 * (day + 1)].sum()
            hours = mean[24 * day : 24 * (day + 1)]
            inside = sum_until(list(hours), end - 24 * day) * of_day / hours.sum()
            assert found[draw, k] == pytest.approx(point[: 144 * day].sum() + inside, rel=1e-9)


def test_a_hole_takes_the_mean_and_ends_the_sum() -> None:
    holed = MILD.copy()
    holed[100:103] = np.nan
    series = of_members(holed, MILD + 2.0)
    begin = first_hour(hourly(MILD))
    clock = ThermalClock(series, straight(BASES), slowing=SLOW)
    stand_in = (np.nansum(holed) + (MILD + 2.0).sum()) / (2 * HOURS - 3)
    bridged = np.where(np.isnan(holed), stand_in, holed)
    gains = gains_of(clock, (bridged, MILD + 2.0), np.stack([SLOW, SLOW]))
    assert set(clock.member) == {0, 1}
    at = np.array([60.0, 98.5, 99.0, 99.5, 150.0])
    found = clock.progress(begin + 50.0, begin + at)
    ends = [99.0 if member == 0 else HOURS for member in clock.member]
    expected = [
        [sum_until(g, min(a, end)) - sum_until(g, 50.0) for a in at]
        for g, end in zip(gains, ends, strict=True)
    ]
    assert found == pytest.approx(np.array(expected), rel=1e-9)
    last = np.array([[g_sum * 0.999, g_sum * 1.001] for g_sum in np.array(expected)[:, 2]])
    crossed = clock.cross(begin + 50.0, last)
    assert (crossed[:, 0] < begin + 99).all()
    assert np.isinf(crossed[:, 1]).tolist() == (clock.member == 0).tolist()
    # After the hole the clock runs again.
    on = clock.progress(begin + 103.0, begin + np.array([140.0]))
    assert on[:, 0] == pytest.approx([sum_until(g, 140.0) - sum_until(g, 103.0) for g in gains])
    nothing = ThermalClock(hourly(np.full(48, np.nan)), straight(BASES))
    with pytest.raises(CoverageError, match="hole"):
        nothing.progress(nothing.first_h, np.array([nothing.last_h]))


@pytest.mark.parametrize("hours", [2, 3, 24, 25, 26, 48, 49])
def test_a_series_is_used_to_its_last_hour(hours: int) -> None:
    values = MILD[:hours]
    series = hourly(values)
    begin = first_hour(series)
    clock = ThermalClock(series, straight(BASES))
    gains = [hourly_gain(values, base, None) for base in BASES]
    at = np.arange(hours, dtype=float)
    found = clock.progress(begin, begin + at)
    expected = [[sum_until(g, a) for a in at] for g in gains]
    assert found == pytest.approx(np.array(expected), rel=1e-9, abs=1e-9)
    total = np.array(expected)[:, -1:]
    assert clock.cross(begin, 0.9999 * total) == pytest.approx(
        np.full((DRAWS, 1), begin + hours - 1), abs=0.01
    )
    assert np.isinf(clock.cross(begin, 1.0001 * total)).all()
    assert (clock.last_h, clock.end_h(begin)) == (begin + hours - 1, begin + hours - 1)
    late = clock.progress(begin + hours - 1, np.array([begin + hours]))
    assert late == pytest.approx(np.zeros((DRAWS, 1)), abs=1e-9)


def test_draws_keep_their_soils_member_and_offset() -> None:
    series = of_members(*MEMBERS, weights=np.array([1.0, 3.0, 1.0]))
    begin = first_hour(hourly(MILD))
    clock = ThermalClock(series, straight(BASES), offset=OFFSET, slowing=SLOWINGS)
    at = begin + np.array([31.5, 130.0])
    clock.progress(begin + 5.0, at)
    like = np.array([4, 4, 0, 2, 1])
    taken = clock.with_draws(straight(BASES), like=like)
    assert taken.member.tolist() == clock.member[like].tolist()
    assert taken.offset.tolist() == OFFSET[like].tolist()
    dealt = ThermalClock(clock.table, straight(BASES))
    odds = np.bincount(clock.member, minlength=3)
    assert dealt.member.tolist() == assign_members(3, DRAWS, odds.astype(float)).tolist()
    assert dealt.offset.tolist() == [0.0] * DRAWS
    for one in (taken, dealt, clock):
        gains = gains_of(one, MEMBERS, SLOWINGS)
        expected = [[sum_until(g, a - begin) - sum_until(g, 5.0) for a in at] for g in gains]
        assert one.progress(begin + 5.0, at) == pytest.approx(np.array(expected), rel=1e-9)
        mean = one.mean_temperature(begin + 5.0, np.full(DRAWS, begin + 55.0))
        for draw in range(DRAWS):
            held = MEMBERS[one.member[draw]]
            inner = held[6:55].sum() + (held[5] + held[55]) / 2
            assert mean[draw] == pytest.approx(inner / 50 + one.offset[draw], rel=1e-12)


def mean_by_loop(values: np.ndarray, start: float, end: float) -> float:
    """Mean of values that hold for the half hours on either side, in steps of 1/64 of an hour."""
    steps = np.arange(start, end, 1 / 64) + 1 / 128
    return float(np.mean([values[int(np.floor(step + 0.5))] for step in steps]))


def test_mean_temperature_at_both_ends_of_a_series() -> None:
    begin = first_hour(hourly(MILD))
    holed = MILD.copy()
    holed[90] = np.nan
    whole, cut = (ThermalClock(hourly(v), straight(BASES[:1])) for v in (MILD, holed))
    end = HOURS - 1.0
    for start, until, low, high in (
        (0.0, 1.0, 0.0, 1.0),
        (-7.0, 12.5, 0.0, 12.5),
        (0.25, 0.0, 0.25, 1.25),
        (200.0, 1e9, 200.0, end),
        (end - 0.5, end, end - 1, end),
        (end + 40, end + 50, end - 1, end),
    ):
        found = whole.mean_temperature(begin + start, np.array([begin + until]))[0]
        assert found == pytest.approx(mean_by_loop(MILD, low, high), rel=1e-9), start
    # An end past a hole counts to the hour before it.
    found = cut.mean_temperature(begin + 60.5, np.array([begin + 150.0]))[0]
    assert found == pytest.approx(mean_by_loop(MILD, 60.5, 89.0), rel=1e-9)


def test_members_are_dealt_along_the_golden_section() -> None:
    """Weyl's sequence of the golden section: as even as one sequence can be (from memory)."""
    share = (np.sqrt(5.0) - 1) / 2
    weights = np.array([2.0, 5.0, 1.0])
    expected = []
    for draw in range(60):
        at = ((draw + 0.5) * share) % 1.0
        expected.append(0 if at < 0.25 else 1 if at < 0.875 else 2)
    assert assign_members(3, 60, weights).tolist() == expected
    halves = [int(((draw + 0.5) * share) % 1.0 >= 0.5) for draw in range(60)]
    assert assign_members(2, 60).tolist() == halves
    assert assign_members(1, 3, np.ones(1)).tolist() == [0, 0, 0]
    assert assign_members(2, 9, np.array([1.0, 0.0])).tolist() == [0] * 9


def test_each_hour_has_six_points_in_its_sixths() -> None:
    rows = np.stack([MILD, np.cos(MILD)])
    found = refine(rows)
    assert found.shape == (2, 6 * (HOURS - 1))
    course = CubicSpline(HOUR, rows, axis=1)
    middles = [hour + (step + 0.5) / 6 for hour in range(HOURS - 1) for step in range(6)]
    assert found == pytest.approx(course(middles), rel=1e-12)


def test_an_impossible_hour_is_a_jump() -> None:
    from thermosprout.errors import InputError

    time = hourly(MILD)["time"].values.copy()
    late = time.copy()
    late[50:] += np.timedelta64(1, "s")
    series = xr.DataArray(MILD, coords={"time": late}, dims="time")
    with pytest.raises(InputError, match="hourly"):
        ThermalClock(series, straight(BASES))


def test_an_end_before_the_first_value_covers_nothing() -> None:
    holed = MILD.copy()
    holed[0] = np.nan
    begin = first_hour(hourly(MILD))
    clock = ThermalClock(hourly(holed), straight(BASES))
    for start in (-3.0, 0.0):
        assert clock.end_h(begin + start) == begin - 1
    for start in (0.2, 1.0, 5.5):
        assert clock.end_h(begin + start) == begin + HOURS - 1
    with pytest.raises(CoverageError, match="hole"):
        clock.cross(begin, np.ones((DRAWS, 1)))
    assert np.isfinite(clock.cross(begin + 1.0, np.ones((DRAWS, 1)))).all()


def test_a_hole_counts_from_the_hour_before_it() -> None:
    holed = MILD.copy()
    holed[[1, 100]] = np.nan
    begin = first_hour(hourly(MILD))
    clock = ThermalClock(hourly(holed), straight(BASES))
    for start in (97.0, 98.0, 98.9):
        shown = clock.progress(begin + start, np.array([begin + 99.0]))
        assert (shown > 0).all()
    for start in (0.0, 1.5, 99.0, 99.9, 100.0, 100.9):
        with pytest.raises(CoverageError, match="hole"):
            clock.progress(begin + start, np.array([begin + 120.0]))
    for at, since in ((-1.0, 0), (0.0, 0), (0.9, 0), (1.0, 2), (99.9, 2), (100.0, 101), (1e6, 101)):
        assert clock.whole_since(np.array([[begin + at]])).max() == begin + since, at


@pytest.mark.parametrize("moist", [0, 1, 11, 23, 24])
def test_a_day_on_which_a_single_hour_counts(moist: int) -> None:
    """Soil moist at one instant alone: half of the hours on either side of it count."""
    slowing = np.zeros(49)
    slowing[moist] = 1.0
    clock = ThermalClock(hourly(np.full(49, 15.0)), straight(BASES), slowing=slowing)
    begin = clock.first_h
    at = np.array([moist - 1.0, moist - 0.5, moist, moist + 0.25, moist + 1.0, 48.0])
    half_hours = [0.0, 0.25 * (moist > 0), 0.5 * (moist > 0)]
    after = [half_hours[2] + part for part in (0.125, 0.5, 0.5)]
    expected = np.outer(15.0 - BASES, [*half_hours, *after]) / 24.0
    assert clock.progress(begin, begin + at) == pytest.approx(expected, rel=1e-9, abs=1e-12)
    half = clock.cross(begin, expected[:, 4:5] / 2)[:, 0] - begin
    assert half == pytest.approx(np.full(DRAWS, moist if moist else 0.5), abs=1e-6)


def test_temperatures_at_and_past_the_end_are_the_last_one() -> None:
    clock = ThermalClock(hourly(MILD), straight(BASES))
    end = clock.last_h
    assert clock.table.temperatures(end - 2.5, end).tolist() == MILD[-3:].tolist()
    for start in (end - 0.5, end, end + 9.0):
        assert clock.table.temperatures(start, start + 5.0).tolist() == [MILD[-1]]


@pytest.mark.parametrize("shape", [(2,), (3,), (4,), (5,), (1, 900), (4, 300)])
def test_course_between_hours_is_scipys_cubic_spline(shape: tuple[int, ...]) -> None:
    values = 12 + np.random.default_rng(0).standard_normal(shape).cumsum(axis=-1)
    hours = shape[-1]
    at = (np.arange((hours - 1) * 6) + 0.5) / 6
    spline = CubicSpline(np.arange(hours), values, axis=-1)
    np.testing.assert_allclose(refine(values), spline(at), rtol=0, atol=1e-12)
