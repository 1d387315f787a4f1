"""Tables as tab-separated lines: for screen readers, pipes and narrow terminals."""

from __future__ import annotations

from typing import Any

from rich.console import Console
from rich.table import Table
from rich.text import Text


class PlainConsole(Console):
    """Console without colour and boxes; a table becomes its title, its head and its lines."""

    def __init__(self) -> None:
        super().__init__(highlight=False, no_color=True, soft_wrap=True, emoji=False)

    def print(self, *objects: Any, **options: Any) -> None:
        """Print as rich does, save that tables come out as tab-separated lines."""
        for item in objects:
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
    """Text of a cell without markup, its lines as they are."""
    if isinstance(cell, str):
        cell = Text.from_markup(cell)
    return cell.plain if isinstance(cell, Text) else str(cell)
