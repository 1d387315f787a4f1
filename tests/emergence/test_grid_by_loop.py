"""The map's engine against a loop over nodes in double precision, with holes and any width."""

from __future__ import annotations

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.response import response as rate_of
from thermosprout.errors import InputError
from thermosprout.maps import engine as grid
from thermosprout.maps.engine import (
    GridResponse,
    SoilGrid,
    Thresholds,
    daily_course,
    days_to_reach,
)
from thermosprout.maps.odds import centre_rate

LINEAR = GridResponse(shape="linear", t_base=5.0, t_opt=26.0, t_ceiling=38.0)
BETA = GridResponse(shape="beta", t_base=4.0, t_opt=27.0, t_ceiling=36.0, curvature=0.8)
DAYS = 12
THERMAL = (0.0, 0.4, 5.0, 11.0, 33.0, 75.0, 1e6)
SOWN = np.array([0.0, 1.0, 5.5, 23.9, 24.0, 70.25, 200.0, 24 * DAYS - 0.5])


def soil_of(cells: int, days: int = DAYS, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    hour = np.arange(24 * days)[:, None]
    site = rng.uniform(4, 22, cells)
    wave = rng.uniform(1, 9, cells) * np.cos(2 * np.pi * (hour - 15) / 24)
    return (site + wave + 0.02 * hour + rng.normal(0, 0.5, hour.shape)).astype(np.float32)


def node_sums(rates: np.ndarray, node_h: int) -> list[float]:
    """Thermal time from the first value to each node, beginning with nothing. [C d]"""
    sums = [0.0]
    for begin in range(0, len(rates), node_h):
        sums.append(sums[-1] + float(sum(rates[begin : begin + node_h])) / 24.0)
    return sums


def loop(
    temperature: np.ndarray,
    fixed: GridResponse,
    sown_h: float,
    thermal: float,
    node_h: int,
    shift: float,
) -> tuple[float, float]:
    """Days and mean rate of one wait; a value stands for the hour around it."""  # fmt: skip
    rates = np.nan_to_num(centre_rate(fixed, temperature.astype(float)))
    sums = node_sums(rates, node_h)
    at = (np.arange(len(sums)) * node_h - 0.5 + shift).tolist()
    begun = _between(at, sums, sown_h)
    if begun + thermal >= sums[-1]:
        rest = DAYS - (sown_h - shift) / 24.0
        return np.inf, (sums[-1] - begun) / max(rest, 1e-3)
    for node in range(1, len(sums)):
        if sums[node] > begun + thermal or sums[node] == begun + thermal > sums[node - 1]:
            part = (begun + thermal - sums[node - 1]) / (sums[node] - sums[node - 1])
            days = max((at[node - 1] + part * node_h - sown_h) / 24.0, 0.0)
            return days, thermal / max(days, 1e-3)
    raise AssertionError


def _between(at: list[float], sums: list[float], hour: float) -> float:
    """Running sum at an hour, even between nodes; past the last node it is the last sum."""
    for node in range(1, len(at)):
        if hour <= at[node]:
            return sums[node - 1] + (hour - at[node - 1]) * (sums[node] - sums[node - 1]) / (
                at[node] - at[node - 1]
            )
    return sums[-1]


def spoilt(temperature: np.ndarray, sown_h: float, days: float) -> bool:
    """Whether a day from that of the sowing to that of the crossing has a hole."""
    first = int(sown_h // 24)
    last = DAYS - 1 if not np.isfinite(days) else int((sown_h / 24 + days + 0.5 / 24) // 1)
    holes = np.isnan(temperature).reshape(DAYS, 24).any(axis=1)
    return bool(holes[first : min(last, DAYS - 1) + 1].any())


@pytest.mark.parametrize("response", [LINEAR, BETA])
@pytest.mark.parametrize("node_h", [1, 3, 24])
def test_days_are_those_of_a_loop_over_nodes(response: GridResponse, node_h: int) -> None:
    soil = soil_of(9)
    asked = Thresholds(thermal_time=np.array([THERMAL]))
    (found,) = days_to_reach(
        SoilGrid(hourly=soil), response, SOWN, [asked], node_h=node_h, block_cells=4
    )
    assert found.shape == (len(THERMAL), SOWN.size, 9)
    assert found.dtype == np.float32
    for cell in range(9):
        for s, sown in enumerate(SOWN):
            for k, thermal in enumerate(THERMAL):
                if thermal == 0.0:
                    continue
                days, _ = loop(soil[:, cell], response, sown, thermal, node_h, 0.0)
                assert found[k, s, cell] == pytest.approx(days, abs=3e-4), (cell, sown, thermal)
    assert np.isinf(found[-1]).all()
    # Nothing more to gain is there at once, unless the ground stands still as it is sown.
    assert (found[0, :-1][:, soil.min(axis=0) > 6] < 1e-3).all()


def test_daily_values_are_spread_over_the_middles_of_the_hours() -> None:
    rng = np.random.default_rng(3)
    low = rng.uniform(4, 12, (DAYS, 5)).astype(np.float32)
    high = low + rng.uniform(0, 14, (DAYS, 5)).astype(np.float32)
    spread = (
        low[:, None] + (high - low)[:, None] * daily_course()[None, :, None].astype(np.float32)
    ).reshape(24 * DAYS, 5)
    asked = Thresholds(thermal_time=np.array([THERMAL[1:]]))
    kelvin = SoilGrid(low=low + np.float32(273.15), high=high + np.float32(273.15), offset=-273.15)
    assert (kelvin.days, kelvin.cells) == (DAYS, 5)
    for grid_, off in ((SoilGrid(low=low, high=high), 3e-4), (kelvin, 2e-3)):
        (found,) = days_to_reach(grid_, LINEAR, SOWN, [asked], node_h=3)
        for cell in range(5):
            for s, sown in enumerate(SOWN):
                for k, thermal in enumerate(THERMAL[1:]):
                    days, _ = loop(spread[:, cell], LINEAR, sown, thermal, 3, 0.5)
                    assert found[k, s, cell] == pytest.approx(days, abs=off)


def test_the_daily_course_is_a_cosine_about_fifteen_o_clock() -> None:
    """Warmest at 15 h, coldest twelve hours from it, at the middles of the hours."""
    course = daily_course()
    assert course.shape == (24,)
    assert (
        course[14]
        == course[15]
        == course.max()
        == pytest.approx((1 + np.cos(np.pi / 24)) / 2, rel=1e-12)
    )
    assert course[2] == pytest.approx(course[3])
    assert course.min() == pytest.approx(1 - course.max())
    # A quarter of a day before and after the top it is halfway.
    assert course[8:10].mean() == pytest.approx(0.5)
    assert course[20:22].mean() == pytest.approx(0.5)
    assert course.mean() == pytest.approx(0.5)


@pytest.mark.parametrize("holes", [[3], [0, 30], [100, 101, 250], [287]])
def test_holes_hide_only_waits_that_meet_them(holes: list[int]) -> None:
    soil = soil_of(7, seed=1)
    soil[:, 3] += 15
    soil[holes, 1:5] = np.nan
    soil[:, 6] = np.nan
    asked = Thresholds(thermal_time=np.array([THERMAL[1:]]))
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, SOWN, [asked], node_h=3, block_cells=3)
    assert np.isnan(found[:, :, 6]).all()
    for cell in range(6):
        # A day with a hole counts as a day without any progress.
        kept = soil[:, cell].reshape(DAYS, 24).copy()
        kept[np.isnan(kept).any(axis=1)] = np.nan
        for s, sown in enumerate(SOWN):
            for k, thermal in enumerate(THERMAL[1:]):
                days, _ = loop(kept.ravel(), LINEAR, sown, thermal, 3, 0.0)
                if spoilt(soil[:, cell], sown, days):
                    assert np.isnan(found[k, s, cell]), (cell, sown, thermal)
                else:
                    assert found[k, s, cell] == pytest.approx(days, abs=4e-4)


def test_thresholds_follow_the_mean_rate_of_each_wait() -> None:
    """First the wait for the pivot's median thermal time, then a look-up; late ones look again."""
    soil = soil_of(6, seed=2)
    rate = np.array([1.0, 4.0, 9.0, 15.0])
    table = np.array([
        [np.inf, 30.0, np.inf, 90.0],
        [9.0, 22.0, 60.0, 70.0],
        [8.0, 20.0, 35.0, 50.0],
        [7.0, 19.0, 30.0, 41.0],
    ])  # fmt: skip
    asked = Thresholds(thermal_time=table, rate=rate, pivot=1, late=(2, 3))
    assert asked.size == 4
    assert not asked.fixed
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, SOWN, [asked], node_h=3)
    filled = np.where(np.isinf(table), 1e7, table)
    typical = float(np.median(table[:, 1]))
    for cell in range(6):
        for s, sown in enumerate(SOWN):
            _, middle = loop(soil[:, cell], LINEAR, sown, typical, 3, 0.0)
            need = [float(np.interp(middle, rate, filled[:, k])) for k in range(4)]
            for k in (2, 3):
                _, own = loop(soil[:, cell], LINEAR, sown, need[k], 3, 0.0)
                need[k] = float(np.interp(own, rate, filled[:, k]))
            for k in range(4):
                days, _ = loop(soil[:, cell], LINEAR, sown, need[k], 3, 0.0)
                assert found[k, s, cell] == pytest.approx(days, rel=2e-4, abs=4e-4), (cell, s, k)


def test_a_pivot_out_of_reach_takes_the_warmest_line() -> None:
    soil = np.full((24 * DAYS, 1), 15.0, np.float32)
    table = np.array([[np.inf, np.inf], [20.0, np.inf], [40.0, np.inf]])
    asked = Thresholds(thermal_time=table, rate=np.array([1.0, 2.0, 3.0]), pivot=1)
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, [0.5], [asked])
    assert found[0, 0, 0] == pytest.approx(4.0, abs=1e-3)
    assert np.isinf(found[1, 0, 0])


