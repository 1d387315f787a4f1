"""Counts handed in a second time are told in one short line."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.errors import InputError
from thermosprout.trials.records.read import append_records, read_records

FACTS = {
    "treatment": "direct", "started": "2026-05-01", "planted": "2026-05-01",
    "seeds_started": "50", "seeds_planted": "50", "block": "A",
}  # fmt: skip


def trial(tmp_path: Path, plots: int, days: int) -> tuple[Path, Path]:
    """Records of some plots, and a file with their counts."""
    records, counts = tmp_path / "trial.csv", tmp_path / "counts.csv"
    names = [f"A{i}" for i in range(1, plots + 1)]
    append_records(records, [{"plot": name, **FACTS} for name in names])
    lines = [f"{name},2026-05-{day:02d},3" for day in range(8, 8 + days) for name in names]
    counts.write_text("\n".join(["plot,inspected,emerged", *lines]) + "\n")
    return records, counts


def run(*words: object) -> Any:
    return CliRunner().invoke(app, [str(word) for word in words])


@pytest.mark.parametrize(
    ("plots", "days", "said"),
    [
        (1, 1, "1 count of A1."),
        (3, 15, "45 counts of A1, A2, A3."),
        (30, 2, "60 counts of A1, A2,"),
    ],
)
def test_the_number_of_counts_and_each_plot_once(
    tmp_path: Path, plots: int, days: int, said: str
) -> None:
    records, counts = trial(tmp_path, plots, days)
    assert run("record", records, "--from", counts).exit_code == 0
    before = records.read_bytes()
    again = run("record", records, "--from", counts)
    assert again.exit_code == 0
    assert again.stdout == "0 lines recorded.\n"
    assert f"There already, not written again: {said}" in again.stderr
    assert again.stderr.count("A1,") <= 1
    assert again.stderr.rstrip().endswith("and 6 more plots." if plots == 30 else ".")
    assert records.read_bytes() == before
    assert len(read_records(records)) == plots * days


def test_json_names_the_plot_of_every_count(tmp_path: Path) -> None:
    records, counts = trial(tmp_path, 2, 2)
    run("record", records, "--from", counts)
    document = json.loads(run("record", records, "--from", counts, "--json").stdout)
    assert document["already_there"] == ["A1", "A2", "A1", "A2"]


def test_a_count_that_makes_a_later_one_wrong_is_told_as_new(tmp_path: Path) -> None:
    records, _ = trial(tmp_path, 1, 1)
    assert run("record", records, "A1=5", "--on", "2026-05-10").exit_code == 0
    before = records.read_text()
    with pytest.raises(InputError) as caught:
        append_records(records, [{"plot": "A1", "inspected": "2026-05-08", "emerged": "40"}])
    text = str(caught.value)
    assert "nothing was recorded; beside the new counts plot A1 falls from 40 (new) to 5" in text
    assert "line 3" in text
    assert records.read_text() == before


def test_a_correction_of_a_day_without_a_count_is_told(tmp_path: Path) -> None:
    records, _ = trial(tmp_path, 1, 1)
    assert run("record", records, "A1=5", "--on", "2026-05-10").exit_code == 0
    done = run("record", records, "A1=6", "--on", "2026-05-11", "--correct")
    assert (
        "There was no count of A1 on 2026-05-11 to correct: recorded as a new one." in done.stderr
    )
    again = run("record", records, "A1=7", "--on", "2026-05-11", "--correct")
    assert "to correct" not in again.stderr


def test_a_plot_not_yet_there_is_not_taken_for_its_neighbour(tmp_path: Path) -> None:
    records, _ = trial(tmp_path, 2, 1)
    for name, said in (
        ("A9", "the first count of a season's row needs --season"),
        ("a2", "did you mean A2?"),
    ):
        with pytest.raises(InputError) as caught:
            append_records(records, [{"plot": name, "inspected": "2026-05-08", "emerged": "4"}])
        assert said in str(caught.value)
