"""Time stamps of a file, as people and loggers write them, turned into UTC.

:func:`read_stamps` finds the one way in which all stamps are written and asks where two fit;
:func:`to_utc` takes them through clock changes. Dates that a person types for a question are read
by :mod:`thermosprout.dates`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermosprout.dates import read_zone
from thermosprout.errors import InputError, Place
from thermosprout.quantities import YEARS

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
        return read_zone(text)
    except InputError as error:
        raise InputError(error.what, hint=f"{error.hint}, or an offset such as UTC+1") from None


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
    """Turn wall-clock times into UTC, by the zone in each cell, in the heading, or of the user.

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
    shown = list(dict.fromkeys("UTC" if zone in ("Z", "GMT") else zone for zone in zones))[:2]
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
    settled: list[int] = []
    rows = np.flatnonzero(doubled)
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        steps = np.diff(local[run])
        rising = bool(len(local) < 2 or local[-1] >= local[0])
        back = np.flatnonzero(steps <= np.timedelta64(0, "ns") if rising else steps >= 0 * _HOUR)
        line = lines[int(run[0])]
        if len(back) == 1:
            second_half = run[back[0] + 1 :] if rising else run[: back[0] + 1]
            utc[second_half] = late[second_half]
            settled.append(line)
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
    return utc, settled


_TIME = (
    r"(?P<H>[0-9]{1,2})[:h.](?P<M>[0-9]{2})(?:[:.](?P<S>[0-9]{2})(?:[.,][0-9]+)?)?"
    r"(?:\s*(?P<half>[AaPp])\.?\s?[Mm]\.?)?(?:\s*(?P<zone>Z|UTC|GMT|[+-][0-9]{2}:?[0-9]{2}|[+-][0-9]{2}))?"
)
_CLOCK = rf"(?:(?:[T,]\s*|\s+){_TIME})?"
_WORD = r"[^\W\d_]{3,9}"
_SHAPES: dict[str, re.Pattern[str]] = {
    "year first": re.compile(
        rf"(?P<y>[0-9]{{4}})[-/.](?P<m>[0-9]{{1,2}})[-/.](?P<d>[0-9]{{1,2}}){_CLOCK}"
    ),
    "numbers": re.compile(
        rf"(?P<a>[0-9]{{1,2}})(?P<mark>[-/.])(?P<b>[0-9]{{1,2}})[-/.](?P<y>[0-9]{{4}}|[0-9]{{2}})\.?{_CLOCK}"
    ),
    "month named": re.compile(
        rf"(?P<d>[0-9]{{1,2}})\.?[-/ ]?(?P<word>{_WORD})\.?[-/ ,]+"
        rf"(?P<y>[0-9]{{4}}|[0-9]{{2}}){_CLOCK}"
    ),
    "month named first": re.compile(
        rf"(?P<word>{_WORD})\.?[-/ ](?P<d>[0-9]{{1,2}})(?:st|nd|rd|th)?,? (?P<y>[0-9]{{4}}){_CLOCK}"
    ),
    "compact": re.compile(
        r"(?P<y>(?:19|20)[0-9]{2})(?P<m>[01][0-9])(?P<d>[0-3][0-9])"
        r"(?:[T ]?(?P<H>[0-2][0-9]):?(?P<M>[0-5][0-9]):?(?P<S>[0-5][0-9])?)?(?P<zone>Z)?"
    ),
    "epoch": re.compile(r"(?P<epoch>[0-9]{10}(?:\.[0-9]+)?|[0-9]{13})"),
}
_ANY_SHAPE = re.compile(
    "|".join(re.sub(r"\(\?P<\w+>", "(?:", shape.pattern) for shape in _SHAPES.values())
)
_MONTHS = {
    word: month
    for month, words in enumerate(
        (
            "jan january januar janvier janv enero ene gennaio",
            "feb february februar febr fevrier février févr febrero",
            "mar march märz mrz mär mars marzo maart mrt",
            "apr april avril avr abr abril aprile",
            "may mai mayo mei maj maggio",
            "jun june juni juin junio giugno",
            "jul july juli juil juillet julio luglio",
            "aug august août aout ago agosto augustus",
            "sep sept september septembre septiembre settembre",
            "oct october okt oktober octobre octubre ottobre",
            "nov november novembre noviembre",
            "dec december dez dezember déc décembre dic diciembre dicembre",
        ),
        start=1,
    )
    for word in words.split()
}


@dataclass(frozen=True, kw_only=True)
class StampReading:
    """UTC instants and how they were understood; ``day_only`` when no clock time stood there."""

    utc: Stamps
    local: Stamps
    day_only: bool
    zone: str
    order: str
    notes: tuple[str, ...]
    doubled_at: tuple[int, ...] = ()


