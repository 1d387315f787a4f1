"""Estimates: what is refused, and draws and intervals against the normal they stand for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import norm

from thermosprout.crops.estimate import PARAMETERS, Estimate
from thermosprout.errors import InputError

ESTIMATE = Estimate.generic("made", {"t_base_C": (4.0, 1.5), "thermal_time_50_Cd": (100.0, 0.3)})


def test_estimates_that_cannot_be_are_refused() -> None:
    size = len(ESTIMATE.names)
    crooked = ESTIMATE.covariance.copy()
    crooked[0, 1] += 1e-3
    negative = ESTIMATE.covariance.copy()
    negative[2, 2] = -1e-6
    hole = ESTIMATE.mean.copy()
    hole[3] = np.nan
    for changed, words in (
        ({"names": ("no_such", *ESTIMATE.names[1:])}, "unknown parameter 'no_such'"),
        ({"mean": np.zeros(size - 1)}, f"has {size} names but other shapes"),
        ({"covariance": np.eye(size + 1)}, f"has {size} names but other shapes"),
        ({"mean": hole}, "a number that is not finite"),
        ({"covariance": crooked}, "is not symmetric"),
        ({"covariance": negative}, "is not positive"),
    ):
        with pytest.raises(InputError, match=words):
            replace(ESTIMATE, **changed)


def test_intervals_and_draws_are_those_of_the_normal() -> None:
    low, high = ESTIMATE.interval("t_base_C", 0.8)
    assert (low, high) == pytest.approx((4 + 1.5 * norm.ppf(0.1), 4 + 1.5 * norm.ppf(0.9)))
    low, high = ESTIMATE.interval("thermal_time_50_Cd")
    reach = np.exp(0.3 * norm.ppf(0.95))
    assert (low, high) == pytest.approx((100 / reach, 100 * reach))
    drawn = ESTIMATE.draw(20_000, np.random.default_rng(1))
    assert drawn["t_base_C"].mean() == pytest.approx(4.0, abs=0.05)
    assert drawn["t_base_C"].std() == pytest.approx(1.5, rel=0.03)
    assert np.log(drawn["thermal_time_50_Cd"]).std() == pytest.approx(0.3, rel=0.03)


def test_draws_hang_together_as_the_covariance_says() -> None:
    covariance = ESTIMATE.covariance.copy()
    a, b = ESTIMATE.names.index("t_base_C"), ESTIMATE.names.index("thermal_time_50_Cd")
    covariance[a, b] = covariance[b, a] = -0.6 * 1.5 * 0.3
    drawn = replace(ESTIMATE, covariance=covariance).draw(20_000, np.random.default_rng(2))
    found = np.corrcoef(drawn["t_base_C"], np.log(drawn["thermal_time_50_Cd"]))[0, 1]
    assert found == pytest.approx(-0.6, abs=0.02)


def test_the_centre_is_in_natural_units() -> None:
    assert ESTIMATE.centre()["thermal_time_50_Cd"] == pytest.approx(100.0)
    typical = {name: p.typical for name, p in PARAMETERS.items()}
    assert ESTIMATE.centre()["sigma"] == pytest.approx(typical["sigma"])
