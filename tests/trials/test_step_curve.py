"""What chance among seeds does to half emergence of the step curve, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from thermosprout.trials.analysis.timing import step_variance
from thermosprout.trials.power import mean_power, power_of_t


def test_the_variance_of_half_emergence_is_woodruffs() -> None:
    """A standard error of a share about a half, read off the curve (Woodruff 1952)."""
    edges = np.arange(4.0, 15.0)
    counts = np.array([[2.0, 5.0, 9.0, 14.0, 9.0, 5.0, 3.0, 2.0, 1.0, 0.0],
                       [0.0, 1.0, 4.0, 6.0, 3.0, 2.0, 0.0, 0.0, 0.0, 0.0]])  # fmt: skip
    left, right = np.tile(edges[:-1], (2, 1)), np.tile(edges[1:], (2, 1))
    expected = []
    for row in counts:
        curve = np.r_[0.0, row.cumsum()] / row.sum()
        away = 0.5 / np.sqrt(row.sum())
        rising = np.r_[True, np.diff(curve) > 0]
        low, high = np.interp([0.5 - away, 0.5 + away], curve[rising], edges[rising])
        expected.append((0.5 * np.log(high / low)) ** 2)
    assert step_variance(left, right, counts) == pytest.approx(expected, rel=1e-9)


def test_power_is_averaged_over_all_that_the_variance_could_be() -> None:
    """Three treatments; with a variance that is known the average is over one value."""
    known, doubtful = (mean_power(0.4, 0.05, 3, 6, variance_df=df) for df in (np.inf, 6.0))
    assert 0.0 < doubtful < 1.0
    # One pair of three, at the level of the most careful step of Holm.
    assert (
        power_of_t(0.4, 0.05, 6, 10, 0.05 / 3) - 0.15 < known < power_of_t(0.4, 0.05, 6, 10, 0.05)
    )
    assert doubtful < known
