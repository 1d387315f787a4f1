"""Consoles that print tables: plain ones as tab-separated lines, others as wide as the terminal."""

from __future__ import annotations

import re
import shutil
from collections.abc import Callable, Iterator
from typing import Any

from rich.cells import cell_len
from rich.console import Console
from rich.measure import Measurement
from rich.table import Column, Table
from rich.text import Text

from thermosprout.errors import printable
from thermosprout.reports.words import UNKNOWN

_LEAST_COLUMNS = 20


class PlainConsole(Console):
    """Console without colour and boxes; a table becomes its title, its head and its lines."""

    def __init__(self) -> None:
        super().__init__(highlight=False, no_color=True, soft_wrap=True, emoji=False, markup=False)

    def print(self, *objects: Any, **options: Any) -> None:
        """Print as rich does, save that tables come out as tab-separated lines."""
        for item in objects:
            if isinstance(item, Table):
                for line in table_lines(rewritten(item, _harmless)):
                    self.file.write(f"{line}\n")
            else:
                super().print(rewritten(item, _harmless), **{**options, "soft_wrap": True})


def table_lines(table: Table) -> list[str]:
    """Lines of a table: title, head, one line a row, caption."""
    cells = [[cell_text(cell) for cell in column.cells] for column in table.columns]
    lines = [cell_text(table.title)] if table.title else []
    if table.show_header:
        lines.append("\t".join(cell_text(column.header) for column in table.columns))
    lines += ["\t".join(row) for row in zip(*cells, strict=True)]
    if table.caption:
        lines.append(cell_text(table.caption))
    return lines


def cell_text(cell: Any) -> str:
    """Text of a cell on one line."""
    return " ".join(cell_lines(cell).split())


def cell_lines(cell: Any) -> str:
    """Text of a cell, its lines as they are."""
    return cell.plain if isinstance(cell, Text) else str(cell)


def rewritten(item: Any, change: Callable[[str], str]) -> Any:
    """Item of an answer with its texts changed sign by sign, in a table those of every cell."""
    if isinstance(item, str):
        return change(item)
    if isinstance(item, Text):
        item.plain = change(item.plain)
    if isinstance(item, Table):
        item.title, item.caption = rewritten(item.title, change), rewritten(item.caption, change)
        for column in item.columns:
            column.header = rewritten(column.header, change)
            column._cells[:] = [rewritten(cell, change) for cell in column._cells]
    return item


def _harmless(text: str) -> str:
    """Text with no terminal code in it: names in files may hold any sign.

    Markup is turned off in both consoles, so brackets need nothing.
    """
    return printable(text, keep="\n\t")


_TIE = "\ue000"
"""Stands, while lines are broken, for a blank at which none may be broken."""

_TIED = re.compile(
    r"(?<=[\d…]) (?=(?:%|°[CF]|cm|mm|in|d|h|Jan|Feb|Mar|Apr|May|Jun|Jul|Aug|Sep|Oct|Nov|Dec)\b|%)"
    r"|(?<=±) (?=\d)"
)
"""Blanks between a number and its unit or month."""

_LAST_BLANKS = re.compile(r" +((?:\x1b\[[\d;]*m)*)$", re.MULTILINE)


def _tied(text: str) -> str:
    return _TIED.sub(_TIE, _harmless(text))


_WIDE = 1000
_INDENT = "  "
_ITEM = "- "
_BETWEEN = "; "


