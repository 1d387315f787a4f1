"""Days, instants, time zones and places as people type them: one reading, one sentence a fault."""

from __future__ import annotations

import math
import re
from contextlib import suppress
from datetime import UTC, date, datetime, time, timedelta
from difflib import get_close_matches
from functools import cache
from importlib import resources
from zoneinfo import ZoneInfo, available_timezones

from thermosprout.errors import InputError
from thermosprout.quantities import YEARS

NOON = time(12)
"""Clock time that a day alone stands for in the ground."""

EVENING = time(20)
"""Clock time that a day alone stands for as "today": what was done on the day counts."""

_NO_ZONES = ("posix", "posixrules", "right")
"""Files beside the zones that hold none of the list."""


def read_day(text: str, *, what: str = "") -> date:
    """Day from text such as ``2026-05-01``.

    Parameters
    ----------
    what : str
        Where the text was typed, such as ``--date``; begins the sentence of an error.

    Raises
    ------
    InputError
        When the text is not a date, or its year cannot be meant.
    """
    try:
        day = date.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            f"{_where(what)}{text!r} is not a date; write it like 2026-05-01"
        ) from None
    return _meant(day, text, what)


def read_moment(text: str, zone: ZoneInfo, *, what: str = "") -> datetime:
    """Aware instant from a day alone (its evening in the zone) or a time with its UTC offset.

    Raises
    ------
    InputError
        When the text is neither, or a time has no offset and could mean several instants.
    """
    try:
        when = datetime.fromisoformat(text.strip())
    except ValueError:
        raise InputError(
            f"{_where(what)}{text!r} is not a date; write it like 2026-05-01"
        ) from None
    _meant(when.date(), text, what)
    if len(text.strip()) <= len("2026-05-01"):
        return datetime.combine(when.date(), EVENING, tzinfo=zone)
    if when.tzinfo is None:
        raise InputError(
            f"{_where(what)}{text!r} has no offset from UTC; write the day alone or add +01:00"
        )
    return when


def today(text: str, zone: ZoneInfo) -> datetime:
    """Instant taken as now (``--as-of``): as :func:`read_moment`, the clock's own when empty."""
    return read_moment(text, zone, what="--as-of") if text else datetime.now(UTC)


def read_days(text: str, *, what: str = "") -> tuple[date, date]:
    """First and last day of ``2026-05-01/2026-05-08``, or one day twice.

    Raises
    ------
    InputError
        When a part is not a date, or the last day is before the first.
    """
    first, _, last = text.partition("/")
    start = read_day(first, what=what)
    end = read_day(last, what=what) if last else start
    if end < start:
        raise InputError(f"{_where(what)}{text!r} ends before it starts")
    return start, end


def read_zone(name: str, *, what: str = "") -> ZoneInfo:
    """IANA time zone.

    Raises
    ------
    InputError
        When there is no such zone, with the name that comes closest.
    """
    if name.partition("/")[0] not in _NO_ZONES:
        with suppress(KeyError, ValueError, OSError):
            return ZoneInfo(name)
    near = get_close_matches(name, sorted(available_timezones()), n=1)
    raise InputError(
        f"{_where(what)}{name!r} is not a time zone of the IANA list",
        hint=f"did you mean {near[0]}?" if near else "write it like Europe/London",
    )


def day_words(day: date) -> str:
    """Day as ``6 May``."""
    return f"{day.day} {day:%b}"


def day_range(first: date, last: date | None) -> str:
    """Days as ``6 May``, ``6–10 May``, ``29 May–7 Jun`` or, without an end, ``6 May or later``."""
    if last is None:
        return f"{day_words(first)} or later"
    if first == last:
        return day_words(first)
    if (first.year, first.month) == (last.year, last.month):
        return f"{first.day}–{day_words(last)}"
    return f"{day_words(first)}–{day_words(last)}"


def noon(day: date, zone: ZoneInfo) -> datetime:
    """UTC instant of a day's noon in a zone."""
    return datetime.combine(day, NOON, tzinfo=zone).astimezone(UTC)


def _where(what: str) -> str:
    return f"{what}: " if what else ""


def _meant(day: date, text: str, what: str) -> date:
    if day.year not in YEARS:
        raise InputError(
            f"{_where(what)}the year of {text!r} is not between {YEARS[0]} and {YEARS[-1]}"
        )
    return day


_NUMBER = re.compile(
    r"""\s*(?P<before>[NSEW])?\s*(?P<sign>[-+\u2212])?\s*
    (?P<degrees>\d{1,3}(?:\.\d+)?)\s*°?\s*
    (?:(?P<minutes>\d{1,2}(?:\.\d+)?)\s*['\u2032]\s*)?
    (?:(?P<seconds>\d{1,2}(?:\.\d+)?)\s*["\u2033]\s*)?
    (?P<after>[NSEW])?\s*[,;]?""",
    re.VERBOSE | re.IGNORECASE,
)
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+")
_ISO = re.compile(r"([+-]\d{4,7})([+-]\d{5,8})")


