"""An option given twice where it takes one value: the last is taken, and that is said."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app


@pytest.mark.parametrize(
    ("words", "option", "crop"),
    [
        (("crops", "carrot", "--constant", "10", "--constant", "12"), "--constant", "12"),
        (("crops", "carrot", "--constant=12", "--seed", "1", "--seed=2"), "--seed", "12"),
    ],
)
def test_the_value_taken_is_told(words: tuple[str, ...], option: str, crop: str) -> None:
    done = CliRunner().invoke(app, [*words, "--json"])
    assert done.exit_code == 0, done.exception
    assert f"{option} is given 2 times and takes one value: the last is taken." in done.stderr
    assert json.loads(done.stdout)["temperature_C"] == float(crop)


def test_commands_of_groups_tell_it_too() -> None:
    done = CliRunner().invoke(app, ["soil", "read", "gone.csv", "--column", "a", "--column", "b"])
    assert "--column is given 2 times" in done.stderr
    design = ("--planting", "2026-05-01", "-t", "direct", "-o", "a", "-o", "b")
    done = CliRunner().invoke(app, ["trial", "design", *design])
    assert "-o is given 2 times" in done.stderr


def test_what_may_be_repeated_may_be_and_flags_may_stand_twice(tmp_path: Path) -> None:
    words = ("-t", "direct", "-t", "soaked", "--planting", "2026-05-01", "--json", "--json")
    done = CliRunner().invoke(app, ["trial", "design", *words, "-o", str(tmp_path / "bed")])
    assert done.exit_code == 0, done.exception
    assert "times" not in done.stderr
