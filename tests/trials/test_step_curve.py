"""What chance among seeds does to half emergence of the step curve, worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from thermosprout.trials.analysis.timing import step_variance


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
