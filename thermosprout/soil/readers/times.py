"""Time stamps of a file, as people and loggers write them, turned into UTC.

:func:`read_stamps` finds the one way in which all stamps are written and asks where two fit;
:func:`to_utc` takes them through clock changes. Dates that a person types for a question are read
by :mod:`thermosprout.dates`.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt
import pandas as pd

from thermosprout.dates import read_zone
from thermosprout.errors import InputError, Place
from thermosprout.quantities import YEARS

Stamps = npt.NDArray[np.datetime64]
_OFFSET = re.compile(r"(?:UTC|GMT)?\s*([+\-−])\s*(\d{1,2})(?::?(\d{2}))?", re.IGNORECASE)


@dataclass(frozen=True)
class StampColumn:
    """Where stamps stand, and what is found out about them on the way.

    Attributes
    ----------
    path, column : Path, str
        For messages.
    lines : sequence of int
        Line of each stamp.
    notes : list of str
        What was settled without asking.
    doubled_at : list of int
        Lines at which a doubled hour was told apart.
    """

    path: Path
    column: str
    lines: Sequence[int]
    notes: list[str] = field(default_factory=list)
    doubled_at: list[int] = field(default_factory=list)

    def fault(self, row: int, what: str, hint: str) -> InputError:
        """Error that names the line of a row."""
        place = Place(file=self.path, line=self.lines[row], column=self.column)
        return InputError(what, place=place, hint=hint)


def _first(wrong: npt.ArrayLike) -> int:
    return int(np.flatnonzero(np.asarray(wrong))[0])


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
    if _OFFSET.fullmatch(text) and abs(seconds := _offset_s(text)) <= 15 * 3600:
        return dt.timezone(dt.timedelta(seconds=seconds))
    try:
        return read_zone(text)
    except InputError as error:
        raise InputError(error.what, hint=f"{error.hint}, or an offset such as UTC+1") from None


def _offset_s(text: str) -> int:
    """Seconds east of UTC of an offset such as +02:00; none for UTC, GMT and Z."""
    match = _OFFSET.fullmatch(text)
    if match is None:
        return 0
    seconds = int(match.group(2)) * 3600 + int(match.group(3) or 0) * 60
    return seconds if match.group(1) == "+" else -seconds


def to_utc(
    local: Stamps,
    zones: pd.Series | None,
    at: StampColumn,
    *,
    timezone: str | None,
    named_zone: str | None = None,
    day_only: bool = False,
) -> tuple[Stamps, str]:
    """Turn wall-clock times into UTC, and say by which zone.

    The zone stands in each cell (``zones``, None where there is none), in the heading
    (``named_zone``), or is that of the user (``timezone``); the first of these wins.

    Raises
    ------
    InputError
        When no zone is known, an hour does not exist in it, or a doubled hour stays open.
    """
    present = np.zeros(0, dtype=bool) if zones is None else zones.notna().to_numpy()
    if zones is not None and present.size and present.all():
        offsets = zones.map({text: _offset_s(text) for text in zones.unique()})
        names = dict.fromkeys("UTC" if zone in ("Z", "GMT") else zone for zone in zones)
        utc = local - offsets.to_numpy().astype("timedelta64[s]")
        return utc, f"as written in each time ({', '.join(list(names)[:2])})"
    if present.any():
        raise at.fault(
            _first(~present), "this time has no zone while others have one", "mend the line"
        )
    if named_zone is not None:
        if timezone and timezone != named_zone:
            at.notes.append(f"The file says {named_zone}; the time zone {timezone} was not needed.")
        timezone = named_zone
    if timezone is None:
        raise at.fault(
            0,
            "the times carry no time zone",
            "set --timezone, for example Europe/London, UTC, or UTC+1 for a clock that never "
            "changes",
        )
    zone = find_zone(timezone)
    if isinstance(zone, ZoneInfo):
        return _through_changes(local, zone, timezone, at, day_only), timezone
    offset = zone.utcoffset(None) or dt.timedelta(0)
    return local - np.timedelta64(int(offset.total_seconds()), "s"), timezone


def _through_changes(
    local: Stamps, zone: ZoneInfo, name: str, at: StampColumn, day_only: bool
) -> Stamps:
    """UTC of times in a zone with clock changes."""
    index = pd.DatetimeIndex(local)
    summer = np.ones(len(index), bool)
    exact = index.tz_localize(zone, ambiguous=summer, nonexistent="NaT")
    if exact.isna().any() and not day_only:
        row = _first(exact.isna())
        before = zone.utcoffset(index[row].to_pydatetime() - dt.timedelta(days=1))
        hours = (before or dt.timedelta(0)).total_seconds() / 3600
        raise at.fault(
            row,
            f"{index[row]} does not exist in {name}, where clocks went forward: "
            "the clock of the logger was not changed",
            f"set --timezone to the offset it runs at, for example UTC{hours:+g}",
        )
    early, late = (
        index.tz_localize(zone, ambiguous=which, nonexistent="shift_forward")
        .tz_convert("UTC")
        .tz_localize(None)
        .to_numpy("datetime64[ns]")
        for which in (summer, ~summer)
    )
    doubled = np.flatnonzero(early != late)
    if day_only or not doubled.size:
        return np.asarray(early)
    # the two runs of a doubled hour are told apart by the step back between them
    utc, rising = early.copy(), len(local) < 2 or bool(local[-1] >= local[0])
    for run in np.split(doubled, np.flatnonzero(np.diff(doubled) > 1) + 1):
        steps = np.diff(local[run]).astype("timedelta64[s]").astype(int)
        back = np.flatnonzero(steps <= 0 if rising else steps >= 0)
        line = at.lines[int(run[0])]
        if len(back) != 1:
            raise at.fault(
                int(run[0]),
                f"clocks went back in {name} on {str(local[run[0]])[:10]}, but the doubled hour "
                "stands only once: it can be the first or the second",
                "if the clock of the logger never changes, set --timezone to its offset, for "
                "example UTC+1; otherwise delete the lines of that hour",
            )
        second = run[back[0] + 1 :] if rising else run[: back[0] + 1]
        utc[second] = late[second]
        at.doubled_at.append(line)
        at.notes.append(
            f"The doubled hour of the clock change at line {line} was told apart by the order of "
            "the lines."
        )
    return np.asarray(utc)


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
_ISO_COLUMN = re.compile(
    r"(?:(?:19|20|21)[0-9]{2}-[0-9]{2}-[0-9]{2}[T ][0-9]{2}:[0-9]{2}(?::[0-9]{2})?Z?\n)+"
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

    ``lines`` are those that the cells stand in; ``day_first`` is the order of day and month where
    both are numbers. A zone in the column's name or the heading lines (``named_zone``) goes before
    the user's own (``timezone``).

    Raises
    ------
    InputError
        For a stamp that is none, two possible orders of day and month, no known time zone, hours
        that the zone does not have, or doubled hours that nothing tells apart.
    """
    at = StampColumn(path, column, lines)
    order, has_clock = "year first", True
    if (plain := _iso_times(cells)) is not None:
        local, zones = plain
    else:
        text = pd.Series(list(cells), dtype="object").str.strip()
        name, parts = _shape(text, at)
        if name == "epoch":
            utc, since = _since_epoch(parts["epoch"], text, at), "UTC (seconds since 1970)"
            return StampReading(utc=utc, local=utc, day_only=False, zone=since, order="", notes=())
        order, month, day = _order(name, parts, at, day_first)
        local, has_clock = _local(parts, month, day, text, at)
        zones = parts.get("zone")
    utc, zone = to_utc(
        local, zones, at, timezone=timezone, named_zone=named_zone, day_only=not has_clock
    )
    return StampReading(
        utc=utc,
        local=local,
        day_only=not has_clock,
        zone=zone,
        order=order,
        notes=tuple(at.notes),
        doubled_at=tuple(at.doubled_at),
    )


