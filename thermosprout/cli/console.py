"""Consoles that print tables: plain ones as tab-separated lines, others as the terminal is wide."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from typing import Any

from rich.cells import cell_len
from rich.console import Console
from rich.measure import Measurement
from rich.padding import Padding
from rich.table import Column, Table
from rich.text import Text

from thermosprout.cli.output import printable

_LEAST_COLUMNS = 20


class PlainConsole(Console):
    """Console without colour and boxes; a table becomes its title, its head and its lines."""

    def __init__(self) -> None:
        super().__init__(highlight=False, no_color=True, soft_wrap=True, emoji=False, markup=False)

    def print(self, *objects: Any, **options: Any) -> None:
        """Print as rich does, save that tables come out as tab-separated lines."""
        for item in map(harmless, objects):
            if isinstance(item, Table):
                for line in table_lines(item):
                    self.file.write(f"{line}\n")
            else:
                super().print(item, **{**options, "soft_wrap": True})


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


def harmless(item: Any) -> Any:
    """Item of an answer with no terminal code in it: names in files may hold any sign.

    Markup is turned off in both consoles, so brackets need nothing.
    """
    if isinstance(item, str):
        return printable(item)
    if isinstance(item, Text):
        item.plain = printable(item.plain)
    if isinstance(item, Padding):
        item.renderable = harmless(item.renderable)
    if isinstance(item, Table):
        item.title, item.caption = harmless(item.title), harmless(item.caption)
        for column in item.columns:
            column.header = harmless(column.header)
            column._cells[:] = [harmless(cell) for cell in column._cells]
    return item


_WIDE = 1000
_INDENT = "  "
_BETWEEN = "; "


class FittingConsole(Console):
    """Console on which a table that does not fit becomes a list of its rows."""

    def __init__(self) -> None:
        # A width of 0, as some shells set it, would print nothing at all.
        width = max(shutil.get_terminal_size().columns, _LEAST_COLUMNS)
        super().__init__(highlight=False, soft_wrap=False, emoji=False, markup=False, width=width)

    def print(self, *objects: Any, **options: Any) -> None:
        """Print as rich does, save for tables whose words would have to be cut."""
        for item in map(harmless, objects or ("",)):
            if not isinstance(item, Table):
                super().print(item, **options)
                continue
            natural = Measurement.get(self, self.options.update(max_width=_WIDE), item)
            if natural.maximum > self.width:
                least = [longest(column, words=not column.no_wrap) for column in item.columns]
                most = [longest(column, words=False) for column in item.columns]
                room = self.width - (natural.maximum - sum(most))
                if sum(least) > room:
                    self._print_rows(item)
                    continue
                # Left alone, rich takes from the widest column even where that cuts its words.
                for column, width in zip(item.columns, shared(least, most, room), strict=True):
                    column.width = width
            super().print(item, **options)

    def _print_rows(self, table: Table) -> None:
        """Print title, rows as ``head: cell`` by ``head: cell``, caption."""
        if table.title:
            super().print(Text(cell_text(table.title), style="bold"))
        heads = [cell_text(column.header) for column in table.columns]
        cells = [[cell_text(cell) for cell in column.cells] for column in table.columns]
        for row in zip(*cells, strict=True):
            super().print(Text(row[0] or "–", style="bold"))
            pairs = zip(heads[1:], row[1:], strict=True)
            parts = [f"{head}: {cell}" if head else cell for head, cell in pairs if cell]
            for line in packed(parts, self.width - len(_INDENT)):
                super().print(Text(f"{_INDENT}{line}"))
        if table.caption:
            super().print(Text(cell_text(table.caption)))
        super().print()


def packed(parts: list[str], width: int) -> Iterator[str]:
    """Lines of as many whole parts as fit, one part at least."""
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
