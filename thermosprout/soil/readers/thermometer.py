"""Thermometer readings taken now and then: time, depth and value."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.quantities import YEARS

if TYPE_CHECKING:
    import pandas as pd


COLUMNS = ("time_utc", "depth_cm", "soil_temp_C")
"""``time`` with an offset, or in the site's own time, may stand for ``time_utc``."""


def read_readings(path: str | Path, *, timezone: str = "UTC") -> pd.DataFrame:
    """Read readings that correct a modelled series.

    Parameters
    ----------
    path : path
        CSV with ``time_utc`` (or ``time``), ``depth_cm`` and ``soil_temp_C``.
    timezone : str
        Zone of a ``time`` without an offset.

    Returns
    -------
    pandas.DataFrame
        Columns ``time_utc`` (naive UTC), ``depth_cm`` [cm] and ``soil_temp_C`` [degC].

    Raises
    ------
    InputError
        For the first fault, with its line and column.
    """
    import pandas as pd

    file = Path(path)
    # Every end of line counts as one, also the lone one of old spreadsheets.
    reader = csv.DictReader(io.StringIO(read_text(file, limit_mb=16), newline=None))
    names = [name.strip() for name in reader.fieldnames or []]
    reader.fieldnames = names
    clock = "time_utc" if "time_utc" in names else "time"
    for name in (clock, *COLUMNS[1:]):
        if name not in names:
            raise InputError(
                f"the column {name} is missing, found {', '.join(names) or 'nothing'}",
                place=Place(file=file, line=1),
                hint=f"name the columns {', '.join(COLUMNS)}",
            )
    rows = []
    for line, row in enumerate(_cells(reader, file), start=2):
        place = Place(file=file, line=line)
        if not any((value or "").strip() for value in row.values() if isinstance(value, str)):
            continue
        when = _when(row[clock] or "", Place(file=file, line=line, column=clock), clock, timezone)
        depth = _number(row["depth_cm"], "depth_cm", place, 0.0, 100.0)
        value = _number(row["soil_temp_C"], "soil_temp_C", place, -40.0, 70.0)
        rows.append((when, depth, value))
    if not rows:
        raise InputError("the file holds no reading", place=Place(file=file))
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _cells(reader: csv.DictReader[str], file: Path) -> Iterator[dict[str, str]]:
    try:
        yield from reader
    except csv.Error as error:
        raise InputError(
            f"cannot be split into cells ({error})", place=Place(file=file, line=reader.line_num)
        ) from None


def _when(text: str, place: Place, clock: str, timezone: str) -> datetime:
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            f"{text!r} is no time, expected one such as 2026-04-05T14:00", place=place
        ) from None
    if when.tzinfo is None:
        when = when.replace(tzinfo=UTC if clock == "time_utc" else ZoneInfo(timezone))
    if when.year not in YEARS:
        raise InputError(f"the year of {text!r} cannot be right", place=place)
    return when.astimezone(UTC).replace(tzinfo=None)


def _number(text: str | None, name: str, place: Place, low: float, high: float) -> float:
    try:
        value = float(text or "")
    except ValueError:
        value = math.nan
    if not low <= value <= high:
        raise InputError(
            f"{text!r} is no {name}, expected a number from {low:g} to {high:g}",
            place=Place(file=place.file, line=place.line, column=name),
        )
    return value
