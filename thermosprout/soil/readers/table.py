"""A text table as it stands on disk, and how a file was read.

Where the table begins, what separates its columns, its rows (:class:`Table`); and the report that
every reader gives beside the data (:class:`Reading`).
"""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

from thermosprout.errors import InputError, Place, placed
from thermosprout.files import read_bytes
from thermosprout.soil.quality import Check
from thermosprout.soil.readers.times import looks_like_stamp

_NO_TEXT = (
    ((b"\x89HDF", b"CDF"), "NetCDF", "soil temperature in NetCDF is read by soil read"),
    ((b"PK\x03\x04", b"\xd0\xcf\x11\xe0"), "a spreadsheet", "open it and save the sheet as CSV"),
    ((b"\x1f\x8b", b"BZh", b"\xfd7zXZ"), "a compressed file", "unpack it first"),
)
"""First bytes of files that are no text, what they are, and the next step."""
SEPARATORS = {";": "semicolons", "\t": "tabs", ",": "commas", "|": "bars"}
_UNIT_CELL = re.compile(
    r"^(|[\[(]?(°?\s*[cf]|deg[ _]?[cf]|celsius|fahrenheit|%|mm|m/s|w/m2?²?|v|hpa|utc|local|"
    r"[ymdhs:/\-. ]{4,}|avg|smp|ts|rn|min|max|none|n/?a)[\])]?)$",
    re.IGNORECASE,
)


@dataclass(frozen=True, kw_only=True)
class Table:
    """Cells as text; ``lines`` are the line numbers in the file, from one."""

    path: Path
    names: tuple[str, ...]
    units: tuple[str, ...]
    rows: list[list[str]]
    lines: list[int]
    separator: str
    preamble: tuple[str, ...]
    notes: tuple[str, ...]

    def column(self, index: int) -> list[str]:
        """Return the cells of one column."""
        return [row[index] for row in self.rows]

    def place(self, row: int, column: str | None = None) -> Place:
        """Where a row stands in the file."""
        return Place(file=self.path, line=self.lines[row], column=column)


def decode(path: Path) -> tuple[str, str]:
    """Read a text file in UTF-8, UTF-16 or Windows-1252, and say which.

    Raises
    ------
    InputError
        When it is absent, too large, or no text.
    """
    raw = read_bytes(path)
    for beginnings, what, hint in _NO_TEXT:
        if raw.startswith(beginnings):
            what = f"this is {what}, a CSV text file was expected"
            raise InputError(what, place=Place(file=path), hint=hint)
    is_utf16 = raw.startswith((b"\xff\xfe", b"\xfe\xff"))
    codec, name = ("utf-16", "UTF-16") if is_utf16 else ("utf-8-sig", "UTF-8")
    try:
        text = raw.decode(codec)
    except UnicodeDecodeError:
        text, name = raw.decode("cp1252", errors="replace"), "Windows-1252"
    if "\0" in text:
        raise InputError(
            "the file holds NUL bytes and is not plain text",
            place=Place(file=path, line=text[: text.index("\0")].count("\n") + 1),
            hint="export it again as CSV",
        )
    return text, name


def _cells(line: str, separator: str) -> list[str]:
    if '"' not in line:  # nothing for a CSV reader to do, and several times as quick
        return [cell.strip() for cell in line.split(separator)]
    try:
        parsed = next(csv.reader([line], delimiter=separator), [])
    except csv.Error:
        return [line]
    return [cell.strip() for cell in parsed]


def _is_data(cells: list[str]) -> bool:
    return len(cells) >= 2 and any(looks_like_stamp(cell) for cell in cells[:4])


