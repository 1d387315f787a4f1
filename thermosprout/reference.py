"""Where the published tables and the invented demo season are found, installed or in a checkout."""

from __future__ import annotations

import csv
from functools import cache
from pathlib import Path

from thermosprout.errors import InputError

_PACKAGE = Path(__file__).resolve().parent


def _folder(installed: str, checkout: str) -> Path:
    """Return the folder inside a wheel, or the one beside the package in a checkout."""
    for folder in (_PACKAGE / installed, _PACKAGE.parent / checkout):
        if folder.is_dir():
            return folder
    raise InputError(
        f"the folder {checkout} belongs to thermosprout and was not found",
        hint="install thermosprout again",
    )


def reference_file(name: str) -> Path:
    """Path of one published table in ``reference_data``.

    Raises
    ------
    InputError
        When there is no such table.
    """
    path = _folder("_reference_data", "reference_data") / name
    if not path.is_file():
        raise InputError(f"there is no reference table {name}")
    return path


@cache
def reference_rows(name: str) -> tuple[dict[str, str], ...]:
    """Rows of one published table in ``reference_data``, read once; its cells by column.

    Raises
    ------
    InputError
        When there is no such table.
    """
    with reference_file(name).open(encoding="utf-8", newline="") as stream:
        return tuple(csv.DictReader(stream))


def demo_folder() -> Path:
    """Folder that holds the invented demo season."""
    return _folder("_demo", "demo")
