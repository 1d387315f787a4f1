"""Simulated trials are what they are asked to be: stand, handling and places of plots."""

from __future__ import annotations

import numpy as np
import pytest

from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.trials.design import Layout, lay_out
from thermosprout.trials.simulate import _handled, simulate_counts


@pytest.mark.parametrize("correlation", [0.0, 0.3])
def test_a_stand_of_all_and_of_none_is_drawn_as_such(correlation: float) -> None:
    found = simulate_counts(
        np.random.default_rng(1), t50=np.full(4, 5.0), sigma=0.2, stand=[1.0, 1.0, 0.0, 0.0],
        seeds=[30, 400, 30, 400], inspections=[1.0, 60.0], correlation=np.full(4, correlation),
    )  # fmt: skip
    assert found.tolist() == [[0, 30], [0, 400], [0, 0], [0, 0]]


def test_a_label_is_what_was_done_to_the_seed_for_as_long_as_it_took() -> None:
    assert _handled("Direct", 48.0) == Handling()
    assert _handled("covered", 48.0) == Handling()
    assert _handled("SOAKED", 8.0) == Handling(treatment=Treatment.SOAKED, soak_h=8.0)
    assert _handled("presprouted", 72.0) == Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0)


def test_each_planting_day_of_a_block_has_a_strip_of_its_own() -> None:
    treatments = ["direct", "soaked", "presprouted"]
    spots = lay_out(Layout.SPLIT, ["Early"], treatments, 4, np.random.default_rng(3), days=3)
    assert {(spot.row, spot.column) for spot in spots} == {
        (row, column) for row in range(4 * 3) for column in range(len(treatments))
    }
    for spot in spots:
        assert spot.row // 3 == "ABCD".index(spot.block[0])
        assert isinstance(spot.row, int)
    assert len({(spot.block, spot.row) for spot in spots}) == 12
