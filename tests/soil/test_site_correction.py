"""Readings correct a series, the more the more there are, and say what is left."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from tests.soil.test_model import spring
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.model.ground import fitted_parameters
from thermosprout.soil.model.temperature import site_effects, soil_temperature
from thermosprout.soil.site_correction import correct, site_spread, sort_out
from thermosprout.soil.site_readings import Kind, check_series, kind_of, readings_from_series


@pytest.fixture(scope="module")
def weather() -> xr.Dataset:
    return spring()


@pytest.fixture(scope="module")
def series(weather: xr.Dataset) -> xr.DataArray:
    return soil_temperature(weather, depth_cm=5, surface="bare")


def _readings(series: xr.DataArray, shift: float, count: int, every: int = 29) -> pd.DataFrame:
    at = 24 * 20 + every * np.arange(count)
    return pd.DataFrame(
        {
            "time_utc": series["time"].values[at],
            "depth_cm": 5.0,
            "soil_temp_C": series.values[at] + shift,
        }
    )


def test_no_reading_leaves_the_series_and_states_the_spread(series: xr.DataArray) -> None:
    done = correct(series, _readings(series, 0.0, 0))
    np.testing.assert_array_equal(done.series.values, series.values)
    assert done.offset_sd_K == pytest.approx(site_spread(series))
    assert 0.8 < done.offset_sd_K < 1.5
    assert "may differ by" in done.sentence()


def test_more_readings_pull_more_and_leave_less(series: xr.DataArray) -> None:
    offsets, spreads = [], []
    for count in (1, 4, 14, 40):
        done = correct(series, _readings(series, 1.5, count))
        offsets.append(done.offset_K)
        spreads.append(done.offset_sd_K)
        assert done.before_bias_K == pytest.approx(-1.5)
        assert done.readings == count
    assert 0.3 < offsets[0] < offsets[1] < offsets[2] < offsets[3] < 1.5
    assert all(a > b for a, b in pairwise(spreads))


def test_a_false_swing_is_corrected(series: xr.DataArray) -> None:
    daily = series.rolling(time=24, center=True, min_periods=12).mean()
    truth = daily + 0.6 * (series - daily)
    at = slice(24 * 20, 24 * 34, 5)
    table = pd.DataFrame(
        {
            "time_utc": series["time"].values[at],
            "depth_cm": 5.0,
            "soil_temp_C": truth.values[at],
        }
    )
    done = correct(series, table)
    assert done.swing == pytest.approx(0.6, abs=0.1)
    later = slice(24 * 40, 24 * 60)
    before = float(np.sqrt(((series - truth)[later] ** 2).mean()))
    after = float(np.sqrt(((done.series - truth)[later] ** 2).mean()))
    assert after < 0.4 * before


def test_a_late_swing_is_corrected(series: xr.DataArray) -> None:
    """A sensor that lags by an hour, as one a little deeper does; read after noon only."""
    truth = series.copy(
        data=np.interp(np.arange(series.size) - 1.0, np.arange(series.size), series)
    )
    at = np.flatnonzero(series["time"].dt.hour.isin([12, 15, 18]).values)
    at = at[(at >= 24 * 20) & (at < 24 * 34)]
    table = pd.DataFrame(
        {
            "time_utc": series["time"].values[at],
            "depth_cm": 5.0,
            "soil_temp_C": truth.values[at],
        }
    )
    done = correct(series, table)
    later = slice(24 * 40, 24 * 60)
    before = float(np.sqrt(((series - truth)[later] ** 2).mean()))
    after = float(np.sqrt(((done.series - truth)[later] ** 2).mean()))
    assert after < 0.5 * before
    assert abs(done.offset_K) < 0.3


def test_readings_at_another_depth_are_moved(weather: xr.Dataset, series: xr.DataArray) -> None:
    deep = soil_temperature(weather, depth_cm=10, surface="bare")
    table = _readings(deep, 1.0, 14)
    table["depth_cm"] = 10.0
    done = correct(series, table)
    assert 0.5 < done.offset_K < 1.1


def test_traits_carry_april_into_summer(weather: xr.Dataset) -> None:
    """A site with another sward: with its traits the readings say more about later."""
    from dataclasses import replace

    ground = fitted_parameters()
    other = replace(ground, sward_resistance=ground.sward_resistance + 90.0)
    series = soil_temperature(weather, depth_cm=5, surface="grass")
    truth = soil_temperature(weather, depth_cm=5, surface="grass", ground=other)
    effects = site_effects(weather, series, depth_cm=5, surface="grass")
    table = _readings(truth, 0.0, 14, every=24)
    plain = correct(series, table)
    knowing = correct(series, table, effects=effects)
    late = slice(24 * 55, None)

    def error(done: xr.DataArray) -> float:
        return float(np.sqrt(((done - truth)[late] ** 2).mean()))

    assert error(knowing.series) < error(plain.series) < error(series)


def test_a_logger_for_a_while_is_a_lot_of_readings(series: xr.DataArray) -> None:
    logger = (series + 1.2).isel(time=slice(24 * 30, 24 * 50))
    logger.attrs = series.attrs
    done = correct(series, readings_from_series(logger))
    assert done.offset_K == pytest.approx(1.2, abs=0.25)


def test_members_are_corrected_alike() -> None:
    ensemble = soil_temperature(spring(members=3), depth_cm=5, surface="bare")
    done = correct(ensemble, _readings(ensemble.mean("member"), 1.0, 10))
    assert done.series.dims == ensemble.dims
    assert float((done.series - ensemble).mean()) > 0.2


def test_means_of_days_are_told_from_readings(series: xr.DataArray) -> None:
    days = pd.DataFrame(
        {
            "time_utc": pd.date_range("2025-04-01T23:30", periods=10, freq="D"),
            "depth_cm": 5.0,
            "soil_temp_C": 9.0,
        }
    )
    assert kind_of(days, 8.0) is Kind.DAY
    morning = days.assign(time_utc=days["time_utc"] + pd.Timedelta(hours=9))
    assert kind_of(morning, 8.0) is Kind.INSTANT
    assert kind_of(days, -95.0) is Kind.INSTANT
    means = series.resample(time="24h").mean()
    table = pd.DataFrame(
        {
            "time_utc": means["time"].values[20:34],
            "depth_cm": 5.0,
            "soil_temp_C": means.values[20:34] + 1.0,
        }
    )
    done = correct(series, table, kind=kind_of(table, 8.0))
    assert done.kind is Kind.DAY
    assert done.before_bias_K == pytest.approx(-1.0, abs=0.05)


def test_wrong_readings_are_refused(series: xr.DataArray) -> None:
    good = _readings(series, 0.0, 5)
    with pytest.raises(InputError, match="lack the column 'depth_cm'"):
        correct(series, good.drop(columns="depth_cm"))
    with pytest.raises(InputError, match="is not one of soil"):
        correct(series, good.assign(soil_temp_C=68.0))
    late = good.assign(time_utc=good["time_utc"] + pd.Timedelta(days=3000))
    with pytest.raises(CoverageError, match="none of the 5 readings falls between"):
        correct(series, late)


def test_check_states_bias_and_rmse(series: xr.DataArray) -> None:
    table = _readings(series, -2.0, 8)
    table.loc[len(table)] = [pd.Timestamp("2031-01-01"), 5.0, 3.0]
    result = check_series(series, table)
    assert result.bias_K == pytest.approx(2.0)
    assert result.rmse_K == pytest.approx(2.0)
    assert (result.count, result.outside) == (8, 1)


@pytest.mark.parametrize("hour", [6, 15])
def test_readings_tell_what_they_are(weather: xr.Dataset, hour: int) -> None:
    """Means of days under an odd hour are told from readings at that hour, by the readings."""
    series = soil_temperature(weather, depth_cm=3, surface="bare")
    rng = np.random.default_rng(2)
    at = 24 * np.arange(20, 34) + hour
    days = series.values[: 24 * 40].reshape(-1, 24).mean(axis=1)[20:34]
    for values, kind in ((series.values[at], Kind.INSTANT), (days, Kind.DAY)):
        table = pd.DataFrame(
            {
                "time_utc": series["time"].values[at],
                "depth_cm": 3.0,
                "soil_temp_C": values + 0.5 + rng.normal(0, 0.2, 14),
            }
        )
        found, moved = sort_out(series, table, 0.0)
        assert found is kind
        offset = pd.to_datetime(moved["time_utc"]).dt.hour.unique()
        assert list(offset) == ([hour] if kind is Kind.INSTANT else [0])


def test_means_of_days_are_weighed_as_averages_of_their_hours(weather: xr.Dataset) -> None:
    """Gaussian conditioning on averages (Rasmussen & Williams 2006, eq. 2.25), hour by hour."""
    series = soil_temperature(weather, depth_cm=5, surface="grass")
    effects = site_effects(weather, series, depth_cm=5, surface="grass")
    numbers, days = fitted_parameters(), np.arange(20, 34)
    wrong = 0.5 + 1.5 * effects.values[0] + 0.3 * np.cos(np.arange(series.sizes["time"]) / 17.0)
    truth = series.values + wrong
    means = np.array([truth[24 * day : 24 * day + 24].mean() for day in days])
    table = pd.DataFrame(
        {"time_utc": series["time"].values[24 * days], "depth_cm": 5.0, "soil_temp_C": means}
    )
    done = correct(series, table, effects=effects, kind=Kind.DAY, reading_sd_K=0.3)

    at = np.arange(0, series.sizes["time"], 3)
    apart = np.abs(at[:, None] - at[None, :]) / 24.0
    prior = numbers.site_shift_sd_K**2 + effects.values[:, at].T @ effects.values[:, at]
    prior += numbers.monthly_sd_K**2 * np.exp(-apart / numbers.monthly_memory_d)
    prior += numbers.daily_sd_K**2 * np.exp(-apart / numbers.daily_memory_d)
    average = np.array([(at // 24 == day) / 8.0 for day in days])
    seen = average @ prior @ average.T + 0.3**2 * np.eye(days.size)
    exact = prior @ average.T @ np.linalg.solve(seen, average @ wrong[at])
    got = (done.series - series).values[at]
    assert float(np.sqrt(np.mean((got - exact) ** 2))) < 0.02 * float(np.sqrt(np.mean(exact**2)))
