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
from thermosprout.soil.model.run import running_mean
from thermosprout.soil.model.temperature import site_effects, soil_temperature
from thermosprout.soil.series import site_spread
from thermosprout.soil.site_correction import (
    classify_readings,
    correct,
    site_correction,
)
from thermosprout.soil.site_readings import (
    ReadingKind,
    compare_readings,
    stated_kind,
    valid_readings,
)


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
    assert done.weeks_sd_K == pytest.approx(site_spread(series))
    assert 0.8 < done.offset_sd_K <= done.weeks_sd_K < 1.6
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


def test_differences_carry_april_into_summer(weather: xr.Dataset) -> None:
    """A site with another sward: with its differences the readings say more about later."""
    from dataclasses import replace

    ground = fitted_parameters()
    other = replace(ground, sward_resistance=ground.sward_resistance + 90.0)
    series = soil_temperature(weather, depth_cm=5, surface="grass")
    truth = soil_temperature(weather, depth_cm=5, surface="grass", ground=other)
    effects = site_effects(weather, depth_cm=5, surface="grass")
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
    thin = logger.isel(time=slice(None, None, 3))
    readings = pd.DataFrame(
        {"time_utc": thin["time"].values, "depth_cm": 5.0, "soil_temp_C": thin.values}
    )
    done = correct(series, readings)
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
    assert stated_kind(valid_readings(days), 8.0) is ReadingKind.DAY
    morning = days.assign(time_utc=days["time_utc"] + pd.Timedelta(hours=9))
    assert stated_kind(valid_readings(morning), 8.0) is None
    assert stated_kind(valid_readings(days), -95.0) is None
    means = series.resample(time="24h").mean()
    table = pd.DataFrame(
        {
            "time_utc": means["time"].values[20:34],
            "depth_cm": 5.0,
            "soil_temp_C": means.values[20:34] + 1.0,
        }
    )
    done = correct(series, table, kind=ReadingKind.DAY)
    assert done.kind is ReadingKind.DAY
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
    result = compare_readings(series, table)
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
    for values, kind in ((series.values[at], ReadingKind.INSTANT), (days, ReadingKind.DAY)):
        table = pd.DataFrame(
            {
                "time_utc": series["time"].values[at],
                "depth_cm": 3.0,
                "soil_temp_C": values + 0.5 + rng.normal(0, 0.2, 14),
            }
        )
        found, moved = classify_readings(series, table, 0.0)
        assert found is kind
        offset = pd.to_datetime(moved["time_utc"]).dt.hour.unique()
        assert list(offset) == ([hour] if kind is ReadingKind.INSTANT else [0])


def test_means_of_days_are_weighed_as_averages_of_their_hours(weather: xr.Dataset) -> None:
    """Gaussian conditioning on averages (Rasmussen & Williams 2006, eq. 2.25), hour by hour."""
    series = soil_temperature(weather, depth_cm=5, surface="grass")
    effects = site_effects(weather, depth_cm=5, surface="grass")
    slow = running_mean(effects.values, 24)
    numbers, days = fitted_parameters(), np.arange(20, 34)
    wrong = 0.5 + 1.5 * slow[0] + 0.3 * np.cos(np.arange(series.sizes["time"]) / 17.0)
    truth = series.values + wrong
    means = np.array([truth[24 * day : 24 * day + 24].mean() for day in days])
    table = pd.DataFrame(
        {"time_utc": series["time"].values[24 * days], "depth_cm": 5.0, "soil_temp_C": means}
    )
    done = correct(series, table, effects=effects, kind=ReadingKind.DAY, reading_sd_K=0.3)

    at = np.arange(0, series.sizes["time"], 3)
    apart = np.abs(at[:, None] - at[None, :]) / 24.0
    prior = numbers.site_shift_sd_K**2 + slow[:, at].T @ slow[:, at]
    prior += numbers.monthly_sd_K**2 * np.exp(-apart / numbers.monthly_memory_d)
    prior += numbers.daily_sd_K**2 * np.exp(-apart / numbers.daily_memory_d)
    average = np.array([(at // 24 == day) / 8.0 for day in days])
    seen = average @ prior @ average.T + 0.3**2 * np.eye(days.size)
    exact = prior @ average.T @ np.linalg.solve(seen, average @ wrong[at])
    got = (done.series - series).values[at]
    assert float(np.sqrt(np.mean((got - exact) ** 2))) < 0.02 * float(np.sqrt(np.mean(exact**2)))


def _table(series: xr.DataArray, at: np.ndarray, values: np.ndarray) -> pd.DataFrame:
    return pd.DataFrame(
        {"time_utc": series["time"].values[at], "depth_cm": 5.0, "soil_temp_C": values}
    )


def test_a_max_min_thermometer_gives_a_days_ends(series: xr.DataArray) -> None:
    truth = series.values + 1.5
    at = 24 * np.arange(20, 34) + 8
    ends = [(truth[hour - 23 : hour + 1].min(), truth[hour - 23 : hour + 1].max()) for hour in at]
    table = _table(series, np.repeat(at, 2), np.ravel(ends))
    done = site_correction(series, table, longitude=8.0)
    assert done.kind is ReadingKind.MAX_MIN
    assert done.before_bias_K == pytest.approx(-1.5, abs=0.05)
    assert done.swing == pytest.approx(1.0, abs=0.1)
    as_instants = correct(series, table)
    late = slice(24 * 40, None)
    errors = [
        float(np.abs(result.series.values - truth)[late].mean()) for result in (done, as_instants)
    ]
    assert errors[0] < errors[1]


def test_half_a_max_min_pair_is_an_error(series: xr.DataArray) -> None:
    at = 24 * np.array([20, 20, 21]) + 8
    table = _table(series, at, np.array([4.0, 9.0, 5.0]))
    with pytest.raises(InputError, match="gives two values at each time"):
        correct(series, table, kind=ReadingKind.MAX_MIN)


def test_two_readings_a_day_say_more_than_one(series: xr.DataArray) -> None:
    """At one hour a wrong swing looks like a shift; morning and evening tell them apart."""
    days = 24 * np.arange(20, 34)
    twice = np.sort(np.concatenate([days[:7] + 7, days[:7] + 19]))
    left = [
        site_correction(series, _table(series, at, series.values[at] + 1.0), longitude=8.0)
        for at in (twice, days + 15)
    ]
    assert [item.readings for item in left] == [14, 14]
    assert left[0].weeks_sd_K < left[1].weeks_sd_K
    assert "2 a day" in left[0].sentence()


def test_what_readings_say_fades(series: xr.DataArray) -> None:
    """The coming weeks are better known than those long after, and both than before."""
    done = site_correction(series, _readings(series, 1.5, 14), longitude=8.0)
    shift = (done.series - series).rolling(time=24, center=True).mean()
    last = 24 * 20 + 29 * 13
    assert float(shift[last + 24]) > float(shift[last + 24 * 40]) > 0.3
    assert done.weeks_sd_K < site_spread(series)
    assert done.series.attrs["site_sd_K"] < site_spread(series)


def test_the_document_of_a_correction_has_no_gaps(series: xr.DataArray) -> None:
    keys = {"offset_K", "offset_sd_K", "weeks_sd_K", "swing", "swing_sd"}
    for count in (0, 14):
        document = correct(series, _readings(series, 1.0, count)).to_dict()
        assert document["readings"] == count
        assert all(isinstance(document[key], float) for key in keys)
