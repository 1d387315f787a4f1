"""Hours out of days keep what the days say."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pvlib import clearsky, irradiance, solarposition
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from thermosprout.errors import InputError
from thermosprout.soil.model.weather import (
    day_starts_utc,
    extremes_around,
    hourly_from_daily,
    radiation_from_range,
    spread_radiation,
    sun,
    sun_elevation,
    sunrise_sunset,
)
from thermosprout.soil.series import SITE_SUN_W_M2, sun_scale

DATES = np.arange("2024-03-20", "2024-05-20", dtype="datetime64[D]")


def _days(values: np.ndarray) -> np.ndarray:
    return values.reshape(-1, 24)


def test_minimum_and_maximum_come_back() -> None:
    rng = np.random.default_rng(0)
    low = rng.normal(5, 2, DATES.size)
    high = low + rng.uniform(6, 14, DATES.size)
    _, air = hourly_from_daily(DATES, latitude=48, longitude=9, tmin=low, tmax=high, utc_offset_h=1)
    np.testing.assert_allclose(_days(air).max(axis=1)[1:-1], high[1:-1], atol=0.5)
    assert np.abs(_days(air).min(axis=1)[1:-1] - low[1:-1]).mean() < 0.6


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000), st.floats(-60, 66), st.floats(-180, 180))
def test_daily_mean_is_kept(seed: int, latitude: float, longitude: float) -> None:
    rng = np.random.default_rng(seed)
    low = rng.normal(5, 3, DATES.size)
    high = low + rng.uniform(2, 18, DATES.size)
    mean = low + (high - low) * rng.uniform(0.35, 0.6, DATES.size)
    _, air = hourly_from_daily(
        DATES, latitude=latitude, longitude=longitude, tmin=low, tmax=high, tmean=mean
    )
    np.testing.assert_allclose(_days(air).mean(axis=1), mean, atol=0.02)
    assert np.isfinite(air).all()


def test_members_at_once() -> None:
    low = np.arange(2 * DATES.size, dtype=float).reshape(2, -1) % 9
    time, air = hourly_from_daily(DATES, latitude=48, longitude=9, tmin=low, tmax=low + 10)
    assert air.shape == (2, time.size)
    _, second = hourly_from_daily(DATES, latitude=48, longitude=9, tmin=low[1], tmax=low[1] + 10)
    np.testing.assert_allclose(air[1], second)


def test_sunrise_agrees_with_pvlib() -> None:
    """Reference: pvlib's NREL solar position algorithm."""
    rise, noon, fall = sunrise_sunset(DATES, 48.0, 9.0)
    index = pd.DatetimeIndex(DATES, tz="UTC")
    table = solarposition.sun_rise_set_transit_spa(index, 48.0, 9.0)
    for ours, theirs in ((rise, "sunrise"), (noon, "transit"), (fall, "sunset")):
        hours = (table[theirs] - index).dt.total_seconds().to_numpy() / 3600.0
        np.testing.assert_allclose(ours, hours, atol=0.1)


@pytest.mark.parametrize(("latitude", "longitude"), [(56.2, -3.1), (-41.0, 174.0), (78.0, 15.0)])
def test_sun_stands_where_pvlib_has_it(latitude: float, longitude: float) -> None:
    """Reference: pvlib's ephemeris, of which this is a part, over leap days and year ends."""
    time = np.arange("1999-12-30T00:30", "2001-03-05T00:30", 60, dtype="datetime64[m]")
    index = pd.DatetimeIndex(time, tz="UTC")
    theirs = solarposition.ephemeris(index, latitude, longitude)["elevation"].to_numpy()
    ours = sun_elevation(time.astype("datetime64[ns]"), latitude, longitude)
    np.testing.assert_allclose(ours, theirs, rtol=0, atol=1e-9)


@pytest.mark.parametrize(("hours", "size"), [(100, 25), (25, 25), (10, 10), (7, 7)])
def test_extremes_of_a_day_agree_with_scipy(hours: int, size: int) -> None:
    air = np.random.default_rng(hours).standard_normal((3, hours))
    coldest, warmest = extremes_around(air, size)
    np.testing.assert_array_equal(coldest, minimum_filter1d(air, size, axis=-1, mode="nearest"))
    np.testing.assert_array_equal(warmest, maximum_filter1d(air, size, axis=-1, mode="nearest"))


def test_clear_sky_agrees_with_pvlib() -> None:
    time = np.arange("2024-05-01T00", "2024-05-04T00", dtype="datetime64[h]")
    _, clear = sun(time.astype("datetime64[ns]"), 48.0, 9.0)
    index = pd.DatetimeIndex(time, tz="UTC") + pd.Timedelta(minutes=30)
    zenith = solarposition.get_solarposition(index, 48.0, 9.0)["zenith"]
    theirs = clearsky.haurwitz(zenith)["ghi"].to_numpy()
    np.testing.assert_allclose(clear, theirs, atol=6.0)


def test_radiation_keeps_the_daily_sum() -> None:
    starts = day_starts_utc(DATES, utc_offset_h=1)
    time = np.arange(starts[0], starts[-1] + np.timedelta64(24, "h"), np.timedelta64(1, "h"))
    daily = np.linspace(60, 300, DATES.size)
    hours = spread_radiation(time, starts, daily, 48.0, 9.0)
    np.testing.assert_allclose(_days(hours).mean(axis=1), daily, rtol=1e-6)
    assert hours.min() == 0.0


def test_a_small_range_is_a_cloudy_day() -> None:
    time = np.arange("2024-05-01T00", "2024-05-11T00", dtype="datetime64[h]").astype("M8[ns]")
    wave = np.sin(2 * np.pi * (np.arange(time.size) - 9) / 24)
    dull, bright = (radiation_from_range(time, 12 + a * wave, 48.0, 9.0) for a in (1.0, 7.0))
    assert dull.mean() < 0.5 * bright.mean()
    assert 200 < bright.mean() < 330


def test_nothing_to_go_by_is_refused() -> None:
    with pytest.raises(InputError, match="minimum and a maximum, or a mean"):
        hourly_from_daily(DATES, latitude=48, longitude=9)


def test_sun_of_a_day_is_that_of_fao_56() -> None:
    """Reference: FAO-56 example 8 (3 September, 20 degrees south), from memory; and pvlib."""
    printed = 32.2 / 0.0864
    assert sun_scale(np.array(["2025-09-03"], "M8[ns]"), -20.0)[0] * SITE_SUN_W_M2 == pytest.approx(
        printed, rel=0.01
    )
    hours = pd.date_range("2025-04-20", periods=24, freq="h", tz="UTC") + pd.Timedelta("30min")
    normal = irradiance.get_extra_radiation(hours)
    zenith = solarposition.get_solarposition(hours, 45.0, 0.0)["zenith"]
    ours = sun_scale(np.array(["2025-04-20"], "M8[ns]"), 45.0)[0] * SITE_SUN_W_M2
    theirs = (normal * np.cos(np.radians(zenith)).clip(lower=0.0)).mean()
    assert ours == pytest.approx(theirs, rel=0.02)
    assert theirs == pytest.approx(SITE_SUN_W_M2, rel=0.05)
