"""The clock of a records file, for dates that stand alone where nobody names a time zone."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

from thermosprout.errors import InputError
from thermosprout.trials.moments import offset_of
from thermosprout.trials.store import read_settled
from thermosprout.trials.table import parse_table


def own_clock(path: Path) -> str:
    """Offset from UTC that the file's own plantings carry, or UTC where they are dates alone.

    A count on "2026-10-26" belongs to the day of the bed: beside plots planted at
    ``2026-09-20T09:00+12:00`` it is that day on a clock 12 h ahead of UTC. Where a clock change
    lies between plantings the offset of the latest one is taken, which is nearest to the counts.

    Parameters
    ----------
    path : Path
        Records file; one that is absent or at fault counts as UTC, and its fault is told by
        whoever reads it next.

    Returns
    -------
    str
        Such as ``+12:00``, or ``UTC``; read by :func:`thermosprout.trials.moments.zone`.
    """
    if not path.is_file():
        return "UTC"
    try:
        table = parse_table(path, read_settled(path)[0])
    except InputError:
        return "UTC"
    if "planted" not in table.header:
        return "UTC"
    column = table.header.index("planted")
    return clock_of_rows([{"planted": line.cells[column]} for line in table.lines])


def clock_of_rows(rows: Sequence[Mapping[str, str]]) -> str:
    """Offset of the latest planting among rows that carry one, or UTC.

    Parameters
    ----------
    rows : sequence of mappings
        Column to text; ``planted`` is looked at.
    """
    stamped = [text for row in rows if (text := row.get("planted", "")) and offset_of(text)]
    return offset_of(max(stamped)) if stamped else "UTC"
