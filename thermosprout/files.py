"""Files on disk: plain ones are read whole, and what is written replaces the old file whole.

The published tables and the invented demo season are found here, installed or in a checkout.
"""

from __future__ import annotations

import contextlib
import csv
import json
import os
import stat
import tempfile
from functools import cache
from pathlib import Path

from thermosprout.errors import InputError, Place


def require_plain_file(path: Path) -> os.stat_result:
    """Check that a path leads to a plain file: a pipe would be waited for, a device never ends.

    Raises
    ------
    InputError
        When there is nothing, a folder, a pipe or a device.
    """
    try:
        state = path.stat()
    except FileNotFoundError:
        raise InputError("there is no such file", place=Place(file=path)) from None
    except (OSError, ValueError) as error:
        raise _unreadable(path, error) from None
    if stat.S_ISDIR(state.st_mode):
        raise InputError("this is a folder, a file was expected", place=Place(file=path))
    if not stat.S_ISREG(state.st_mode):
        raise InputError(
            "this is a pipe or a device, a file was expected",
            place=Place(file=path),
            hint="save the data to a file first",
        )
    return state


def read_bytes(path: Path, *, limit_mb: float = 64.0) -> bytes:
    """Bytes of a plain file, with a bound on its size.

    Raises
    ------
    InputError
        When it is absent, unreadable, too large or no plain file.
    """
    size = require_plain_file(path).st_size
    if size > limit_mb * 1e6:
        raise InputError(
            f"the file has {size / 1e6:.0f} MB, at most {limit_mb:.0f} MB are read",
            place=Place(file=path),
            hint="cut it into parts",
        )
    try:
        return path.read_bytes()
    except OSError as error:
        raise _unreadable(path, error) from None


def read_text(path: Path, *, limit_mb: float = 64.0) -> str:
    """Text of a UTF-8 file (a byte-order mark is allowed), with a bound on its size.

    Raises
    ------
    InputError
        When the file is absent, unreadable, too large or not UTF-8.
    """
    raw = read_bytes(path, limit_mb=limit_mb)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"byte {raw[error.start]:#04x} is not UTF-8 text",
            place=Place(file=path, line=line),
            hint="save the file as UTF-8",
        ) from None


def _unreadable(path: Path, error: OSError | ValueError) -> InputError:
    reason = getattr(error, "strerror", None) or error
    return InputError(f"cannot be read ({reason})", place=Place(file=path))


def toml_string(text: str) -> str:
    """Return a TOML basic string; the escapes of JSON are among those of TOML 1.0."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def write_atomic(path: Path, content: str | bytes) -> None:
    """Write a file by replacing it whole, so that a kill leaves the old or the new one.

    Raises
    ------
    InputError
        When the folder cannot be written to or the disk is full.
    """
    data = content.encode("utf-8") if isinstance(content, str) else content
    temporary = ""
    try:
        handle, temporary = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(data)
            stream.flush()
            os.fsync(stream.fileno())
        mode = path.stat().st_mode & 0o777 if path.exists() else 0o666 & ~_umask()
        Path(temporary).chmod(mode)
        Path(temporary).replace(path)
        _sync_folder(path.parent)
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", place=Place(file=path)) from None
    finally:
        if temporary:
            with contextlib.suppress(OSError):
                Path(temporary).unlink(missing_ok=True)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current


def _sync_folder(folder: Path) -> None:
    """Make the new name durable where the system lets a folder be synced."""
    with contextlib.suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


_PACKAGE = Path(__file__).resolve().parent


def _folder(installed: str, checkout: str) -> Path:
    """Return the folder inside a wheel, or the one beside the package in a checkout."""
    for folder in (_PACKAGE / installed, _PACKAGE.parent / checkout):
        if folder.is_dir():
            return folder
    raise InputError(
        f"the folder {checkout} of thermosprout is missing",
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
