"""Lines added to a records file so that nothing acknowledged is lost, whatever stops the program.

A writer holds the lock, notes where the file ends, appends all lines in one go, syncs, and only
then returns. A kill in between leaves at most an unfinished last line, known by that note: readers
leave it out, and the next writer sets it aside in a file of its own.
"""

from __future__ import annotations

import contextlib
import os
from pathlib import Path

from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.trials.lock import clear_mark, read_mark, write_mark


def read_settled(path: Path) -> tuple[str, str]:
    """Text of a file without an unfinished last line, and that line (mostly empty).

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    mark = read_mark(path)
    if mark is None:
        return read_text(path), ""
    try:
        raw = path.read_bytes()
    except OSError:
        return read_text(path), ""  # says what is wrong
    cut = _settled_size(raw, mark)
    try:
        return raw[:cut].decode("utf-8-sig"), raw[cut:].decode(errors="replace")
    except UnicodeDecodeError:
        return read_text(path), ""


def _settled_size(raw: bytes, mark: int) -> int:
    """Bytes up to an unfinished last line that an append beginning at ``mark`` left behind."""
    cut = max(mark, raw.rfind(b"\n") + 1)
    header = raw.removeprefix(b"\xef\xbb\xbf").lstrip(b"\r\n").split(b"\n", 1)[0]
    if cut >= len(raw) or _is_whole(raw[cut:], header):
        return len(raw)
    return cut


def _is_whole(line: bytes, header: bytes) -> bool:
    """Whether a last line without its end can be complete, as one typed by hand is.

    Lines written here close with a quote, so that a cut one has an open quote, fewer cells than
    the header, or ends at a separator.
    """
    separator = max((b",", b";", b"\t"), key=header.count)
    outside = b"".join(line.split(b'"')[::2])  # what stands outside quotes
    return (
        line.count(b'"') % 2 == 0
        and outside.count(separator) == header.count(separator)
        and not line.rstrip().endswith(separator)
    )


def set_torn_aside(path: Path, lock: int) -> str:
    """Move an unfinished last line to ``NAME.unfinished``; returns it. Needs the lock."""
    mark = read_mark(path)
    if mark is None:
        return ""
    raw = path.read_bytes()
    cut = _settled_size(raw, mark)
    torn = raw[cut:]
    if torn:
        with path.with_name(f"{path.name}.unfinished").open("ab") as stream:
            stream.write(torn + b"\n")
            stream.flush()
            os.fsync(stream.fileno())
        with path.open("r+b") as stream:
            stream.truncate(cut)
            os.fsync(stream.fileno())
    clear_mark(lock)
    return torn.decode(errors="replace")


def append_text(path: Path, text: str, lock: int) -> None:
    """Append whole lines and return when they are on the disk. Needs the lock.

    Raises
    ------
    InputError
        When the disk is full or the file cannot be written; the file is then as it was.
    """
    data = text.encode()
    for _ in range(5):
        try:
            handle = os.open(path, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0))
        except OSError as error:
            raise _unwritable(path, error) from None
        try:
            size = os.fstat(handle).st_size
            whole = data if _ends_line(handle, size) else b"\n" + data
            write_mark(lock, size)
            try:
                _write_all(handle, whole)
                os.fsync(handle)
            except OSError as error:
                with contextlib.suppress(OSError):
                    os.ftruncate(handle, size)
                raise _unwritable(path, error) from None
            same = _same_file(handle, path)
        except OSError as error:
            raise _unwritable(path, error) from None
        finally:
            os.close(handle)
        clear_mark(lock)
        if same:
            return
    raise InputError(
        "another program keeps replacing this file; nothing is certain to be recorded",
        place=Place(file=path),
        hint="pause the program that synchronises the folder and try again",
    )


def _ends_line(handle: int, size: int) -> bool:
    if size == 0:
        return True
    os.lseek(handle, size - 1, os.SEEK_SET)
    return os.read(handle, 1) == b"\n"


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def _same_file(handle: int, path: Path) -> bool:
    """Whether the open file is still the one under that name (a sync program may replace it)."""
    try:
        now, mine = path.stat(), os.fstat(handle)
    except OSError:
        return False
    return (now.st_ino, now.st_dev) == (mine.st_ino, mine.st_dev)


def _unwritable(path: Path, error: OSError) -> InputError:
    return InputError(
        f"nothing was recorded, the file cannot be written ({error.strerror})",
        place=Place(file=path),
    )
