"""A trial with several varieties prints what each of them did with each treatment."""

from __future__ import annotations

import io

import numpy as np
from rich.console import Console

from tests.trials.simulators import Handling, simulate_trial
from thermosprout.reports.crop_tables import trial_tables
from thermosprout.trials.analysis.analyse import analyse

VARIETIES = ("Early Gold", "Round Red")


def printed(varieties: tuple[str, ...]) -> tuple[str, dict[str, object]]:
    """What a terminal shows of a trial in which Round Red was never soaked, and its document."""
    handlings = (Handling(label="direct", half_d=14.0), Handling(label="soaked", half_d=11.0))
    records = simulate_trial(
        np.random.default_rng(1), handlings, blocks=3, varieties=varieties,
        looks=tuple(range(4, 31, 2)),
    )  # fmt: skip
    missing = (records["variety"] == "Round Red") & (records["treatment"] == "soaked")
    document = analyse(records[~missing].reset_index(drop=True)).to_dict()
    terminal = Console(width=80, file=io.StringIO())
    for part in trial_tables(document):
        terminal.print(part)
    return terminal.file.getvalue(), document  # type: ignore[attr-defined]


def test_each_variety_has_a_row_of_its_treatments() -> None:
    text, document = printed(VARIETIES)
    for variety in document["varieties"]:  # type: ignore[attr-defined]
        (row,) = (line for line in text.splitlines() if line.startswith(variety["variety"]))
        for item in variety["treatments"]:
            stand, half = item["stand_per_started"], item["t50_since_planted_d"]
            assert f"{100 * stand['estimate']:.0f} %, {half['estimate']:.1f} d" in row
        assert row.rstrip().endswith("–") == (variety["variety"] == "Round Red")


def test_one_variety_has_no_table_of_varieties() -> None:
    text, _ = printed(("Early Gold",))
    assert "Early Gold" not in text