def test_one_line_serves_every_wait() -> None:
    assert Thresholds(thermal_time=np.ones((1, 3))).fixed
    assert Thresholds(thermal_time=np.ones((1, 3))).rate.tolist() == [0.0]
    soil = np.full((24 * DAYS + 13, 2), 15.0, np.float32)
    held = SoilGrid(hourly=soil)
    # Hours after the last whole day are not used.
    assert (held.days, held.cells) == (DAYS, 2)
    one, two = (Thresholds(thermal_time=np.array([t])) for t in ([20.0], [30.0, 119.0, 121.0]))
    first, second = days_to_reach(held, LINEAR, [0.0, 24.0], [one, two])
    assert first[:, :, 0].tolist() == [pytest.approx([2.0, 2.0], abs=1e-3)]
    assert second[0, :, 1] == pytest.approx([3.0, 3.0], abs=1e-3)
    assert second[1, 0, 1] == pytest.approx(11.9, abs=1e-3)
    assert np.isinf(second[1, 1, 0])
    assert np.isinf(second[2]).all()
    for wrong in (np.ones(3), np.ones((3, 1)), np.ones((1, 1, 1))):
        with pytest.raises(InputError, match="one line"):
            Thresholds(thermal_time=wrong)
    assert (SoilGrid().days, SoilGrid().cells) == (0, 0)
    low = np.full((3, 2), 9.0, np.float32)
    with pytest.raises(InputError, match="needs hourly"):
        days_to_reach(SoilGrid(low=low), LINEAR, [0.0], [one])
    with pytest.raises(InputError, match="shorter than one day"):
        days_to_reach(SoilGrid(), LINEAR, [0.0], [one])