def read_table(path: str | Path, *, decimal: str | None = None) -> Table:
    """Find the table in a text file: separator, heading, units row and rows.

    Parameters
    ----------
    path : str or Path
        The file.
    decimal : {".", ","}, optional
        Decimal mark, needed only where a comma parts both columns and decimals.

    Raises
    ------
    InputError
        When there is no table with dates, a row is broken, or commas can be read in two ways.
    """
    path = Path(path)
    text, encoding = decode(path)
    lines = text.replace("\r\n", "\n").replace("\r", "\n").split("\n")
    if not any(line.strip() for line in lines):
        raise InputError("the file is empty", place=Place(file=path))
    notes = [] if encoding == "UTF-8" else [f"The text is encoded as {encoding}."]
    separator = _separator(lines, path)
    split = [_cells(line, separator) if line.strip() else [] for line in lines]
    is_data = [_is_data(cells) for cells in split]
    first = is_data.index(True)
    last = len(is_data) - 1 - is_data[::-1].index(True)
    names, units, heading = _heading(split, first)
    width = len(names)
    if not names:
        lengths = Counter(len(split[row]) for row in range(first, last + 1) if is_data[row])
        width = lengths.most_common(1)[0][0]
        names = tuple(f"column {place + 1}" for place in range(width))
        notes.append("The file has no heading line; columns are counted from 1.")
    rows, numbers = [], []
    for number in range(first, last + 1):
        cells = split[number]
        if not any(cells):
            continue
        if tuple(cells[:width]) == names:
            notes.append(f"The heading stands again in line {number + 1}; it was passed over.")
            continue
        if not is_data[number]:
            raise InputError(
                f"a date or time was expected, found {lines[number].strip()[:40]!r}",
                place=Place(file=path, line=number + 1),
                hint="mend or delete the line",
            )
        cells = _fit(cells, width, separator, decimal)
        if len(cells) < width and number == last and number > first:
            notes.append(f"Line {number + 1}, the last, is cut off and was left out.")
            continue
        if len(cells) != width:
            with placed(Place(file=path, line=number + 1)):
                raise _wrong_width(len(cells), width, separator)
        rows.append(cells)
        numbers.append(number + 1)
    rest = sum(bool(line.strip()) for line in lines[last + 1 :])
    if rest:
        notes.append(f"{rest} lines after the last dated line (from line {last + 2}) hold no data.")
    units = (units + ("",) * width)[:width]
    return Table(
        path=path,
        names=names,
        units=units,
        rows=rows,
        lines=numbers,
        separator=separator,
        preamble=tuple(line.strip() for line in lines[:heading] if line.strip()),
        notes=tuple(notes),
    )


def _separator(lines: list[str], path: Path) -> str:
    filled = [line for line in lines if line.strip()]
    sample = filled[:1000] + filled[1000:][-1000:]  # a preamble may be longer than any sample
    counts = {
        sep: sum(_is_data(_cells(line, sep)) for line in sample if sep in line)
        for sep in SEPARATORS
    }
    best = max(counts, key=lambda sep: counts[sep])
    if counts[best] == 0:
        raise InputError(
            "no line holds a date or time in one column and a value in another",
            place=Place(file=path),
            hint="expected columns such as time_utc,soil_temp_5cm_C",
        )
    return best


def _heading(split: list[list[str]], first: int) -> tuple[tuple[str, ...], tuple[str, ...], int]:
    """Names and units standing above the first data line, and the line they begin at."""
    above = [number for number in range(max(0, first - 4), first) if len(split[number]) >= 2]
    if not above or above[-1] != first - 1:
        return (), (), first
    units: tuple[str, ...] = ()
    while len(above) > 1 and above[-2] == above[-1] - 1:
        cells = split[above[-1]]
        if not all(_UNIT_CELL.match(cell) for cell in cells):
            break
        units = units or tuple(cells)
        if not any(units):
            units = ()
        above.pop()
    names = [cell.strip('"') for cell in split[above[-1]]]
    while len(names) > 2 and not names[-1]:
        names.pop()
    return tuple(names), units, above[-1]


def _wrong_width(size: int, width: int, separator: str) -> InputError:
    if size > width and separator == ",":
        return InputError(
            f"{size} columns parted by commas stand under {width} headings; "
            "a comma can part columns or decimals here",
            hint="say which with --decimal , or mend the line",
        )
    return InputError(
        f"{width} columns were expected, found {size}", hint="mend or delete the line"
    )


