"""The daily CSV files that NASA POWER hands out, in UTC or in solar local time."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.soil.readers.import_report import Reading
from thermosprout.soil.readers.table import decode
from thermosprout.soil.readers.to_hourly import holds_air, hours_of_days
from thermosprout.soil.readers.weather_table import possible
from thermosprout.soil.series import weather_dataset

NAMES: dict[str, dict[str, tuple[str, float]]] = {
    "T2M": {"C": ("air", 1.0)},
    "T2M_MIN": {"C": ("air_tmin", 1.0)},
    "T2M_MAX": {"C": ("air_tmax", 1.0)},
    "RH2M": {"%": ("relative_humidity", 1.0)},
    "WS2M": {"m/s": ("wind_speed", 1.0)},
    "WS10M": {"m/s": ("wind_speed", 1.0)},
    "PRECTOTCORR": {"mm/day": ("precipitation", 1.0)},
    "ALLSKY_SFC_SW_DWN": {
        "MJ/m^2/day": ("ghi", 11.574),
        "kW-hr/m^2/day": ("ghi", 41.667),
        "W/m^2": ("ghi", 1.0),
    },
}
"""Their name and unit to our name and factor; the first of a kind counts."""
_DATED_BY = (("YEAR", "DOY"), ("YEAR", "MO", "DY"))


def read_power_csv(path: str | Path) -> tuple[xr.Dataset, Reading]:
    """Read a daily point file; days become hours through :mod:`thermosprout.soil.model.weather`.

    Parameters
    ----------
    path : str or Path
        The file, with its heading block and dates as YEAR,DOY or YEAR,MO,DY.

    Returns
    -------
    weather : xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`.
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        When it is no such file, a cell is no number, a day is none or out of turn, or a value has
        an unknown unit.
    CoverageError
        When it holds no air temperature.
    """
    path = Path(path)
    text, _ = decode(path)
    lines = text.splitlines()
    try:
        end = next(i for i, line in enumerate(lines) if line.strip() == "-END HEADER-")
    except StopIteration:
        raise InputError(
            "there is no line -END HEADER-", place=Place(file=path), hint="is this such a file?"
        ) from None
    heading = "\n".join(lines[:end])
    latitude = _heading_number(heading, r"latitude\s+(-?[\d.]+)", path)
    longitude = _heading_number(heading, r"longitude\s+(-?[\d.]+)", path)
    missing = _heading_number(heading, r"availability range:\s*(-?[\d.]+)", path)
    solar = bool(re.search(r"in LST\b", heading))
    names = lines[end + 1].split(",") if end + 1 < len(lines) else []
    rows = [line.split(",") for line in lines[end + 2 :] if line.strip()]
    numbers = [end + 3 + at for at, line in enumerate(lines[end + 2 :]) if line.strip()]
    values = _cells(rows, names, path, numbers)
    dates = _dates(values, names, path, numbers)
    columns: dict[str, FloatArray] = {}
    notes: list[str] = []
    for index, name in enumerate(names):
        if name not in NAMES:
            continue
        unit = re.search(rf"^{name}\s.*\(([^)]*)\)\s*$", heading, re.MULTILINE)
        known = NAMES[name].get(unit.group(1) if unit else "")
        if known is None:
            raise InputError(
                f"{name} is in {unit.group(1) if unit else 'no unit'!r}, expected "
                + " or ".join(NAMES[name]),
                place=Place(file=path, column=name),
            )
        column = np.where(values[:, index] == missing, np.nan, values[:, index]) * known[1]
        column, said = possible(known[0], column, name, numbers)
        notes += said
        if known[0] not in columns and np.isfinite(column).any():
            columns[known[0]] = column
    if not holds_air(columns):
        raise CoverageError("the file holds no air temperature", place=Place(file=path))
    offset = longitude / 15.0 if solar else 0.0
    data, more, _ = hours_of_days(
        dates, columns, latitude, longitude, utc_offset_h=round(offset), place=Place(file=path)
    )
    time = data.pop("time")
    hours = {name: np.asarray(array, dtype=float) for name, array in data.items()}
    weather = weather_dataset(
        time,
        source=f"NASA POWER file {path.name}",
        latitude=latitude,
        longitude=longitude,
        elevation_m=None,
        **hours,
    )
    zone = f"LST (solar time by longitude, taken as UTC{round(offset):+d})" if solar else "UTC"
    reading = Reading(
        file=str(path),
        kind="NASA POWER daily file",
        time_column=",".join(names[:3] if "MO" in names else names[:2]),
        time_zone=zone,
        rows=len(rows),
        step="day",
        start=str(time[0])[:16],
        end=str(time[-1])[:16],
        notes=(*notes, *more),
    )
    return weather, reading


def _heading_number(heading: str, pattern: str, path: Path) -> float:
    match = re.search(pattern, heading)
    number = np.nan if match is None else _number(match.group(1))
    if not np.isfinite(number):
        raise InputError(
            f"the heading lacks its {pattern.split(chr(92))[0]}", place=Place(file=path)
        )
    return number


def _cells(
    rows: list[list[str]], names: list[str], path: Path, numbers: Sequence[int]
) -> FloatArray:
    """Finite numbers, shape (day, column); ``numbers`` are the lines that the rows stand in."""
    if not rows:
        raise CoverageError("the file holds no days", place=Place(file=path))
    values = np.empty((len(rows), len(names)))
    for at, row in enumerate(rows):
        if len(row) != len(names):
            raise InputError(
                f"{len(row)} columns were found, expected {len(names)}",
                place=Place(file=path, line=numbers[at]),
            )
        for index, cell in enumerate(row):
            number = _number(cell)
            if not np.isfinite(number):
                raise InputError(
                    f"{cell.strip()!r} is no number",
                    place=Place(file=path, line=numbers[at], column=names[index]),
                    hint="mend the line",
                )
            values[at, index] = number
    return values


def _number(cell: str) -> float:
    try:
        return float(cell)
    except ValueError:
        return np.nan


def _dates(
    values: FloatArray, names: list[str], path: Path, numbers: Sequence[int]
) -> npt.NDArray[np.datetime64]:
    """Days of the calendar, each later than the one above."""
    order = next((wanted for wanted in _DATED_BY if set(wanted) <= set(names)), None)
    if order is None:
        raise InputError("the dates are neither YEAR,DOY nor YEAR,MO,DY", place=Place(file=path))
    days: list[dt.date] = []
    for row, line in zip(values[:, [names.index(name) for name in order]], numbers, strict=True):
        day = _day(row)
        if day is None:
            raise InputError(
                f"{','.join(f'{part:g}' for part in row)} is no {','.join(order)} of the calendar",
                place=Place(file=path, line=line),
                hint="mend the line",
            )
        if days and day <= days[-1]:
            raise InputError(
                f"the day {day} is not later than that of the line above",
                place=Place(file=path, line=line),
                hint="sort the lines and leave out doubles",
            )
        days.append(day)
    return np.array(days, dtype="datetime64[D]")


def _day(parts: FloatArray) -> dt.date | None:
    """Date of year and day of the year, or of year, month and day; None where there is none."""
    if (parts != np.round(parts)).any() or not 1900 <= parts[0] <= 2200:
        return None
    year, *rest = (int(part) for part in parts)
    try:
        if len(rest) == 2:
            return dt.date(year, *rest)
        day = dt.date(year, 1, 1) + dt.timedelta(days=rest[0] - 1)
    except (ValueError, OverflowError):
        return None
    return day if day.year == year else None
