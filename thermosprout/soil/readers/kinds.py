"""What kind of file it is, told by how it begins, not by its name."""

from __future__ import annotations

import re
from enum import StrEnum
from pathlib import Path

from thermosprout.errors import InputError, Place


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