def _since_epoch(numbers: pd.Series, text: pd.Series, at: StampColumn) -> Stamps:
    """Instants from seconds or milliseconds since 1970."""
    seconds = pd.to_numeric(numbers).to_numpy(dtype=float)
    seconds = np.where(seconds > 1e11, seconds / 1e3, seconds)
    instants = (seconds * 1e3).round().astype("int64").astype("datetime64[ms]")
    _require_years(pd.Series(instants.astype("datetime64[Y]").astype(int) + 1970), text, at)
    return np.asarray(instants.astype("datetime64[ns]"))


def _iso_times(cells: Sequence[str]) -> tuple[Stamps, pd.Series | None] | None:
    """Times and zones of a column that is all ISO 8601, quicker than the ways that growers write.

    None where a cell is anything else: then it is read, or refused, as all others.
    """
    text = "".join(f"{cell}\n" for cell in cells)
    in_utc = text.count("Z\n")
    if in_utc not in (0, len(cells)) or not _ISO_COLUMN.fullmatch(text):
        return None
    try:
        local = np.array(text.replace("Z", "").splitlines(), dtype="datetime64[s]")
    except ValueError:  # such as 24:00, which is the next day
        return None
    return local.astype("datetime64[ns]"), pd.Series(["Z"] * in_utc) if in_utc else None


def _shape(text: pd.Series, at: StampColumn) -> tuple[str, pd.DataFrame]:
    """Find the one way in which all stamps are written."""
    best, fewest = "", len(text) + 1
    for name, shape in _SHAPES.items():
        misses = int((~text.str.fullmatch(shape.pattern).astype(bool)).sum())
        if misses < fewest:
            best, fewest = name, misses
        if misses == 0:
            break
    if fewest:
        good = text.str.fullmatch(_SHAPES[best].pattern).astype(bool)
        other = text[_first(good)] if good.any() else "?"
        raise at.fault(
            _first(~good),
            f"{text[_first(~good)]!r} is not written like the other times, such as {other!r}",
            "mend the line, or write all times as 2026-04-01T06:00",
        )
    return best, text.str.extract(rf"^{_SHAPES[best].pattern}$")


