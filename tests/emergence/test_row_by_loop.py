"""A row's forecast put together draw by draw, and each figure read off it."""

from __future__ import annotations

from dataclasses import replace
from zlib import crc32

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from tests.emergence.test_clock import first_hour, hourly
from thermosprout.emergence.forecast import (
    DRAWS,
    STAGES,
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    emergence_dataset,
    forecast_constant,
    forecast_row,
    generator,
    site_offset,
)
from thermosprout.emergence.response import response
from thermosprout.emergence.stand import (
    half_beyond,
    middle_h,
    stand_share,
)
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Handling, Treatment, seed_state
from thermosprout.maps.engine import GridResponse
from thermosprout.maps.odds import stage_thresholds

CROP = plain_crop(t_base=4.0, base_spread=0.3, thermal_time=110.0)
HOUR = np.arange(24 * 30 + 1)
VALUES = 13 + 4 * np.sin(2 * np.pi * (HOUR - 9) / 24) + HOUR / 120.0
SOIL = hourly(VALUES)
SIZE = 60


def made(seeds: int = 20, planted: float = 77.0, seed: int = 0, soil=SOIL) -> RowForecast:
    draws = CropDraws.of(CROP, SIZE)
    at = first_hour(soil) + planted
    sowing = Sowing(
        row="bed", crop=CROP, handling=Handling(treatment=Treatment.SOAKED, soak_h=6.0),
        started_h=at - 6.0, planted_h=at, depth_cm=3.0, seeds_planted=seeds,
    )  # fmt: skip
    arguments = {"seed": seed} if seed else {}
    return forecast_row(
        sowing, draws, clock_for(draws, soil), viability=np.linspace(0.3, 0.9, SIZE),
        ln_shift=np.linspace(-0.2, 0.2, SIZE), **arguments,
    )  # fmt: skip


def test_figures_read_off_weighted_draws() -> None:
    weights = np.random.default_rng(1).gamma(1.0, size=SIZE)
    row = replace(made(seeds=2), weights=weights / weights.sum())
    assert row.weights == pytest.approx(weights / weights.sum())
    dead = [w for w, n in zip(row.weights, row.seedlings, strict=True) if n == 0]
    assert len(dead) > 2
    assert row.nothing_odds == pytest.approx(sum(dead))
    half = row.hours[:, 1]
    ends = [h if np.isfinite(h) else row.horizon_h for h in half]
    means = row.clock.mean_temperature(row.sowing.planted_h, np.array(ends))
    expected = sum(w * m for w, m in zip(row.weights, means, strict=True))
    assert row.soil_mean_C() == pytest.approx(expected, rel=1e-12)
    early = row.sowing.planted_h + np.array([-1.0, 0.0, 150.0, 300.0])
    shown = row.emerged_share(early)
    progress = row.clock.curve(row.sowing.planted_h, early)
    assert (shown[:, :2] == 0).all()
    assert shown[:, 2:] == pytest.approx(row.state.emerged(progress)[:, 2:], rel=1e-12)
    # Seed with a credit shows nothing before it is planted either.
    ahead = replace(row, state=replace(row.state, credit=np.full(SIZE, 900.0)))
    assert (ahead.emerged_share(early)[:, :2] == 0).all()
    assert (ahead.emerged_share(early)[:, 2] > 0.5).all()
    order = np.argsort(row.seedlings, kind="stable")
    mass = row.weights[order]
    middles = mass.cumsum() - mass / 2
    assert row.stand_quantile([0.3]) == pytest.approx(
        [np.interp(0.3, middles, row.seedlings[order] / 2)]
    )
    alive = ~np.isnan(row.any_seed_h)
    order = np.argsort(row.any_seed_h[alive])
    mass = row.weights[alive][order] / row.weights[alive].sum()
    finite = np.isfinite(row.any_seed_h[alive][order])
    middles = mass.cumsum() - mass / 2
    assert middles[finite][-1] > 0.95
    expected = np.interp(0.95, middles[finite], row.any_seed_h[alive][order][finite])
    assert row.wait_until_h == pytest.approx(expected)
    for stage in STAGES:
        alone = made().stage_quantile(stage, [0.2])[0]
        column = made().hours[:, STAGES.index(stage)]
        kept = np.sort(column[~np.isnan(column)])
        assert alone == pytest.approx(np.quantile(kept, 0.2, method="hazen"))


