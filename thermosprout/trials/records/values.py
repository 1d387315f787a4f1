"""Columns and cells of a records file: one line per plot and inspection.

A line whose ``inspected`` and ``emerged`` are both empty describes a plot that has not been
counted yet, or corrects what is known of it. Cells hold labels, whole numbers, decimals, and dates
or date-times with their offset, which are read without guessing; none may run as a formula.
"""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta, timezone, tzinfo
from zoneinfo import ZoneInfo

from thermosprout.errors import InputError, Place
from thermosprout.quantities import YEARS

REQUIRED: tuple[str, ...] = (
    "plot", "block", "variety", "seed_lot", "treatment", "started", "planted", "seeds_started",
    "seeds_planted", "depth_cm", "inspected", "emerged",
)  # fmt: skip
"""Columns of a records file as it is written."""

MANDATORY: tuple[str, ...] = tuple(n for n in REQUIRED if n not in ("variety", "seed_lot"))
"""Columns without which a records file is not read."""

OPTIONAL: tuple[str, ...] = (
    "temperature_C", "stations_filled", "first_harvest", "note", "observer", "format", "entered",
)  # fmt: skip
"""Columns it may have; ``entered`` is the date-time at which the line was written, ``format`` the
number of the layout it was written in."""

FORMAT = "1"
"""Layout of the lines written now; a line without a number is one of the first layout."""

KNOWN: tuple[str, ...] = REQUIRED + OPTIONAL

FACTS: tuple[str, ...] = (*REQUIRED[1:10], "temperature_C")
"""What belongs to the plot and is repeated on each of its lines."""

TREATMENTS: tuple[str, ...] = ("direct", "soaked", "presprouted")
"""Labels that carry their meaning to the model; any other label is compared as it is."""


def treatment_order(labels: set[str]) -> list[str]:
    """Treatments in the order they are shown: the known ones first, others by name."""
    common = [name for name in TREATMENTS if name in labels]
    return common + sorted(labels - set(common))


FORMULA_STARTS = ("=", "+", "-", "@")
_WHOLE = re.compile(r"\d{1,9}", re.ASCII)
_DECIMAL = re.compile(r"[+-]?(\d{1,9}(\.\d{0,9})?|\.\d{1,9})", re.ASCII)
_LONGEST = 2000
_JOINERS = {0x200C: None, 0x200D: None}  # scripts such as Persian, and joined emoji, need them


def is_formula(text: str) -> bool:
    """Whether a spreadsheet could take the cell for a formula."""
    return text.lstrip().startswith(FORMULA_STARTS)


def neutral(text: str) -> str:
    """Text for a cell that no spreadsheet runs: an apostrophe before what looks like a formula."""
    plain = "".join(" " if ord(sign) < 32 else sign for sign in text)
    return f"'{plain}" if is_formula(plain) else plain


def read_label(text: str, place: Place) -> str:
    """Text of a label or note.

    Raises
    ------
    InputError
        When it holds a control sign or reads as a formula in a spreadsheet.
    """
    if is_formula(text):
        raise InputError(
            f"found {_short(text)}, which a spreadsheet would run as a formula",
            place=place,
            hint="begin the cell with a letter or a digit",
        )
    if len(text) > _LONGEST:
        raise InputError(
            f"the cell holds {len(text)} signs, at most {_LONGEST} are read", place=place
        )
    if not text.translate(_JOINERS).isprintable():
        raise InputError(f"found {_short(text)}, which holds a control sign", place=place)
    return text


def read_whole(text: str, place: Place) -> int:
    """Whole number that is not negative.

    Raises
    ------
    InputError
        When it is anything else.
    """
    if not _WHOLE.fullmatch(text):
        most = " and at most nine digits" if text.isdecimal() and len(text) > 9 else ""
        raise InputError(
            f"found {_short(text)}, expected a whole number, 0 or more{most}", place=place
        )
    return int(text)


def read_decimal(text: str, place: Place, *, low: float, high: float, unit: str) -> float:
    """Number within bounds, with a decimal point.

    Raises
    ------
    InputError
        When it is no number or lies outside the bounds.
    """
    value = float(text) if _DECIMAL.fullmatch(text) else math.nan
    if math.isnan(value):
        raise InputError(
            f"found {_short(text)}, expected a number with a decimal point", place=place
        )
    if not low <= value <= high:
        raise InputError(f"found {text}, expected {low:g} to {high:g} {unit}", place=place)
    return value


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else text[:37] + "...")


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


_LIKE = 0.8


def check_treatments(names: Sequence[str]) -> tuple[str, ...]:
    """Refuse a slip of the pen; say what a plan does not do for a treatment of one's own.

    Parameters
    ----------
    names : sequence of str
        As asked for. A name with a figure, such as ``soaked 6 h``, is meant as it stands.

    Returns
    -------
    tuple of str
        One sentence for each name that is not known.

    Raises
    ------
    InputError
        When a name is nearly that of a known treatment.
    """
    notes = []
    for name in names:
        plain = name.strip().casefold()
        if not plain or plain in TREATMENTS:
            continue
        near = difflib.get_close_matches(plain, TREATMENTS, n=1, cutoff=_LIKE)
        if near and not any(sign.isdigit() for sign in plain):
            raise InputError(
                f"there is no treatment {name!r}",
                hint=f"did you mean {near[0]}? Give one of your own a name that is less like it",
            )
        notes.append(
            f"{name.strip()} is a treatment of your own: the calendar has no steps for it ahead of "
            "planting, and its seed is planned as started on the day it is planted"
        )
    return tuple(notes)
