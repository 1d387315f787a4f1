"""An option that takes one value and is given twice: the last one is taken, and that is said."""

from __future__ import annotations

from collections import Counter
from typing import Any

from typer import Typer
from typer.core import TyperCommand


class OneEach(TyperCommand):
    """Command that tells which value is taken of an option given twice."""

    def parse_args(self, ctx: Any, args: list[str]) -> list[str]:
        """Look for options given twice, then parse as ever."""
        from thermosprout.cli.output import note

        parser: Any = self.make_parser(ctx)
        _, _, order = parser.parse_args(args=list(args))
        counted = Counter(
            param.opts[-1]
            for param in order
            if param.param_type_name == "option"
            and not (param.multiple or param.is_flag or param.count)
        )
        for option, times in counted.items():
            if times > 1:
                note(f"{option} is given {times} times and takes one value: the last is taken.")
        return super().parse_args(ctx, args)


def take_one_each(app: Typer) -> None:
    """Have all commands of an application, and of its groups, tell of options given twice."""
    for command in app.registered_commands:
        if command.cls in (None, TyperCommand):
            command.cls = OneEach
    for group in app.registered_groups:
        if group.typer_instance is not None:
            take_one_each(group.typer_instance)