def test_a_single_seed_comes_up_or_does_not() -> None:
    """The stand of one seed is none or all of it, in the order of the draws' seedlings."""
    row = made(seeds=1)
    dead = int((row.seedlings == 0).sum())
    assert 2 < dead < SIZE - 2
    # Draw i of n stands at (i + 0.5) / n, equally weighted.
    last_dead, first_alive = (dead - 0.5) / SIZE, (dead + 0.5) / SIZE
    found = row.stand_quantile([last_dead, dead / SIZE, first_alive, 0.999])
    assert found == pytest.approx([0.0, 0.5, 1.0, 1.0], abs=1e-9)


def test_a_dataset_holds_hours_and_open_ends() -> None:
    row = made()
    hours = np.full((SIZE, 3), 495_000.25)
    hours[0] = [0.5, np.inf, np.nan]
    one = replace(row, hours=hours)
    other = made(seeds=5)
    data = emergence_dataset([one, other])
    time = data["emergence_time"].values
    assert time.dtype == "datetime64[ns]"
    assert time[0, 0, 0] == np.datetime64("1970-01-01T00:30", "ns")
    assert np.isnat(time[0, 0, 1:]).all()
    # 495 000 hours are 20 625 days: 21 June 2026.
    assert (time[0, 1:] == np.datetime64("2026-06-21T00:15", "ns")).all()
    assert data["stand"].values[0] == pytest.approx(row.seedlings / 20)
    assert data["stand"].values[1] == pytest.approx(other.seedlings / 5)
    assert data["weight"].dims == ("row", "draw")
    assert data["weight"].values == pytest.approx(np.full((2, SIZE), 1 / SIZE))
    assert data["row"].values.tolist() == ["bed", "bed"]
    assert data["stage"].values.tolist() == ["first", "half", "full"]
    assert data["stand"].attrs["units"] == "1"


def test_random_numbers_belong_to_a_purpose_and_a_seed() -> None:
    expected = np.random.default_rng([3, crc32(b"a"), crc32(b"b")]).random(4)
    assert generator(3, "a", "b").random(4).tolist() == expected.tolist()
    plain, again, other = (CropDraws.of(CROP, 8, seed).values["sigma"] for seed in (0, 0, 1))
    assert CropDraws.of(CROP, 8).values["sigma"].tolist() == plain.tolist() == again.tolist()
    assert (plain != other).all()
    drawn = CROP.estimate.draw(8, np.random.default_rng([0, crc32(b"crop"), crc32(b"plain")]))
    assert plain.tolist() == drawn["sigma"].tolist()
    assert CropDraws.of(CROP).rates.size == DRAWS == 1000
    spread = SOIL.assign_attrs(site_sd_K=2.0)
    standard = np.random.default_rng([7, crc32(b"site")]).standard_normal(9)
    assert site_offset(spread, 9, 7) == pytest.approx(2.0 * standard)
    assert site_offset(spread, 9).tolist() == site_offset(spread, 9, 0).tolist()
    bare = SOIL.copy()
    bare.attrs.pop("site_sd_K", None)
    assert site_offset(bare, 3).tolist() == [0.0] * 3
    draws = CropDraws.of(CROP, 9)
    clock = clock_for(draws, spread, seed=7)
    assert clock.offset == pytest.approx(2.0 * standard)
    assert clock_for(draws, spread).offset.tolist() == site_offset(spread, 9).tolist()
    half = clock_for(draws, SOIL, slowing=np.full(HOUR.size, 0.5))
    at = np.array([first_hour(SOIL) + 100.0])
    assert half.progress(at[0] - 90, at) == pytest.approx(
        0.5 * clock_for(draws, SOIL).progress(at[0] - 90, at)
    )


