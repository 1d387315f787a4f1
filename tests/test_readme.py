"""The README tells the truth: its commands print what it shows, its set-up is what CI runs."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from tests.readme_blocks import README, blocks, prepare, python_text, rerun, run

ROOT = Path(__file__).parents[1]


def test_the_test_command_is_what_ci_runs() -> None:
    text = README.read_text(encoding="utf-8")
    command = next(line for line in text.splitlines() if "-m pytest" in line)
    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_every_command_has_its_place_in_the_readme() -> None:
    from thermosprout.cli.app import MAP

    text = README.read_text(encoding="utf-8")
    names = [name for _, commands in MAP for name in commands]
    missing = [name for name in names if not re.search(rf"thermosprout {name}\b", text)]
    assert not missing


@pytest.mark.slow
def test_commands_print_what_is_shown(tmp_path: Path) -> None:
    folder = prepare(tmp_path)
    for block in blocks(README.read_text(encoding="utf-8")):
        assert block.cut(run(block.command, folder)) == block.shown, block.command


@pytest.mark.slow
def test_python_prints_what_is_shown(tmp_path: Path) -> None:
    folder = prepare(tmp_path)
    names: dict[str, object] = {}
    for body in python_text(README.read_text(encoding="utf-8")):
        assert rerun(body, names, folder) == body


def test_the_contributors_page_is_short() -> None:
    assert len((ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")) <= 10_000
    assert len(README.read_text(encoding="utf-8").splitlines()) <= 400
