"""New lines for a records file: read as typed or from a small file, checked, added durably."""

from __future__ import annotations

import contextlib
import difflib
import io
import re
from collections.abc import Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

from thermosprout.errors import InputError, Place
from thermosprout.files import write_atomic
from thermosprout.trials.records.file import (
    FileReplacedError,
    Identity,
    Line,
    Table,
    append_text,
    format_line,
    format_table,
    identity,
    locked,
    parse_table,
    read_settled,
    require_columns,
    set_torn_aside,
)
from thermosprout.trials.records.plots import (
    Entry,
    read_entries,
    settle,
    settle_all,
    stamp_of,
)
from thermosprout.trials.records.values import FORMAT, KNOWN, zone


@dataclass(frozen=True, slots=True, kw_only=True)
class Added:
    """One line that was added: the count it holds and the one it replaces, if any."""

    plot: str
    inspected: str
    emerged: int | None
    before: int | None
    corrects: bool

    @classmethod
    def of_entry(cls, entry: Entry, other: Entry | None = None) -> Added:
        """An entry, and the one it replaces."""
        return cls(
            plot=entry.plot,
            inspected=entry.inspected.text if entry.inspected else "",
            emerged=entry.emerged,
            before=other.emerged if other else None,
            corrects=other is not None,
        )


@dataclass(frozen=True, kw_only=True)
class Appended:
    """What an append did.

    Attributes
    ----------
    added : tuple of Added
    already : tuple of str
        Plots whose same count was there already; no line was written for them.
    set_aside : str
        An unfinished line of a stopped writer, moved aside.
    nothing_to_correct : tuple of str
        Counts meant as corrections where there was none of that day; they were added.
    """

    added: tuple[Added, ...]
    already: tuple[str, ...] = ()
    set_aside: str = ""
    nothing_to_correct: tuple[str, ...] = ()


_MOST_TRIES = 5
_LINE = re.compile(r"\(line (\d+)\)")

Row = Mapping[str, str]
"""Column to cell of one new line; facts of the plot that are left out are taken from the file."""


def append_records(
    path: str | Path,
    rows: Sequence[Row],
    *,
    timezone: str = "UTC",
    correct: bool = False,
    now: datetime | None = None,
) -> Appended:
    """Add lines to a records file; when this returns, they are on the disk.

    All rows are written or none. Rows are checked by the same rules as the file. A count that is
    there already with the same number is not written again.

    Parameters
    ----------
    path : path
        The file; it is made when it does not exist and the rows hold all required columns.
    rows : sequence of mappings
        Column to text. A row needs ``plot``; ``inspected`` with ``emerged`` for a count; facts of
        the plot are filled in from the file, those given replace them.
    timezone : str
        IANA time zone of dates that stand alone.
    correct : bool
        Whether a count may replace one of the same plot and inspection.
    now : datetime, optional
        Aware instant that goes into ``entered``; the clock by default.

    Raises
    ------
    InputError
        When a row is wrong, a plot is unknown, a count is there with another number and
        ``correct`` is not set, or the file cannot be written. Nothing is then added.
    """
    where = Path(path)
    if where.is_symlink():
        where = where.resolve()  # written where it lies, the link stays
    with locked(where) as lock:
        if not where.exists():
            return _begin(where, rows, timezone, now)
        torn = set_torn_aside(where, lock)
        first: _Plan | None = None
        for _ in range(_MOST_TRIES):
            before = identity(where)
            text, _torn = read_settled(where)
            if first is not None and first.stands_in(text):
                plan = first  # another program carried the new lines over
                break
            plan = _planned(where, text, rows, timezone, correct, now)
            try:
                plan.write(lock, before)
            except FileReplacedError:
                first = plan
                continue
            break
        else:
            raise InputError(
                "another program keeps replacing this file; nothing is certain to be recorded",
                place=Place(file=where),
                hint="pause the program that synchronises the folder and try again",
            )
    return Appended(
        added=tuple(plan.added),
        already=tuple(plan.already),
        set_aside=torn,
        nothing_to_correct=tuple(plan.nothing_to_correct),
    )


def _planned(
    path: Path,
    text: str,
    rows: Sequence[Row],
    timezone: str,
    correct: bool,
    now: datetime | None,
) -> _Plan:
    """Lines for all rows, checked against the text of the file; nothing is written yet."""
    plots = {row.get("plot", "") for row in rows}
    table, widened = _with_columns(path, text, _columns_of(rows), plots)
    plan = _Plan(table, widened, timezone, correct, now)
    with _faults_by_plot(path, plan):
        for row in rows:
            plan.add(row)
        plan.check()
    return plan


