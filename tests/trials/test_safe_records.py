"""What is recorded stays recorded and nothing else is touched: links, clocks, syncs and kills."""

from __future__ import annotations

import os
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from thermosprout.errors import InputError
from thermosprout.trials.records import file as store
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.file import lock_path, locked, read_settled, write_mark
from thermosprout.trials.records.read import read_records, same_plots

Write = Callable[..., Path]
ENTERED = ("note", "entered")


def count(day: str = "2026-05-09", number: int = 6, **more: str) -> dict[str, str]:
    return {"plot": "A1", "inspected": day, "emerged": str(number), **more}


def test_a_link_for_the_lock_leaves_its_target(write: Write, tmp_path: Path) -> None:
    path = write({}, extra=ENTERED)
    diary = tmp_path / "diary.txt"
    diary.write_text("dear diary")
    before = path.read_bytes()
    for plant in (os.symlink, os.link):
        plant(diary, lock_path(path))
        with pytest.raises(InputError, match="not a lock file"):
            append_records(path, [count()])
        assert diary.read_text() == "dear diary"
        lock_path(path).unlink()
    lock_path(path).write_text("shopping: peas, beans and a ball of string")
    with pytest.raises(InputError, match="not a lock file"):
        append_records(path, [count()])
    assert lock_path(path).read_text().startswith("shopping")
    assert path.read_bytes() == before


def test_a_pipe_for_the_lock_holds_nobody_up(write: Write) -> None:
    path = write({}, extra=ENTERED)
    os.mkfifo(lock_path(path))
    assert len(read_records(path)) == 1
    with pytest.raises(InputError, match=r"not a lock file|nothing can be recorded"):
        append_records(path, [count()])


@pytest.mark.parametrize("extra", [ENTERED, ()])
def test_records_behind_a_link_are_written_where_they_lie(
    write: Write, tmp_path: Path, extra: tuple[str, ...]
) -> None:
    path = write({}, extra=extra)
    link = tmp_path / "season" / "trial.csv"
    link.parent.mkdir()
    link.symlink_to(path)
    append_records(link, [count()])
    assert link.is_symlink()
    assert (
        read_records(path)["emerged"].tolist() == read_records(link)["emerged"].tolist() == [4, 6]
    )


def test_a_refused_count_leaves_every_byte_of_the_file(write: Write) -> None:
    path = write({})  # without the column `entered`, which a count would add
    before, stamp = path.read_bytes(), path.stat().st_mtime_ns
    for bad in (count(number=3), count(number=51), count("2026-04-01"), count(number=5, plot="B9")):
        with pytest.raises(InputError):
            append_records(path, [count("2026-05-10", 9), bad])
        assert path.read_bytes() == before
        assert path.stat().st_mtime_ns == stamp


def test_a_correction_holds_whatever_the_clock_says(write: Write) -> None:
    path = write({}, extra=ENTERED)
    late = datetime(2026, 6, 1, 12, 0, 0, 999_999, tzinfo=UTC)
    append_records(path, [count()], now=late)
    back = datetime(2020, 1, 1, tzinfo=UTC)
    for number in (7, 8, 9):
        append_records(path, [count(number=number)], correct=True, now=back)
        assert read_records(path)["emerged"].tolist() == [4, number]


def test_a_correction_entered_before_what_it_corrects_is_refused(write: Write) -> None:
    path = write({}, extra=ENTERED)
    append_records(path, [count(number=5, entered="2026-05-09T10:00Z")])
    before = path.read_bytes()
    older = count(number=7, entered="2026-05-09T09:00Z")
    with pytest.raises(InputError, match="not after the count it is to replace"):
        append_records(path, [older], correct=True)
    assert path.read_bytes() == before
    append_records(path, [older | {"entered": "2026-05-09T11:00Z"}], correct=True)
    assert read_records(path)["emerged"].tolist() == [4, 7]


