"""Lines of a records file as checked values, and the lines of one plot taken together.

Corrections are settled (the later ``entered`` holds), order and facts are checked.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, tzinfo
from pathlib import Path
from typing import Any, Literal

from thermosprout.errors import InputError, Place
from thermosprout.trials.records.file import Line, Table
from thermosprout.trials.records.values import (
    FACTS,
    FORMAT,
    KNOWN,
    Moment,
    read_decimal,
    read_label,
    read_moment,
    read_whole,
)

KINDS: dict[str, Literal["label", "moment", "whole"] | tuple[float, float, str]] = {
    **dict.fromkeys(
        ("plot", "block", "variety", "seed_lot", "treatment", "note", "observer"), "label"
    ),
    **dict.fromkeys(("started", "planted", "inspected", "first_harvest", "entered"), "moment"),
    **dict.fromkeys(("seeds_started", "seeds_planted", "emerged", "stations_filled"), "whole"),
    "depth_cm": (0.0, 50.0, "cm"),
    "temperature_C": (-20.0, 60.0, "°C"),
}
"""What the cells of each column hold; numbers with their least, greatest and unit."""

_EXPECTED = {
    **dict.fromkeys(("plot", "treatment"), ""),
    **dict.fromkeys(("started", "planted"), ", a date was expected"),
    **dict.fromkeys(("seeds_started", "seeds_planted"), ", a whole number was expected"),
}
"""Columns whose cells may not be empty, and what is said of one that is."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """One checked line; ``inspected`` and ``emerged`` are both absent on a plot's own line."""

    line: int
    plot: str
    block: str
    variety: str
    seed_lot: str
    treatment: str
    started: Moment
    planted: Moment
    seeds_started: int
    seeds_planted: int
    depth_cm: float | None
    temperature_C: float | None
    inspected: Moment | None
    emerged: int | None
    stations_filled: int | None
    first_harvest: Moment | None
    note: str
    observer: str
    entered: Moment | None

    @property
    def facts(self) -> tuple[object, ...]:
        """What belongs to the plot, comparable between its lines."""
        values = (getattr(self, name) for name in FACTS)
        return tuple(v.utc if isinstance(v, Moment) else v for v in values)


_ORDER = tuple(field.name for field in fields(Entry) if field.name != "line")


class _Reader:
    """Reads the lines of one table; equal texts are read once."""

    def __init__(self, table: Table, tz: tzinfo) -> None:
        self.table, self.tz = table, tz
        self.moments: dict[str, Moment] = {}
        self.labels: set[str] = set()
        self.where = {name: i for i, name in enumerate(table.header) if name in KNOWN}

    def text(self, line: Line, name: str) -> str:
        index = self.where.get(name)
        return "" if index is None else line.cells[index]

    def place(self, line: Line, name: str) -> Place:
        return self.table.place(line.number, name)

    def cell(self, line: Line, name: str) -> str | int | float | Moment | None:
        """Checked value of a cell; None where it is empty and may be."""
        kind, text = KINDS[name], self.text(line, name)
        if not text and name in _EXPECTED:
            raise InputError(f"the cell is empty{_EXPECTED[name]}", place=self.place(line, name))
        if kind == "label":
            return self._label(line, name, text)
        if not text:
            return None
        if kind == "moment":
            if text not in self.moments:
                self.moments[text] = read_moment(text, self.tz, self.place(line, name))
            return self.moments[text]
        if kind == "whole":
            return read_whole(text, self.place(line, name))
        low, high, unit = kind
        if self.table.delimiter != ",":
            text = text.replace(",", ".")
        return read_decimal(text, self.place(line, name), low=low, high=high, unit=unit)

    def _label(self, line: Line, name: str, text: str) -> str:
        if text and text not in self.labels:
            read_label(text, self.place(line, name))
            self.labels.add(text)
        return text


def read_entries(table: Table, tz: tzinfo, lines: Iterable[Line] | None = None) -> list[Entry]:
    """Read lines into entries and check what can be said of one line alone.

    Raises
    ------
    InputError
        For the first cell that is wrong, naming its line and column.
    """
    reader = _Reader(table, tz)
    return [_entry(reader, line) for line in (table.lines if lines is None else lines)]