def test_a_constant_temperature_is_a_row_under_the_steady_clock() -> None:
    for arguments, seeds, viability, seed in (
        ({}, 100, 1.0, 0),
        ({"seeds": 30, "viability": np.full(SIZE, 0.5), "seed": 2}, 30, 0.5, 2),
    ):
        found = forecast_constant(CROP, 17.5, size=SIZE, **arguments)
        draws = CropDraws.of(CROP, SIZE, seed)
        sowing = Sowing(
            row="constant 17.5", crop=CROP, handling=Handling(), started_h=0.0, planted_h=0.0,
            depth_cm=1.27, seeds_planted=seeds,
        )  # fmt: skip
        expected = forecast_row(
            sowing, draws, ConstantClock(draws=draws.rates, temperature_C=17.5),
            viability=np.full(SIZE, viability), ln_shift=np.zeros(SIZE), seed=seed,
        )  # fmt: skip
        assert found.sowing == sowing
        assert np.array_equal(found.hours, expected.hours, equal_nan=True)
        assert found.seedlings.tolist() == expected.seedlings.tolist()
        assert found.share.tolist() == expected.share.tolist()
    assert forecast_constant(CROP, 17.5).weights.size == 1000
    # A seedling by chance stands evenly over the ranks of the whole.
    shown = found.state.emerged(found.clock.progress(0.0, found.any_seed_h))
    alive = found.seedlings > 0
    ranks = np.diagonal(shown)[alive]
    places = np.round(ranks * SIZE - 0.5)
    assert ranks * SIZE - 0.5 == pytest.approx(places, abs=1e-6)
    assert np.unique(places).size == alive.sum() > 50
    assert set(places) <= set(range(SIZE))


def test_thresholds_are_the_draws_days_times_the_centres_rate() -> None:
    handling = Handling(treatment=Treatment.SOAKED, soak_h=5.0)
    odds = [0.2, 0.45, 0.8, 0.95]
    found = stage_thresholds(
        CROP, handling, odds=odds, depth_cm=2.0, seeds=12, viability=0.8, draws=50, seed=3
    )
    fixed = GridResponse.centre(CROP)
    # Below the optimum a straight response tells the temperature of each line.
    temperatures = fixed.t_base + found.rate
    assert (np.diff(found.rate) > 0).all()
    gap = fixed.t_opt - fixed.t_base
    assert found.rate[-1] == pytest.approx(gap, rel=1e-9)
    assert 0 < found.rate[0] < 0.02 * gap
    draws = CropDraws.of(CROP, 50, 3)
    for line in (0, 5, len(temperatures) - 1):
        sowing = Sowing(
            row="map", crop=CROP, handling=handling, started_h=0.0, planted_h=0.0, depth_cm=2.0,
            seeds_planted=12,
        )  # fmt: skip
        row = forecast_row(
            sowing, draws,
            ConstantClock(draws=draws.rates, temperature_C=float(temperatures[line])),
            viability=np.full(50, 0.8), ln_shift=np.zeros(50), seed=3,
        )  # fmt: skip
        for stage, name in enumerate(STAGES):
            for k, hours in enumerate(row.stage_quantile(name, odds)):
                expected = np.inf if np.isnan(hours) else hours / 24 * found.rate[line]
                held = found.thermal_time[line, stage * 4 + k]
                assert held == pytest.approx(expected, rel=1e-6)
    # The pivot is the half stage at the odds nearest to even; later odds are late.
    assert found.pivot == 4 + 1
    assert found.late == (2, 3, 6, 7, 10, 11)


def test_thresholds_unless_asked_otherwise_are_those_of_a_common_row() -> None:
    few = {"draws": 40}
    plain = stage_thresholds(CROP, Handling(), **few)
    told = stage_thresholds(
        CROP, Handling(), odds=(0.1, 0.5, 0.9), depth_cm=1.27, seeds=100, viability=1.0, seed=0,
        **few,
    )  # fmt: skip
    assert plain.thermal_time.tolist() == told.thermal_time.tolist()
    thousand = stage_thresholds(CROP, Handling(), draws=1000)
    assert stage_thresholds(CROP, Handling()).thermal_time.tolist() == (
        thousand.thermal_time.tolist()
    )
    assert (plain.pivot, plain.late, plain.size) == (4, (2, 5, 8), 9)
    rate = response("linear", [3.0, 9.0], 4.0, 20.0, 30.0)
    assert rate.tolist() == [0.0, 5.0]


