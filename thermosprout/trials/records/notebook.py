"""The grower's notebook: counts as words, as a small file, and as a table with days across."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from datetime import tzinfo
from pathlib import Path
from typing import TYPE_CHECKING

from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.trials.records.file import Table, parse_table
from thermosprout.trials.records.plots import require_format
from thermosprout.trials.records.values import (
    FACTS,
    FORMAT,
    KNOWN,
    Moment,
    neutral,
    read_moment,
    read_whole,
    zone,
)

if TYPE_CHECKING:
    from thermosprout.trials.records.plots import PlotHistory
    from thermosprout.trials.records.read import Loaded


_BESIDE = ("plot", *FACTS)


def read_notebook(path: Path, *, timezone: str = "UTC") -> list[dict[str, str]]:
    """Rows for :func:`thermosprout.trials.records.read.append_records` from a notebook table.

    Parameters
    ----------
    path : Path
        CSV with the column ``plot``, any of the plot's facts, and one column per inspection
        whose name is its day or date-time; an empty cell was not counted.

    Raises
    ------
    InputError
        When a column name is neither a fact nor a day, or a day is there twice.
    """
    table = parse_table(path, read_text(path))
    days = _days(table, zone(timezone))
    facts = [name for name in table.header if name in _BESIDE]
    rows: list[dict[str, str]] = []
    lines: dict[str, int] = {}
    for line in table.lines:
        cells = dict(zip(table.header, line.cells, strict=True))
        plot = cells["plot"]
        if not plot:
            raise InputError("the plot is missing", place=table.place(line.number, "plot"))
        if plot in lines:
            raise InputError(
                f"plot {plot} is on line {lines[plot]} already",
                place=table.place(line.number, "plot"),
            )
        lines[plot] = line.number
        beside = {name: cells[name] for name in facts if cells[name] or name == "plot"}
        if len(beside) > 1:
            rows.append(dict(beside))
        for day in days:
            count = cells[day]
            if count:
                read_whole(count, table.place(line.number, day))
                rows.append({**beside, "inspected": day, "emerged": count})
    if not rows:
        raise InputError("the table holds no count", place=Place(file=path))
    return rows


def _days(table: Table, tz: tzinfo) -> list[str]:
    if "plot" not in table.header:
        raise InputError("the column plot is missing", place=table.place(1))
    days: dict[object, str] = {}
    for name in table.header:
        if name in _BESIDE:
            continue
        if name in KNOWN or not name[:1].isdigit():
            raise InputError(
                f"the column {name!r} is neither a fact of the plot nor a day",
                place=table.place(1, name),
                hint="days across the top are written as 2026-05-03",
            )
        instant = read_moment(name, tz, table.place(1, name)).utc
        if instant in days:
            raise InputError(
                f"the day {name} is there twice, also as {days[instant]!r}",
                place=table.place(1, name),
            )
        days[instant] = name
    return list(days.values())


def write_notebook(loaded: Loaded) -> str:
    """Records as a notebook table, counts as they stand after corrections; CSV text."""
    histories = loaded.histories
    inspections = {
        count.inspected.utc: count.inspected.text
        for history in histories.values()
        for count in history.counts
        if count.inspected is not None
    }
    order = sorted(inspections)
    rows = []
    for plot, history in histories.items():
        emerged = {c.inspected.utc: str(c.emerged) for c in history.counts if c.inspected}
        rows.append([plot, *_fact_cells(history), *(emerged.get(instant, "") for instant in order)])
    return _csv([*_BESIDE, *(inspections[instant] for instant in order)], rows)


def write_lines(loaded: Loaded) -> str:
    """Records with a line per count, as they stand after corrections; CSV text."""
    header = [name for name in KNOWN if name != "entered"]
    rows = []
    for plot, history in loaded.histories.items():
        cells = dict(zip(FACTS, _fact_cells(history), strict=True))
        cells |= {"plot": plot, "first_harvest": _cell(history.first_harvest), "format": FORMAT}
        for count in history.counts or (history.facts,):
            own = {name: _cell(getattr(count, name)) for name in header if name not in cells}
            rows.append([(cells | own)[name] for name in header])
    return _csv(header, rows)


def _fact_cells(history: PlotHistory) -> list[str]:
    """Facts of a plot as cells, in the order of the columns."""
    return [_cell(getattr(history.facts, name)) for name in FACTS]


def _cell(value: object) -> str:
    if isinstance(value, Moment):
        return value.text
    if isinstance(value, float):
        return f"{value:g}"
    return "" if value is None else str(value)


def _csv(header: list[str], rows: list[list[str]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    temperature = header.index("temperature_C")
    for row in rows:
        # A temperature below zero is a number, not a formula.
        writer.writerow([c if i == temperature else neutral(c) for i, c in enumerate(row)])
    return out.getvalue()


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
    columns = ("plot", "emerged") if inspected else ("plot", "emerged", "inspected")
    for name in columns:
        if name not in table.header:
            raise InputError(
                f"the column {name} is missing",
                place=table.place(1),
                hint="say the day of all counts with --on" if name == "inspected" else "",
            )
