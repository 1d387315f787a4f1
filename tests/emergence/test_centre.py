"""Half emergence at the centre of an estimate: by hand at a steady temperature, and at edges."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.centre import TABLE_DEPTH_CM, half_emergence_h

CROP = plain_crop(t_base=8.0, thermal_time=120.0)
FIRST = np.datetime64("2026-05-01T00:00", "ns")
FIRST_H = float(FIRST.astype("datetime64[h]").astype(np.int64))


def steady(days: int, temperature: float = 20.0) -> xr.DataArray:
    time = FIRST + np.arange(24 * days + 1) * np.timedelta64(1, "h")
    return xr.DataArray(np.full(time.size, temperature), coords={"time": time}, dims="time")


def test_a_steady_bed_takes_thermal_time_over_degrees() -> None:
    found = half_emergence_h(steady(40), CROP, FIRST_H + 48.0)
    assert found == pytest.approx(FIRST_H + 48.0 + 24 * 120 / 12, abs=0.01)


def test_depth_and_a_head_start_count() -> None:
    cost = CROP.estimate.centre()["depth_cost_Cd_per_cm"]
    deep = half_emergence_h(steady(40), CROP, FIRST_H, TABLE_DEPTH_CM + 2.0)
    assert deep == pytest.approx(FIRST_H + 24 * (120 + 2 * cost) / 12, abs=0.01)
    # Shallower than the table is not quicker.
    assert half_emergence_h(steady(40), CROP, FIRST_H, 0.5) == pytest.approx(
        FIRST_H + 240, abs=0.01
    )
    ahead = half_emergence_h(steady(40), CROP, FIRST_H, share=0.5)
    assert ahead == pytest.approx(FIRST_H + 120, abs=0.01)


def test_a_series_that_does_not_tell_gives_no_hour() -> None:
    assert np.isnan(half_emergence_h(steady(9), CROP, FIRST_H))
    assert half_emergence_h(steady(10), CROP, FIRST_H) == pytest.approx(FIRST_H + 240, abs=0.01)
    assert np.isnan(half_emergence_h(steady(40), CROP, FIRST_H - 1.0))
    assert np.isnan(half_emergence_h(steady(40), CROP, FIRST_H + 24 * 41))
    assert np.isnan(half_emergence_h(steady(40, 8.0), CROP, FIRST_H))


def test_a_hole_ends_what_is_known() -> None:
    after, before = steady(40), steady(40)
    after[24 * 11] = np.nan
    before[24 * 9] = np.nan
    assert half_emergence_h(after, CROP, FIRST_H) == pytest.approx(FIRST_H + 240, abs=0.01)
    assert np.isnan(half_emergence_h(before, CROP, FIRST_H))
    # The last value alone is missing: what was reached before it stands.
    last = steady(11)
    last[-1] = np.nan
    assert half_emergence_h(last, CROP, FIRST_H) == pytest.approx(FIRST_H + 240, abs=0.01)
    last = steady(10)
    last[-1] = np.nan
    assert np.isnan(half_emergence_h(last, CROP, FIRST_H))


def test_a_bed_above_the_optimum_is_slower_again() -> None:
    """The straight response falls from the optimum to the ceiling."""
    centre = CROP.estimate.centre()
    best = 8.0 + centre["opt_gap_C"]
    hot = best + 0.5 * centre["ceiling_gap_C"]
    found = half_emergence_h(steady(60, hot), CROP, FIRST_H)
    assert found == pytest.approx(FIRST_H + 24 * 120 / (0.5 * centre["opt_gap_C"]), abs=0.01)


def test_two_hours_are_a_series() -> None:
    short = steady(1)[:2]
    quick = half_emergence_h(short, CROP, FIRST_H, share=0.001)
    assert quick == pytest.approx(FIRST_H + 24 * 0.12 / 12, abs=0.01)
    assert np.isnan(half_emergence_h(short[:1], CROP, FIRST_H, share=0.001))


def test_the_table_is_for_half_an_inch() -> None:
    """Days to emergence were tabled for seed half an inch deep: 1.27 cm by definition."""
    from thermosprout.emergence import treatments

    assert TABLE_DEPTH_CM == treatments.TABLE_DEPTH_CM == 2.54 / 2


def test_a_course_of_temperatures_adds_up_hour_by_hour() -> None:
    """Each value counts for the hour before it, from the first one at or after planting."""
    hours = 24 * 40
    time = FIRST + np.arange(hours + 1) * np.timedelta64(1, "h")
    values = 16 + 7 * np.sin(np.arange(hours + 1) / 24 * 2 * np.pi) + np.arange(hours + 1) / 300
    series = xr.DataArray(values, coords={"time": time}, dims="time")
    for planted, depth, share in ((0.0, 1.27, 1.0), (30.5, 4.0, 0.7), (100.0, 1.27, 0.01)):
        needed = share * 120.0 + (depth - 1.27) * CROP.estimate.centre()["depth_cost_Cd_per_cm"]
        hour = int(np.ceil(planted))
        total = 0.0
        while True:
            gain = max(min(values[hour + 1], 60.0) - 8.0, 0.0) / 24.0
            if total + gain >= needed:
                break
            total, hour = total + gain, hour + 1
        expected = FIRST_H + hour + (needed - total) / gain
        found = half_emergence_h(series, CROP, FIRST_H + planted, depth, share=share)
        assert found == pytest.approx(expected, abs=1e-6)


def test_a_hole_at_the_hour_of_planting_tells_nothing() -> None:
    for at in (0, 1):
        holed = steady(40)
        holed[at] = np.nan
        assert np.isnan(half_emergence_h(holed, CROP, FIRST_H, share=0.001))
    late = steady(40)
    late[2] = np.nan
    known = half_emergence_h(late, CROP, FIRST_H, share=0.001)
    assert known == pytest.approx(FIRST_H + 0.24, abs=0.01)
    # What is reached at the very last hour is reached.
    exact = half_emergence_h(steady(10), CROP, FIRST_H, share=0.999)
    assert exact == pytest.approx(FIRST_H + 239.76, abs=1e-6)
