"""Every option of every command: hostile numbers and dates end in one sentence, help is plain."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.cli.output import OUTPUTS

NUMBERS = ("nan", "inf", "-inf", "1e308", "-1e308", "12345678901234567890", "x", "1,5")
DATES = ("0001-01-01", "9999-12-31", "2026-02-30", "April", "12345678901234567890", "nan")
ARGUMENTS = {
    "soil model": ["weather.csv", "--depth-cm", "3", "--surface", "bare", "--out", "out.csv"],
    "soil check": ["readings.csv"],
    "soil read": ["logger.csv"],
    "trial import": ["notebook.csv"],
    "trial design": ["-t", "direct", "--planting", "2026-05-02", "--out", "trial"],
    "calibrate": ["trial.csv", "--crop", "carrot"],
    "map": ["grid.nc", "--crop", "carrot", "--sow", "2026-05-01", "--out", "map.nc"],
    "lot": ["onion"],
    "crops": ["onion"],
    "sow-again": ["--row", "A"],
}


def commands() -> Iterator[tuple[str, Any]]:
    def walk(name: str, command: Any) -> Iterator[tuple[str, Any]]:
        inner = getattr(command, "commands", None)
        if inner is None:
            yield name, command
        else:
            for word, one in inner.items():
                yield from walk(f"{name} {word}".strip(), one)

    yield from walk("", ROOT)


ROOT: Any = typer.main.get_command(app)
COMMANDS = dict(commands())


def options(metavar: str) -> list[tuple[str, str]]:
    """Command and option for each option that help shows with this kind of value."""
    return [
        (name, param.opts[-1])
        for name, command in COMMANDS.items()
        for param in command.params
        if param.param_type_name == "option" and (param.metavar or "").startswith(metavar)
    ]


def refusal(command: str, option: str, value: str) -> str:
    words = [*command.split(), *ARGUMENTS.get(command, []), f"{option}={value}"]
    with pytest.raises(Exception) as caught:
        ROOT.main(words, prog_name="thermosprout", standalone_mode=False)
    assert getattr(caught.value, "exit_code", 1) == 2, (words, caught.value)
    return getattr(caught.value, "format_message", lambda: str(caught.value))()


@pytest.mark.parametrize(
    ("command", "option"), [*options("NUMBER"), *options("N")], ids="".join
)  # fmt: skip
def test_numbers_that_cannot_be_meant_are_refused(command: str, option: str) -> None:
    for value in NUMBERS:
        assert option in refusal(command, option, value)


@pytest.mark.parametrize(("command", "option"), options("DATE"), ids="".join)
def test_dates_that_cannot_be_meant_are_refused(command: str, option: str) -> None:
    for value in DATES:
        assert option in refusal(command, option, value)


@pytest.mark.parametrize("command", COMMANDS)
def test_numbers_are_bounded_and_paths_known(command: str) -> None:
    for param in COMMANDS[command].params:
        kind = getattr(getattr(param, "type_descriptor", None), "annotation", None)
        if str(kind) in ("<class 'int'>", "<class 'float'>", "list[int]", "list[float]"):
            assert re.search(r"\[-?[\d.]+ to [\d.]+\]$", param.help), param.name
        written = {"out", "plot", "save", "calendar", "netcdf"}.intersection(
            str(param.name).split("_")
        )
        if "Path" in str(kind) and written:
            assert param.name in OUTPUTS


@pytest.mark.parametrize("command", COMMANDS)
def test_help_shows_no_type_of_the_language(command: str) -> None:
    shown = CliRunner().invoke(app, [*command.split(), "--help"]).stdout
    assert not re.search(r"list\[|<class|<=|Path\b|\bfloat\b|\bstr\b|INTEGER|FLOAT|PATH", shown)


@pytest.mark.parametrize("option", ["--season", "--at", "--seed", "--timezone", "--lot", "--crop"])
def test_an_option_means_the_same_in_every_command(option: str) -> None:
    kinds = {
        (param.metavar, str(getattr(param.type_descriptor, "annotation", "")))
        for command in COMMANDS.values()
        for param in command.params
        if option in param.opts and not param.multiple
    }
    assert len(kinds) <= 1 or option == "--lot"
    defaults = {
        repr(param.default)
        for command in COMMANDS.values()
        for param in command.params
        if option in param.opts and not param.multiple and not param.required
    }
    assert len(defaults) <= 1