def looks_like_stamp(cell: str) -> bool:
    """Tell whether a whole cell is a date or a date with a time."""
    return _ANY_SHAPE.fullmatch(cell) is not None


def is_clock_time(cell: str) -> bool:
    """Tell whether a whole cell is a time of day."""
    return re.fullmatch(_TIME, cell) is not None


def read_stamps(
    cells: Sequence[str],
    lines: Sequence[int],
    *,
    path: Path,
    column: str,
    day_first: bool | None = None,
    timezone: str | None = None,
    named_zone: str | None = None,
) -> StampReading:
    """Turn a column of stamps into UTC.

    Parameters
    ----------
    cells, lines : sequences of equal length
        Texts and the lines they stand in.
    path, column : Path, str
        For messages.
    day_first : bool, optional
        Order of day and month where both are numbers.
    timezone : str, optional
        IANA name or fixed offset of stamps that carry no zone.
    named_zone : str, optional
        Zone written in the column's name or the heading lines; wins over ``timezone``.

    Raises
    ------
    InputError
        For a stamp that is none, two possible orders of day and month, no known time zone, hours
        that the zone does not have, or doubled hours that nothing tells apart.
    """
    text = pd.Series(list(cells), dtype="object").str.strip()
    name, parts = _shape(text, lines, path, column)
    notes: list[str] = []
    if name == "epoch":
        seconds = pd.to_numeric(parts["epoch"]).to_numpy(dtype=float)
        seconds = np.where(seconds > 1e11, seconds / 1e3, seconds)
        utc = (seconds * 1e3).round().astype("int64").astype("datetime64[ms]")
        years = pd.Series(utc.astype("datetime64[Y]").astype(int) + 1970)
        _require_years(years, text, lines, path, column)
        stamps = utc.astype("datetime64[ns]")
        return StampReading(
            utc=stamps, local=stamps, day_only=False, zone="UTC (seconds since 1970)", order="",
            notes=(),
        )  # fmt: skip
    order, month, day = _order(name, parts, lines, path, column, day_first)
    local, has_clock = _local(parts, month, day, lines, text, path, column, notes)
    zones = parts["zone"] if "zone" in parts else pd.Series([None] * len(parts))
    doubled_at: list[int] = []
    utc, zone = to_utc(
        local,
        zones,
        lines,
        path=path,
        column=column,
        timezone=timezone,
        named_zone=named_zone,
        notes=notes,
        day_only=not has_clock,
        doubled_at=doubled_at,
    )
    return StampReading(
        utc=utc,
        local=local,
        day_only=not has_clock,
        zone=zone,
        order=order,
        notes=tuple(notes),
        doubled_at=tuple(doubled_at),
    )


def _shape(
    text: pd.Series, lines: Sequence[int], path: Path, column: str
) -> tuple[str, pd.DataFrame]:
    """Find the one way in which all stamps are written."""
    best, fewest = "", len(text) + 1
    for name, shape in _SHAPES.items():
        misses = int((~text.str.fullmatch(shape.pattern).astype(bool)).sum())
        if misses < fewest:
            best, fewest = name, misses
        if misses == 0:
            break
    if fewest:
        bad = ~text.str.fullmatch(_SHAPES[best].pattern).astype(bool)
        row = int(np.flatnonzero(bad.to_numpy())[0])
        raise InputError(
            f"{text[row]!r} is not written like the other times, such as "
            f"{text[int(np.flatnonzero(~bad.to_numpy())[0])] if fewest < len(text) else '?'!r}",
            place=Place(file=path, line=lines[row], column=column),
            hint="mend the line, or write all times as 2026-04-01T06:00",
        )
    return best, text.str.extract(rf"^{_SHAPES[best].pattern}$")


def _order(
    name: str,
    parts: pd.DataFrame,
    lines: Sequence[int],
    path: Path,
    column: str,
    day_first: bool | None,
) -> tuple[str, pd.Series, pd.Series]:
    """Month and day of each stamp, with the order in words."""
    if name.startswith("month named"):
        words = parts["word"].str.lower()
        month = words.map(_MONTHS)
        if month.isna().any():
            row = int(np.flatnonzero(month.isna().to_numpy())[0])
            raise InputError(
                f"the month {parts['word'][row]!r} is not known",
                place=Place(file=path, line=lines[row], column=column),
                hint="write the date as 2026-04-01",
            )
        return name, month.astype(int), parts["d"].astype(int)
    if name != "numbers":
        return "year first", parts["m"].astype(int), parts["d"].astype(int)
    a, b = parts["a"].astype(int), parts["b"].astype(int)
    may_day, may_month = bool((b <= 12).all()), bool((a <= 12).all())
    if day_first is None and may_day and may_month:
        if parts["mark"].iloc[0] == ".":
            return "day first (with dots)", b, a
        _ask_order(a, b, parts, lines, path, column)
    first = may_day if day_first is None else day_first
    if not (may_day if first else may_month):
        wrong = b > 12 if first else a > 12
        both = bool((a > 12).any() and (b > 12).any())
        if both:
            # The order that fewer lines have is the odd one out.
            wrong = b > 12 if (b > 12).sum() <= (a > 12).sum() else a > 12
            first = bool((wrong == (b > 12)).all())
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        raise InputError(
            f"{parts['a'][row]}/{parts['b'][row]}/{parts['y'][row]} cannot be read with the "
            f"{'day' if first else 'month'} first"
            + (", but other lines can only be read so: day and month are swapped" if both else ""),
            place=Place(file=path, line=lines[row], column=column),
            hint=(
                "export the file again with dates as 2026-04-01"
                if both
                else f"set --{'month' if first else 'day'}-first"
            ),
        )
    return ("day first", b, a) if first else ("month first", a, b)


