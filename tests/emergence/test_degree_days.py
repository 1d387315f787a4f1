"""Degree-days of whole days: the printed maize rule, and a sine added up in small steps."""

from __future__ import annotations

import numpy as np
import pytest

from tests.published.degree_days import average_degree_days, single_sine_degree_days

ANGLES = (np.arange(20_000) + 0.5) / 20_000 * 2 * np.pi


def stepped(low: float, high: float, base: float, cap: float = np.inf) -> float:
    """Mean over a day of the sine between the extremes, cut off at the cap, above the base."""
    sine = (low + high) / 2 + (high - low) / 2 * np.sin(ANGLES)
    return float(np.maximum(np.minimum(sine, cap) - base, 0.0).mean())


DAYS = [
    (-4.0, 2.0), (5.0, 5.0), (10.0, 10.0), (4.0, 10.0), (4.0, 16.0), (8.0, 31.0), (10.0, 22.0),
    (12.0, 12.0), (14.0, 38.0), (30.0, 30.0), (30.0, 41.0), (33.0, 33.0), (2.0, 45.0),
]  # fmt: skip


def test_the_area_under_a_sine_is_its_small_steps() -> None:
    low, high = np.array(DAYS).T
    for base in (10.0, 4.0, -5.0):
        found = single_sine_degree_days(low, high, base)
        assert found == pytest.approx([stepped(*day, base) for day in DAYS], abs=1e-5)
        capped = single_sine_degree_days(low, high, base, 30.0)
        assert capped == pytest.approx([stepped(*day, base, 30.0) for day in DAYS], abs=1e-5)


def test_a_sine_about_its_base_brings_range_over_pi() -> None:
    """The area of half a wave: two half ranges over two pi."""
    assert single_sine_degree_days(2.0, 18.0, 10.0) == pytest.approx(8.0 / np.pi, rel=1e-12)


def test_averages_with_and_without_the_limits_of_the_maize_rule() -> None:
    """McMaster & Wilhelm (1997): method 1 takes the mean, method 2 raises both extremes first."""
    low, high = np.array([65.0, 46.0, 42.0, 30.0, 90.0]), np.array([90.0, 72.0, 63.0, 49.0, 99.0])
    means = (low + high) / 2
    plain = average_degree_days(low, high, 50.0)
    assert plain.tolist() == [max(mean - 50.0, 0.0) for mean in means]
    capped = average_degree_days(low, high, 50.0, 86.0)
    assert capped.tolist() == [25.5, 9.0, 2.5, 0.0, 36.0]
    # Three days of a printed example of the 86/50 rule give 25.5, 11 and 6.5.
    ruled = average_degree_days(low, high, 50.0, 86.0, raise_minimum=True)
    assert ruled.tolist() == [25.5, 11.0, 6.5, 0.0, 36.0]
    raised = average_degree_days(low, high, 50.0, raise_minimum=True)
    assert raised.tolist() == [27.5, 11.0, 6.5, 0.0, 44.5]
