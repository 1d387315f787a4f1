"""Which of its ends a climb takes, and how much higher another has to be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from thermosprout.calibration.fit import climb


@dataclass
class Hills:
    """Hills of two coordinates: log of a sum of normals, their heights and places given."""

    places: np.ndarray
    heights: np.ndarray

    size = 2

    def log_posterior(self, w: np.ndarray) -> np.ndarray:
        off = w[:, None, :] - self.places
        return np.logaddexp.reduce(self.heights - 2.0 * np.square(off).sum(axis=2), axis=1)

    def value_and_gradient(self, w: np.ndarray) -> tuple[float, np.ndarray]:
        value = self.log_posterior(w[None])[0]
        off = w - self.places
        share = np.exp(self.heights - 2.0 * np.square(off).sum(axis=1) - value)
        return -float(value), 4.0 * share @ off


def hills(*heights: float) -> Hills:
    return Hills(np.array([[0.0, 0.0], [6.0, 1.0], [-6.0, 2.0]]), np.array(heights))


NEAR = np.array([[0.4, -0.3], [5.5, 1.2], [-5.6, 2.1]])


@pytest.mark.parametrize("how", [{}, {"thorough": True}, {"exact": True}])
@pytest.mark.parametrize("highest", [0, 1, 2])
def test_the_highest_of_all_ends_is_taken(how: dict[str, bool], highest: int) -> None:
    heights = [0.0, 0.0, 0.0]
    heights[highest] = 3.0
    problem = hills(*heights)
    for turn in range(3):
        found = climb(problem, np.roll(NEAR, turn, axis=0), **how)  # type: ignore[arg-type]
        close = 1e-4 if how.get("exact") else 0.05
        assert found == pytest.approx(problem.places[highest], abs=close)


def test_a_slightly_higher_hill_is_not_followed() -> None:
    problem = hills(0.0, 0.005, -9.0)
    assert climb(problem, NEAR[:2]) == pytest.approx(problem.places[0], abs=0.05)  # type: ignore[arg-type]
    problem = hills(0.0, 0.05, -9.0)
    assert climb(problem, NEAR[:2]) == pytest.approx(problem.places[1], abs=0.05)  # type: ignore[arg-type]
