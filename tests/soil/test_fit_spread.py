"""The spread of sites: three parts of invented residuals are told apart."""

from __future__ import annotations

import numpy as np
import pytest

from reference_data.build.soil_parameters import NUGGET_K2, fit_spread

DAYS = 180
SEASONS = 60
SHIFT_K, MONTH_K, MONTH_D, DAY_K, DAY_D = 0.9, 0.7, 40.0, 1.1, 4.0


@pytest.fixture(scope="module")
def residuals() -> np.ndarray:
    """Drawn from the covariance that the fit assumes, with known parameters."""
    rng = np.random.default_rng(31)
    apart = np.abs(np.subtract.outer(np.arange(DAYS), np.arange(DAYS)))
    field = (
        SHIFT_K**2
        + MONTH_K**2 * np.exp(-apart / MONTH_D)
        + DAY_K**2 * np.exp(-apart / DAY_D)
        + NUGGET_K2 * np.eye(DAYS)
    )
    sample = rng.multivariate_normal(np.zeros(DAYS), field, size=SEASONS)
    sample[:, 100:110] = np.nan
    return sample


def test_the_parts_come_back(residuals: np.ndarray) -> None:
    spread = fit_spread(residuals, np.zeros((1, SEASONS, DAYS)), [str(i) for i in range(SEASONS)])
    # 60 seasons tell an sd to about a tenth (1 / sqrt(2 * 60)); a shift that stays and one of
    # months share what half a year shows of both.
    assert spread.daily_sd_K == pytest.approx(DAY_K, rel=0.1)
    assert spread.daily_memory_d == pytest.approx(DAY_D, rel=0.25)
    slow = np.hypot(spread.shift_sd_K, spread.monthly_sd_K)
    assert slow == pytest.approx(np.hypot(SHIFT_K, MONTH_K), rel=0.15)
    assert 20.0 < spread.monthly_memory_d < 80.0


def test_a_station_with_two_seasons_counts_like_one_with_one(residuals: np.ndarray) -> None:
    some = residuals[:12]
    none = np.zeros((1, 12, DAYS))
    names = [str(i) for i in range(12)]
    once = fit_spread(some, none, names)
    twice = fit_spread(
        np.concatenate([some, some[:5]]), np.zeros((1, 17, DAYS)), [*names, *names[:5]]
    )
    assert vars(twice) == pytest.approx(vars(once), rel=1e-3)


def test_what_a_difference_explains_is_not_spread(residuals: np.ndarray) -> None:
    """A shift of every site along one difference leaves less of it to the shift."""
    some = residuals[:12]
    names = [str(i) for i in range(12)]
    plain = fit_spread(some, np.zeros((1, 12, DAYS)), names)
    explained = fit_spread(some, np.full((1, 12, DAYS), SHIFT_K), names)
    assert explained.shift_sd_K < 0.8 * plain.shift_sd_K