def require_format(number: str, place: Place) -> None:
    """Check the layout a line says it was written in.

    Raises
    ------
    InputError
        When it is not the one read here.
    """
    if number not in ("", FORMAT):
        raise InputError(
            f"this record has format {number}, this version reads format {FORMAT}",
            place=place,
            hint="update thermosprout",
        )


def _entry(reader: _Reader, line: Line) -> Entry:
    if reader.where.get("format") is not None:
        require_format(reader.text(line, "format"), reader.place(line, "format"))
    cells: dict[str, Any] = {name: reader.cell(line, name) for name in _ORDER}
    entry = Entry(line=line.number, **cells)
    _check_alone(reader, line, entry)
    return entry


def _check_alone(reader: _Reader, line: Line, entry: Entry) -> None:
    def fault(column: str, what: str, hint: str = "") -> InputError:
        return InputError(what, place=reader.place(line, column), hint=hint)

    if entry.planted.before(entry.started):
        raise fault(
            "planted", f"planted {entry.planted.text} is before started {entry.started.text}"
        )
    if entry.seeds_planted > entry.seeds_started:
        raise fault(
            "seeds_planted",
            f"{entry.seeds_planted} seeds planted, but only {entry.seeds_started} were started",
        )
    if (entry.inspected is None) != (entry.emerged is None):
        empty = "inspected" if entry.inspected is None else "emerged"
        raise fault(
            empty,
            f"{empty} is empty",
            "a count needs both a date and a number; a plot not counted yet has neither",
        )
    if entry.first_harvest is not None and entry.first_harvest.before(entry.planted):
        raise fault("first_harvest", "the first harvest is before the planting")
    if entry.entered is not None and entry.entered.day_only:
        raise fault(
            "entered",
            "a date alone does not say which line is the later one",
            "write a date-time with its offset",
        )
    if entry.inspected is None or entry.emerged is None:
        return
    if entry.inspected.before(entry.planted):
        raise fault(
            "inspected",
            f"inspected {entry.inspected.text} is before planted {entry.planted.text}",
        )
    if entry.emerged > entry.seeds_planted:
        raise fault(
            "emerged",
            f"{entry.emerged} emerged, but only {entry.seeds_planted} seeds were planted",
            "count each seed once; note self-sown plants in the note",
        )
    if entry.stations_filled is not None and entry.stations_filled > entry.emerged:
        raise fault(
            "stations_filled",
            f"{entry.stations_filled} stations filled by {entry.emerged} seedlings",
        )


_NEVER = datetime.min  # a line without `entered` was there first


@dataclass(frozen=True, slots=True, kw_only=True)
class PlotHistory:
    """One plot as it stands now.

    Attributes
    ----------
    facts : Entry
        The line whose facts hold.
    counts : tuple of Entry
        The count that holds for each inspection, in order of time.
    first_harvest : Moment or None
    replaced : int
        How many counts were replaced by corrections.
    """

    facts: Entry
    counts: tuple[Entry, ...]
    first_harvest: Moment | None
    replaced: int


def settle(path: Path, entries: Sequence[Entry]) -> PlotHistory:
    """Settle the corrections of one plot and check its lines against each other.

    Raises
    ------
    InputError
        When facts of the plot differ between lines, an inspection is there twice, counts fall,
        or a corrected fact contradicts a count.
    """
    facts = _facts(path, entries)
    counts, replaced = _counts(path, entries)
    _check_order(path, facts, counts)
    return PlotHistory(
        facts=facts,
        counts=tuple(counts),
        first_harvest=_harvest(path, facts, entries),
        replaced=replaced,
    )


def settle_all(path: Path, entries: Sequence[Entry]) -> dict[str, PlotHistory]:
    """Settle every plot among the entries, in the order of first appearance."""
    groups: dict[str, list[Entry]] = {}
    for entry in entries:
        groups.setdefault(entry.plot, []).append(entry)
    return {plot: settle(path, group) for plot, group in groups.items()}


def stamp_of(entry: Entry) -> datetime:
    """When a line was written."""
    return entry.entered.utc if entry.entered is not None else _NEVER