def test_more_cells_than_a_strip_holds(monkeypatch: pytest.MonkeyPatch) -> None:
    """Strips and the days filled at once are a matter of speed alone."""
    soil = soil_of(23, seed=5)
    soil[40, [2, 11]] = np.nan
    soil[:, 8:16] = np.nan
    asked = [Thresholds(thermal_time=np.array([[5.0, 33.0]]))]
    (whole,) = days_to_reach(SoilGrid(hourly=soil), BETA, SOWN, asked)
    for strip, values, nodes in (
        (4, 24 * 4, 1),
        (10, 24 * 10 * 5, 100),
        (23, 1, 96 * 8),
        (8, 1, 1),
    ):
        monkeypatch.setattr(grid, "_STRIP_CELLS", strip)
        monkeypatch.setattr(grid, "_STRIP_VALUES", values)
        monkeypatch.setattr(grid, "_BLOCK_NODES", nodes)
        (parts,) = days_to_reach(SoilGrid(hourly=soil), BETA, SOWN, asked)
        np.testing.assert_allclose(parts, whole, rtol=2e-6)
        (kelvin,) = days_to_reach(
            SoilGrid(hourly=soil.astype(float) + 273.15, offset=-273.15), BETA, SOWN, asked
        )
        np.testing.assert_allclose(kelvin, whole, atol=1e-3)


