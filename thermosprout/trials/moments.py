"""Dates and date-times as growers write them, read as instants without guessing."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from thermosprout.errors import InputError, Place
from thermosprout.quantities import YEARS

_DAY = re.compile(r"\d{4}-\d{2}-\d{2}", re.ASCII)
_INSTANT = re.compile(
    r"\d{4}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]\d{2}:?\d{2})?", re.ASCII
)
_OFFSET = re.compile(r"([+-])(\d{2}):?(\d{2})", re.ASCII)


@dataclass(frozen=True, slots=True)
class Moment:
    """One date or date-time of a record.

    Attributes
    ----------
    text : str
        As it was written.
    utc : datetime
        Naive UTC instant; a date alone stands for noon of that local day, so that differences
        of dates are whole days except over a clock change.
    day : date
        The local day.
    day_only : bool
        Whether only a date was given.
    """

    text: str
    utc: datetime
    day: date
    day_only: bool

    def before(self, other: Moment) -> bool:
        """Whether this surely lies before ``other``: by day where one of them is a date alone."""
        if self.day_only or other.day_only:
            return self.day < other.day
        return self.utc < other.utc


def zone(name: str) -> tzinfo:
    """IANA time zone by its name, or a fixed offset from UTC, such as +12:00.

    Raises
    ------
    InputError
        When there is no such zone.
    """
    try:
        if match := _OFFSET.fullmatch(name):
            away = timedelta(hours=int(match.group(2)), minutes=int(match.group(3)))
            return timezone(away if match.group(1) == "+" else -away)
        return ZoneInfo(name)
    except (KeyError, ValueError, OSError):
        raise InputError(
            f"there is no time zone {name!r}", hint="give an IANA name such as Europe/Paris"
        ) from None


def offset_of(text: str) -> str:
    """Offset from UTC that a date-time carries, as +12:00; empty for a date alone or a fault."""
    match = _INSTANT.fullmatch(text)
    if match is None or match.group(3) is None:
        return ""
    return "+00:00" if match.group(3) == "Z" else match.group(3)


def read_moment(text: str, tz: tzinfo, place: Place | None = None) -> Moment:
    """Read an ISO 8601 date, or a date-time with its offset from UTC.

    Raises
    ------
    InputError
        When it is neither, is no day of the calendar, or is a date-time without an offset.
    """
    try:
        if _DAY.fullmatch(text):
            day = date.fromisoformat(text)
            stamp = datetime.combine(day, time(12), tzinfo=tz)
            return _bounded(Moment(text, _naive(stamp), day, True), place)
        if match := _INSTANT.fullmatch(text):
            if match.group(3) is None:
                raise InputError(
                    f"{text!r} has no offset from UTC",
                    place=place,
                    hint="write the date alone, or add the offset, such as +02:00 or Z",
                )
            stamp = datetime.fromisoformat(text)
            return _bounded(Moment(text, _naive(stamp), stamp.astimezone(tz).date(), False), place)
    except (ValueError, OverflowError) as error:
        if isinstance(error, InputError):
            raise
        raise InputError(f"{text!r} is no day or time that exists", place=place) from None
    raise InputError(
        f"found {text!r}, expected a date as year-month-day, such as 2026-05-03, "
        "or a date-time with its offset, such as 2026-05-03T18:30+02:00",
        place=place,
    )


def _naive(stamp: datetime) -> datetime:
    return stamp.astimezone(UTC).replace(tzinfo=None)


def _bounded(moment: Moment, place: Place | None) -> Moment:
    if moment.day.year not in YEARS:
        raise InputError(f"the year of {moment.text!r} cannot be right", place=place)
    return moment