def _facts(path: Path, entries: Sequence[Entry]) -> Entry:
    first = entries[0]
    stating = [first] + [e for e in entries[1:] if e.inspected is None]
    facts = {entry.facts for entry in stating}
    stamps: dict[datetime, Entry] = {}
    for entry in stating:
        twin = stamps.setdefault(stamp_of(entry), entry)
        if twin.facts != entry.facts:
            raise _differs(path, entry, twin)
    for entry in entries:
        if entry.facts not in facts:
            raise _differs(path, entry, first)
    return max(stating, key=lambda entry: (stamp_of(entry), entry.line))


def _differs(path: Path, entry: Entry, other: Entry) -> InputError:
    column = next(
        name
        for name, mine, theirs in zip(FACTS, entry.facts, other.facts, strict=True)
        if mine != theirs
    )

    def text_of(of: Entry) -> object:
        value = getattr(of, column)
        return value.text if isinstance(value, Moment) else value

    return InputError(
        f"plot {entry.plot} has {column} {text_of(entry)!r}, but {text_of(other)!r} on line "
        f"{other.line}",
        place=Place(file=path, line=entry.line, column=column),
        hint="a plot keeps its facts on every line; to correct one, add a line for the plot "
        "with inspected and emerged empty and a later entered time",
    )


def _counts(path: Path, entries: Sequence[Entry]) -> tuple[list[Entry], int]:
    by_instant: dict[datetime, Entry] = {}
    replaced = 0
    for entry in entries:
        if entry.inspected is None:
            continue
        other = by_instant.get(entry.inspected.utc)
        if other is not None:
            replaced += 1
            if stamp_of(other) == stamp_of(entry):
                raise InputError(
                    f"plot {entry.plot} was inspected {entry.inspected.text} on line "
                    f"{other.line} already",
                    place=Place(file=path, line=entry.line, column="inspected"),
                    hint="a correction is a line with a later entered time",
                )
            if stamp_of(other) > stamp_of(entry):
                continue
        by_instant[entry.inspected.utc] = entry
    return [by_instant[instant] for instant in sorted(by_instant)], replaced


def _check_order(path: Path, facts: Entry, counts: Sequence[Entry]) -> None:
    previous: Entry | None = None
    for entry in counts:
        if entry.inspected is None or entry.emerged is None:
            continue
        place = Place(file=path, line=entry.line, column="emerged")
        if entry.inspected.before(facts.planted):
            raise InputError(
                f"inspected {entry.inspected.text} is before planted {facts.planted.text} "
                f"(line {facts.line})",
                place=Place(file=path, line=entry.line, column="inspected"),
            )
        if entry.emerged > facts.seeds_planted:
            raise InputError(
                f"{entry.emerged} emerged, but only {facts.seeds_planted} seeds were planted "
                f"(line {facts.line})",
                place=place,
            )
        if previous is not None and previous.emerged is not None:
            if entry.emerged < previous.emerged:
                raise InputError(
                    f"plot {entry.plot} falls from {previous.emerged} (line {previous.line}) to "
                    f"{entry.emerged}",
                    place=place,
                    hint="emerged counts all seedlings so far, also those that died since; "
                    "correct the wrong line with a later entered time",
                )
            before, now = previous.stations_filled, entry.stations_filled
            if before is not None and now is not None and now < before:
                raise InputError(
                    f"stations filled fall from {before} (line {previous.line}) to {now}",
                    place=Place(file=path, line=entry.line, column="stations_filled"),
                )
        previous = entry


def _harvest(path: Path, facts: Entry, entries: Sequence[Entry]) -> Moment | None:
    latest: Entry | None = None
    for entry in entries:
        if entry.first_harvest is None or (latest and stamp_of(entry) < stamp_of(latest)):
            continue
        other = latest is not None and entry.first_harvest != latest.first_harvest
        if latest is not None and other and stamp_of(entry) == stamp_of(latest):
            raise InputError(
                f"plot {entry.plot} has another first harvest on line {latest.line}",
                place=Place(file=path, line=entry.line, column="first_harvest"),
                hint="a correction is a line with a later entered time",
            )
        latest = entry
    if latest is None or latest.first_harvest is None:
        return None
    if latest.first_harvest.before(facts.planted):
        raise InputError(
            "the first harvest is before the planting",
            place=Place(file=path, line=latest.line, column="first_harvest"),
        )
    return latest.first_harvest
