"""Files that hold what a person typed: replaced whole or appended durably, never half written."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path

from thermosprout.errors import InputError, Place


def read_text(path: Path, *, limit_mb: float = 64.0) -> str:
    """Read a UTF-8 text file (a byte-order mark is allowed), with a bound on its size.

    Raises
    ------
    InputError
        When the file is absent, unreadable, too large or not UTF-8.
    """
    try:
        size = path.stat().st_size
        if path.is_dir():
            raise InputError("this is a folder, a file was expected", place=Place(file=path))
        if size > limit_mb * 1e6:
            raise InputError(
                f"the file has {size / 1e6:.0f} MB, at most {limit_mb:.0f} MB are read",
                place=Place(file=path),
            )
        raw = path.read_bytes()
    except FileNotFoundError:
        raise InputError("there is no such file", place=Place(file=path)) from None
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", place=Place(file=path)) from None
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw[: error.start].count(b"\n") + 1
        raise InputError(
            f"byte {raw[error.start]:#04x} is not UTF-8 text",
            place=Place(file=path, line=line),
            hint="save the file as UTF-8",
        ) from None


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
