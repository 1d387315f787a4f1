"""One cell of a records file: text, whole numbers, decimals, and what no cell may hold."""

from __future__ import annotations

import math
import re

from thermosprout.errors import InputError, Place

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
        raise InputError(f"found {_short(text)}, expected a whole number, 0 or more", place=place)
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