def read_coordinates(text: str) -> tuple[float, float]:
    """Latitude and longitude from text such as ``56.2, -3.1`` or ``56°12'N 3°6'W``.

    Returns
    -------
    latitude, longitude : float
        North and east positive. [degrees]

    Raises
    ------
    InputError
        When two numbers cannot be read, or one is out of bounds.
    """
    if _DECIMAL_COMMA.fullmatch(text.strip()):
        raise InputError(
            f"{text!r} could be one number with a decimal comma",
            hint="write a point in numbers and a blank between them: 56.2, -3.1",
        )
    first = _NUMBER.match(text)
    second = _NUMBER.match(text, first.end()) if first else None
    if first is None or second is None or text[second.end() :].strip():
        raise InputError(
            f"{text!r} is not a pair of coordinates",
            hint="write latitude and longitude: 56.2, -3.1",
        )
    (a, a_side), (b, b_side) = _degrees(first, text), _degrees(second, text)
    if a_side in ("E", "W") and b_side in ("N", "S", ""):
        (a, a_side), (b, b_side) = (b, b_side), (a, a_side)
    if a_side in ("E", "W") or b_side in ("N", "S"):
        raise InputError(f"{text!r} gives one direction twice", hint="north or south comes first")
    if not -90 <= a <= 90:
        raise InputError(f"latitude {a:g} lies beyond the poles", hint="latitude comes first")
    if not -180 <= b <= 180:
        raise InputError(f"longitude {b:g} is beyond 180 degrees")
    return round(a, 4), round(b, 4)


def _degrees(match: re.Match[str], text: str) -> tuple[float, str]:
    side = (match["before"] or match["after"] or "").upper()
    minutes, seconds = float(match["minutes"] or 0), float(match["seconds"] or 0)
    if (match["before"] and match["after"]) or minutes >= 60 or seconds >= 60:
        raise InputError(f"{text!r} is not a pair of coordinates")
    value = float(match["degrees"]) + minutes / 60 + seconds / 3600
    negative = (match["sign"] or "+") != "+"
    if negative and side in ("S", "W"):
        raise InputError(f"{text!r} has both a minus sign and the letter {side}; give one of them")
    return (-value if negative or side in ("S", "W") else value), side


def nearest_zone(latitude: float, longitude: float) -> tuple[str, bool]:
    """Guess the time zone from the chief towns of the IANA list.

    Returns
    -------
    zone : str
        The zone whose chief town lies nearest.
    sure : bool
        Whether the next nearest keep the same clock, so that a border does not matter.
    """
    here = _unit(latitude, longitude)

    def apart(zone: str) -> float:
        return -sum(a * b for a, b in zip(here, _unit(*_zones()[zone]), strict=True))

    nearest = sorted(_zones(), key=apart)[:3]
    clocks = {_clock(zone) for zone in nearest}
    return nearest[0], len(clocks) == 1


def _unit(latitude: float, longitude: float) -> tuple[float, float, float]:
    a, b = math.radians(latitude), math.radians(longitude)
    return math.cos(a) * math.cos(b), math.cos(a) * math.sin(b), math.sin(a)


def _clock(zone: str) -> tuple[timedelta | None, ...]:
    """Offsets through this year, enough to tell whether two zones keep the same clock."""
    year = datetime.now(UTC).year
    months = [datetime(year, month, 15, tzinfo=ZoneInfo(zone)) for month in range(1, 13)]
    return tuple(month.utcoffset() for month in months)


@cache
def _zones() -> dict[str, tuple[float, float]]:
    """Chief town of each zone, from the IANA list (zone1970.tab of the tzdata package)."""
    table = resources.files("tzdata.zoneinfo").joinpath("zone1970.tab").read_text("utf-8")
    zones: dict[str, tuple[float, float]] = {}
    for line in table.splitlines():
        if line and not line.startswith("#"):
            _, where, name = line.split("\t")[:3]
            parts = _ISO.fullmatch(where)
            if parts is not None:
                zones[name] = (_packed(parts[1], 2), _packed(parts[2], 3))
    return zones


def _packed(text: str, degrees: int) -> float:
    """Degrees from ISO 6709 figures, +DDMM or +DDMMSS."""
    digits = text[1:]
    value = float(digits[:degrees]) + float(digits[degrees : degrees + 2]) / 60
    value += float(digits[degrees + 2 :] or 0) / 3600
    return -value if text[0] == "-" else value
