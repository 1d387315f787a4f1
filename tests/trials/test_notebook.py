"""The notebook's table and counts handed in: both ways, and what is refused."""

from __future__ import annotations

import csv
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from thermosprout.errors import InputError
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.notebook import (
    filed_counts,
    read_notebook,
    typed_counts,
    write_lines,
    write_notebook,
)
from thermosprout.trials.records.read import load, read_records
from thermosprout.trials.records.values import is_formula, neutral

Write = Callable[..., Path]


def trial(write: Write) -> Path:
    return write(
        {}, {"inspected": "2026-05-10T07:30+02:00", "emerged": 9},
        {"plot": "A2", "treatment": "soaked", "emerged": 7, "block": "B",
         "temperature_C": -2},
        extra=("note", "first_harvest", "temperature_C"),
    )  # fmt: skip


def test_a_notebook_goes_out_and_comes_back(write: Write, tmp_path: Path) -> None:
    path = trial(write)
    wide = tmp_path / "wide.csv"
    wide.write_text(write_notebook(load(path)), encoding="utf-8")
    header = wide.read_text().splitlines()[0].split(",")
    assert header[-2:] == ["2026-05-08", "2026-05-10T07:30+02:00"]
    again = tmp_path / "again.csv"
    append_records(again, [row for row in read_notebook(wide) if "emerged" in row])
    columns = ["plot", "treatment", "planted", "inspected", "emerged", "temperature_C"]
    mine = read_records(path)[columns].sort_values(["plot", "inspected"]).reset_index(drop=True)
    back = read_records(again)[columns].sort_values(["plot", "inspected"]).reset_index(drop=True)
    assert mine.equals(back)


def test_a_line_per_count_is_a_records_file(write: Write, tmp_path: Path) -> None:
    path = trial(write)
    lines = tmp_path / "lines.csv"
    lines.write_text(write_lines(load(path)), encoding="utf-8")
    mine, back = read_records(path), read_records(lines)
    drop = ["line", "entered"]
    assert mine.drop(columns=drop).equals(back.drop(columns=drop))


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("plot,03/05/2026\nA1,3\n", "year-month-day"),
        ("plot,2026-05-03,2026-05-03\nA1,3,4\n", "twice"),
        ("plot,2026-05-03,2026-05-03T12:00Z\nA1,3,4\n", "twice"),
        ("plot,2026-05-03\nA1,three\n", "whole number"),
        ("plot,2026-05-03\nA1,3\nA1,4\n", "line 2 already"),
        ("plot,2026-05-03\n,3\n", "plot is missing"),
        ("plot,weather\nA1,rain\n", "neither"),
        ("2026-05-03\n3\n", "plot is missing"),
        ("plot,2026-05-03\nA1,\n", "no count"),
    ],
)
def test_notebook_faults(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "wide.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        read_notebook(path)


@pytest.mark.parametrize("word", ["A1", "=5", "A1=", "A1=x", "A1=-2", "A1=2.5"])
def test_words_that_are_no_counts(word: str) -> None:
    with pytest.raises(InputError):
        typed_counts([word], "2026-05-08")


def test_typed_counts() -> None:
    assert typed_counts(["A1=5", "bed = 2 = 3"], "2026-05-08") == [
        {"plot": "A1", "inspected": "2026-05-08", "emerged": "5"},
        {"plot": "bed = 2", "inspected": "2026-05-08", "emerged": "3"},
    ]
    with pytest.raises(InputError, match="twice"):
        typed_counts(["A1=5", "A1=6"], "2026-05-08")


@pytest.mark.parametrize(
    ("text", "day", "words"),
    [
        ("plot,emerged\nA1,3\n", "", "inspected is missing"),
        ("plot,inspected\nA1,2026-05-03\n", "", "emerged is missing"),
        ("plot,emerged,inspected\nA1,3,\n", "", "day is missing"),
        ("plot,emerged,inspected\nA1,,2026-05-03\n", "", "count is missing"),
        ("plot,emerged,inspected\n,3,2026-05-03\n", "", "plot is missing"),
        ("plot,emerged,count\nA1,3,3\n", "2026-05-03", "not known"),
        ("plot,2026-05-03\nA1,3\n", "", "trial import"),
        ("plot,emerged\n", "2026-05-03", "no count"),
    ],
)
def test_counts_files_that_are_refused(tmp_path: Path, text: str, day: str, words: str) -> None:
    path = tmp_path / "counts.csv"
    path.write_text(text)
    with pytest.raises(InputError, match=words):
        filed_counts(path, day)


def test_counts_take_the_files_day_or_another(tmp_path: Path) -> None:
    path = tmp_path / "counts.csv"
    path.write_text("plot,emerged,inspected\nA1,3,2026-05-03\nA2,4,\nA3,,\n")
    assert [row["inspected"] for row in filed_counts(path, "2026-05-04")] == [
        "2026-05-03", "2026-05-04"
    ]  # fmt: skip


@settings(max_examples=100)
@given(st.text(max_size=30))
def test_no_exported_cell_is_a_formula(text: str) -> None:
    cell = neutral(text)
    assert not is_formula(cell)
    assert not any(ord(sign) < 32 for sign in cell)
    if not is_formula(text) and all(ord(sign) >= 32 for sign in text):
        assert cell == text


def test_a_formula_is_neutral_when_written(write: Write) -> None:
    """Files written by hand are refused with it; a history made in code is still written safely."""
    loaded = load(trial(write))
    history = loaded.histories["A1"]
    object.__setattr__(history.facts, "variety", '=HYPERLINK("x")')
    rows = list(csv.reader(write_notebook(loaded).splitlines()))
    assert rows[1][rows[0].index("variety")] == '\'=HYPERLINK("x")'
    assert rows[2][rows[0].index("temperature_C")] == "-2"


def test_a_line_holds_no_empty_cells(tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    path.write_text("plot,treatment,block,2026-05-03,2026-05-04\nA1,soaked,,3,\nA2,,B,,5\nA3,,,,\n")
    assert [dict(row) for row in read_notebook(path)] == [
        {"plot": "A1", "treatment": "soaked"},
        {"plot": "A1", "treatment": "soaked", "inspected": "2026-05-03", "emerged": "3"},
        {"plot": "A2", "block": "B"},
        {"plot": "A2", "block": "B", "inspected": "2026-05-04", "emerged": "5"},
    ]


def test_a_plot_not_yet_looked_at_is_empty(write: Write) -> None:
    nothing = {"inspected": "", "emerged": ""}
    path = write(nothing, {**nothing, "plot": "A2"}, {"plot": "A2", "emerged": 7})
    header, first, second = csv.reader(write_notebook(load(path)).splitlines())
    assert header[-1] == "2026-05-08"
    assert (first[0], first[-1]) == ("A1", "")
    assert (second[0], second[-1]) == ("A2", "7")
