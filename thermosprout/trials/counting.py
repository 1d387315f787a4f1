"""Counts as they are handed in: a few words typed, or a small file from the bed."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.trials.cells import read_whole
from thermosprout.trials.columns import KNOWN
from thermosprout.trials.lines import require_format
from thermosprout.trials.table import Table, parse_table


def typed_counts(words: Sequence[str], inspected: str) -> list[dict[str, str]]:
    """Rows from words like ``A1=5``, each plot named once.

    Raises
    ------
    InputError
        When a word is no plot with its count, or a plot is named twice.
    """
    rows: list[dict[str, str]] = []
    for word in words:
        plot, mark, count = word.rpartition("=")
        plot, count = plot.strip(), count.strip()
        if not mark or not plot:
            raise InputError(f"found {word!r}, expected a plot and its count, such as A1=5")
        if any(row["plot"] == plot for row in rows):
            raise InputError(f"plot {plot} is named twice")
        try:
            read_whole(count, Place(file="counts"))
        except InputError:
            raise InputError(
                f"found {word!r}, expected a whole number after the plot, such as {plot}=5"
            ) from None
        rows.append({"plot": plot, "inspected": inspected, "emerged": count})
    return rows


def filed_counts(path: Path, inspected: str = "") -> list[dict[str, str]]:
    """Rows from a CSV file with at least ``plot`` and ``emerged``.

    Parameters
    ----------
    inspected : str
        Day of all counts where the file has no column ``inspected``.

    Raises
    ------
    InputError
        When the file lacks a column, holds one that is not known, or a count has no day.
    """
    table = parse_table(path, read_text(path))
    _check_columns(table, inspected)
    rows = []
    for line in table.lines:
        row = {
            name: cell
            for name, cell in zip(table.header, line.cells, strict=True)
            if cell or name in ("emerged", "inspected")
        }
        require_format(row.pop("format", ""), table.place(line.number, "format"))
        if row.get("emerged", "") == "":
            if row.get("inspected"):
                raise InputError("the count is missing", place=table.place(line.number, "emerged"))
            row = {name: cell for name, cell in row.items() if cell}
            if set(row) <= {"plot", "block", "treatment", "variety"}:
                continue  # a plot that was not counted this time
        else:
            row["inspected"] = row.get("inspected") or inspected
            if not row["inspected"]:
                raise InputError("the day is missing", place=table.place(line.number, "inspected"))
        if not row.get("plot"):
            raise InputError("the plot is missing", place=table.place(line.number, "plot"))
        rows.append(row)
    if not rows:
        raise InputError("the file holds no count", place=Place(file=path))
    return rows


def _check_columns(table: Table, inspected: str) -> None:
    for name in table.header:
        if name not in KNOWN:
            raise InputError(
                f"the column {name!r} is not known",
                place=table.place(1, name),
                hint="a table with days across the top is read by `thermosprout trial import`"
                if name[:1].isdigit()
                else f"columns are {', '.join(KNOWN)}",
            )
    needed = ("plot", "emerged") if inspected else ("plot", "emerged", "inspected")
    for name in needed:
        if name not in table.header:
            raise InputError(
                f"the column {name} is missing",
                place=table.place(1),
                hint="say the day of all counts with --on" if name == "inspected" else "",
            )
