"""Second differences of a log-posterior against surfaces whose bend is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from thermosprout.calibration.posterior import Problem


@dataclass
class Known:
    """A log-posterior in closed form, asked for its bend as a problem of plots is."""

    bend: np.ndarray
    peak: np.ndarray
    quartic: float = 0.0
    prior: bool = False

    @property
    def size(self) -> int:
        return self.peak.size

    def log_posterior(self, w: np.ndarray) -> np.ndarray:
        off = w - self.peak
        return -0.5 * np.einsum("di,ij,dj->d", off, self.bend, off) - self.quartic * off[:, 0] ** 4

    _second = Problem._second
    curvature = Problem.curvature


def test_a_normal_has_its_precision_everywhere() -> None:
    rng = np.random.default_rng(4)
    root = rng.normal(size=(5, 5))
    bend = root @ root.T + np.diag([0.0, 2.0, 9.0, 40.0, 300.0])
    known = Known(bend, rng.normal(size=5))
    for at in (known.peak, known.peak + 0.3 * rng.normal(size=5)):
        assert known.curvature(at) == pytest.approx(bend, rel=1e-6, abs=1e-6)


def test_what_the_records_leave_as_it_was_is_not_paired() -> None:
    bend = np.array([[4.0, 1.0, 0.0], [1.0, 3.0, 0.0], [0.0, 0.0, 1.0]])
    known = Known(bend, np.zeros(3), prior=True)
    asked: list[int] = []
    plain = Known.log_posterior

    class Counting(Known):
        def log_posterior(self, w: np.ndarray) -> np.ndarray:
            asked.append(len(w))
            return plain(self, w)

    counting = Counting(bend, np.zeros(3), prior=True)
    assert counting.curvature(np.zeros(3)) == pytest.approx(bend, abs=1e-9)
    # One pair of two moved coordinates: four corners, after two rounds of three axes.
    assert asked == [7, 7, 4]
    assert known.curvature(np.ones(3)) == pytest.approx(bend, abs=1e-9)
    still = Known(np.eye(2), np.zeros(2), prior=True)
    assert still.curvature(np.zeros(2)) == pytest.approx(np.eye(2), abs=1e-9)


def test_steps_are_about_half_a_standard_deviation() -> None:
    # A fourth power off the peak: the second difference with step h is bend + 2 q h^2.
    known = Known(np.diag([25.0]), np.zeros(1), quartic=3.0)
    first = 25.0 + 2 * 3.0 * 0.3**2
    found = known.curvature(np.zeros(1))[0, 0]
    step = np.sqrt((found - 25.0) / 6.0)
    assert step == pytest.approx(0.5 / np.sqrt(first), rel=0.1)