def half_of(row: RowForecast, until: float) -> np.ndarray:
    """When half shows if it goes on as it went from the time paced to the end, in plain sums."""
    begin = first_hour(SOIL)
    from_h = row.sowing.planted_h if until - row.sowing.planted_h >= 168 else until - 168
    from_h = max(from_h, begin)
    done = row.clock.progress(from_h, np.array([until]))[:, 0]
    needed = row.state.needed(np.full((SIZE, 1), 0.5))[:, 0]
    return np.asarray(row.sowing.planted_h + (until - from_h) * needed / done)


@pytest.mark.parametrize(("hours", "planted"), [(200, 30.0), (300, 250.0), (100, 99.0), (198, 30)])
def test_past_the_end_half_keeps_the_weeks_pace(hours: int, planted: float) -> None:
    soil = SOIL.isel(time=slice(0, hours + 1))
    row = made(planted=planted, soil=soil)
    until = first_hour(SOIL) + hours
    found = middle_h(row.clock, row.sowing.planted_h, row.state)
    reached = row.clock.cross(row.sowing.planted_h, row.state.needed(np.full((SIZE, 1), 0.5)))
    expected = np.where(np.isfinite(reached[:, 0]), reached[:, 0], half_of(row, until))
    assert found == pytest.approx(expected, rel=1e-9)
    assert (found > until).any()


def test_from_when_a_pace_is_read() -> None:
    begin = first_hour(SOIL)
    holed = VALUES.copy()
    holed[60] = np.nan
    draws = CropDraws.of(CROP, 2)
    clock = clock_for(draws, hourly(holed[:201]))
    steady = ConstantClock(draws=draws.rates, temperature_C=9.0)
    assert steady.pace_from_h(55.0, 168.0) == 55.0
    # End at 200: from planting where a week is known, else a week before the end, or the hole.
    for planted, least, since in (
        (0.0, 24.0, 0.0), (10.0, 49.0, 10.0), (10.0, 50.0, 0.0), (150.0, 24.0, 150.0),
        (176.0, 24.0, 176.0), (176.5, 24.0, 61.0), (150.0, None, 61.0), (61.0, None, 61.0),
    ):  # fmt: skip
        found = clock.pace_from_h(begin + planted, 168.0 if least is None else least)
        assert found.flat[0] == begin + since, planted
    long = clock_for(draws, hourly(VALUES[:401]))
    for planted, since in ((100.0, 100.0), (232.0, 232.0), (232.5, 232.0), (399.0, 232.0)):
        assert long.pace_from_h(begin + planted, 168.0).flat[0] == begin + since
    half = half_beyond(
        np.array([np.inf, 3.0, np.inf, np.inf]), planted=np.array([1.0, 1.0, 2.0, 2.0]),
        span=np.array([4.0, 4.0, 6.0, 6.0]), needed=np.array([10.0, 9.0, 8.0, 8.0]),
        done=np.array([5.0, 1.0, 4.0, 1e-320]),
    )  # fmt: skip
    assert half.tolist() == [9.0, 3.0, 14.0, np.inf]
    done = np.array([5.0])
    assert half_beyond(done, planted=np.zeros(1), span=1.0, needed=done, done=done) is done


@pytest.mark.parametrize(("known", "a_day"), [(24.0, True), (24.5, True), (23.5, False)])
def test_seedbed_warmth_counts_from_planting(known: float, a_day: bool) -> None:
    """With less the week before the end is read; the series begins within that week."""
    end = int(np.ceil(120.0 + known))
    values = np.where(HOUR[: end + 1] < 120, 4.0, 12.0)
    planted = first_hour(SOIL) + end - known
    draws = CropDraws.of(CROP, 4)
    clock = clock_for(draws, hourly(values))
    state = seed_state(CROP, draws.values, draws.rates, Handling(), depth_cm=2.0)
    plain = replace(CROP, chilling_sensitive=False)
    found = stand_share(
        plain, draws.values, state, clock, planted_h=planted, half_h=np.full(4, planted + 240.0),
        viability=np.ones(4),
    )  # fmt: skip
    read_from = planted if a_day else first_hour(SOIL)
    warmth = clock.mean_temperature(read_from, np.full(4, np.inf))
    seedbed = draws.values["field_factor"] * plain.stand_response(warmth)
    expected = seedbed * np.exp(-10.0 * draws.values["waiting_loss_per_d"])
    assert found == pytest.approx(expected, rel=1e-12)
