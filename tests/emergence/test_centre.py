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