@pytest.mark.parametrize("shape", ["linear", "beta"])
def test_rates_have_a_hole_where_the_temperature_has_one(shape: str) -> None:
    fixed = GridResponse(shape=shape, t_base=5.0, t_opt=26.0, t_ceiling=38.0, curvature=1.4)  # type: ignore[arg-type]
    for top in (25.0, 26.0, 27.0, 60.0):
        temperature = np.append(np.linspace(-9, top, 71), np.nan).astype(np.float32)
        kept = temperature.copy()
        out, spare = np.empty_like(temperature), np.empty_like(temperature)
        fixed.rates(temperature, out, spare)
        expected = rate_of(fixed.shape, temperature.astype(float), 5.0, 26.0, 38.0, 1.4)
        assert out[:-1] == pytest.approx(expected[:-1], abs=2e-5)
        assert np.isnan(out[-1])
        assert np.array_equal(kept, temperature, equal_nan=True)


def test_the_centre_of_a_crop_is_its_response() -> None:
    crop = plain_crop(t_base=7.5)
    values = crop.estimate.centre()
    made = GridResponse.centre(crop)
    assert made.shape == "linear"
    assert made.t_base == pytest.approx(7.5)
    assert made.t_opt == pytest.approx(7.5 + values["opt_gap_C"])
    assert made.t_ceiling == pytest.approx(made.t_opt + values["ceiling_gap_C"])
    assert made.curvature == pytest.approx(values["curvature"])
    assert GridResponse(shape="beta", t_base=1.0, t_opt=2.0, t_ceiling=3.0).curvature == 1.0


def test_a_first_day_without_temperatures_hides_no_other() -> None:
    soil = np.full((24 * DAYS, 5), 15.0, np.float32)
    soil[:24] = np.nan
    asked = [Thresholds(thermal_time=np.array([[30.0]]))]
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, [3.0, 24.0, 50.0], asked)
    assert np.isnan(found[0, 0]).all()
    assert found[0, 1:] == pytest.approx(np.full((2, 5), 3.0), abs=0.03)


def test_a_single_day_is_a_grid_too() -> None:
    soil = np.full((24, 3), 15.0, np.float32)
    soil[:, 1] = np.nan
    asked = [Thresholds(thermal_time=np.array([[4.0, 11.0]]))]
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, [6.0], asked)
    assert found[0, 0, [0, 2]] == pytest.approx([0.4, 0.4], abs=1e-3)
    assert np.isinf(found[1, 0, [0, 2]]).all()
    assert np.isnan(found[:, :, 1]).all()
    (nothing,) = days_to_reach(SoilGrid(hourly=soil[:, 1:2]), LINEAR, [6.0], asked)
    assert np.isnan(nothing).all()


def test_a_wait_cut_short_keeps_the_pace_so_far() -> None:
    """Twelve degrees above the base, 41 hours before the end: 20.5 of the 21 first asked for."""
    soil = np.full((24 * DAYS, 1), 17.0, np.float32)
    rate, table = np.array([1.0, 9.0, 15.0]), np.array([[30.0], [21.0], [19.0]])
    asked = Thresholds(thermal_time=table, rate=rate)
    end = 24 * DAYS - 0.5
    (found,) = days_to_reach(SoilGrid(hourly=soil), LINEAR, [end - 41.0], [asked], node_h=1)
    pace = 20.5 / (41.5 / 24.0)
    need = 21.0 - 2.0 * (pace - 9.0) / 6.0
    assert need < 20.5
    assert found[0, 0, 0] == pytest.approx(need / 12.0, abs=1e-4)
