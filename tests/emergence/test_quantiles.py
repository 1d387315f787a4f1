"""Weighted quantiles against numpy's on equal weights, and at the edges."""

from __future__ import annotations

import numpy as np
import pytest

from thermosprout.emergence.quantiles import weighted_quantile


def test_equal_weights_give_the_hazen_quantiles_of_numpy() -> None:
    values = np.random.default_rng(3).normal(size=101)
    asked = [0.1, 0.5, 0.9]
    expected = np.quantile(values, asked, method="hazen")
    assert weighted_quantile(values, np.ones(101), asked) == pytest.approx(expected)


def test_a_whole_weight_counts_like_as_many_draws() -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0])
    repeated = np.repeat(values, [1, 3, 2, 1])
    found = weighted_quantile(values, np.array([1.0, 3.0, 2.0, 1.0]), [0.5])
    assert abs(found[0] - np.median(repeated)) < 1.0


def test_what_never_comes_is_later_than_all_and_nan_is_left_out() -> None:
    values = np.array([1.0, 2.0, np.inf, np.inf, np.nan])
    found = weighted_quantile(values, np.ones(5), [0.1, 0.9])
    assert found[0] == 1.0
    assert np.isinf(found[1])
    assert np.isnan(weighted_quantile(np.array([np.nan]), np.ones(1), [0.5])[0])
