"""A file that another program holds is waited for; what a cut append left is kept apart."""

from __future__ import annotations

import os
import threading
import time
from pathlib import Path

import pytest

from thermosprout.errors import InputError
from thermosprout.trials.records.file import locked, read_settled, write_mark


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
