"""What kind of file it is, told by how it begins, not by its name.

Weather from any file the readers know, told by how the file begins.
"""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path

import xarray as xr

from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.import_report import Reading
from thermosprout.soil.readers.power_csv import read_power_csv
from thermosprout.soil.readers.typical_year import read_typical_year
from thermosprout.soil.readers.uscrn import read_uscrn
from thermosprout.soil.readers.weather_table import read_weather_csv


class FileKind(StrEnum):
    """Kinds the readers know."""

    NETCDF = "netcdf"
    USCRN = "uscrn"
    EPW = "epw"
    TMY3 = "tmy3"
    POWER = "power"
    TABLE = "table"


def kind_of(path: str | Path) -> FileKind:
    """Look at the first bytes of a file.

    Raises
    ------
    InputError
        When it is absent or cannot be read.
    """
    path = Path(path)
    try:
        with path.open("rb") as stream:
            head = stream.read(4096)
    except FileNotFoundError:
        raise InputError("there is no such file", place=Place(file=path)) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", place=Place(file=path)) from None
    if head.startswith((b"\x89HDF", b"CDF\x01", b"CDF\x02", b"CDF\x05")):
        return FileKind.NETCDF
    text = head.decode("utf-8", errors="replace")
    if re.match(r"WBANNO\b|\s*\d{5}\s+\d{8}\s+(?:\d{4}\s+\d{8}\s+\d{4}\s+)?\S+\s+-?\d", text):
        return FileKind.USCRN
    if text.upper().startswith("LOCATION,"):
        return FileKind.EPW
    if text.startswith("-BEGIN HEADER-"):
        return FileKind.POWER
    second = text.splitlines()[1:2]
    if second and second[0].startswith("Date (MM/DD/YYYY),Time (HH:MM),"):
        return FileKind.TMY3
    return FileKind.TABLE


def read_weather(
    path: str | Path,
    *,
    latitude: float | None = None,
    longitude: float | None = None,
    elevation_m: float | None = None,
    timezone: str | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
) -> tuple[xr.Dataset, Reading]:
    """Read weather from a table, a USCRN text, a typical year or a NASA POWER file.

    Parameters
    ----------
    path : str or Path
        The file.
    latitude, longitude : float, optional
        Needed for a table; the other files know their place, and keep it.
    elevation_m, timezone, day_first, decimal
        For a table, see :func:`thermosprout.soil.readers.weather_table.read_weather_csv`.

    Returns
    -------
    weather : xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`.
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        When the file is broken, can be read in two ways, or a table's place is not given.
    CoverageError
        When it holds no air temperature.
    """
    kind = kind_of(path)
    if kind is FileKind.USCRN:
        return read_uscrn(path)
    if kind in (FileKind.EPW, FileKind.TMY3):
        return read_typical_year(path)
    if kind is FileKind.POWER:
        return read_power_csv(path)
    if kind is FileKind.NETCDF:
        raise InputError(
            "weather is not read from NetCDF, only soil temperature",
            place=Place(file=path),
            hint="give a table such as time_utc,air_temp_C,ghi_W_m2,precip_mm",
        )
    if latitude is None or longitude is None:
        raise InputError(
            "a weather table does not say where it was measured",
            place=Place(file=path),
            hint="say where with --lat and --lon",
        )
    return read_weather_csv(
        path,
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        timezone=timezone,
        day_first=day_first,
        decimal=decimal,
    )
