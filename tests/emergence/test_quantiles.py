"""Weighted quantiles against numpy's on equal weights, a plain loop, and at the edges."""

from __future__ import annotations

import numpy as np
import pytest

from thermosprout.emergence.weighted_draws import ODDS, odds, weighted_quantile


def test_equal_weights_give_the_hazen_quantiles_of_numpy() -> None:
    values = np.random.default_rng(3).normal(size=101)
    asked = [0.0, 0.003, 0.1, 0.5, 0.9, 0.999, 1.0]
    expected = np.quantile(values, asked, method="hazen")
    assert weighted_quantile(values, np.ones(101), asked) == pytest.approx(expected)


def test_a_whole_weight_counts_like_as_many_draws() -> None:
    values = np.array([1.0, 2.0, 3.0, 4.0])
    repeated = np.repeat(values, [1, 3, 2, 1])
    found = weighted_quantile(values, np.array([1.0, 3.0, 2.0, 1.0]), [0.5])
    assert abs(found[0] - np.median(repeated)) < 1.0


def test_a_draw_stands_at_the_middle_of_its_weight() -> None:
    """Weights 1, 2, 5 and 2 of ten, by hand: middles at 0.05, 0.2, 0.55 and 0.9."""
    values, weights = np.array([7.0, 1.0, 3.0, 2.0]), np.array([2.0, 1.0, 5.0, 2.0])
    asked = [0.0, 0.05, 0.1, 0.2, 0.375, 0.55, 0.725, 0.9, 1.0]
    found = weighted_quantile(values, weights, asked)
    expected = [1, 1, 1 + 1 / 3, 2, 2.5, 3, 5, 7, 7]
    assert found == pytest.approx(expected, rel=1e-12)
    # Draws without weight have no say, wherever they lie.
    more = weighted_quantile(
        np.append(values, [-9.0, np.inf, np.nan]), np.append(weights, [0.0, 0.0, 4.0]), asked
    )
    assert more == pytest.approx(expected, rel=1e-12)


def test_what_never_comes_is_latest_and_nan_left_out() -> None:
    values = np.array([1.0, 2.0, np.inf, np.inf, np.nan])
    # Middles of the finite draws are 1/8 and 3/8: beyond the last of them nothing is known.
    found = weighted_quantile(values, np.ones(5), [0.1, 0.25, 0.375, 0.376, 0.9])
    assert found[:3] == pytest.approx([1.0, 1.5, 2.0])
    assert np.isinf(found[3:]).all()
    never = weighted_quantile(np.full(3, np.inf), np.ones(3), [0.0, 0.5])
    assert np.isinf(never).all()
    for nothing in (np.array([np.nan]), np.array([])):
        empty = weighted_quantile(nothing, np.ones(nothing.size), [0.5, 0.9])
        assert empty.shape == (2,)
        assert np.isnan(empty).all()
    assert np.isnan(weighted_quantile(np.ones(2), np.zeros(2), [0.5])).all()


def test_one_draw_is_every_quantile() -> None:
    assert (
        weighted_quantile(np.array([4.0]), np.array([0.2]), [0.1, 0.5, 0.9]).tolist() == [4.0] * 3
    )


def test_the_three_odds_are_tenth_middle_and_ninetieth() -> None:
    values = np.arange(101.0)
    assert ODDS == {"p10": 0.1, "p50": 0.5, "p90": 0.9}
    found = odds(values, np.ones(101))
    assert found == {name: pytest.approx(101 * p - 0.5) for name, p in ODDS.items()}
    assert all(isinstance(value, float) for value in found.values())
