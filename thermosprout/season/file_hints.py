"""What a reader advises on the command line, said for a file that a season names."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from thermosprout.errors import InputError

_KEYS = {
    "--timezone": "file_timezone",
    "--column": "column",
    "--depth-cm": "depth_cm",
}
_OPTION = re.compile(r"--[a-z][a-z-]*")


@contextmanager
def season_hints(path: Path | None) -> Iterator[None]:
    """Turn options that a reader names into keys of the season file.

    Parameters
    ----------
    path : Path or None
        The file that the season names.

    Raises
    ------
    InputError
        The reader's, with the same place. Where the season has no key for an option, it tells
        how to write the file anew with one.
    """
    try:
        yield
    except InputError as error:
        options = _OPTION.findall(error.hint)
        if not options:
            raise
        hint = error.hint
        for option in options:
            key = _KEYS.get(option)
            if key is not None:
                hint = hint.replace(option, f"{key} under [soil]")
        if any(option not in _KEYS for option in options):
            name = "FILE" if path is None else path.name
            hint += (
                f"; that is an option of: thermosprout soil read {name} --out clean.csv, and the "
                "season then names clean.csv"
            )
        raise InputError(error.what, place=error.place, hint=hint) from None
