"""What the records say of a season's rows: when and how they were sown, and the counts so far."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime
from difflib import get_close_matches
from zoneinfo import ZoneInfo

import pandas as pd

from thermosprout.dates import NOON
from thermosprout.emergence.conditioning import Count
from thermosprout.season.load import Season
from thermosprout.season.schema import Row, hours, local_day
from thermosprout.trials.records.read import read_records


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
        Where records and season file differ, and which was taken.
    """

    season: Season
    counts: dict[str, tuple[Count, ...]]
    notes: tuple[str, ...] = ()


def as_recorded(season: Season, as_of: datetime) -> Recorded:
    """Lay the records beside the season; nothing of them is dropped untold.

    Parameters
    ----------
    season : Season
        Its ``records`` table names the file; plots are the ids of rows.
    as_of : datetime
        Later inspections are left out (aware). A count of a day alone belongs to that day from
        its morning on.
    """
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
    today = as_of.astimezone(zone).date()
    counts = []
    for stamp, emerged in zip(table["inspected"], table["emerged"], strict=True):
        if pd.isna(stamp):
            continue
        when = stamp.to_pydatetime().replace(tzinfo=UTC)
        there = when.astimezone(zone)
        of_the_day = there.time() == NOON and there.date() <= today
        if of_the_day or when <= as_of:
            counts.append(Count(hour=hours(when), emerged=int(emerged)))
    return tuple(sorted(counts, key=lambda count: count.hour))


def _sown(row: Row, last: pd.Series, season: Season, file: str, notes: list[str]) -> Row:
    """Row as its records have it: they tell what was done, the season file what was planned."""
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
    if pd.isna(stamp):
        return None
    when = stamp.to_pydatetime().replace(tzinfo=UTC).astimezone(zone)
    return when.date() if when.time() == NOON else when


def _no_row(plot: str, names: list[str], file: str) -> str:
    folded = {name.casefold(): name for name in names}
    near = get_close_matches(plot.casefold(), list(folded), n=1, cutoff=0.6)
    guess = f"; did you mean {folded[near[0]]}?" if near else "."
    return f"{file} has counts of {plot}, which is no row of the season: they are not used{guess}"
