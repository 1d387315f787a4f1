"""The command line: where each command lives, its help, and errors as one sentence.

A command's module is imported when the command is run or its help is shown, so that a count is
recorded before the other commands would have been read.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator, Mapping
from importlib import import_module
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup
from typer.main import get_command

from thermosprout import __version__
from thermosprout.cli.output import note, plain_tables, running, speak_any_encoding
from thermosprout.errors import ThermosproutError

MAP: tuple[tuple[str, dict[str, str]], ...] = (
    ("First steps", {"demo": "season.demo", "start": "season.start"}),
    (
        "This season",
        {
            "forecast": "season.forecast",
            "week": "season.week",
            "report": "season.report",
            "record": "record.record",
        },
    ),
    (
        "Decide",
        {
            "compare": "decide.compare",
            "presprout": "decide.presprout",
            "window": "decide.window",
            "stations": "decide.stations",
            "succession": "decide.succession",
            "sow-again": "decide.sow_again",
        },
    ),
    (
        "Try it side by side, and learn from it",
        {"trial": "trial.app", "calibrate": "calibrate.calibrate"},
    ),
    (
        "What it rests on",
        {
            "soil": "soil.app",
            "crops": "crops.crops",
            "lot": "crops.lot",
            "map": "map.map_grid",
            "method": "season.method",
        },
    ),
)
"""Headings, the commands under them in the order of a season's work, and where each lives."""

KINDS = {"Path": "FILE", "int": "N", "float": "NUMBER", "str": "TEXT"}
"""Kinds of option values and the word for each in help."""

_PLAIN = "--plain"
_LONGEST = 300


class Command(TyperCommand):
    """Command that keeps the values of its options, so that no input is written over."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Read the words; a refusal begins with the value, not with the kind of the fault."""
        try:
            return super().parse_args(ctx, args)
        except typer.BadParameter as error:
            error.message = error.message.removeprefix("Value error, ")
            raise

    def invoke(self, ctx: Any) -> Any:
        """Run with the values of the options remembered."""
        with running(ctx.params):
            return super().invoke(ctx)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options, without the language's own types."""
        write = formatter.write_dl

        def write_plain(rows: Any, **layout: Any) -> None:
            write([(_plain_kind(name), text) for name, text in rows], **layout)

        formatter.write_dl = write_plain
        super().format_options(ctx, formatter)


class Commands(Mapping[str, Any]):
    """The commands of the map by name; each is imported when it is looked up."""

    def __init__(self) -> None:
        self._homes = {name: home for _, commands in MAP for name, home in commands.items()}
        self._commands: dict[str, Any] = {}

    def __getitem__(self, name: str) -> Any:
        if name not in self._commands:
            module, _, attribute = self._homes[name].partition(".")
            one = getattr(import_module(f"thermosprout.cli.{module}"), attribute)
            if not isinstance(one, typer.Typer):
                alone = typer.Typer(add_completion=False, rich_markup_mode=None)
                alone.command(name)(one)
                one = alone
            for own in one.registered_commands:
                own.cls = Command
            command = get_command(one)
            command.name = name
            name_values(command)
            self._commands[name] = command
        return self._commands[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._homes)

    def __len__(self) -> int:
        return len(self._homes)


class Overview(TyperGroup):
    """Group whose help lists commands by the map, and that takes ``--plain`` anywhere."""

    def __init__(self, **settings: Any) -> None:
        super().__init__(**settings)
        self.commands = Commands()  # type: ignore[assignment]

    def list_commands(self, ctx: Any) -> list[str]:
        """Names in the order of the map."""
        return list(self.commands)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write each heading with its commands and the first sentence of each."""
        for title, names in MAP:
            with formatter.section(title):
                formatter.write_dl(
                    [(name, self.commands[name].get_short_help_str(_LONGEST)) for name in names]
                )

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Take ``--plain`` wherever it stands: it belongs to every command that prints a table."""
        end = args.index("--") if "--" in args else len(args)
        others = [text for text in args[:end] if text != _PLAIN] + args[end:]
        # Alone it asks for nothing, and gets the help that no words at all get.
        plain = [_PLAIN] if others and len(others) < len(args) else []
        return super().parse_args(ctx, plain + others)


class Sentences(TyperGroup):
    """Group whose help gives the first sentence of each command whole."""

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the commands in the order in which they were made."""
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, one.get_short_help_str(_LONGEST)) for name, one in self.commands.items()]
            )


def _plain_kind(name: str) -> str:
    """Name of an option or argument in help: choices stay, types go."""
    name = re.sub(r"<list\[(.*)\]>", r"<\1>", name)
    return re.sub(r" ?<([^>]*)>", lambda kind: f" {kind[1]}" if "|" in kind[1] else "", name)


def name_values(command: Any) -> None:
    """Name what an option takes as FILE or N, not as a type of the language it is written in."""
    for inner in getattr(command, "commands", {}).values():
        name_values(inner)
    for option in command.params:
        if option.metavar or getattr(option, "is_flag", False):
            continue
        if option.param_type_name == "argument":
            option.metavar = str(option.name).upper()
            continue
        kind = getattr(getattr(option, "type_descriptor", None), "annotation", None)
        word = getattr(kind, "__name__", "") if isinstance(kind, type) else str(kind)
        if str(kind).startswith("list["):
            word = str(kind)[5:-1].rpartition(".")[2]
        option.metavar = KINDS.get(word)


app = typer.Typer(
    name="thermosprout",
    cls=Overview,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
    context_settings={"help_option_names": ["-h", "--help"]},
    help="When will this row come up, and is it worth soaking or sprouting the seed first?",
)


def _version(show: bool) -> None:
    if show:
        typer.echo(f"thermosprout {__version__}")
        raise typer.Exit


@app.callback()
def root(
    ctx: typer.Context,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
    plain: Annotated[
        bool,
        typer.Option("--plain", help="Print tables as tab-separated lines; may stand anywhere."),
    ] = False,
) -> None:
    """Take the options common to all commands."""
    if plain:
        ctx.with_resource(plain_tables())


_STOPPED = 130


def main() -> None:
    """Run the command line and end with the exit code the error carries."""
    # The matrices are small: threads of the linear algebra would wait for each other.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    speak_any_encoding()
    try:
        app()
    except ThermosproutError as error:
        note(f"thermosprout: {error}")
        sys.exit(error.exit_code)
    except (KeyboardInterrupt, SystemExit) as end:
        # The command line's library turns Ctrl-C into a silent exit.
        if isinstance(end, SystemExit) and end.code != _STOPPED:
            raise
        note("thermosprout: stopped. No half-written file was left.")
        sys.exit(_STOPPED)
    except BrokenPipeError:
        # The reader of a pipe has gone: write nothing more, not even at interpreter exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        sys.exit(0)
    except Exception as error:
        if os.environ.get("THERMOSPROUT_DEBUG"):
            raise
        note(
            f"thermosprout: this should not have happened ({type(error).__name__}: {error}); set "
            "THERMOSPROUT_DEBUG=1 and run again to see where."
        )
        sys.exit(1)
