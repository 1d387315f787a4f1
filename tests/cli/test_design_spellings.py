"""Options of ``trial design`` are spelt as elsewhere; earlier spellings are still read."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.trials.records.read import read_records

DESIGN = ("trial", "design", "-t", "direct", "-t", "presprouted", "--planting", "2026-09-20")
NOW = ("--lot", "CAR25", "--room-c", "25", "--soil-c=12")
BEFORE = ("--seed-lot", "CAR25", "--room-C", "25", "--soil-C=12")


def run(*words: str) -> Any:
    return CliRunner().invoke(app, words)


def test_old_and_new_spellings_make_the_same_trial(tmp_path: Path) -> None:
    made = []
    for name, words in (("now", NOW), ("before", BEFORE)):
        out = tmp_path / name
        more = ("--crop", "carrot", "--simulations", "100", "-o", str(out))
        done = run(*DESIGN, *words, *more)
        assert done.exit_code == 0, done.output
        said = done.output.replace(str(out), "")
        made.append((said, (out / "records.csv").read_text()))
        records = read_records(out / "records.csv", planned=True)
        assert set(records["seed_lot"]) == {"CAR25"}
    assert made[0] == made[1]


@pytest.mark.parametrize("name", ["--room-c", "--room-C"])
def test_a_cooler_room_takes_longer_under_either_name(tmp_path: Path, name: str) -> None:
    leads = []
    for room in ("10", "25"):
        out = tmp_path / room
        more = ("--crop", "carrot", "--simulations", "100", "-o", str(out))
        assert run(*DESIGN, name, room, *more).exit_code == 0
        records = read_records(out / "records.csv", planned=True)
        leads.append((records["planted"] - records["started"]).max())
    assert leads[0] > leads[1]


def test_help_shows_the_present_spellings_alone() -> None:
    text = run("trial", "design", "--help").output
    for name in ("--room-c ", "--soil-c ", "--lot "):
        assert name in text
    for name in ("--room-C", "--soil-C", "--seed-lot"):
        assert name not in text


@pytest.mark.parametrize("name", ["--room-c", "--room-C"])
def test_a_fault_is_told_either_way(tmp_path: Path, name: str) -> None:
    done = run(*DESIGN, name, "warm", "-o", str(tmp_path / "bed"))
    assert done.exit_code == 2
    assert "--room-c" in done.output
