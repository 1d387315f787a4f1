"""Lines of a records file, read cell by cell into checked values."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import tzinfo

from thermosprout.errors import InputError, Place
from thermosprout.trials.cells import read_decimal, read_label, read_whole
from thermosprout.trials.columns import FORMAT, KNOWN
from thermosprout.trials.moments import Moment, read_moment
from thermosprout.trials.table import Line, Table


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
        return (
            self.block,
            self.variety,
            self.seed_lot,
            self.treatment,
            self.started.utc,
            self.planted.utc,
            self.seeds_started,
            self.seeds_planted,
            self.depth_cm,
            self.temperature_C,
        )


@dataclass(slots=True)
class _Reader:
    """Reads the lines of one table; equal texts are read once."""

    table: Table
    tz: tzinfo
    moments: dict[str, Moment] = field(default_factory=dict)
    labels: set[str] = field(default_factory=set)
    where: dict[str, int] = field(init=False)
    comma: bool = field(init=False)

    def __post_init__(self) -> None:
        self.where = {name: i for i, name in enumerate(self.table.header) if name in KNOWN}
        self.comma = self.table.delimiter != ","

    def text(self, line: Line, name: str) -> str:
        index = self.where.get(name)
        return "" if index is None else line.cells[index]

    def label(self, line: Line, name: str, *, needed: bool = False) -> str:
        text = self.text(line, name)
        if text in self.labels:
            return text
        if not text:
            if needed:
                raise InputError("the cell is empty", place=self.place(line, name))
            return ""
        read_label(text, self.place(line, name))
        self.labels.add(text)
        return text

    def moment(self, line: Line, name: str) -> Moment | None:
        text = self.text(line, name)
        if not text:
            return None
        found = self.moments.get(text)
        if found is None:
            found = self.moments[text] = read_moment(text, self.tz, self.place(line, name))
        return found

    def needed_moment(self, line: Line, name: str) -> Moment:
        found = self.moment(line, name)
        if found is None:
            raise InputError("the cell is empty, a date was expected", place=self.place(line, name))
        return found

    def whole(self, line: Line, name: str) -> int | None:
        text = self.text(line, name)
        if not text:
            return None
        if text.isdecimal() and text.isascii() and len(text) < 10:
            return int(text)
        return read_whole(text, self.place(line, name))

    def needed_whole(self, line: Line, name: str) -> int:
        found = self.whole(line, name)
        if found is None:
            raise InputError(
                "the cell is empty, a whole number was expected", place=self.place(line, name)
            )
        return found

    def decimal(self, line: Line, name: str, low: float, high: float, unit: str) -> float | None:
        text = self.text(line, name)
        if not text:
            return None
        if self.comma:
            text = text.replace(",", ".")
        return read_decimal(text, self.place(line, name), low=low, high=high, unit=unit)

    def place(self, line: Line, name: str) -> Place:
        return self.table.place(line.number, name)


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
    entry = Entry(
        line=line.number,
        plot=reader.label(line, "plot", needed=True),
        block=reader.label(line, "block"),
        variety=reader.label(line, "variety"),
        seed_lot=reader.label(line, "seed_lot"),
        treatment=reader.label(line, "treatment", needed=True),
        started=reader.needed_moment(line, "started"),
        planted=reader.needed_moment(line, "planted"),
        seeds_started=reader.needed_whole(line, "seeds_started"),
        seeds_planted=reader.needed_whole(line, "seeds_planted"),
        depth_cm=reader.decimal(line, "depth_cm", 0.0, 50.0, "cm"),
        temperature_C=reader.decimal(line, "temperature_C", -20.0, 60.0, "°C"),
        inspected=reader.moment(line, "inspected"),
        emerged=reader.whole(line, "emerged"),
        stations_filled=reader.whole(line, "stations_filled"),
        first_harvest=reader.moment(line, "first_harvest"),
        note=reader.label(line, "note"),
        observer=reader.label(line, "observer"),
        entered=reader.moment(line, "entered"),
    )
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
