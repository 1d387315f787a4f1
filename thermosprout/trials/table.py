"""A records file as text: its header, its lines with their numbers, and how it separates cells."""

from __future__ import annotations

import csv
import difflib
import io
from collections.abc import Container, Sequence
from dataclasses import dataclass
from pathlib import Path

from thermosprout.errors import InputError, Place
from thermosprout.trials.columns import KNOWN, REQUIRED

_DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its number in the file and its cells, stripped of blanks around them."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Table:
    """Header and lines of one file; ``last`` is the number of its last line."""

    path: Path
    header: tuple[str, ...]
    lines: tuple[Line, ...]
    delimiter: str = ","
    newline: str = "\n"
    last: int = 1

    def place(self, line: int, column: str | None = None) -> Place:
        """Where a cell stands, for messages."""
        return Place(file=self.path, line=line, column=column)


def parse_table(path: Path, text: str, *, plots: Container[str] | None = None) -> Table:
    """Split the text of a file into cells.

    Parameters
    ----------
    path : Path
        For messages.
    text : str
    plots : container of str, optional
        Keep only lines of these plots; all when absent.

    Raises
    ------
    InputError
        When a quote is left open, a line has too many or too few cells, a column name is
        doubled, or the file is empty.
    """
    head = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = max(_DELIMITERS, key=head.count)
    newline = "\r\n" if "\r\n" in text else "\n"
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    header: tuple[str, ...] = ()
    lines: list[Line] = []
    before = last = 0
    where = -1
    try:
        for cells in reader:
            number, before = before + 1, reader.line_num
            if not cells or (not cells[0].strip() and not any(cell.strip() for cell in cells)):
                continue
            last = number
            if not header:
                header = _header(path, number, cells)
                where = header.index("plot") if plots is not None and "plot" in header else -1
                continue
            if len(cells) != len(header):
                raise InputError(
                    f"{len(cells)} cells, but the header names {len(header)} columns",
                    place=Place(file=path, line=number),
                    hint="see whether a comma, a quote or a cell is missing or too many",
                )
            if reader.line_num != number:
                raise InputError(
                    "a cell runs over the end of the line",
                    place=Place(file=path, line=number),
                    hint="close the quote",
                )
            if where >= 0 and plots is not None and cells[where].strip() not in plots:
                continue
            lines.append(Line(number, tuple(cell.strip() for cell in cells)))
    except csv.Error as error:
        raise InputError(
            f"cannot be split into cells ({error})", place=Place(file=path, line=before + 1)
        ) from None
    if not header:
        raise InputError(
            "the file is empty",
            place=Place(file=path),
            hint=f"the first line names the columns: {', '.join(REQUIRED)}",
        )
    return Table(
        path=path,
        header=header,
        lines=tuple(lines),
        delimiter=delimiter,
        newline=newline,
        last=last,
    )


def _header(path: Path, number: int, cells: Sequence[str]) -> tuple[str, ...]:
    names = tuple(cell.strip() for cell in cells)
    for index, name in enumerate(names):
        if not name:
            raise InputError(f"column {index + 1} has no name", place=Place(file=path, line=number))
        if name in names[:index]:
            raise InputError(
                f"the column {name} is there twice",
                place=Place(file=path, line=number, column=name),
            )
    return names


def require_columns(table: Table) -> tuple[str, ...]:
    """Check the header of a records file; returns the columns that are not known and not read.

    Raises
    ------
    InputError
        When a column is missing, or one is named nearly like a known column.
    """
    for name in REQUIRED:
        if name not in table.header:
            near = difflib.get_close_matches(name, table.header, n=1, cutoff=0.75)
            raise InputError(
                f"the column {name} is missing",
                place=table.place(1),
                hint=f"is it the one named {near[0]!r}" + "?"
                if near
                else f"a records file has the columns {', '.join(REQUIRED)}",
            )
    others = tuple(name for name in table.header if name not in KNOWN)
    for name in others:
        near = difflib.get_close_matches(name.lower(), [k.lower() for k in KNOWN], n=1, cutoff=0.8)
        if near:
            right = next(k for k in KNOWN if k.lower() == near[0])
            raise InputError(
                f"the column {name!r} is not known",
                place=table.place(1, name),
                hint=f"did you mean {right}?",
            )
    return others


def format_line(cells: Sequence[str], delimiter: str, newline: str) -> str:
    """One line of a file, its last cell always in quotes, so that a line cut short shows."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerow(cells[:-1])
    head = out.getvalue()[:-1] + delimiter if len(cells) > 1 else ""
    last = cells[-1].replace('"', '""')
    return f'{head}"{last}"{newline}'


def format_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Whole CSV file as text, comma-separated."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(header)
    return out.getvalue() + "".join(format_line(row, ",", "\n") for row in rows)
