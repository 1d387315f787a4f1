"""Sowings of which only a date of emergence was noted, as field books and journals hold them."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from datetime import UTC, datetime, time
from io import StringIO
from pathlib import Path

import numpy as np

from thermosprout.calibration.plots import Plot, handling_of
from thermosprout.crops.crop import Crop
from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.soil.series import hours_since_epoch
from thermosprout.trials.moments import Moment, read_moment, zone

REQUIRED = ("planted", "emergence_date")
"""Columns that make a file one of dates; all others of a records file may stand beside them."""

NOTED_BEFORE_H = 24.0
"""A date was noted on a round; what it notes came up that day or the day before. [h]"""


def is_dates_file(path: Path) -> bool:
    """Whether the first line names the columns of a file of dates."""
    heading = read_text(path).lstrip().split("\n", 1)[0]
    columns = {cell.strip().strip('"') for cell in heading.split(",")}
    return set(REQUIRED) <= columns and "emerged" not in columns


def noted_window_h(day_start_h: float) -> tuple[float, float]:
    """Hours between which emergence lies when it was noted on a day. [h]"""
    return day_start_h - NOTED_BEFORE_H, day_start_h + 24.0


def read_dates(
    path: Path, crop: Crop, *, timezone: str = "UTC", viability: float = 1.0
) -> tuple[Plot, ...]:
    """Read sowings with one date of emergence each.

    Parameters
    ----------
    path : path
        CSV with ``planted`` and ``emergence_date`` (ISO 8601), and where known ``plot``,
        ``variety``, ``seed_lot``, ``treatment``, ``started``, ``depth_cm``.
    crop : Crop
        For the depth of sowings that have none.
    timezone : str
        IANA time zone of the dates.
    viability : float
        Share of live seed.

    Raises
    ------
    InputError
        Naming line and column.
    """
    lines = csv.DictReader(StringIO(read_text(path), newline=None), skipinitialspace=True)
    plots: list[Plot] = []
    first: dict[str, int] = {}
    try:
        for row in lines:
            cells = {(k or "").strip(): (v or "").strip() for k, v in row.items() if k is not None}
            if any(cells.values()):
                plot = _sowing(path, lines.line_num, cells, crop, timezone, viability)
                if plot.name in first:
                    raise InputError(
                        f"the plot {plot.name!r} is on line {first[plot.name]} already",
                        place=Place(file=path, line=lines.line_num, column="plot"),
                    )
                first[plot.name] = lines.line_num
                plots.append(plot)
    except csv.Error as error:
        raise InputError(
            f"cannot be split into cells ({error})", place=Place(file=path, line=lines.line_num)
        ) from None
    if not plots:
        raise InputError("the file holds no sowing", place=Place(file=path))
    return tuple(plots)


def _sowing(
    path: Path, line: int, cells: Mapping[str, str], crop: Crop, timezone: str, viability: float
) -> Plot:
    tz = zone(timezone)

    def when(column: str) -> Moment:
        return read_moment(cells.get(column, ""), tz, Place(file=path, line=line, column=column))

    def hour(stamp: datetime) -> float:
        return float(hours_since_epoch([np.datetime64(stamp)])[0])

    def number(column: str) -> float | None:
        if not cells.get(column):
            return None
        try:
            value = float(cells[column])
        except ValueError:
            value = np.nan
        if not 0 <= value <= 100:
            raise InputError(
                f"found {cells[column]!r}, expected a number from 0 to 100",
                place=Place(file=path, line=line, column=column),
            )
        return value

    planted = hour(when("planted").utc)
    midnight = datetime.combine(when("emergence_date").day, time(0), tzinfo=tz)
    noted = noted_window_h(hour(midnight.astimezone(UTC).replace(tzinfo=None)))
    if noted[1] <= planted:
        raise InputError(
            f"emergence on {cells['emergence_date']} is before planting on {cells['planted']}",
            place=Place(file=path, line=line, column="emergence_date"),
        )
    started = hour(when("started").utc) if cells.get("started") else planted
    name = cells.get("plot") or f"line {line}"
    treatment = cells.get("treatment") or "direct"
    return Plot(
        name=name,
        treatment=treatment,
        handling=handling_of(name, treatment, planted - started),
        planted_h=planted,
        depth_cm=number("depth_cm") or crop.practice.depth_cm or 2.0,
        seeds=0,
        noted_h=(max(noted[0], planted), noted[1]),
        constant_C=None,
        variety=cells.get("variety") or None,
        seed_lot=cells.get("seed_lot") or None,
        viability=viability,
    )
