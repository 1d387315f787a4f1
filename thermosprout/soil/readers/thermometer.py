"""Thermometer readings taken now and then: time, depth and value."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.find_columns import (
    Meaning,
    stamps_of,
    time_columns,
    to_celsius,
    to_numbers,
    understand_all,
    unit_in_cells,
)
from thermosprout.soil.readers.table import Table, read_table

if TYPE_CHECKING:
    import pandas as pd


COLUMNS = ("time_utc", "depth_cm", "soil_temp_C")
"""``time`` with an offset, or in the site's own time, may stand for ``time_utc``."""
_BOUNDS = {"depth_cm": (0.0, 100.0), "soil_temp_C": (-40.0, 70.0)}


def read_readings(path: str | Path, *, timezone: str = "UTC") -> pd.DataFrame:
    """Read readings that correct a modelled series.

    Parameters
    ----------
    path : path
        CSV with ``time_utc`` (or ``time``), ``depth_cm`` and ``soil_temp_C`` (or ``soil_temp_F``),
        in any of the ways in which :func:`thermosprout.soil.readers.table.read_table` reads tables.
    timezone : str
        Zone of a ``time`` without an offset.

    Returns
    -------
    pandas.DataFrame
        Columns ``time_utc`` (naive UTC), ``depth_cm`` [cm] and ``soil_temp_C`` [degC].

    Raises
    ------
    InputError
        For the first fault, with its line and column.
    """
    import pandas as pd

    table = read_table(path)
    meanings = understand_all(table.names, table.units, table.preamble)
    time_index, clock_index = time_columns(table, meanings)
    depth = next((m for m in meanings if m.quantity == "depth"), None)
    value = next((m for m in meanings if m.quantity in ("soil", "temperature")), None)
    if depth is None or value is None:
        missing = COLUMNS[1 if depth is None else 2]
        raise InputError(
            f"the column {missing} is missing, found {', '.join(table.names)}",
            place=Place(file=table.path, line=max(table.lines[0] - 1, 1)),
            hint=f"name the columns {', '.join(COLUMNS)}",
        )
    stamps = stamps_of(table, time_index, clock_index, None, timezone)
    unit = value.unit or unit_in_cells(table.column(value.index)) or "degC"
    return pd.DataFrame(
        {
            "time_utc": stamps.utc,
            "depth_cm": _numbers(table, depth, "depth_cm"),
            "soil_temp_C": _numbers(table, value, "soil_temp_C", unit),
        }
    )


def _numbers(table: Table, meaning: Meaning, name: str, unit: str = "") -> FloatArray:
    """Numbers of a column, each of which must be there and within bounds."""
    numbers, _ = to_numbers(table, meaning, None)
    numbers = to_celsius(numbers, unit) if unit else numbers
    low, high = _BOUNDS[name]
    wrong = np.flatnonzero(~((numbers >= low) & (numbers <= high)))
    if wrong.size:
        row = int(wrong[0])
        raise InputError(
            f"{table.rows[row][meaning.index]!r} is no {name}, expected a number from {low:g} to "
            f"{high:g}",
            place=table.place(row, meaning.name),
        )
    return numbers
