"""The daily CSV files that NASA POWER hands out, in UTC or in solar local time."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.soil.forcing import weather_dataset
from thermosprout.soil.readers.days import holds_air, hours_of_days
from thermosprout.soil.readers.reading import Reading
from thermosprout.soil.readers.table import decode

FloatArray = npt.NDArray[np.float64]

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


def read_power_csv(path: str | Path) -> tuple[xr.Dataset, Reading]:
    """Read a daily point file; days become hours through :mod:`thermosprout.soil.diurnal`.

    Parameters
    ----------
    path : str or Path
        The file, with its heading block and dates as YEAR,DOY or YEAR,MO,DY.

    Returns
    -------
    weather : xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.forcing.weather_dataset`.
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        When it is no such file, or a value has an unknown unit.
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
    values = _cells(rows, names, path, end + 3)
    dates = _dates(values, names, path)
    columns: dict[str, FloatArray] = {}
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
        if known[0] not in columns and np.isfinite(column).any():
            columns[known[0]] = column
    if not holds_air(columns):
        raise CoverageError("the file holds no air temperature", place=Place(file=path))
    offset = longitude / 15.0 if solar else 0.0
    data, notes, _ = hours_of_days(dates, columns, latitude, longitude, utc_offset_h=round(offset))
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
        notes=tuple(notes),
    )
    return weather, reading


def _heading_number(heading: str, pattern: str, path: Path) -> float:
    match = re.search(pattern, heading)
    if match is None:
        raise InputError(
            f"the heading lacks its {pattern.split(chr(92))[0]}", place=Place(file=path)
        )
    return float(match.group(1))


def _cells(rows: list[list[str]], names: list[str], path: Path, first: int) -> FloatArray:
    if not rows:
        raise CoverageError("the file holds no days", place=Place(file=path))
    for number, row in enumerate(rows):
        if len(row) != len(names):
            raise InputError(
                f"{len(row)} columns were found, expected {len(names)}",
                place=Place(file=path, line=first + number),
            )
    try:
        return np.array(rows, dtype=float)
    except ValueError as error:
        raise InputError(f"a cell is no number ({error})", place=Place(file=path)) from None


def _dates(values: FloatArray, names: list[str], path: Path) -> npt.NDArray[np.datetime64]:
    at = {name: values[:, index].astype(int) for index, name in enumerate(names)}
    if {"YEAR", "DOY"} <= set(at):
        years = (at["YEAR"] - 1970).astype("datetime64[Y]").astype("datetime64[D]")
        return np.asarray(years + (at["DOY"] - 1))
    if {"YEAR", "MO", "DY"} <= set(at):
        months = ((at["YEAR"] - 1970) * 12 + at["MO"] - 1).astype("datetime64[M]")
        return np.asarray(months.astype("datetime64[D]") + (at["DY"] - 1))
    raise InputError("the dates are neither YEAR,DOY nor YEAR,MO,DY", place=Place(file=path))
