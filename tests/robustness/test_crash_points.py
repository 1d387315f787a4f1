"""Counts recorded by a program that stops at its Nth system call, N walked to the last one.

``python -m tests.robustness.test_crash_points`` walks all of them and says how many there are.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path

import pytest

from tests.robustness.crash_points import WAYS, Way, stopped_at
from thermosprout.errors import InputError
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.file import locked, write_mark
from thermosprout.trials.records.read import read_records

HEADER = (
    "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,depth_cm,"
    "inspected,emerged"
)
FACTS = "1,peas,,direct,2026-05-01,2026-05-01,50,50,3"
FULL = [
    f"{HEADER},note,format,entered",
    *(f"{plot},{FACTS},2026-05-08,4,,1,2026-05-08T18:00Z" for plot in ("A1", "A2", "A3")),
]
"""A file that has all columns, so that lines are appended."""
BARE = [HEADER, *(f"{plot},{FACTS},2026-05-08,4" for plot in ("A1", "A2", "A3"))]
"""A file without the column `entered`, so that it is written anew."""

ONE = [{"plot": "A1", "inspected": "2026-05-10", "emerged": "9"}]
BATCH = [{"plot": plot, "inspected": "2026-05-10", "emerged": "9"} for plot in ("A1", "A2", "A3")]
CORRECTION = [{"plot": "A1", "inspected": "2026-05-08", "emerged": "7"}, *BATCH[1:]]
PLAN = [
    {"plot": plot, "treatment": "direct", "started": "2026-05-01", "planted": "2026-05-01",
     "seeds_started": "50", "seeds_planted": "50"} for plot in ("A1", "A2")
]  # fmt: skip


def write(path: Path, lines: Sequence[str], end: str = "\n", last: str = "\n") -> None:
    path.write_bytes((end.join(lines) + last).encode())


def torn(path: Path) -> None:
    """Write a file whose last writer was killed halfway."""
    write(path, FULL)
    size = path.stat().st_size
    line = f'A2,{FACTS},2026-05-09,5,,1,"2026-05-09T18:00Z"\n'.encode()
    with locked(path) as lock:
        write_mark(lock, size, line)
    path.write_bytes(path.read_bytes() + line[:30])


def linked(path: Path) -> None:
    real = path.with_name("real.csv")
    write(real, FULL)
    path.symlink_to(real)


CASES: dict[str, tuple[Callable[[Path], None], list[dict[str, str]], bool]] = {
    "one count": (lambda path: write(path, FULL), ONE, False),
    "a batch": (lambda path: write(path, FULL), BATCH, False),
    "a batch with a correction": (lambda path: write(path, FULL), CORRECTION, True),
    "a file typed by hand": (lambda path: write(path, BARE, last=""), BATCH, False),
    "a last line without an end": (lambda path: write(path, FULL, last=""), BATCH, False),
    "lines that end as on Windows": (lambda path: write(path, FULL, "\r\n", "\r\n"), BATCH, False),
    "after a writer that was killed": (torn, BATCH, False),
    "behind a link": (linked, BATCH, False),
    "a new file": (lambda path: None, PLAN, False),
}

Counts = set[tuple[str, str, float]]
NOW = datetime(2026, 5, 10, 18, tzinfo=UTC)


def counts_of(path: Path) -> Counts:
    if not path.exists():
        return set()
    table = read_records(path, planned=True)
    return set(
        zip(table["plot"], table["inspected_local"], table["emerged"].fillna(-1.0), strict=True)
    )


def stop_everywhere(case: str, way: Way, folder: Path) -> int:
    """Stop at every call in turn, look at the file and record again; how many points there were."""
    prepare, rows, correct = CASES[case]

    def record(path: Path) -> None:
        append_records(path, rows, correct=correct, now=NOW)

    place = folder / "whole" / "trial.csv"
    place.parent.mkdir()
    prepare(place)
    before = counts_of(place)
    record(place)
    after = counts_of(place)
    assert before != after
    number = 0
    while True:
        number += 1
        path = folder / f"{number}" / "trial.csv"
        path.parent.mkdir()
        prepare(path)
        confirmed, refused = False, False
        with stopped_at(number, way) as machine:
            try:
                record(path)
                confirmed = True
            except InputError:
                refused = True
        if machine.count < number:
            return number - 1
        where = f"{case}, {way} at call {number}"
        found = counts_of(path)
        assert found in (before, after), f"{where}: a part of the counts is there"
        assert found == after or not confirmed, f"{where}: confirmed counts are lost"
        assert found == before or not refused, f"{where}: refused counts are there"
        record(path)  # what is there already is not written twice
        assert counts_of(path) == after, f"{where}: the next program cannot go on"
        lines = path.read_text(encoding="utf-8").splitlines()
        assert len(lines) == len(set(lines)), f"{where}: a line stands twice"


FAST: tuple[Way, ...] = ("killed halfway", "power lost", "disk full")


@pytest.mark.parametrize(
    "way", [way if way in FAST else pytest.param(way, marks=pytest.mark.slow) for way in WAYS]
)
@pytest.mark.parametrize("case", CASES)
def test_counts_are_recorded_all_or_none_wherever_the_program_stops(
    case: str, way: Way, tmp_path: Path
) -> None:
    assert stop_everywhere(case, way, tmp_path) >= 5


if __name__ == "__main__":
    import tempfile

    total = 0
    for one_case in CASES:
        for one_way in WAYS:
            with tempfile.TemporaryDirectory() as name:
                total += stop_everywhere(one_case, one_way, Path(name))
    print(f"{total} crash points, none failed")
