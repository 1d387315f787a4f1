"""Records beside a season: what was sown and counted, and the first count of a row.

Writing one count imports none of the numerical libraries.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from thermosprout.dates import NOON
from thermosprout.errors import InputError, Place
from thermosprout.trials.records.file import parse_table, read_settled

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.emergence.conditioning import Count
    from thermosprout.season.load import Season
    from thermosprout.season.schema import Row


@dataclass(frozen=True, kw_only=True)
class Recorded:
    """A season as its records have it.

    Attributes
    ----------
    season : Season
        With the days and seeds that were recorded in place of those that were planned.
    counts : dict of str to tuple of Count
        Inspections of each row up to today, in the order of time.
    notes : tuple of str
        Where records and season file differ, and which of them counts.
    """

    season: Season
    counts: dict[str, tuple[Count, ...]]
    notes: tuple[str, ...] = ()


def as_recorded(season: Season, as_of: datetime) -> Recorded:
    """Lay the records beside the season, with a note on whatever is not used.

    Parameters
    ----------
    season : Season
        Its ``records`` table names the file; plots are the ids of rows.
    as_of : datetime
        Later inspections are left out (aware). A count of a day alone belongs to that day from
        its morning on.
    """
    from thermosprout.trials.records.read import read_records

    if season.data.records is None:
        return Recorded(season=season, counts={})
    path = season.resolve(season.data.records.file, "records", "file")
    if not path.exists():
        return Recorded(season=season, counts={})
    zone = season.data.site.zone
    records = read_records(path, timezone=season.data.site.timezone)
    plots = {str(plot): table for plot, table in records.groupby("plot")}
    notes: list[str] = []
    rows = []
    for row in season.data.rows:
        table = plots.pop(row.id, None)
        rows.append(row if table is None else _sown(row, table.iloc[-1], season, path.name, notes))
    names = [row.id for row in rows]
    notes.extend(_no_row(plot, names, path.name) for plot in plots)
    counts = {str(plot): _counts(table, as_of, zone) for plot, table in records.groupby("plot")}
    data = season.data.model_copy(update={"rows": tuple(rows)})
    return Recorded(season=replace(season, data=data), counts=counts, notes=tuple(notes))


def _counts(table: pd.DataFrame, as_of: datetime, zone: ZoneInfo) -> tuple[Count, ...]:
    from thermosprout.emergence.conditioning import Count
    from thermosprout.season.schema import hours

    today = as_of.astimezone(zone).date()
    counts = []
    for stamp, emerged in zip(table["inspected"], table["emerged"], strict=True):
        if stamp != stamp:
            continue
        when = stamp.to_pydatetime().replace(tzinfo=UTC)
        there = when.astimezone(zone)
        of_the_day = there.time() == NOON and there.date() <= today
        if of_the_day or when <= as_of:
            counts.append(Count(hour=hours(when), emerged=int(emerged)))
    return tuple(sorted(counts, key=lambda count: count.hour))


def _sown(row: Row, last: pd.Series, season: Season, file: str, notes: list[str]) -> Row:
    """Row as its records have it: they tell what was done, the season file what was planned."""
    from thermosprout.season.schema import local_day

    zone = season.data.site.zone
    changes: dict[str, object] = {}
    words = []
    for key in ("planted", "started"):
        planned = getattr(row, key)
        recorded = _day_or_instant(last[key], zone)
        if planned is None or recorded is None:
            continue
        if local_day(recorded, zone) != local_day(planned, zone):
            changes[key] = recorded
            words.append(
                f"{key} {local_day(recorded, zone).isoformat()} where the season file has "
                f"{local_day(planned, zone).isoformat()}"
            )
    seeds = int(last["seeds_planted"])
    if seeds > 0 and seeds != row.seeds and (row.seeds_planted or row.stations):
        changes |= {"seeds_planted": seeds}
        words.append(f"{seeds} seeds planted where the season file has {row.seeds}")
    if words:
        notes.append(f"Row {row.id}: {file} has {' and '.join(words)}; the records are taken.")
    treatment = str(last["treatment"])
    if treatment in ("direct", "soaked", "presprouted") and treatment != row.treatment:
        notes.append(
            f"Row {row.id}: {file} says {treatment}, the season file {row.treatment}; the season "
            "file is taken: correct one of them."
        )
    return row.model_copy(update=changes) if changes else row


def _day_or_instant(stamp: pd.Timestamp, zone: ZoneInfo) -> date | datetime | None:
    if stamp != stamp:
        return None
    when = stamp.to_pydatetime().replace(tzinfo=UTC).astimezone(zone)
    return when.date() if when.time() == NOON else when


def _no_row(plot: str, names: list[str], file: str) -> str:
    folded = {name.casefold(): name for name in names}
    near = get_close_matches(plot.casefold(), list(folded), n=1, cutoff=0.6)
    guess = f"; did you mean {folded[near[0]]}?" if near else "."
    row = "which is not a row of the season, so they are not used"
    return f"{file} has counts of {plot}, {row}{guess}"


_NO_BED = "1"
_NEEDED = {"planted", "treatment", "seeds_planted"}


@dataclass(frozen=True, kw_only=True)
class Prepared:
    """Rows ready for :func:`thermosprout.trials.records.append.append_records`.

    Attributes
    ----------
    rows : list of dict
        Column to text; the first count of a row also carries the facts of the row.
    notes : tuple of str
        What was assumed, and what the season file needs to read the counts.
    """

    rows: list[dict[str, str]]
    notes: tuple[str, ...] = ()


def require_there(path: Path, rows: Sequence[Mapping[str, str]]) -> None:
    """Refuse counts alone for a file that is not there.

    Raises
    ------
    InputError
        With the two ways to begin one.
    """
    if path.exists() or all(row.keys() >= _NEEDED for row in rows):
        return
    raise InputError(
        "the records file is not there",
        place=Place(file=path),
        hint="give the season file (--season) to begin it for the rows of a season, or make a "
        "trial with `thermosprout trial design`",
    )


def counted_before(path: Path, rows: Sequence[Mapping[str, str]]) -> bool:
    """Whether the file names every plot: such counts need nothing from the season."""
    there, _ = _plots(path)
    return all(row.get("plot", "") in there for row in rows)


def with_facts(season: Season, path: Path, rows: Sequence[Mapping[str, str]]) -> Prepared:
    """Add the facts of a season's row to its first count.

    Parameters
    ----------
    season : Season
    path : Path
        Records file; it need not be there.
    rows : sequence of mappings
        Column to text, as typed; plots that the file knows and plots that are no rows of the
        season are left as they are.

    Raises
    ------
    InputError
        When the file is not there and a plot is not a row of the season, or a row that was never
        counted is given a date instead of a count.
    """
    there, listed = _plots(path)
    by_id = {row.id: row for row in season.data.rows}
    ready: list[dict[str, str]] = []
    first: list[Row] = []
    for entry in rows:
        name = entry.get("plot", "")
        row = by_id.get(name)
        if name in there or entry.keys() >= _NEEDED:
            ready.append(dict(entry))
        elif row is None:
            if not path.exists():
                season.require_row(name)
            ready.append(dict(entry))
        else:
            if "emerged" not in entry:
                raise InputError(
                    f"{name} has no count yet; its days are those of the season file",
                    place=season.place("rows", season.data.rows.index(row), "planted"),
                    hint=f"correct them there, or record a count first, such as {name}=0",
                )
            facts = row_facts(season, row)
            if row not in first:
                first.append(row)
                if listed:  # a file that lists its plots takes no count of one it does not list
                    ready.append(facts)
            ready.append({**facts, **entry})
    notes = [note for row in first for note in _assumed(row)]
    if any(row.get("plot") in by_id for row in rows):
        notes += _link(season, path)
    return Prepared(rows=ready, notes=tuple(notes))


def row_facts(season: Season, row: Row) -> dict[str, str]:
    """What a records file holds of a row, column to text; the block is the bed."""
    from thermosprout.season.forecast import sowing_of
    from thermosprout.season.schema import local

    sowing = sowing_of(season, row)
    lot = season.row_lot(row)
    planted = _written(row.planted)
    lead = timedelta(hours=sowing.planted_h - sowing.started_h)
    if row.started is not None:
        started = _written(row.started)
    elif not lead:
        started = planted
    elif isinstance(row.planted, datetime) or lead % timedelta(days=1):
        zone = season.data.site.zone
        started = local(sowing.started_h, zone).isoformat(timespec="minutes")
    else:
        started = (row.planted - lead).isoformat()
    return {
        "plot": row.id,
        "block": row.bed or _NO_BED,
        "variety": row.variety or lot.variety or "",
        "seed_lot": row.lot or "",
        "treatment": row.treatment,
        "started": started,
        "planted": planted,
        "seeds_started": str(row.seeds_started or row.seeds),
        "seeds_planted": str(row.seeds),
        "depth_cm": f"{sowing.depth_cm:g}",
    }


def _written(moment: datetime | date) -> str:
    if isinstance(moment, datetime):
        return moment.isoformat(timespec="minutes")
    return moment.isoformat()


def _plots(path: Path) -> tuple[set[str], bool]:
    """Plots that the file names, and whether it lists them ahead of their counts."""
    if not path.exists():
        return set(), False
    table = parse_table(path, read_settled(path)[0])
    if not {"plot", "inspected"} <= set(table.header):
        return set(), False  # an error where the file is read
    plot, inspected = table.header.index("plot"), table.header.index("inspected")
    opened: dict[str, bool] = {}
    for line in table.lines:
        opened.setdefault(line.cells[plot], not line.cells[inspected])
    return set(opened), any(opened.values())


def _assumed(row: Row) -> list[str]:
    notes = []
    if row.seeds_planted is None and row.stations is None:
        notes.append(
            f"{row.id}: the season file does not give the number of seeds, so {row.seeds} "
            "is assumed; give stations or seeds_planted there before the first count."
        )
    if row.treatment == "presprouted" and row.seeds_started is None:
        notes.append(
            f"{row.id}: the season file does not give seeds_started; recorded as the "
            f"{row.seeds} that were planted."
        )
    return notes


def _link(season: Season, path: Path) -> list[str]:
    """What to write into the season file so that its forecasts read the counts."""
    table = season.data.records
    if table is not None and season.resolve(table.file, "records", "file") == path.resolve():
        return []
    name = table.file if table is not None else "no records file"
    sentence = (
        f"{season.path.name} names {name}: write [records] with file = "
        f'"{path.name}" into it, and keep {path.name} beside it, so that its forecasts know '
        "these counts."
    )
    return [sentence]
