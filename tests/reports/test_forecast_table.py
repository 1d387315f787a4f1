"""The forecast's tables at 80 columns, and its few lines on a narrow terminal."""

from __future__ import annotations

import io
from typing import Any

import pytest

from thermosprout.quantities import Units
from thermosprout.reports.console import FittingConsole
from thermosprout.reports.forecast_tables import forecast_tables, notes_by_kind


def document() -> dict[str, Any]:
    dates = {
        "p10": "2026-05-06T12:00+01:00",
        "p50": "2026-05-08T12:00+01:00",
        "p90": "2026-05-10T12:00+01:00",
    }
    over = {"p10": "2026-05-28T12:00+01:00", "p50": "2026-06-02T12:00+01:00", "p90": None}
    days = {"p10": 20.0, "p50": 22.5, "p90": None}
    return {
        "site": "Bed",
        "as_of": "2026-05-01T20:00+01:00",
        "rows": [
            {
                "row": "R1",
                "crop": "sweet corn",
                "called": "sweet corn",
                "treatment": "presprouted",
                "planted": "2026-04-18T12:00+01:00",
                "depth_cm": 2.54,
                "stages": {"first": dates, "half": dates, "full": over},
                "days_since_started": {"half": days},
                "days_since_planted": {"half": days},
                "wait_until": None,
                "stand": {"p10": 0.4, "p50": 0.55, "p90": 0.7},
                "soil": {"mean_C": 10.0},
                "notes": ["A sentence."],
                "note_kinds": [{"kind": "typed", "figures": []}],
            }
        ],
    }


def shown(width: int, units: Units = Units.METRIC) -> str:
    out = io.StringIO()
    FittingConsole(width=width, file=out).print(*forecast_tables(document(), units))
    return out.getvalue()


@pytest.mark.parametrize("width", [80, 50, 34])
def test_every_figure_is_there_at_every_width(width: int) -> None:
    text = " ".join(shown(width).split())
    for figure in (
        "18 Apr",
        "8 May",
        "6–10 May",
        "2 Jun",
        "28 May or later",
        "55 %",
        "(40–70)",
        "10.0 °C",
    ):
        assert figure in text
    assert max(len(line) for line in shown(width).splitlines()) <= width


def test_us_units_are_shown_when_asked() -> None:
    assert "50 °F" in shown(80, Units.US)
    assert "1 in" in shown(80, Units.US)


def test_notes_of_one_kind_are_one_sentence_for_all_rows() -> None:
    failed = "odds that the row has failed: 27 %"
    notes = {
        "N1": [("9 of 144 seeds show.", "counts", ["9 of 144", "7.5 d later"])],
        "N2": [("2 of 180 seeds show.", "counts", ["2 of 180", "7.5 d later", failed]),
               ("Odds that nothing comes up: 29 %.", "nothing", ["29 %"])],
        "N3": [("39 of 140 seeds show.", "counts", ["39 of 140", "on schedule"]),
               ("Sow deeper.", "typed", [])],
        "N4": [("Odds that nothing comes up: 53 %.", "nothing", ["53 %"]),
               ("Sow deeper.", "typed", [])],
    }  # fmt: skip
    counted, nothing, deeper = notes_by_kind(
        [
            {
                "row": row,
                "notes": [text for text, _, _ in said],
                "note_kinds": [{"kind": kind, "figures": words} for _, kind, words in said],
            }
            for row, said in notes.items()
        ]
    )
    assert counted.endswith(
        ": N1 9 of 144, 7.5 d later; N2 2 of 180, 7.5 d later, odds that the row has failed: 27 %; "
        "N3 39 of 140, on schedule."
    )
    assert nothing == "Odds that nothing comes up: N2 29 %; N4 53 %."
    assert deeper == "N3, N4: Sow deeper."
