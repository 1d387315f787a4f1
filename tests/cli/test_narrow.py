"""Tables on narrow terminals: words stay whole, and nothing is left out."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from rich.table import Table

from thermosprout.reports.console import FittingConsole, packed, shared
from thermosprout.reports.words import plain_table

WORDS = ("pre-sprouted", "open bed", "the window asked for ends there", "12 (9–16)", "20 Sep", "–")


def an_example() -> Table:
    rows = (
        ("open bed", "pre-sprouted", "12 (9–16)", "the window asked for ends there"),
        ("fleece", "direct", None, "too many seeds are lost"),
    )
    return plain_table("when to plant", rows, "cover", "treatment", "half", "why not after")


def printed(table: Table, width: int, monkeypatch, capsys) -> str:
    monkeypatch.setenv("COLUMNS", str(width))
    FittingConsole().print(table)
    return capsys.readouterr().out


@pytest.mark.parametrize("width", [20, 30, 40, 50, 60, 80, 120])
def test_no_word_is_cut_and_no_line_too_long(width, monkeypatch, capsys) -> None:
    out = printed(an_example(), width, monkeypatch, capsys)
    assert max(len(line) for line in out.splitlines()) <= max(width, 24)
    for word in ("pre-sprouted", "window", "asked", "(9–16)", "fleece", "lost"):
        assert word in out


def test_wide_terminals_get_a_table_narrow_ones_lines(monkeypatch, capsys) -> None:
    assert "──" in printed(an_example(), 100, monkeypatch, capsys)
    out = printed(an_example(), 36, monkeypatch, capsys)
    assert "──" not in out
    assert "treatment: pre-sprouted" in out
    assert "half: 12 (9–16)" in out


@settings(deadline=None)
@given(st.lists(st.tuples(st.integers(1, 9), st.integers(0, 40)), min_size=1), st.integers(0, 80))
def test_widths_stay_within_their_bounds_and_the_room(columns, spare) -> None:
    least = [low for low, _ in columns]
    most = [low + more for low, more in columns]
    room = sum(least) + spare
    widths = shared(least, most, room)
    assert all(a <= b <= c for a, b, c in zip(least, widths, most, strict=True))
    assert sum(widths) <= room
    # Nothing is held back that a column still lacks.
    assert widths == most or room - sum(widths) < len(widths)
    given_ = sorted(
        (want - low, got - low) for low, got, want in zip(least, widths, most, strict=True)
    )
    assert all(a[1] <= b[1] + 1 for a, b in pairwise(given_))


@given(st.lists(st.sampled_from(WORDS)), st.integers(10, 60))
def test_parts_are_packed_whole_and_in_order(parts, width) -> None:
    lines = list(packed(parts, width))
    assert "; ".join(lines).replace(";; ", "; ") == "; ".join(parts)
    assert all(len(line) <= width + 1 or "; " not in line for line in lines)
