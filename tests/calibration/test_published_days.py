"""Days that a crop's figures give at constant temperatures, and citations as they are shown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration import crop_curve as published
from thermosprout.crops.estimate import Estimate

LINEAR = replace(
    plain_crop(
        estimate=Estimate.generic(
            "beetroot",
            {
                "t_base_C": (4.0, 0.5), "opt_gap_C": (20.0, 0.1), "ceiling_gap_C": (10.0, 0.1),
                "thermal_time_50_Cd": (120.0, 0.2),
            },
        )
    ),
    response="linear",
)  # fmt: skip


def linear_days(base: float, opt: float, top: float, theta: float, t: float) -> float:
    """A rate that rises as a line to the optimum and falls as a line to the ceiling."""
    rate = t - base if t <= opt else (opt - base) * (top - t) / (top - opt)
    return theta / rate if base < t < top else float("inf")


def test_days_to_half_of_the_middle_of_a_crop() -> None:
    at = [2.0, 4.0, 10.0, 24.0, 29.0, 34.0, 36.0]
    found = published.days_to_half(LINEAR, at)
    assert found.shape == (7,)
    assert found == pytest.approx([linear_days(4.0, 24.0, 34.0, 120.0, t) for t in at], rel=1e-6)
    assert published.days_to_half(LINEAR, 10.0) == pytest.approx([20.0])


def test_a_band_of_days_is_that_of_its_own_draws() -> None:
    probabilities = (0.1, 0.5, 0.9)
    at = [8.0, 18.0, 28.0]
    found = published.days_band(LINEAR, at, probabilities, np.random.default_rng(3), size=500)
    draws = LINEAR.estimate.draw(500, np.random.default_rng(3))
    base = draws["t_base_C"]
    opt = base + draws["opt_gap_C"]
    top = opt + draws["ceiling_gap_C"]
    assert found.shape == (3, 3)
    for column, t in enumerate(at):
        days = [
            linear_days(*four, t)
            for four in zip(base, opt, top, draws["thermal_time_50_Cd"], strict=True)
        ]
        expected = np.quantile(days, probabilities, method="nearest")
        assert found[:, column] == pytest.approx(expected, rel=1e-9)
    usual = published.days_band(LINEAR, at, probabilities, np.random.default_rng(3))
    thousand = published.days_band(LINEAR, at, probabilities, np.random.default_rng(3), size=1000)
    assert usual.tolist() == thousand.tolist()


def test_a_short_citation_ends_with_its_year(monkeypatch: pytest.MonkeyPatch) -> None:
    sources = [
        {"source_id": "a", "source": "Doe & Roe 1974, Journal 2012:1-3 (1990)"},
        {"source_id": "b", "source": "Extension leaflet; no year"},
        {"source_id": "c", "source": "Handbook (reprint)"},
        {"source_id": "d", "source": "Report 19741, part one"},
        {"source_id": "e", "source": "Poe et al. 2011"},
    ]
    monkeypatch.setattr(published, "reference_rows", {"sources.csv": sources}.__getitem__)
    assert published.short_citations() == {
        "a": "Doe & Roe 1974", "b": "Extension leaflet", "c": "Handbook ", "d": "Report 19741",
        "e": "Poe et al. 2011",
    }  # fmt: skip
