"""Help as a map of the job: every command is on it, has an example, and the example runs."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import typer.main
from typer.testing import CliRunner

from thermosprout.cli.app import MAP, app
from thermosprout.files import demo_folder

ROOT: Any = typer.main.get_command(app)


def commands(group: Any = ROOT, path: tuple[str, ...] = ()) -> Iterator[tuple[str, Any]]:
    """All commands that do something, by the words that call them."""
    for name, command in group.commands.items():
        if hasattr(command, "commands"):
            yield from commands(command, (*path, name))
        elif not command.hidden:
            yield " ".join((*path, name)), command


def example(command: Any) -> str:
    """Return the example of a command's help, its lines joined."""
    found = re.search(r"Example:\s+(thermosprout .+?)(?:\n\s*\n|\Z)", command.help or "", re.DOTALL)
    return " ".join(found[1].split()) if found else ""


LEAVES = dict(commands())


def test_every_command_is_on_the_map() -> None:
    on_map = [name for _, names in MAP for name in names]
    assert len(on_map) == len(set(on_map))
    assert set(ROOT.commands) <= set(on_map)


def test_help_lists_the_sections_in_order_and_cuts_no_sentence() -> None:
    text = CliRunner().invoke(app, ["--help"], env={"COLUMNS": "80"}).stdout
    titles = [title for title, names in MAP if any(name in ROOT.commands for name in names)]
    places = [text.index(f"{title}:") for title in titles]
    assert places == sorted(places)
    assert not re.search(r"\w\.\.\.", text)
    assert max(len(line) for line in text.splitlines()) <= 80


@pytest.mark.parametrize("name", LEAVES)
def test_every_help_has_an_example_of_its_own_command(name: str) -> None:
    words = shlex.split(example(LEAVES[name]))
    assert words[: 1 + len(name.split())] == ["thermosprout", *name.split()], name


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    """Copy of the demo with everything in it, for one example: some change its files."""
    folder = tmp_path / "examples" / "demo"
    shutil.copytree(demo_folder(), folder)
    return folder


def words_of(name: str) -> tuple[list[str], int]:
    """Words of the example of a command, and the code it ends with."""
    words = shlex.split(example(LEAVES[name]))[1:]
    if any("--draws" in param.opts for param in LEAVES[name].params):
        words += ["--draws", "100"]  # the example is what is tried, not how steady its answer is
    # Without a network the command is still read and understood: nothing is cached, exit 4.
    return ([*words, "--offline"], 4) if name == "soil download" else (words, 0)


SLOW = {"demo", "calibrate", "soil check"}
"""The demo is the folder of all others; ``tests/api`` and ``test_soil_model.py`` do the same."""


@pytest.mark.parametrize(
    "name",
    [pytest.param(name, marks=pytest.mark.slow if name in SLOW else ()) for name in LEAVES],
)
def test_every_example_runs_on_the_demo(
    name: str, demo: Path, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.chdir(demo)
    for variable in ("HOME", "XDG_CACHE_HOME", "XDG_DATA_HOME", "XDG_CONFIG_HOME"):
        monkeypatch.setenv(variable, str(tmp_path))
    words, expected = words_of(name)
    result = CliRunner().invoke(app, words, input="")
    code = result.exit_code
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        code = getattr(result.exception, "exit_code", 1)
    assert code == expected, f"{result.exception}\n{result.stderr[-2000:]}"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["forcast"], "forecast"),
        (["forecast", "season.toml", "--asof", "2026-05-01"], "--as-of"),
        (["trial", "analyze", "trial.csv"], "analyse"),
        (["soil", "reed", "x.csv"], "read"),
        (["compare", "--goal", "x"], "'--goal': 'x' is not one of 'harvest'"),
    ],
)
def test_a_slip_is_met_with_what_was_meant(words: list[str], said: str) -> None:
    result = CliRunner().invoke(app, words)
    assert result.exit_code == 2
    assert said in result.stderr


def test_help_comes_at_once_without_science() -> None:
    """No library of science is imported to show help; the time itself is only a coarse bound."""
    code = (
        "import sys; sys.argv = ['thermosprout', '--help']\n"
        "from thermosprout.cli.app import main\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "heavy = {'numpy', 'pandas', 'xarray', 'scipy', 'matplotlib', 'pvlib', 'rich', 'jinja2',\n"
        "         'pydantic', 'requests'}\n"
        "sys.stderr.write(' '.join(sorted(heavy & set(sys.modules))))\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stderr == ""
    assert "First steps" in done.stdout


@pytest.mark.parametrize("shell", ["bash", "zsh", "fish"])
def test_completion_offers_commands(shell: str) -> None:
    variables = {
        "bash": {"COMP_WORDS": "thermosprout fore", "COMP_CWORD": "1"},
        "zsh": {"_TYPER_COMPLETE_ARGS": "thermosprout fore"},
        "fish": {
            "_TYPER_COMPLETE_ARGS": "thermosprout fore",
            "_TYPER_COMPLETE_FISH_ACTION": "get-args",
        },
    }
    result = CliRunner().invoke(
        app, [], prog_name="thermosprout",
        env={"_THERMOSPROUT_COMPLETE": f"complete_{shell}", **variables[shell]},
    )  # fmt: skip
    assert "forecast" in result.stdout
    assert "compare" not in result.stdout


def test_plain_tables_have_tabs_and_no_boxes(demo: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(demo)
    words = ["crops", "parsnip", "--constant", "12"]
    plain = CliRunner().invoke(app, [*words, "--plain"])
    boxed = CliRunner().invoke(app, words)
    assert plain.exit_code == 0
    assert "\t" in plain.stdout
    assert not set("─│┃━╭") & set(plain.stdout)
    assert "\x1b[" not in plain.stdout
    assert "\t" not in boxed.stdout


def test_plain_may_stand_anywhere_but_among_the_names() -> None:
    words = ["crops", "parsnip", "--constant", "12"]
    said = [
        CliRunner().invoke(app, [*words[:at], "--plain", *words[at:]]).stdout for at in (0, 1, 2, 4)
    ]
    assert said[0].count("\t") > 3
    assert len(set(said)) == 1
    named = CliRunner().invoke(app, ["crops", "--", "--plain"])
    assert "there is no crop '--plain'" in str(named.exception)
