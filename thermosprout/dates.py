"""Days, instants and time zones as people type them: one reading, one sentence for each fault."""

from __future__ import annotations

from contextlib import suppress
from datetime import UTC, date, datetime, time
from difflib import get_close_matches
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


def read_moment(text: str, zone: ZoneInfo, *, what: str = "", clock: time = EVENING) -> datetime:
    """Aware instant from a day alone (at ``clock`` of its zone) or a time with its UTC offset.

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
        return datetime.combine(when.date(), clock, tzinfo=zone)
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
