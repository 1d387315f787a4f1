"""One writer at a time: a lock file beside the records, which also notes an append under way."""

from __future__ import annotations

import contextlib
import os
import sys
import time
from collections.abc import Iterator
from pathlib import Path

from thermosprout.errors import InputError, Place

_PAUSE_S = 0.02


def lock_path(path: Path) -> Path:
    """Path of the lock file that belongs to a file."""
    return path.with_name(f".{path.name}.lock")


if sys.platform == "win32":  # pragma: no cover - other system
    import msvcrt

    def _try_lock(handle: int) -> bool:
        try:
            os.lseek(handle, 1024, os.SEEK_SET)  # a byte beyond the mark, so that it stays readable
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _try_lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


@contextlib.contextmanager
def locked(path: Path, *, wait_s: float = 30.0) -> Iterator[int]:
    """Hold the lock of a file; yields the open lock file. The system frees it at a kill.

    Raises
    ------
    InputError
        When another program holds it longer than ``wait_s`` seconds, or the folder cannot be
        written to.
    """
    beside = lock_path(path)
    try:
        handle = os.open(beside, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o666)
    except OSError as error:
        raise InputError(
            f"nothing can be recorded here ({error.strerror})", place=Place(file=beside)
        ) from None
    try:
        deadline = time.monotonic() + wait_s
        while not _try_lock(handle):
            if time.monotonic() > deadline:
                raise InputError(
                    "another program is writing to this file",
                    place=Place(file=path),
                    hint="try again when it has finished",
                )
            time.sleep(_PAUSE_S)
        yield handle
    finally:
        os.close(handle)


def write_mark(handle: int, size: int) -> None:
    """Note that an append starts at byte ``size`` of the file."""
    os.lseek(handle, 0, os.SEEK_SET)
    os.write(handle, f"{size:020d}\n".encode())
    os.fsync(handle)


def clear_mark(handle: int) -> None:
    """Note that the append is complete."""
    os.ftruncate(handle, 0)


def read_mark(path: Path) -> int | None:
    """Byte at which an unfinished append to the file began, if there is one."""
    try:
        text = lock_path(path).read_bytes()[:20]
    except OSError:
        return None
    return int(text) if len(text) == 20 and text.isdigit() else None