@contextlib.contextmanager
def _faults_by_plot(path: Path, plan: _Plan) -> Iterator[None]:
    """Name the plot, not a line number, in faults of lines that are not in the file yet."""
    try:
        yield
    except InputError as error:
        place = error.place
        if place is None or place.line is None:
            raise
        if place.line < plan.first_new:
            if not plan.sound_before():
                raise
            raise InputError(
                f"nothing was recorded; beside the new counts {plan.described(error.what)}",
                place=place,
                hint="look at the day and the number that were given; a count that is there "
                "is replaced by giving its day again with --correct",
            ) from None
        column = f", {place.column}" if place.column else ""
        raise InputError(
            f"nothing was recorded; plot {plan.current}{column}: {plan.described(error.what)}",
            place=Place(file=path),
            hint=error.hint,
        ) from None


class _Plan:
    """Lines to be added to one table, checked together with the lines of the same plots."""

    def __init__(
        self,
        table: Table,
        widened: str | None,
        timezone: str,
        correct: bool,
        now: datetime | None,
    ) -> None:
        self.table = table
        self.widened = widened
        self.tz = zone(timezone)
        self.correct = correct
        self.now = now or datetime.now(UTC)
        self.added: list[Added] = []
        self.already: list[str] = []
        self.nothing_to_correct: list[str] = []
        self.new: list[Line] = []
        self._plot_column = table.header.index("plot")
        self._there: dict[str, list[Entry]] = {}
        self._lines: dict[str, list[Line]] = {}
        for line in table.lines:
            self._lines.setdefault(line.cells[self._plot_column], []).append(line)
        self.first_new = self._next = table.last + 1
        self.current = ""

    def _entries(self, plot: str) -> list[Entry]:
        if plot not in self._there:
            self._there[plot] = read_entries(self.table, self.tz, self._lines.get(plot, []))
        return self._there[plot]

    def add(self, row: Row) -> None:
        """Turn one row into a line, or find that it is there already."""
        plot = self.current = row.get("plot", "")
        there = self._entries(plot)
        cells = dict(row)
        if there:
            facts = settle(self.table.path, there).facts
            cells = {**self._facts_text(facts), **cells}
        elif not {"planted", "treatment", "seeds_planted"} <= row.keys():
            raise self._unknown(plot)
        # Later than every line that it may correct, also when the clock was set back.
        latest = max((e.entered.utc for e in there if e.entered is not None), default=None)
        stamp = self.now.astimezone(UTC)
        if latest is not None:
            stamp = max(stamp, latest.replace(tzinfo=UTC) + timedelta(microseconds=1))
        cells["format"] = FORMAT
        cells.setdefault("entered", stamp.isoformat().replace("+00:00", "Z"))
        line = Line(self._next, tuple(cells.get(name, "") for name in self.table.header))
        entry = read_entries(self.table, self.tz, [line])[0]
        if not self._is_new(entry, there):
            return
        self._next += 1
        self.new.append(line)
        there.append(entry)

    def _is_new(self, entry: Entry, there: list[Entry]) -> bool:
        """Whether the entry is to be written; notes what it does."""
        current = None
        if entry.inspected is not None:
            counts = settle(self.table.path, there).counts if there else ()
            current = next(
                (c for c in counts if c.inspected and c.inspected.utc == entry.inspected.utc), None
            )
        if current is not None and _tells_nothing_new(entry, current):
            self.already.append(entry.plot)
            return False
        if current is not None and not self.correct:
            day = current.inspected.text if current.inspected else ""
            raise InputError(
                f"plot {entry.plot} has {current.emerged} on {day} "
                f"(line {current.line}), and {entry.emerged} was given",
                place=Place(file=self.table.path),
                hint="say that this is a correction (--correct) to replace it",
            )
        late = entry.entered and current and stamp_of(entry) <= stamp_of(current)
        if current is not None and entry.entered is not None and late:
            raise InputError(
                f"the correction of plot {entry.plot} says it was entered {entry.entered.text}, "
                f"not after the count it is to replace (line {current.line})",
                place=Place(file=self.table.path),
                hint="leave its column `entered` empty to replace the count now",
            )
        self.added.append(Added.of_entry(entry, current))
        if self.correct and current is None and entry.inspected is not None:
            self.nothing_to_correct.append(f"{entry.plot} on {entry.inspected.text}")
        return True

    def _facts_text(self, facts: Entry) -> dict[str, str]:
        mine = [*self._lines.get(facts.plot, []), *self.new]
        line = next(line for line in mine if line.number == facts.line)
        own = ("inspected", "emerged", "stations_filled", "first_harvest", "note", "observer",
               "format", "entered")  # fmt: skip
        return {
            name: cell
            for name, cell in zip(self.table.header, line.cells, strict=True)
            if name in KNOWN and name not in own
        }

    def _unknown(self, plot: str) -> InputError:
        whole = parse_table(self.table.path, read_settled(self.table.path)[0])
        names = {line.cells[self._plot_column] for line in whole.lines}
        same = [name for name in names if name.casefold() == plot.casefold()]
        near = same or difflib.get_close_matches(plot, sorted(names), n=1, cutoff=0.5)
        names_text = f"{', '.join(sorted(names)[:8])}{' ...' if len(names) > 8 else ''}"
        hint = f"its plots are {names_text}" if names else "the file names no plot yet"
        if near:
            hint = f"did you mean {near[0]}?"
        # A row that was never counted differs from its neighbour in one sign, too.
        more = "" if same else "; the first count of a season's row needs --season SEASON.toml"
        return InputError(
            f"there is no plot {plot!r}",
            place=Place(file=self.table.path),
            hint=f"{hint.removesuffix('?')}{more}" if more else hint,
        )

    def sound_before(self) -> bool:
        """Whether the lines of the plot were in order before the new ones came."""
        old = read_entries(self.table, self.tz, self._lines.get(self.current, []))
        try:
            settle(self.table.path, old)
        except InputError:
            return False
        return True

    def described(self, what: str) -> str:
        """Fault in words, a line that is not in the file yet as the new count."""
        return _LINE.sub(
            lambda match: "(new)" if int(match[1]) >= self.first_new else match[0], what
        )

    def check(self) -> None:
        """Check that the plots which the new lines touch are in order with them."""
        for plot in sorted({line.cells[self._plot_column] for line in self.new}):
            self.current = plot
            settle(self.table.path, self._there[plot])

    @property
    def text(self) -> str:
        """Lines to be added."""
        return "".join(
            format_line(line.cells, self.table.delimiter, self.table.newline) for line in self.new
        )

    def stands_in(self, text: str) -> bool:
        """Whether all new lines are in a text already."""
        lines = set(text.splitlines())
        return bool(self.new) and all(line in lines for line in self.text.splitlines())

    def write(self, lock: int, before: Identity) -> None:
        """Add the lines to the file that had this identity when it was read, or raise."""
        path = self.table.path
        if not self.new:
            return
        if self.widened is None:
            append_text(path, self.text, lock, before)
            return
        if identity(path) != before:
            raise FileReplacedError
        # New columns change every line, so the file is replaced whole.
        whole = self.widened if self.widened.endswith("\n") else self.widened + self.table.newline
        write_atomic(path, whole + self.text)


