from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.planning.climates import COOL, series, years
from tests.planning.constant_setting import constant_setting
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.harvest import CHART_SEASON_C, Air, Growth, HarvestNeed
from thermosprout.emergence.treatments import Handling
from thermosprout.errors import CoverageError
from thermosprout.soil.series import hours_since_epoch

CARROT = find_crop("carrot")


def test_the_charts_days_come_back_in_its_season() -> None:
    season_C = CHART_SEASON_C[CARROT.season]
    setting = constant_setting(CARROT, season_C, size=4000)
    half = setting.forecast(Handling(), 0.0).hours[:, 1]
    days = Growth.constant(season_C, HarvestNeed.of(CARROT, 4000)).harvest_h(half) / 24
    low, high = CARROT.practice.days_to_harvest_low, CARROT.practice.days_to_harvest_high
    assert low is not None
    assert high is not None
    assert np.nanmedian(days) == pytest.approx(np.sqrt(low * high), rel=0.08)
    # Wide: at least the chart's own range holds no more than the middle 80 %.
    assert np.nanquantile(days, 0.1) < low
    assert np.nanquantile(days, 0.9) > high


def test_the_same_seed_gives_the_same_need() -> None:
    one, other = HarvestNeed.of(CARROT, 50, 3), HarvestNeed.of(CARROT, 50, 3)
    np.testing.assert_array_equal(one.thermal_time, other.thermal_time)
    assert one.published


def test_without_a_charts_days_harvest_has_a_wide_range() -> None:
    """From 45 to 125 days or so: the range of vegetables in charts (our judgement)."""
    need = HarvestNeed.of(find_crop("wheat"), 20_000)
    assert not need.published
    low, middle, high = np.quantile(need.thermal_time, [0.1, 0.5, 0.9])
    assert middle == pytest.approx(need.median, rel=0.02)
    assert 2.0 < high / low < 3.0


def test_four_cold_days_gained_are_worth_one_warm_day() -> None:
    need = replace(HarvestNeed.of(CARROT, 1), thermal_time=np.array([600.0]))
    base = need.cardinals_C[0]
    air = np.full(24 * 200 + 1, base + 4.0)
    air[24 * 40 :] = base + 16.0
    clock = Growth.of(series(air), need)
    start = float(hours_since_epoch(series(air)["time"].values)[0])
    late, early = np.array([start + 240.0]), np.array([start + 240.0 - 4 * 24])
    left = clock.harvest_h(late) - clock.harvest_h(early)
    assert left[0] / 24 == pytest.approx(1.0, abs=0.02)
    assert clock.between(early, late)[0] == pytest.approx(16.0, abs=0.1)


def test_past_the_horizon_is_open_and_nothing_stays_nothing() -> None:
    need = replace(HarvestNeed.of(CARROT, 3), thermal_time=np.full(3, 1e5))
    air = series(years(COOL, 2, days=40))
    clock = Growth.of(air, need)
    start = float(hours_since_epoch(air["time"].values)[0])
    emerged = np.array([start + 24.0, np.inf, np.nan])
    found = clock.harvest_h(emerged)
    assert np.isinf(found[:2]).all()
    assert np.isnan(found[2])
    assert np.isnan(clock.between(emerged, emerged)[1:]).all()


def test_constant_growth_below_the_base_never_gets_there() -> None:
    need = replace(HarvestNeed.of(CARROT, 1), thermal_time=np.array([100.0]))
    assert need.cardinals_C == (4.4, 24.0, 35.0)
    growth = Growth.constant(2.0, need)
    assert np.isinf(growth.harvest_h(np.array([0.0])))[0]
    warm = Growth.constant(14.4, need)
    assert warm.harvest_h(np.array([48.0]))[0] == pytest.approx(48 + 240)


def test_a_hole_at_the_start_is_refused() -> None:
    air = years(COOL, 1, days=3)[0]
    air[0] = np.nan
    with pytest.raises(CoverageError, match="hole"):
        Growth.of(series(air), HarvestNeed.of(CARROT, 2))


def test_the_warmest_month_lies_about_the_summers_peak() -> None:
    """A year whose warmth follows a sine, warmest on day 200, with one hot day in spring."""
    day = np.arange(24 * 365) / 24.0
    air = 10.0 + 8.0 * np.cos(2 * np.pi * (day - 200) / 365)
    air[24 * 60 : 24 * 61] = 30.0
    assert Air.of(series(air)).warmest / 24 == pytest.approx(200, abs=1.0)
