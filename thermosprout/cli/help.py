"""Commands, and help as a map of the job: commands by what the grower is about to do."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

from typer import Typer
from typer.core import TyperCommand, TyperGroup

if TYPE_CHECKING:
    from collections.abc import Iterator

MAP: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("First steps", ("demo", "start")),
    ("This season", ("forecast", "week", "report", "record")),
    (
        "Decide",
        ("compare", "presprout", "window", "stations", "succession", "sow-again"),
    ),
    ("Try it side by side, and learn from it", ("trial", "calibrate")),
    ("What it rests on", ("soil", "crops", "lot", "map", "method")),
)
"""Headings and the commands under them, in the order of a season's work."""

KINDS: tuple[tuple[str, str], ...] = (
    ("Path", "FILE"),
    ("int", "N"),
    ("float", "NUMBER"),
    ("str", "TEXT"),
)
"""Kinds of option values and the word for each in help."""

_PLAIN = "--plain"
_LONGEST = 300


class Command(TyperCommand):
    """Command that keeps the values of its options, so that no input is written over."""

    def invoke(self, ctx: Any) -> Any:
        """Run with the values of the options remembered."""
        from thermosprout.cli.output import running

        with running(ctx.params):
            return super().invoke(ctx)

    def format_options(self, ctx: Any, formatter: Any) -> None:
        """Write arguments and options, without the language's own types."""
        write = formatter.write_dl

        def write_plain(rows: Any, **layout: Any) -> None:
            write([(_plain_kind(name), text) for name, text in rows], **layout)

        formatter.write_dl = write_plain
        super().format_options(ctx, formatter)


class Overview(TyperGroup):
    """Group whose help lists commands by the map, and that takes ``--plain`` anywhere."""

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        """Give a command whose help names its values in plain words."""
        command = super().get_command(ctx, cmd_name)
        if command is not None:
            _name_values(command)
        return command

    def list_commands(self, ctx: Any) -> list[str]:
        """Names in the order of the map; what is not on it comes last."""
        order = [name for _, names in MAP for name in names]
        return sorted(
            self.commands,
            key=lambda name: (order.index(name) if name in order else len(order), name),
        )

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write each heading with its commands and the first sentence of each."""
        for title, rows in self._sections(ctx):
            with formatter.section(title):
                formatter.write_dl(rows)

    def _sections(self, ctx: Any) -> Iterator[tuple[str, list[tuple[str, str]]]]:
        there = {name: self.get_command(ctx, name) for name in self.list_commands(ctx)}
        shown = {name: command for name, command in there.items() if command and not command.hidden}
        others = [name for name in shown if not any(name in names for _, names in MAP)]
        for title, names in (*MAP, ("More", tuple(others))):
            rows = [
                (name, shown[name].get_short_help_str(_LONGEST)) for name in names if name in shown
            ]
            if rows:
                yield title, rows

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
        there = ((name, self.get_command(ctx, name)) for name in self.list_commands(ctx))
        rows = [
            (name, command.get_short_help_str(_LONGEST))
            for name, command in there
            if command and not command.hidden
        ]
        with formatter.section("Commands"):
            formatter.write_dl(rows)


def use_commands(app: Typer) -> None:
    """Make all commands of an application, and of its groups, a :class:`Command`."""
    for command in app.registered_commands:
        command.cls = Command
    for group in app.registered_groups:
        if group.typer_instance is not None:
            use_commands(group.typer_instance)


def _plain_kind(name: str) -> str:
    """Name of an option or argument in help: choices stay, types go."""
    name = re.sub(r"<list\[(.*)\]>", r"<\1>", name)
    return re.sub(r" ?<([^>]*)>", lambda kind: f" {kind[1]}" if "|" in kind[1] else "", name)


def _name_values(command: Any) -> None:
    """Name what an option takes as FILE or N, not as a type of the language it is written in."""
    for inner in getattr(command, "commands", {}).values():
        _name_values(inner)
    for option in command.params:
        if option.metavar or getattr(option, "is_flag", False):
            continue
        if option.param_type_name == "argument":
            option.metavar = str(option.name).upper()
            continue
        kind = getattr(getattr(option, "type_descriptor", None), "annotation", None)
        written = getattr(kind, "__name__", "") if isinstance(kind, type) else str(kind)
        if str(kind).startswith("list["):
            written = str(kind)[5:-1].rpartition(".")[2]
        option.metavar = dict(KINDS).get(written)