def _tells_nothing_new(entry: Entry, current: Entry) -> bool:
    """Whether everything that the new count says is said by the one that is there."""
    if entry.facts != current.facts or entry.emerged != current.emerged:
        return False
    beside = ("note", "observer", "stations_filled", "first_harvest")
    return all(getattr(entry, name) in ("", None, getattr(current, name)) for name in beside)


def _columns_of(rows: Sequence[Row]) -> list[str]:
    names = {name for row in rows for name, cell in row.items() if cell}
    unknown = names - set(KNOWN)
    if unknown:
        raise InputError(f"a record has no column {sorted(unknown)[0]!r}")
    # A file begun without a column for the number of the layout is of the first and stays so.
    return [name for name in KNOWN if name in names - {"format"} or name == "entered"]


def _with_columns(
    path: Path, text: str, columns: Sequence[str], plots: Container[str]
) -> tuple[Table, str | None]:
    """Lines of plots, and the file's text with the columns it lacks, every line kept as it is.

    The text is None where no column is missing.
    """
    table = parse_table(path, text, plots=plots)
    require_columns(table)
    missing = [name for name in columns if name not in table.header]
    if not missing:
        return table, None
    # As lines end for the csv module; str.splitlines would also split inside a cell.
    lines = [line.rstrip("\r\n") for line in io.StringIO(text, newline="")]
    first = next(i for i, line in enumerate(lines) if line.strip())
    tail = table.delimiter * len(missing)
    lines = [line + tail if i > first and line.strip() else line for i, line in enumerate(lines)]
    lines[first] = table.delimiter.join([lines[first], *missing])
    widened = "".join(line + table.newline for line in lines)
    return parse_table(path, widened, plots=plots), widened


def _begin(path: Path, rows: Sequence[Row], timezone: str, now: datetime | None) -> Appended:
    header = [n for n in KNOWN if n in {*KNOWN[:12], *_columns_of(rows), "note", "format"}]
    stamp = (now or datetime.now(UTC)).astimezone(UTC).isoformat().replace("+00:00", "Z")
    cells = [
        [{"entered": stamp, **row, "format": FORMAT}.get(name, "") for name in header]
        for row in rows
    ]
    text = format_table(header, cells)
    entries = read_entries(parse_table(path, text), zone(timezone))
    settle_all(path, entries)
    write_atomic(path, text)
    return Appended(added=tuple(Added.of_entry(entry) for entry in entries))
