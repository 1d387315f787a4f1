"""Joining measured soil, forecast and past seasons: no jump, honest spread, nothing invented."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import soil_series
from thermosprout.weather.members import join_members, past_seasons, widening

HOUR = np.timedelta64(1, "h")
NOW = np.datetime64("2026-05-01T06:00", "ns")


def course(time: np.ndarray, seed: int = 0) -> np.ndarray:
    """Invented soil: a year, a day, and weather that remembers a week."""
    rng = np.random.default_rng(seed)
    hours = (time - np.datetime64("2000-01-01")) / HOUR
    days = np.arange(int(hours[-1] / 24) - int(hours[0] / 24) + 2)
    noise = np.zeros(days.size)
    for day in days[1:]:
        noise[day] = 0.87 * noise[day - 1] + rng.normal(0, 1.0)
    slow = np.interp(hours / 24 - int(hours[0] / 24), days, noise)
    year = 11 - 9 * np.cos(2 * np.pi * (hours / 24 - 20) / 365.2425)
    return year + slow + 2.5 * np.cos(2 * np.pi * (hours - 16) / 24)


def series(start: str, end: str, seed: int = 0) -> xr.DataArray:
    time = np.arange(np.datetime64(start, "ns"), np.datetime64(end, "ns"), HOUR)
    return soil_series(
        time, course(time, seed), depth_cm=5, source="invented", surface="bare"
    )  # fmt: skip


@pytest.fixture(scope="module")
def past() -> xr.DataArray:
    return series("2012-01-01", "2026-01-01", seed=1)


@pytest.fixture(scope="module")
def measured() -> xr.DataArray:
    return series("2026-03-01", "2026-05-03", seed=2)


def joined(measured: xr.DataArray, past: object, **more: object) -> xr.DataArray:
    options = {
        "start": np.datetime64("2026-03-10"), "end": np.datetime64("2026-07-20"), "now": NOW,
    } | more  # fmt: skip
    forecast = options.pop("forecast", None)
    return join_members(measured, forecast, past, **options)  # type: ignore[arg-type]


def test_members_share_the_measured_part(measured: xr.DataArray, past: xr.DataArray) -> None:
    out = joined(measured, past)
    before = out.sel(time=slice(None, NOW))
    assert np.allclose(before.values, measured.sel(time=before["time"]).values)
    assert float(before.std("member").max()) == pytest.approx(0, abs=1e-9)
    changed = measured.copy()
    changed.loc[{"time": slice(NOW + HOUR, None)}] = 40.0
    changed.attrs = measured.attrs
    assert joined(changed, past).equals(out)


def test_no_jump_at_the_seam(measured: xr.DataArray, past: xr.DataArray) -> None:
    out = joined(measured, past)
    steps = np.abs(np.diff(out.values, axis=1))
    usual = np.abs(np.diff(past.values)).max()
    seam = int(np.flatnonzero(out["time"].values == NOW)[0])
    assert steps[:, seam - 2 : seam + 30].max() <= usual * 1.3


def test_departure_fades_to_the_climate(past: xr.DataArray) -> None:
    warm = series("2026-03-01", "2026-05-03", seed=2)
    warm.values += 6.0
    cold = warm.copy(data=warm.values - 12.0)
    cold.attrs = warm.attrs
    gap = joined(warm, past).mean("member") - joined(cold, past).mean("member")
    days = (gap["time"].values - NOW) / np.timedelta64(1, "D")
    assert float(gap[days == 0][0]) == pytest.approx(12.0)
    assert 12 * np.exp(-1) - 0.3 < float(gap[days == 7][0]) < 12 * np.exp(-1) + 0.3
    assert float(gap[days == 60][0]) < 0.05


def test_spread_grows_from_none_to_that_of_the_climate(
    measured: xr.DataArray, past: xr.DataArray
) -> None:
    spread = joined(measured, past).std("member")
    days = (spread["time"].values - NOW) / np.timedelta64(1, "D")
    assert spread[(days > 0) & (days < 1)].mean() < 0.6 * spread[(days > 30)].mean()
    season = np.arange(np.datetime64("2026-06-01", "ns"), np.datetime64("2026-07-20", "ns"), HOUR)
    climate = past_seasons([past], season).departures.std(axis=0).mean()
    assert float(spread[days > 40].mean()) == pytest.approx(float(climate), rel=0.1)


def test_forecast_is_moved_onto_the_site_and_continued(
    measured: xr.DataArray, past: xr.DataArray
) -> None:
    time = np.arange(np.datetime64("2026-04-20", "ns"), np.datetime64("2026-05-15", "ns"), HOUR)
    truth = course(np.arange(np.datetime64("2026-03-01", "ns"), time[-1] + HOUR, HOUR), 2)[
        -time.size :
    ]
    rng = np.random.default_rng(5)
    ahead = np.maximum((time - NOW) / np.timedelta64(1, "D"), 0)
    members = truth + 3.0 + rng.normal(0, 0.2, (10, 1)) * ahead
    forecast = soil_series(time, members, depth_cm=5, source="invented forecast")
    out = joined(measured, past, forecast=forecast)
    assert out.sizes["member"] >= 30
    day_after = out.sel(time=slice(NOW + 24 * HOUR, NOW + 48 * HOUR)).mean("member")
    expected = truth[(time >= NOW + 24 * HOUR) & (time <= NOW + 48 * HOUR)]
    assert np.abs(day_after.values - expected).max() < 0.6
    assert np.isfinite(out.values).all()
    assert "forecast of 10 members" in out.attrs["notes"]
    end = np.datetime64("2026-05-14T23:00", "ns")
    step = np.abs(np.diff(out.sel(time=slice(end - 2 * HOUR, end + 3 * HOUR)).values, axis=1))
    assert step.max() < 2.0


def test_hole_in_the_logger_is_bridged_with_spread(
    measured: xr.DataArray, past: xr.DataArray
) -> None:
    holed = measured.copy()
    holed.loc[{"time": slice("2026-04-10", "2026-04-16")}] = np.nan
    holed.attrs = measured.attrs
    out = joined(holed, past)
    inside = out.sel(time=slice("2026-04-12", "2026-04-14"))
    assert np.isfinite(inside.values).all()
    assert float(inside.std("member").mean()) > 0.3
    assert "168 missing values bridged" in out.attrs["notes"]
    edge = out.sel(time=slice("2026-04-09T22", "2026-04-10T03"))
    assert np.abs(np.diff(edge.values, axis=1)).max() < 3.0


def test_without_past_years_the_series_ends_with_the_forecast(measured: xr.DataArray) -> None:
    out = joined(measured, None)
    assert out["time"].values[-1] == NOW
    assert out.sizes["member"] == 1


def test_pieces_of_seasons_do_as_well_as_whole_years(
    measured: xr.DataArray, past: xr.DataArray
) -> None:
    pieces = [past.sel(time=slice(f"{year}-04-01", f"{year}-08-20")) for year in range(2012, 2026)]
    for piece in pieces:
        piece.attrs = past.attrs
    whole, cut = joined(measured, past), joined(measured, pieces)
    late = slice("2026-06-01", None)
    difference = whole.sel(time=late).mean("member") - cut.sel(time=late).mean("member")
    assert float(np.abs(difference).max()) < 0.8


def test_year_of_the_target_is_not_among_the_past(measured: xr.DataArray) -> None:
    with_future = series("2020-01-01", "2030-01-01", seed=1)
    out = joined(measured, with_future)
    without = with_future.where(with_future["time"].dt.year != 2026)
    without.attrs = with_future.attrs
    assert out.sizes["member"] <= 27
    assert joined(measured, without).sizes["member"] == out.sizes["member"]


def test_few_years_are_refused_with_a_next_step(measured: xr.DataArray) -> None:
    two = series("2024-01-01", "2026-01-01")
    with pytest.raises(CoverageError, match=r"2 past years cover the season.*; give more past"):
        joined(measured, two)


def test_what_cannot_be_joined_is_said(measured: xr.DataArray, past: xr.DataArray) -> None:
    with pytest.raises(InputError, match="measured values or a forecast"):
        joined(None, past)  # type: ignore[arg-type]
    with pytest.raises(InputError, match="hourly series or daily means"):
        joined(measured.isel(time=slice(None, None, 6)), None)
    with pytest.raises(CoverageError, match="no measured or forecast"):
        joined(measured, past, now=np.datetime64("2020-01-01"))


def test_daily_means_join_as_hours_do(past: xr.DataArray, measured: xr.DataArray) -> None:
    def daily(hours: xr.DataArray) -> xr.DataArray:
        days = hours.coarsen(time=24, boundary="trim", coord_func="min").mean()
        return soil_series(days["time"].values, days.values, depth_cm=5, source="invented")

    out = joined(daily(measured), daily(past), now=np.datetime64("2026-05-01"))
    assert (np.diff(out["time"].values) == np.timedelta64(1, "D")).all()
    assert np.isfinite(out.values).all()


def test_widening_is_that_of_the_prediction_interval() -> None:
    """Five draws, one more to come: t(0.9; 4) = 1.533 and z(0.9) = 1.2816, standard tables."""
    assert widening(5, 1.0) == pytest.approx(np.sqrt(1.2) * 1.533 / 1.2816, rel=1e-3)
    assert widening(1000, 1.0) == pytest.approx(1.0, abs=2e-3)
    rng = np.random.default_rng(11)
    draws = rng.normal(size=(4000, 8))
    centre = draws.mean(axis=1, keepdims=True)
    # The factor stands for the sd of the sample; the test makes the interval of 1.2816 sd.
    half = widening(8, 1.0) * 1.2816 * draws.std(axis=1, ddof=1)
    inside = np.abs(rng.normal(size=4000) - centre[:, 0]) <= half
    assert inside.mean() == pytest.approx(0.8, abs=0.02)


def test_leap_day_target_and_southern_autumn(past: xr.DataArray) -> None:
    measured = series("2028-01-10", "2028-03-02", seed=4)
    out = joined(
        measured, past, start=np.datetime64("2028-02-01"), end=np.datetime64("2028-06-01"),
        now=np.datetime64("2028-02-29T12:00"),
    )  # fmt: skip
    assert pd.Timestamp("2028-02-29 12:00") in pd.DatetimeIndex(out["time"].values)
    assert np.isfinite(out.values).all()