class FittingConsole(Console):
    """Console on which a table that does not fit becomes a list of its rows.

    Tables stand between blank lines, a text that begins with ``- `` hangs from its dash, numbers
    stay with their units, and lines end where their words do.

    Parameters
    ----------
    width : int, optional
        Columns; those of the terminal by default.
    **options
        As of :class:`rich.console.Console`.
    """

    def __init__(self, *, width: int | None = None, **options: Any) -> None:
        # A width of 0, as some shells set it, would print nothing at all.
        width = max(width or shutil.get_terminal_size().columns, _LEAST_COLUMNS)
        super().__init__(
            highlight=False, soft_wrap=False, emoji=False, markup=False, width=width, **options
        )

    def print(self, *objects: Any, **options: Any) -> None:
        """Print each item on lines of its own; no table has its words cut."""
        before: Any = None
        with self.capture() as capture:
            for item in objects or ("",):
                tables = isinstance(item, Table) or isinstance(before, Table)
                if before is not None and tables and _full(before) and _full(item):
                    super().print()
                self._print_one(rewritten(item, _tied), options)
                before = item
        self.file.write(_LAST_BLANKS.sub(r"\1", capture.get()).replace(_TIE, " "))

    def _print_one(self, item: Any, options: dict[str, Any]) -> None:
        if isinstance(item, Table):
            self._print_table(item)
        elif isinstance(item, str | Text) and cell_lines(item).startswith(_ITEM):
            body = item[len(_ITEM) :] if isinstance(item, Text) else Text(item[len(_ITEM) :])
            for number, line in enumerate(body.wrap(self, self.width - len(_ITEM))):
                super().print(Text(_INDENT if number else _ITEM) + line)
        else:
            super().print(item, **options)

    def _print_table(self, table: Table) -> None:
        """Print title, rows and caption; the first and the last are as wide as the terminal."""
        title, caption, table.title, table.caption = table.title, table.caption, None, None
        if title:
            super().print(Text(cell_text(title), style="bold"))
        natural = Measurement.get(self, self.options.update(max_width=_WIDE), table)
        least = [longest(column, words=not column.no_wrap) for column in table.columns]
        most = [longest(column, words=False) for column in table.columns]
        room = self.width - (natural.maximum - sum(most))
        if natural.maximum > self.width and sum(least) > room:
            self._print_rows(table)
        else:
            if natural.maximum > self.width:
                # Left alone, rich takes from the widest column even where that cuts its words.
                for column, width in zip(table.columns, shared(least, most, room), strict=True):
                    column.width = width
            super().print(table)
        if caption:
            super().print(Text("\n" + cell_text(caption)))

    def _print_rows(self, table: Table) -> None:
        """Print each row as its first cell, and below it ``head: cell`` by ``head: cell``."""
        heads = [cell_text(column.header) for column in table.columns]
        cells = [[cell_text(cell) for cell in column.cells] for column in table.columns]
        for row in zip(*cells, strict=True):
            super().print(Text(row[0] or UNKNOWN, style="bold"))
            pairs = zip(heads[1:], row[1:], strict=True)
            parts = [f"{head}: {cell}" if head else cell for head, cell in pairs if cell]
            for line in packed(parts, self.width - len(_INDENT) - 1):
                super().print(Text(f"{_INDENT}{line}"))


def _full(item: Any) -> bool:
    """Whether an item is more than a blank line."""
    return not isinstance(item, str | Text) or bool(cell_lines(item).strip())


def packed(parts: list[str], width: int) -> Iterator[str]:
    """Lines of as many whole parts as fit, one part at least, before the sign that ends them."""
    line = ""
    for part in parts:
        longer = f"{line}{_BETWEEN}{part}" if line else part
        if line and cell_len(longer) > width:
            yield f"{line}{_BETWEEN.rstrip()}"
            longer = part
        line = longer
    if line:
        yield line


def longest(column: Column, *, words: bool) -> int:
    """Cells that the longest line of a column takes, or its longest word."""
    most = 0
    for cell in (column.header, *column.cells):
        text = cell_lines(cell)
        parts = text.split() if words else text.splitlines()
        most = max([most, *(cell_len(part) for part in parts)])
    return most


def shared(least: list[int], most: list[int], room: int) -> list[int]:
    """Widths between least and most within the room; columns that lack little get all of it."""
    widths = list(least)
    lacking = sorted(range(len(least)), key=lambda index: most[index] - least[index])
    for place, index in enumerate(lacking):
        share = (room - sum(widths)) // (len(lacking) - place)
        widths[index] += min(most[index] - least[index], share)
    return widths