def test_the_same_bytes_put_back_double_no_line(
    write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write({}, extra=ENTERED)
    real = os.fsync

    def sync_and_replace(handle: int) -> None:
        real(handle)
        if b"2026-05-09" not in path.read_bytes():
            return
        copy = path.with_name("copy")
        copy.write_bytes(path.read_bytes())
        copy.replace(path)

    monkeypatch.setattr(store.os, "fsync", sync_and_replace)
    told = append_records(path, [count()])
    monkeypatch.undo()
    assert [line.emerged for line in told.added] == [6]
    assert path.read_text().count("2026-05-09") == 1
    assert read_records(path)["emerged"].tolist() == [4, 6]


def test_columns_moved_meanwhile_keep_their_cells(
    write: Write, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = write({}, extra=ENTERED)
    real, moved = store.append_text, []

    def move_first(*args: object) -> None:
        if not moved:
            moved.append(True)
            rows = [line.split(",") for line in path.read_text().splitlines()]
            path.write_text("".join(",".join(reversed(row)) + "\n" for row in rows))
        real(*args)  # type: ignore[arg-type]

    monkeypatch.setattr("thermosprout.trials.records.append.append_text", move_first)
    append_records(path, [count()])
    assert path.read_text().startswith("entered,")
    assert read_records(path)["emerged"].tolist() == [4, 6]


def test_lines_of_one_append_stand_together_or_not_at_all(write: Write) -> None:
    """Cut short at every byte, as a kill would leave it: both counts or none."""
    path = write({}, extra=ENTERED)
    before = path.read_bytes()
    append_records(path, [count(), count("2026-05-10", 8)])
    whole = path.read_bytes()
    new = whole[len(before) :]
    for size in range(len(new) + 1):
        path.write_bytes(before + new[:size])
        with locked(path) as lock:
            write_mark(lock, len(before), new)
        expected = [4, 6, 8] if size == len(new) else [4]
        assert read_records(path)["emerged"].tolist() == expected
    path.write_bytes(before + new[:-20])
    told = append_records(path, [count("2026-05-11", 9)])
    assert told.set_aside
    assert read_records(path)["emerged"].tolist() == [4, 9]


def test_a_line_typed_after_a_kill_is_kept(write: Write) -> None:
    path = write({}, extra=ENTERED)
    before = path.read_bytes()
    with locked(path) as lock:
        write_mark(lock, len(before), b"A1,never,written\n")
    typed = before.splitlines()[1].replace(b"2026-05-08,4", b"2026-05-12,11")
    path.write_bytes(before + typed + b"\n")
    assert read_settled(path)[1] == ""
    assert read_records(path)["emerged"].tolist() == [4, 11]


def test_variety_and_seed_lot_may_be_left_out(tmp_path: Path) -> None:
    path = tmp_path / "trial.csv"
    path.write_text(
        "plot,block,treatment,started,planted,seeds_started,seeds_planted,depth_cm,inspected,emerged\n"
        "A1,A,direct,2026-05-01,2026-05-01,50,50,2.5,2026-05-08,4\n"
    )
    append_records(path, [count()])
    found = read_records(path)
    assert found["emerged"].tolist() == [4, 6]
    assert found["variety"].tolist() == ["", ""]


def test_counts_that_cannot_be_shown_are_still_recorded(write: Write) -> None:
    path = write({}, extra=ENTERED)
    with Path("/dev/full").open("w") as full:
        done = subprocess.run(
            [sys.executable, "-m", "thermosprout", "record", str(path), "A1=6", "--on",
             "2026-05-09"],
            stdout=full, stderr=subprocess.PIPE, text=True, check=False, timeout=60,
        )  # fmt: skip
    assert done.returncode == 0
    assert done.stderr.startswith("Recorded, but")
    assert read_records(path)["emerged"].tolist() == [4, 6]


def test_plots_of_a_copied_file_are_recognised(write: Write) -> None:
    rows = ({}, {"inspected": "2026-05-10", "emerged": 9})
    one = read_records(write(*rows))
    copy = read_records(write(*rows, {"plot": "B1", "inspected": "2026-05-10"}, name="copy.csv"))
    assert same_plots(copy, one) == ["A1"]
    other = read_records(write(rows[0], {"inspected": "2026-05-10", "emerged": 10}, name="o.csv"))
    assert same_plots(other, one) == []


def test_who_comes_second_waits_until_the_first_is_done(tmp_path: Path) -> None:
    path = tmp_path / "counts.csv"
    order: list[str] = []
    held = threading.Event()

    def first() -> None:
        with locked(path):
            held.set()
            time.sleep(0.15)
            order.append("first")

    other = threading.Thread(target=first)
    other.start()
    assert held.wait(10)
    with locked(path, wait_s=10.0):
        order.append("second")
    other.join()
    assert order == ["first", "second"]


def test_who_waits_too_long_is_told_which_file(tmp_path: Path) -> None:
    path = tmp_path / "counts.csv"
    with (
        locked(path),
        pytest.raises(InputError, match=r"counts\.csv: another program is writing"),
        locked(path, wait_s=0.05),
    ):
        pytest.fail("two programs held one lock")


def test_a_line_cut_in_writing_is_told_apart(tmp_path: Path) -> None:
    path = tmp_path / "counts.csv"
    settled, rest = 'plot,emerged,note\n"A1","3",""\n', '"A2","1'
    path.write_text("\ufeff" + settled + rest, encoding="utf-8")
    with locked(path) as handle:
        write_mark(handle, len(("\ufeff" + settled).encode()))
    assert read_settled(path) == (settled, rest)
    # Without a mark nobody was cut short: the line was typed by hand.
    with locked(path) as handle:
        os.truncate(handle, 0)
    assert read_settled(path) == (settled + rest, "")
