"""Dates alone belong to the clock on which the plots were planted.

Offsets of New Zealand (+12:00, +13:00 from the last Sunday of September) and of South Australia
(+09:30) as in the IANA time zone database.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.trials.records.read import append_records, read_records, records_timezone

FACTS = {
    "treatment": "direct", "seeds_started": "50", "seeds_planted": "50", "block": "A",
}  # fmt: skip


def trial(path: Path, *planted: str) -> Path:
    rows = [
        {"plot": f"A{i}", "started": day, "planted": day, **FACTS} for i, day in enumerate(planted)
    ]
    append_records(path, rows)
    return path


def run(*words: object) -> Any:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.parametrize(
    ("planted", "noon"),
    [
        ("2026-09-20T09:00+12:00", "2026-10-26T00:00"),
        ("2026-09-20T09:00+0930", "2026-10-26T02:30"),
        ("2026-09-20T09:00-06:00", "2026-10-26T18:00"),
        ("2026-09-20T09:00Z", "2026-10-26T12:00"),
        ("2026-09-20", "2026-10-26T12:00"),
    ],
)
def test_a_count_lies_at_noon_of_the_plots_own_day(tmp_path: Path, planted: str, noon: str) -> None:
    path = trial(tmp_path / "t.csv", planted)
    assert run("record", path, "A0=5", "--on", "2026-10-26").exit_code == 0
    records = read_records(path, timezone=records_timezone(path))
    assert records["inspected"].tolist() == [pd.Timestamp(noon)]
    assert records["inspected_local"].tolist() == ["2026-10-26"]


def test_today_is_the_day_of_the_bed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    class Morning(datetime):
        """Half past eight in the evening of the 25th by UTC: the morning of the 26th there."""

        @classmethod
        def now(cls, tz: Any = None) -> datetime:
            return datetime(2026, 10, 25, 20, 30, tzinfo=UTC).astimezone(tz)

    monkeypatch.setattr("datetime.datetime", Morning)
    path = trial(tmp_path / "t.csv", "2026-09-20T09:00+12:00")
    plain = trial(tmp_path / "plain.csv", "2026-09-20")
    assert run("record", path, "A0=5").exit_code == 0
    assert run("record", plain, "A0=5").exit_code == 0
    assert run("record", plain, "A0=6", "--timezone", "Pacific/Auckland").exit_code == 0
    monkeypatch.undo()
    assert read_records(path)["inspected_local"].tolist() == ["2026-10-26"]
    assert read_records(plain)["inspected_local"].tolist() == ["2026-10-25", "2026-10-26"]


def test_the_latest_planting_tells_the_offset_and_a_zone_given_goes_before(tmp_path: Path) -> None:
    path = trial(tmp_path / "t.csv", "2026-10-04T09:00+13:00", "2026-09-20T09:00+12:00")
    assert records_timezone(path) == "+13:00"
    on = ("--on", "2026-10-10", "--timezone", "Mars/Base")
    assert run("record", path, "A0=0", *on).exit_code != 0
    # A count on the 4th lies before a planting that is the 5th on the clock asked for.
    late = trial(tmp_path / "late.csv", "2026-10-04T23:00+13:00")
    assert records_timezone(late) == "+13:00"
    assert run("record", late, "A0=0", "--on", "2026-10-04").exit_code == 0
    ahead = ("--on", "2026-10-04", "--timezone", "Pacific/Kiritimati")
    again = trial(tmp_path / "again.csv", "2026-10-04T23:30+13:00")
    assert "before planted" in str(run("record", again, "A0=0", *ahead).exception)


def test_every_reader_of_the_records_keeps_the_same_clock(tmp_path: Path) -> None:
    """A count on the planting day is refused or taken by the day of the bed, not by UTC."""
    path = trial(tmp_path / "t.csv", "2026-09-20T23:00-06:00")
    # 23:00 on the 20th is the 21st by UTC; the bed's own 20th is not before it.
    assert run("record", path, "A0=0", "--on", "2026-09-20").exit_code == 0
    for words in (("check",), ("export",)):
        done = run("trial", *words, path)
        assert done.exit_code == 0, done.output


def test_a_file_at_fault_is_told_by_its_reader(tmp_path: Path) -> None:
    broken = tmp_path / "t.csv"
    broken.write_text('plot,planted\nA1,"2026\n')
    assert records_timezone(broken) == "UTC"
    assert records_timezone(tmp_path / "none.csv") == "UTC"
    assert run("trial", "check", broken).exit_code != 0
