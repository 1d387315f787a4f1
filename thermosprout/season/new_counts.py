"""The first count of a row: what the records hold of the row is taken from the season file."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from thermosprout.errors import InputError, Place
from thermosprout.trials.records.file import parse_table, read_settled

if TYPE_CHECKING:
    from thermosprout.season.load import Season
    from thermosprout.season.schema import Row

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
        When the file is not there and a plot is no row of the season, or a row that was never
        counted is given a date instead of a count.
    """
    there, listed = _plots(path)
    by_id = {row.id: row for row in season.data.rows}
    ready: list[dict[str, str]] = []
    first: list[Row] = []
    for given in rows:
        name = given.get("plot", "")
        row = by_id.get(name)
        if name in there or given.keys() >= _NEEDED:
            ready.append(dict(given))
        elif row is None:
            if not path.exists():
                season.require_row(name)
            ready.append(dict(given))
        else:
            if "emerged" not in given:
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
            ready.append({**facts, **given})
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
        return set(), False  # told by whoever reads the file
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
