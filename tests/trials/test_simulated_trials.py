"""Simulated trials are what they are asked to be: stand, handling and places of plots."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from tests.trials.model_trials import _handled, simulate_counts, simulate_records
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import InputError
from thermosprout.trials.design import Layout, lay_out


@pytest.mark.parametrize("correlation", [0.0, 0.3])
def test_a_stand_of_all_or_none_is_drawn(correlation: float) -> None:
    found = simulate_counts(
        np.random.default_rng(1), t50=np.full(4, 5.0), sigma=0.2, stand=[1.0, 1.0, 0.0, 0.0],
        seeds=[30, 400, 30, 400], inspections=[1.0, 60.0], correlation=np.full(4, correlation),
    )  # fmt: skip
    assert found.tolist() == [[0, 30], [0, 400], [0, 0], [0, 0]]


def test_a_label_says_what_was_done_and_how_long() -> None:
    assert _handled("Direct", 48.0) == Handling()
    assert _handled("covered", 48.0) == Handling()
    assert _handled("SOAKED", 8.0) == Handling(treatment=Treatment.SOAKED, soak_h=8.0)
    assert _handled("presprouted", 72.0) == Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0)


def test_each_planting_day_has_its_own_strip() -> None:
    treatments = ["direct", "soaked", "presprouted"]
    spots = lay_out(Layout.SPLIT, ["Early"], treatments, 4, np.random.default_rng(3), days=3)
    assert {(spot.row, spot.column) for spot in spots} == {
        (row, column) for row in range(4 * 3) for column in range(len(treatments))
    }
    for spot in spots:
        assert spot.row // 3 == "ABCD".index(spot.block[0])
        assert isinstance(spot.row, int)
    assert len({(spot.block, spot.row) for spot in spots}) == 12


def test_simulated_records_are_the_plots_at_their_looks() -> None:
    """Below the base nothing comes; in warm soil all live seed does, a direct sowing later."""
    crop = find_crop("pea")
    times = {"started": pd.Timestamp("2026-04-27"), "planted": pd.Timestamp("2026-05-01")}
    table = pd.DataFrame(
        [
            {"plot": "A1", "treatment": "direct", **times, "started": times["planted"],
             "seeds_planted": 400, "depth_cm": 3.0, "last_inspected": pd.NaT},
            {"plot": "A2", "treatment": "presprouted", **times,
             "seeds_planted": 300, "depth_cm": np.nan, "last_inspected": pd.NaT},
        ]
    )  # fmt: skip
    cold = simulate_records(crop, table, [5, 10.5], np.random.default_rng(1), temperature_C=-5.0)
    assert cold["emerged"].tolist() == [0, 0, 0, 0]
    warm = simulate_records(crop, table, [5, 60], np.random.default_rng(1), temperature_C=18.0)
    assert warm["plot"].tolist() == ["A1", "A1", "A2", "A2"]
    assert list(warm.columns[:2]) == ["plot", "treatment"]
    assert warm["inspected_local"].tolist() == ["2026-05-06T00:00:00Z", "2026-06-30T00:00:00Z"] * 2
    assert cold["inspected_local"].iloc[1] == "2026-05-11T12:00:00Z"
    assert set(warm["temperature_C"]) == {18.0}
    early, late = warm["emerged"].to_numpy().reshape(2, 2).T
    share = late / np.array([400, 300])
    assert (share > 0.5).all()
    assert early[1] / late[1] > early[0] / late[0]


def test_sprouted_seed_is_known_to_live_dry_seed_is_not() -> None:
    crop = find_crop("pea")
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    started, planted = pd.Timestamp("2026-04-29"), pd.Timestamp("2026-05-01")
    table = pd.DataFrame(
        [
            {"plot": f"{treatment}{number}", "treatment": treatment, "planted": planted,
             "started": planted if treatment == "direct" else started,
             "seeds_planted": 300, "depth_cm": 3.0}
            for number in range(40) for treatment in ("direct", "presprouted")
        ]
    )  # fmt: skip

    def stand(viability: float) -> pd.Series:
        records = simulate_records(
            crop, table, [60], np.random.default_rng(1), truth=truth, temperature_C=18.0,
            viability=viability,
        )  # fmt: skip
        return records.groupby("treatment")["emerged"].mean() / 300

    whole, half = stand(1.0), stand(0.5)
    assert half["direct"] / whole["direct"] == pytest.approx(0.5, abs=0.05)
    # A sprout has shown that it lives, but those of a weak lot are weak: the root of its viability.
    assert half["presprouted"] / whole["presprouted"] == pytest.approx(np.sqrt(0.5), abs=0.08)


def test_planting_days_count_towards_the_most_plots_of_a_trial() -> None:
    treatments, rng = ["direct", "soaked"], np.random.default_rng(0)
    most = 1_250  # blocks of four plots: a trial of 5 000
    assert len(lay_out(Layout.SPLIT, ["Early"], treatments, most, rng, days=2)) == 4 * most
    with pytest.raises(InputError, match="5004 plots are more than 5000"):
        lay_out(Layout.SPLIT, ["Early"], treatments, most + 1, rng, days=2)
