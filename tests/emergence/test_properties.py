"""What must hold for every series, sowing and crop: order in time and warmth, cuts, both clocks."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.calibration.growers import first_hour, spring
from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.conditioning import Count, condition
from thermosprout.emergence.forecast import (
    STAGES,
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    emergence_dataset,
    forecast_row,
)
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.soil.series import soil_series

CROP = plain_crop(t_base=5.0, chilling_sensitive=False)
HANDLINGS = [
    Handling(),
    Handling(treatment=Treatment.SOAKED, soak_h=10, water_C=20),
    Handling(treatment=Treatment.PRESPROUTED, sprout_h=72, room_C=22),
]
BROAD = settings(
    max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow], derandomize=True
)


def made(seed: int, days: int = 60) -> xr.DataArray:
    return spring(days=days, seed=seed, site_C=3.0)


def draws_of(shape: str, seed: int, size: int = 12) -> ResponseDraws:
    rng = np.random.default_rng(seed)
    base = rng.uniform(0, 9, size)
    return ResponseDraws(
        shape=shape,  # type: ignore[arg-type]
        t_base=base,
        t_opt=base + rng.uniform(12, 25, size),
        t_ceiling=base + rng.uniform(26, 40, size),
        curvature=rng.uniform(0.5, 2.0, size),
    )


def forecast(
    series: xr.DataArray, handling: Handling = HANDLINGS[0], *, lead_h: float = 0.0, seeds: int = 40
) -> RowForecast:
    draws = CropDraws.of(CROP, 150)
    planted = first_hour(series) + 24 * 8.5
    sowing = Sowing(
        row="A", crop=CROP, handling=handling, started_h=planted - lead_h, planted_h=planted,
        depth_cm=2.0, seeds_planted=seeds,
    )  # fmt: skip
    return forecast_row(
        sowing, draws, clock_for(draws, series), viability=np.full(150, 0.9),
        ln_shift=np.zeros(150),
    )  # fmt: skip


@BROAD
@given(
    shape=st.sampled_from(["linear", "beta"]),
    seed=st.integers(0, 10_000),
    start=st.floats(0, 20),
    waits=st.lists(st.floats(0, 38), min_size=2, max_size=20),
)
def test_progress_never_falls_and_adds_up_over_parts(
    shape: str, seed: int, start: float, waits: list[float]
) -> None:
    series = made(seed)
    clock = ThermalClock(series, draws_of(shape, seed))
    begin = first_hour(series) + 24 * start
    at = begin + 24 * np.sort(np.array(waits))
    found = clock.progress(begin, at)
    assert (found >= 0).all()
    assert (np.diff(found, axis=1) >= -1e-9).all()
    middle = float(at[len(at) // 2])
    parts = clock.progress(begin, np.array([middle])) + clock.progress(middle, at[-1:])
    assert parts == pytest.approx(found[:, -1:], rel=1e-9, abs=1e-9)


@BROAD
@given(seed=st.integers(0, 10_000), keep=st.integers(30, 59))
def test_what_lies_past_a_crossing_has_no_say(seed: int, keep: int) -> None:
    series = made(seed)
    draws = draws_of("beta", seed)
    begin = first_hour(series) + 24 * 5.25
    thermal = np.linspace(5, 200, 12)[None, :].repeat(12, axis=0)
    whole = ThermalClock(series, draws).cross(begin, thermal)
    part = ThermalClock(series.isel(time=slice(0, 24 * keep)), draws).cross(begin, thermal)
    end = first_hour(series) + 24 * keep - 1
    before = whole <= end
    # Temperatures are laid in bins between the coldest and the warmest of a series: a minute.
    assert part[before] == pytest.approx(whole[before], abs=1 / 60)
    assert np.isinf(part[~before]).all()


@BROAD
@given(low=st.floats(9, 24), more=st.floats(0, 8), which=st.integers(0, 2))
def test_warmer_ground_up_to_the_optimum_shows_no_less(low: float, more: float, which: int) -> None:
    optimum = float(CropDraws.of(CROP, 150).rates.t_opt.min())
    shown = []
    for t in (min(low, optimum), min(low + more, optimum)):
        time = np.datetime64("2026-04-01", "ns") + np.arange(24 * 60) * np.timedelta64(1, "h")
        series = soil_series(time, np.full(time.size, t), depth_cm=2, source="invented")
        row = forecast(series, HANDLINGS[which])
        shown.append(row.emerged_share(row.sowing.planted_h + np.arange(0, 24 * 50, 7.0)))
    assert (shown[1] >= shown[0] - 1e-9).all()


@BROAD
@given(
    seed=st.integers(0, 10_000),
    which=st.integers(0, 2),
    lead=st.floats(0, 96),
    seeds=st.integers(1, 300),
)
def test_both_clocks_and_the_seeds_agree_with_each_other(
    seed: int, which: int, lead: float, seeds: int
) -> None:
    lead_h = 0.0 if which == 0 else lead
    row = forecast(made(seed, days=120), HANDLINGS[which], lead_h=lead_h, seeds=seeds)
    assert (row.seedlings >= 0).all()
    assert (row.seedlings <= seeds).all()
    come = row.hours[row.seedlings > 0]
    assert (np.diff(np.nan_to_num(come, posinf=1e9), axis=1) >= -1e-9).all()
    assert (come >= row.sowing.planted_h).all()
    data = emergence_dataset([row])
    assert float(data["weight"].sum()) == pytest.approx(1.0)
    for stage in STAGES:
        hour = float(row.stage_quantile(stage, [0.5])[0])
        since_planted, since_started = hour - row.sowing.planted_h, hour - row.sowing.started_h
        if np.isfinite(hour):
            assert since_started - since_planted == pytest.approx(lead_h, abs=1e-6)
    shown = row.emerged_share(row.sowing.planted_h + np.arange(0, 24 * 60, 31.0))
    assert ((shown >= 0) & (shown <= 1)).all()
    assert (np.diff(shown, axis=1) >= -1e-12).all()


@settings(max_examples=12, deadline=None, derandomize=True)
@given(
    seed=st.integers(0, 10_000),
    steps=st.lists(st.integers(0, 9), min_size=1, max_size=4),
    first=st.floats(1, 25),
)
def test_weights_sum_to_one_and_seen_seedlings_stay(
    seed: int, steps: list[int], first: float
) -> None:
    row = forecast(made(seed, days=120))
    counts = [
        Count(hour=row.sowing.planted_h + 24 * (first + 2 * i), emerged=n)
        for i, n in enumerate(np.cumsum(steps).tolist())
    ]
    after = condition(row, counts)
    assert after.row.weights.sum() == pytest.approx(1.0)
    assert (after.row.weights >= 0).all()
    assert 0 <= after.failed_odds <= 1
    alive = after.row.weights > 0
    assert (after.row.seedlings[alive] >= sum(steps)).all()
    assert (after.row.seedlings[alive] <= row.sowing.seeds_planted).all()