def _order(
    name: str, parts: pd.DataFrame, at: StampColumn, day_first: bool | None
) -> tuple[str, pd.Series, pd.Series]:
    """Month and day of each stamp, with the order in words."""
    if name.startswith("month named"):
        month = parts["word"].str.lower().map(_MONTHS)
        if month.isna().any():
            row = _first(month.isna())
            what = f"the month {parts['word'][row]!r} is not known"
            raise at.fault(row, what, "write the date as 2026-04-01")
        return name, month.astype(int), parts["d"].astype(int)
    if name != "numbers":
        return "year first", parts["m"].astype(int), parts["d"].astype(int)
    a, b = parts["a"].astype(int), parts["b"].astype(int)
    may_day, may_month = bool((b <= 12).all()), bool((a <= 12).all())
    if day_first is None and may_day and may_month:
        if parts["mark"].iloc[0] == ".":
            return "day first (with dots)", b, a
        raise _two_orders(a, b, parts, at)
    first = may_day if day_first is None else day_first
    if may_day if first else may_month:
        return ("day first", b, a) if first else ("month first", a, b)
    wrong = b > 12 if first else a > 12
    both = not (may_day or may_month)
    if both:
        # The order that fewer lines have is the odd one out.
        first = bool((b > 12).sum() <= (a > 12).sum())
        wrong = b > 12 if first else a > 12
    row = _first(wrong)
    raise at.fault(
        row,
        f"{parts['a'][row]}/{parts['b'][row]}/{parts['y'][row]} cannot be read with the "
        f"{'day' if first else 'month'} first"
        + (", but other lines can only be read so: day and month are swapped" if both else ""),
        "export the file again with dates as 2026-04-01"
        if both
        else f"set --{'month' if first else 'day'}-first",
    )


def _two_orders(a: pd.Series, b: pd.Series, parts: pd.DataFrame, at: StampColumn) -> InputError:
    """Question for the order of day and month, telling which one would leave fewer holes."""
    year = parts["y"].astype(int)
    year = year.where(year > 99, year + 2000)

    def longest_step(month: pd.Series, day: pd.Series) -> float:
        dates = pd.to_datetime({"year": year, "month": month, "day": day}, errors="coerce")
        steps = np.diff(np.sort(dates.dropna().unique())).astype("timedelta64[D]").astype(float)
        return float(steps.max(initial=1.0))

    clue = ""
    day_first, month_first = longest_step(b, a), longest_step(a, b)
    if min(day_first, month_first) <= 1 < max(day_first, month_first):
        clue = f" ({'day' if day_first <= 1 else 'month'} first would leave no day out)"
    return at.fault(
        0,
        f"{parts['a'][0]}/{parts['b'][0]}/{parts['y'][0]} can be read with the day or the month "
        f"first, and no line settles it{clue}",
        "set --day-first or --month-first",
    )


def _require_years(years: pd.Series, text: pd.Series, at: StampColumn) -> None:
    """Refuse a year that cannot be meant: later ones do not even fit the clock of the program."""
    wrong = ~years.between(YEARS[0], YEARS[-1])
    if wrong.any():
        row = _first(wrong)
        what = f"the year of {text[row]!r} is not between {YEARS[0]} and {YEARS[-1]}"
        raise at.fault(row, what, "mend the line")


def _local(
    parts: pd.DataFrame, month: pd.Series, day: pd.Series, text: pd.Series, at: StampColumn
) -> tuple[Stamps, bool]:
    """Wall-clock times, and whether any clock time was given."""
    year = parts["y"].astype(int)
    year = year.where(parts["y"].str.len() > 2, year + 2000)
    _require_years(year, text, at)
    nothing = pd.Series([None] * len(parts), dtype="object")
    clock = [pd.to_numeric(parts.get(name, nothing)).fillna(0).astype(int) for name in "HMS"]
    hours, minutes, seconds = clock
    half = parts.get("half", nothing).str.lower()
    named = half.notna()
    wrong = (hours > 24) | ((hours == 24) & (minutes > 0))
    if named.any():
        wrong = (hours > 12) | ((hours == 0) & named)
        hours = hours.where(~named, hours % 12 + np.where(half == "p", 12, 0))
    if (hours == 24).any():
        at.notes.append("Times written 24:00 were read as 00:00 of the next day.")
    dates = pd.to_datetime({"year": year, "month": month, "day": day}, errors="coerce")
    bad = dates.isna() | wrong | (minutes > 59) | (seconds > 60)
    if bad.any():
        what = f"{text[_first(bad)]!r} is not a date and time of the calendar"
        raise at.fault(_first(bad), what, "mend the line")
    offset = (hours * 3600 + minutes * 60 + seconds).to_numpy().astype("timedelta64[s]")
    has_clock = bool(parts.get("H", nothing).notna().any())
    return dates.to_numpy().astype("datetime64[ns]") + offset.astype("timedelta64[ns]"), has_clock
