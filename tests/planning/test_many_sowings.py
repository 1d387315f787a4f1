from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.emergence.plain_crop import plain_crop
from tests.planning.climates import COOL, INLAND, series, soil_under, years
from thermosprout.emergence.forecast import CropDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.many_sowings import SoilSteps, cross_rising, next_true


@given(st.integers(0, 2**32 - 1))
def test_crossing_of_rising_rows_is_linear_interpolation(seed: int) -> None:
    rng = np.random.default_rng(seed)
    steps = np.where(rng.random((4, 30)) < 0.2, 0.0, rng.random((4, 30)))
    running = np.concatenate([np.zeros((4, 1)), steps.cumsum(axis=1)], axis=1)
    target = rng.random((4, 7)) * running[:, -1:] * 1.2
    found = cross_rising(running, target)
    for row in range(4):
        for wanted, place in zip(target[row], found[row], strict=True):
            if wanted > running[row, -1]:
                assert np.isinf(place)
            else:
                assert np.interp(place, np.arange(31), running[row]) == pytest.approx(wanted)
                # The first place at which it is reached, not a later one on a flat stretch.
                assert np.interp(place - 1e-6, np.arange(31), running[row]) <= wanted


def test_sowing_days_of_a_year_agree_with_the_clock_of_one_row() -> None:
    soil = soil_under(years(INLAND, 3, days=200))
    draws = CropDraws.of(plain_crop(), 12)
    steps = SoilSteps.of(series(soil))
    sown_h = steps.start_h + 12 + 24.0 * np.arange(95, 130)
    needed = np.linspace(60, 160, 12)
    found = steps.cross(steps.running(draws.rates), steps.step_of(sown_h), needed)
    for member in range(3):
        clock = ThermalClock(series(soil[member]), draws.rates)
        for index in (0, 11, 34):
            exact = clock.cross(sown_h[index], needed[:, None])[:, 0]
            ours = steps.start_h + found[:, member, index] * steps.step_h
            both = np.isfinite(exact)
            assert both.any()
            np.testing.assert_array_equal(both, np.isfinite(ours))
            # Six-hour steps are straight inside; a tenth of a day is what that may cost.
            np.testing.assert_allclose(ours[both], exact[both], atol=2.4)


def test_mean_temperature_agrees_with_the_hourly_mean() -> None:
    soil = soil_under(years(COOL, 2, days=60))
    steps = SoilSteps.of(series(soil))
    mean = steps.mean_temperature(np.array([8]), np.full((1, 2, 1), 48.0))
    expected = [np.trapezoid(row[48:289]) / 240 for row in soil]
    np.testing.assert_allclose(mean[0, :, 0], expected, atol=0.05)


def test_nothing_is_reported_past_a_hole() -> None:
    soil = soil_under(years(COOL, 2, days=120))
    soil[1, 24 * 40 : 24 * 41] = np.nan
    draws = CropDraws.of(plain_crop(t_base=2.0), 4)
    steps = SoilSteps.of(series(soil))
    found = steps.cross(
        steps.running(draws.rates), np.array([0, 170]), np.array([5.0, 60.0, 2000.0, 9000.0])
    )
    before, after = found[:, 1, 0], found[:, 1, 1]
    assert np.all(np.isinf(before) | (before <= 160))
    assert np.isfinite(after[1])
    assert np.isfinite(found[1, 0, 0])


def test_next_true_looks_ahead() -> None:
    flags = np.array([[False, True, False, False, True, False]])
    np.testing.assert_array_equal(next_true(flags), [[1, 1, 4, 4, 4, 7, 7]])


def test_sowing_outside_the_series_is_refused() -> None:
    steps = SoilSteps.of(series(soil_under(years(COOL, 1, days=10))))
    with pytest.raises(CoverageError):
        steps.step_of([steps.start_h - 24])


def test_steps_must_divide_a_day() -> None:
    with pytest.raises(InputError):
        SoilSteps.of(series(soil_under(years(COOL, 1, days=10))), step_h=5)
