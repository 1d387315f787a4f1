"""A program that stops at its Nth system call: killed, without power, or told of a fault.

Inside :func:`stopped_at` every call that touches a file is counted. At the chosen one a kill lets
nothing happen any more (not even the tidying up in ``finally``); a loss of power also takes back
what was written and not yet synced; a fault is an ``OSError`` that the program can act upon.
"""

from __future__ import annotations

import builtins
import errno
import io
import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal
from unittest import mock

Way = Literal["killed before", "killed halfway", "killed after", "power lost", "disk full", "fault"]
WAYS: tuple[Way, ...] = (
    "killed before", "killed halfway", "killed after", "power lost", "disk full", "fault",
)  # fmt: skip
CALLS = ("open", "write", "fsync", "ftruncate", "replace", "unlink", "chmod")
OTHERS = ("lseek", "read", "fstat")
"""Calls that change nothing, but that a stopped program does not make either."""


class StoppedError(BaseException):
    """The program is gone; nothing in it may catch this."""


@dataclass
class Machine:
    """Counts system calls and stops at one of them."""

    at: int
    way: Way
    count: int = 0
    stopped: bool = False
    unsynced: dict[tuple[int, int], tuple[Path, bytes]] = field(default_factory=dict)

    def call(self, name: str, real: Callable[..., Any], *args: Any, **kwargs: Any) -> Any:
        """Make a system call, or stop at it."""
        if self.stopped:
            raise StoppedError
        if name not in CALLS:
            return real(*args, **kwargs)
        if name in ("write", "ftruncate"):
            self._note_content(args[0])
        self.count += 1
        if self.count != self.at:
            result = real(*args, **kwargs)
            if name == "fsync":
                self.unsynced.pop(_key(args[0]), None)
            return result
        if self.way in ("disk full", "fault"):
            code = errno.ENOSPC if self.way == "disk full" else errno.EIO
            if name == "write" and self.way == "disk full":
                real(args[0], bytes(args[1])[: len(args[1]) // 2])
            raise OSError(code, os.strerror(code))
        self.stopped = True
        if self.way == "killed halfway" and name == "write":
            real(args[0], bytes(args[1])[: len(args[1]) // 2])
        elif self.way == "killed after":
            real(*args, **kwargs)
        elif self.way == "power lost":
            for path, content in self.unsynced.values():
                if path.exists():
                    path.write_bytes(content)
        raise StoppedError

    def _note_content(self, handle: int) -> None:
        """Keep what a file held before its first write that is not synced."""
        path = Path(os.readlink(f"/proc/self/fd/{handle}"))
        if path.is_file():
            self.unsynced.setdefault(_key(handle), (path, path.read_bytes()))


def _key(handle: int) -> tuple[int, int]:
    state = os.stat(handle)
    return state.st_dev, state.st_ino


class _Raw(io.RawIOBase):
    """A file object whose every write is a system call that is counted."""

    def __init__(self, handle: int) -> None:
        self.handle = handle

    def writable(self) -> bool:
        return True

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def write(self, data: Any) -> int:
        return os.write(self.handle, bytes(data))

    def readinto(self, buffer: Any) -> int:
        data = os.read(self.handle, len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def seek(self, offset: int, whence: int = 0) -> int:
        return os.lseek(self.handle, offset, whence)

    def truncate(self, size: int | None = None) -> int:
        os.ftruncate(self.handle, size or 0)
        return size or 0

    def fileno(self) -> int:
        return self.handle

    def close(self) -> None:
        if not self.closed:
            os.close(self.handle)
        super().close()


_FLAGS = {
    "wb": os.O_WRONLY | os.O_CREAT | os.O_TRUNC,
    "ab": os.O_WRONLY | os.O_CREAT | os.O_APPEND,
    "r+b": os.O_RDWR,
}


@contextmanager
def stopped_at(number: int, way: Way) -> Iterator[Machine]:
    """Count system calls and stop at call ``number``, from 1; 0 only counts."""
    machine = Machine(number, way)
    real_open = io.open

    def open_file(file: Any, mode: str = "r", *args: Any, **kwargs: Any) -> Any:
        if mode not in _FLAGS:
            return real_open(file, mode, *args, **kwargs)
        handle = file if isinstance(file, int) else os.open(file, _FLAGS[mode], 0o666)
        raw = _Raw(handle)
        return io.BufferedRandom(raw) if mode == "r+b" else io.BufferedWriter(raw)

    def counted(name: str) -> Callable[..., Any]:
        real = getattr(os, name)
        return lambda *args, **kwargs: machine.call(name, real, *args, **kwargs)

    patches = [mock.patch.object(os, name, counted(name)) for name in (*CALLS, *OTHERS)]
    patches += [mock.patch.object(io, "open", open_file)]
    patches += [mock.patch.object(builtins, "open", open_file)]
    for patch in patches:
        patch.start()
    try:
        yield machine
    except StoppedError:
        pass
    finally:
        for patch in patches:
            patch.stop()
