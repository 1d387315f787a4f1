"""Wall-clock times of a file turned into UTC, with the hours of a clock change made sure of."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from pathlib import Path
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermosprout.errors import InputError, Place

Stamps = npt.NDArray[np.datetime64]
_HOUR = np.timedelta64(3600, "s")
_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+\-−])\s*(\d{1,2})(?::?(\d{2}))?", re.IGNORECASE)


def find_zone(name: str) -> dt.tzinfo:
    """Time zone from an IANA name, ``UTC`` or a fixed offset such as ``UTC+1`` (east positive).

    Raises
    ------
    InputError
        When the name is neither.
    """
    text = name.strip()
    if text.upper() in ("UTC", "GMT", "Z"):
        return dt.UTC
    match = _OFFSET.fullmatch(text)
    if match:
        minutes = int(match.group(2)) * 60 + int(match.group(3) or 0)
        if minutes <= 15 * 60:
            return dt.timezone(dt.timedelta(minutes=minutes if match.group(1) == "+" else -minutes))
    try:
        return ZoneInfo(text)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise InputError(
            f"{name!r} is no time zone",
            hint="write an IANA name such as Europe/London, or an offset such as UTC+1",
        ) from None


def to_utc(
    local: Stamps,
    zones: pd.Series,
    lines: Sequence[int],
    *,
    path: Path,
    column: str,
    timezone: str | None,
    named_zone: str | None,
    notes: list[str],
    day_only: bool,
    doubled_at: list[int] | None = None,
) -> tuple[Stamps, str]:
    """Turn wall-clock times into UTC, by the zone in each cell, in the heading, or given.

    Lines at which a doubled hour was told apart are appended to ``doubled_at``.

    Raises
    ------
    InputError
        When no zone is known, an hour does not exist in it, or a doubled hour stays open.
    """
    place = Place(file=path, line=lines[0], column=column)
    present = zones.notna()
    if present.all() and len(zones):
        return local - _offsets(zones), _cell_zone(zones)
    if present.any():
        row = int(np.flatnonzero(~present.to_numpy())[0])
        raise InputError(
            "this time has no zone while others have one",
            place=Place(file=path, line=lines[row], column=column),
            hint="mend the line",
        )
    if named_zone is not None:
        if timezone and timezone != named_zone:
            notes.append(f"The file says {named_zone}; the time zone {timezone} was not needed.")
        timezone = named_zone
    if timezone is None:
        raise InputError(
            "the times carry no time zone",
            place=place,
            hint="set --timezone, for example Europe/London, UTC, or UTC+1 for a clock that "
            "never changes",
        )
    zone = find_zone(timezone)
    if not isinstance(zone, ZoneInfo):
        offset = zone.utcoffset(None) or dt.timedelta(0)
        return local - np.timedelta64(int(offset.total_seconds()), "s"), timezone
    utc, doubled = _through_changes(local, zone, lines, path, column, timezone, notes, day_only)
    if doubled_at is not None:
        doubled_at += doubled
    return utc, timezone


def _offsets(zones: pd.Series) -> npt.NDArray[np.timedelta64]:
    unique = {}
    for text in zones.unique():
        match = _OFFSET.fullmatch(text)
        seconds = 0
        if match:
            seconds = int(match.group(2)) * 3600 + int(match.group(3) or 0) * 60
            seconds = seconds if match.group(1) == "+" else -seconds
        unique[text] = seconds
    return zones.map(unique).to_numpy().astype("timedelta64[s]")


def _cell_zone(zones: pd.Series) -> str:
    found = list(dict.fromkeys(zones))
    shown = ["UTC" if text in ("Z", "GMT", "UTC") else text for text in found[:2]]
    return "as written in each time (" + ", ".join(shown) + ")"


def _through_changes(
    local: Stamps,
    zone: ZoneInfo,
    lines: Sequence[int],
    path: Path,
    column: str,
    name: str,
    notes: list[str],
    day_only: bool,
) -> tuple[Stamps, list[int]]:
    index = pd.DatetimeIndex(local)
    first = index.tz_localize(zone, ambiguous=np.ones(len(index), bool), nonexistent="NaT")
    if first.isna().any() and day_only:
        first = index.tz_localize(
            zone, ambiguous=np.ones(len(index), bool), nonexistent="shift_forward"
        )
    if first.isna().any():
        row = int(np.flatnonzero(first.isna())[0])
        before = zone.utcoffset(index[row].to_pydatetime() - dt.timedelta(days=1))
        before = before or dt.timedelta(0)
        raise InputError(
            f"{index[row]} does not exist in {name}, where clocks went forward: "
            "the clock of the logger was not changed",
            place=Place(file=path, line=lines[row], column=column),
            hint=f"set --timezone to the offset it runs at, for example "
            f"UTC{before.total_seconds() / 3600:+g}",
        )
    second = index.tz_localize(
        zone, ambiguous=np.zeros(len(index), bool), nonexistent="shift_forward"
    )
    early = first.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ns]")
    late = second.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ns]")
    doubled = early != late
    if not doubled.any() or day_only:
        return early, []
    return _doubled(local, early, late, doubled, lines, path, column, name, notes)


def _doubled(
    local: Stamps,
    early: Stamps,
    late: Stamps,
    doubled: npt.NDArray[np.bool_],
    lines: Sequence[int],
    path: Path,
    column: str,
    name: str,
    notes: list[str],
) -> tuple[Stamps, list[int]]:
    """Tell the two runs of a doubled hour apart by the step back between them."""
    utc = early.copy()
    told: list[int] = []
    rows = np.flatnonzero(doubled)
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        steps = np.diff(local[run])
        rising = bool(len(local) < 2 or local[-1] >= local[0])
        back = np.flatnonzero(steps <= np.timedelta64(0, "ns") if rising else steps >= 0 * _HOUR)
        line = lines[int(run[0])]
        if len(back) == 1:
            second_half = run[back[0] + 1 :] if rising else run[: back[0] + 1]
            utc[second_half] = late[second_half]
            told.append(line)
            notes.append(
                f"The doubled hour of the clock change at line {line} was told apart by the order "
                "of the lines."
            )
            continue
        day = str(local[run[0]])[:10]
        raise InputError(
            f"clocks went back in {name} on {day}, but the doubled hour stands only once: "
            "it can be the first or the second",
            place=Place(file=path, line=line, column=column),
            hint="if the clock of the logger never changes, set --timezone to its offset, for "
            "example UTC+1; otherwise delete the lines of that hour",
        )
    return utc, told
