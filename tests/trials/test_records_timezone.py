"""The clock of a records file, taken from what its own plantings carry."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from thermosprout.trials.records.read import records_timezone, timezone_of_rows
from thermosprout.trials.records.values import offset_of

Write = Callable[..., Path]


@pytest.mark.parametrize(
    ("text", "offset"),
    [
        ("2026-09-20T09:00+12:00", "+12:00"), ("2026-09-20 09:00:30.5-0930", "-0930"),
        ("2026-09-20T09:00Z", "+00:00"), ("2026-09-20T09:00", ""), ("2026-09-20", ""),
        ("noon", ""), ("", ""),
    ],
)  # fmt: skip
def test_offset_of_what_was_written(text: str, offset: str) -> None:
    assert offset_of(text) == offset


def test_the_latest_planting_that_carries_an_offset_gives_the_clock() -> None:
    rows = [
        {"planted": "2026-09-20T09:00+12:00"}, {"planted": "2026-10-04T09:00+13:00"},
        {"planted": "2026-11-01"}, {"plot": "A1"}, {"planted": "2026-09-28T09:00+12:00"},
    ]  # fmt: skip
    assert timezone_of_rows(rows) == "+13:00"
    assert timezone_of_rows(rows[2:4]) == timezone_of_rows([]) == "UTC"


def test_a_file_is_read_for_its_plantings_and_nothing_else(write: Write, tmp_path: Path) -> None:
    path = write({"planted": "2026-05-01T09:00+02:00", "emerged": "not yet"}, {"plot": "A2"})
    assert records_timezone(path) == "+02:00"
    assert records_timezone(write({}, {"plot": "A2"}, name="days.csv")) == "UTC"
    assert records_timezone(tmp_path / "absent.csv") == "UTC"
    bare = tmp_path / "bare.csv"
    bare.write_text("plot,note\nA1,2026-05-01T09:00+02:00\n")
    assert records_timezone(bare) == "UTC"
    spoilt = tmp_path / "spoilt.csv"
    spoilt.write_text('plot,planted\n"A1,2026-05-01T09:00+02:00\nA2,2026-05-01\n')
    assert records_timezone(spoilt) == "UTC"
