"""Cells of a column turned into numbers: decimal marks, missing values, units in the cell."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np
import pandas as pd

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError
from thermosprout.soil.readers.columns import Meaning
from thermosprout.soil.readers.table import Table

MISSING_WORDS = frozenset(
    ("na", "nan", "n/a", "null", "none", "nil", "-", "--", "---", ".", "?", "*", "err", "error",
     "fail", "fault", "open", "short", "ol", "lost", "#n/a", "#value!", "#div/0!", "no-data",
     "nodata", "missing", "invalid", "m")
)  # fmt: skip
MISSING_CODES = (-9999.0, -999.0, -999.9, -99.0, -99.9, -99.99, 999.0, 999.9, 9999.0, -6999.0,
                 6999.0, -7999.0, 7999.0, -99999.0, -127.0)  # fmt: skip
"""Numbers that stand for a missing value; all of them are impossible as a soil temperature."""
_SUFFIX = re.compile(r"\s*(°\s*[CFcf]|deg\s*[CFcf]|[CF]|K|℃|℉)$")
_POINT = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_COMMA = r"[+-]?\d+,\d+"


def unit_in_cells(cells: Sequence[str]) -> str | None:
    """Unit that is written behind the numbers, where it is."""
    for cell in cells[:50]:
        match = _SUFFIX.search(cell)
        if match and any(character.isdigit() for character in cell):
            letter = match.group(1)[-1].upper().replace("℃", "C").replace("℉", "F")
            return {"C": "degC", "F": "degF", "K": "K"}[letter]
    return None


def unit_column(table: Table) -> str | None:
    """Unit that a column of its own gives for every line, where there is one.

    Raises
    ------
    InputError
        When the unit changes within the file.
    """
    for index, name in enumerate(table.names):
        if name.strip().lower() not in ("unit", "units", "einheit", "unité", "unidad"):
            continue
        cells = table.column(index)
        letters = [cell.strip().lstrip("°º").strip().upper() for cell in cells]
        if not set(letters) <= {"C", "F", "K"}:
            return None
        for row, letter in enumerate(letters):
            if letter != letters[0]:
                raise InputError(
                    f"{cells[row]!r} is another unit than in the lines above",
                    place=table.place(row, name),
                    hint="export the file again in one unit",
                )
        return {"C": "degC", "F": "degF", "K": "K"}[letters[0]]
    return None


def to_numbers(table: Table, meaning: Meaning, decimal: str | None) -> tuple[FloatArray, str]:
    """Numbers of one column and the decimal mark in words.

    Raises
    ------
    InputError
        For a cell that is no number, or points and commas mixed so that both can be decimals.
    """
    cells = pd.Series(table.column(meaning.index), dtype="object").str.strip()
    cells = cells.str.replace("−", "-", regex=False)
    letters = cells.str.extract(_SUFFIX.pattern)[0].dropna()
    if letters.size:
        kinds = letters.str[-1].str.upper().unique()
        if len(kinds) > 1:
            row = int(letters.index[letters.str[-1].str.upper() != kinds[0]][0])
            raise InputError(
                f"{table.rows[row][meaning.index]!r} is in another unit than the lines above",
                place=table.place(row, meaning.name),
                hint="export the file again in one unit",
            )
        cells = cells.str.replace(_SUFFIX.pattern, "", regex=True)
    missing = (cells == "") | cells.str.lower().isin(MISSING_WORDS)
    point = cells.str.fullmatch(_POINT).astype(bool)
    comma = cells.str.fullmatch(_COMMA).astype(bool)
    bad = ~(missing | point | comma)
    if bad.any():
        row = int(np.flatnonzero(bad.to_numpy())[0])
        raise InputError(
            f"{cells[row]!r} is no number",
            place=table.place(row, meaning.name),
            hint="mend the line, or leave the cell empty where the value is missing",
        )
    pointed = point & cells.str.contains(".", regex=False)
    if decimal is None and comma.any() and pointed.any():
        row = int(np.flatnonzero(comma.to_numpy() if comma.sum() < pointed.sum()
                                 else pointed.to_numpy())[0])  # fmt: skip
        raise InputError(
            f"{cells[row]!r} has another decimal mark than other lines",
            place=table.place(row, meaning.name),
            hint="write all decimals alike, or set --decimal",
        )
    wrong = comma if decimal == "." else pointed if decimal == "," else pd.Series(dtype=bool)
    if wrong.any():
        row = int(np.flatnonzero(wrong.to_numpy())[0])
        raise InputError(
            f"{cells[row]!r} does not fit --decimal {decimal}",
            place=table.place(row, meaning.name),
            hint="leave --decimal out",
        )
    numbers = np.full(len(cells), np.nan)
    good = (point | comma).to_numpy()
    numbers[good] = cells[good].str.replace(",", ".", regex=False).astype(float).to_numpy()
    numbers[np.isin(numbers, MISSING_CODES)] = np.nan
    return numbers, "comma" if comma.any() else "point"


def to_celsius(values: FloatArray, unit: str) -> FloatArray:
    """Temperature in degC from degC, degF or K."""
    if unit == "degF":
        return np.asarray((values - 32.0) / 1.8)
    return np.asarray(values - 273.15) if unit == "K" else values