def _fit(cells: list[str], width: int, separator: str, decimal: str | None) -> list[str]:
    """Drop empty trailing cells; join halves of decimals where the user said so."""
    while len(cells) > width and cells[-1] == "":
        cells = cells[:-1]
    if separator == "," and decimal == "," and len(cells) == 2 * width - 1:
        pairs = cells[1:]
        cells = [cells[0]] + [
            f"{whole},{part}" for whole, part in zip(pairs[::2], pairs[1::2], strict=True)
        ]
    return cells


_STEPS = {"hour": "hourly ", "day": "daily "}
_NOT_REPEATED = ("gaps", "doubled hour")
"""Checks that a sentence on how the file was read tells already."""


@dataclass(frozen=True, kw_only=True)
class Gap:
    """A stretch without a usable value: UTC hours ``start`` to ``end``, both without a value."""

    start: str
    end: str
    hours: int


@dataclass(frozen=True, kw_only=True)
class Reading:
    """How a file was read; ``None`` or an empty text means that it does not apply."""

    file: str
    kind: str
    column: str = ""
    unit: str = ""
    depth_cm: float | None = None
    time_column: str = ""
    time_zone: str = ""
    date_order: str = ""
    separator: str = ""
    decimal: str = ""
    rows: int = 0
    step: str = ""
    start: str = ""
    end: str = ""
    columns: tuple[str, ...] = ()
    left_out: tuple[str, ...] = ()
    gaps: tuple[Gap, ...] = ()
    filled_hours: int = 0
    notes: tuple[str, ...] = ()
    checks: tuple[Check, ...] = field(default=())

    def summary(self) -> str:
        """What every answer repeats: the file, its columns that were taken and those left out."""
        step = _STEPS.get(self.step, "")
        text = f"{self.file}: read as {self.kind}, {self.rows:,} {step}rows"
        if self.step and not step:
            text += f" every {self.step}"
        if columns := self.columns or ((self.column,) if self.column else ()):
            text += f" of {listed(columns)}"
        if self.left_out:
            text += f", without {listed(self.left_out)}"
        return text + "."

    def sentences(self, *, layout: bool = True) -> list[str]:
        """Say how the file was read, one plain sentence an entry; with or without its layout."""
        sentences = [self.summary(), *(self._layout() if layout else ())]
        if self.filled_hours:
            sentences.append(
                f"{self.filled_hours} hours in holes of at most 3 h were filled by a straight line."
            )
        if self.gaps:
            longest = max(self.gaps, key=lambda gap: gap.hours)
            sentences.append(
                f"{len(self.gaps)} longer {'gap stays' if len(self.gaps) == 1 else 'gaps stay'} "
                f"empty, the longest {longest.hours} h from {longest.start} UTC."
            )
        return [*sentences, *self.notes]

    def _layout(self) -> Iterator[str]:
        """Columns, times, marks and span."""
        if self.column:
            depth = "" if self.depth_cm is None else f", {self.depth_cm:g} cm deep"
            yield f"Temperature from column {self.column!r} in {self.unit}{depth}."
        if self.time_column:
            order = f", dates written {self.date_order}" if self.date_order else ""
            yield f"Times from {self.time_column!r}, time zone {self.time_zone}{order}."
        if self.separator:
            yield f"Columns separated by {self.separator}, decimal {self.decimal or 'point'}."
        if self.start:
            start, end = (text.replace("T", " ") for text in (self.start, self.end))
            yield f"Covers {start} to {end} UTC."

    def doubts(self, *, serious: bool = False) -> list[str]:
        """Say what looks wrong in the series, one sentence a check; of serious ones alone."""
        checks = (check for check in self.checks if check.serious or not serious)
        return [check.sentence() for check in checks if check.name not in _NOT_REPEATED]


def listed(names: Sequence[str], most: int = 12) -> str:
    """Names, cut off where there are many."""
    first = ", ".join(names[:most])
    rest = len(names) - most
    return first if rest <= 0 else f"{first} and {rest} more"