def _ask_order(
    a: pd.Series,
    b: pd.Series,
    parts: pd.DataFrame,
    lines: Sequence[int],
    path: Path,
    column: str,
) -> None:
    """Ask for the order of day and month, telling which one would leave fewer holes."""
    year = parts["y"].astype(int)
    year = year.where(year > 99, year + 2000)

    def days(month: pd.Series, day: pd.Series) -> set[float]:
        dates = pd.to_datetime({"year": year, "month": month, "day": day}, errors="coerce")
        return set(np.diff(np.sort(dates.dropna().unique())).astype("timedelta64[D]").astype(float))

    clue = ""
    if max(days(b, a), default=1) <= 1 < max(days(a, b), default=1):
        clue = " (day first would leave no day out)"
    elif max(days(a, b), default=1) <= 1 < max(days(b, a), default=1):
        clue = " (month first would leave no day out)"
    shown = f"{parts['a'][0]}/{parts['b'][0]}/{parts['y'][0]}"
    raise InputError(
        f"{shown} can be read with the day or the month first, and no line settles it{clue}",
        place=Place(file=path, line=lines[0], column=column),
        hint="set --day-first or --month-first",
    )


def _require_years(
    years: pd.Series, text: pd.Series, lines: Sequence[int], path: Path, column: str
) -> None:
    """Refuse a year that cannot be meant: later ones do not even fit the clock of the program."""
    wrong = ~years.between(YEARS[0], YEARS[-1])
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        raise InputError(
            f"the year of {text[row]!r} is not between {YEARS[0]} and {YEARS[-1]}",
            place=Place(file=path, line=lines[row], column=column),
            hint="mend the line",
        )


def _local(
    parts: pd.DataFrame,
    month: pd.Series,
    day: pd.Series,
    lines: Sequence[int],
    text: pd.Series,
    path: Path,
    column: str,
    notes: list[str],
) -> tuple[Stamps, bool]:
    """Wall-clock times, and whether any clock time was given."""
    year = parts["y"].astype(int)
    year = year.where(parts["y"].str.len() > 2, year + 2000)
    _require_years(year, text, lines, path, column)
    hour = parts["H"] if "H" in parts else pd.Series([None] * len(parts))
    has_clock = bool(hour.notna().any())
    hours = pd.to_numeric(hour).fillna(0).astype(int)
    minutes = pd.to_numeric(parts["M"]).fillna(0) if has_clock else 0 * hours
    seconds = pd.to_numeric(parts["S"]).fillna(0) if has_clock else 0 * hours
    half = parts["half"].str.lower() if "half" in parts else pd.Series([None] * len(parts))
    if half.notna().any():
        wrong = (hours > 12) | ((hours == 0) & half.notna())
        hours = hours % 12 + np.where(half == "p", 12, 0)
        hours = hours.where(half.notna(), pd.to_numeric(hour).fillna(0).astype(int))
    else:
        wrong = (hours > 24) | ((hours == 24) & (minutes > 0))
    if (hours == 24).any():
        notes.append("Times written 24:00 were read as 00:00 of the next day.")
    dates = pd.to_datetime({"year": year, "month": month, "day": day}, errors="coerce")
    bad = dates.isna() | wrong | (minutes > 59) | (seconds > 60)
    if bad.any():
        row = int(np.flatnonzero(bad.to_numpy())[0])
        raise InputError(
            f"{text[row]!r} is no date and time of the calendar",
            place=Place(file=path, line=lines[row], column=column),
            hint="mend the line",
        )
    offset = (hours * 3600 + minutes * 60 + seconds).to_numpy().astype("timedelta64[s]")
    return dates.to_numpy().astype("datetime64[ns]") + offset.astype("timedelta64[ns]"), has_clock
