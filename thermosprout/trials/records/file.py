"""A records file on disk: one writer at a time, lines appended all or none, text split to cells.

A writer holds a lock file beside the records, notes in it where the file ends and what is to be
added, appends all lines in one go, syncs, and only then returns. A kill in between leaves a part
of those lines at most: readers know it by the note and leave it out, and the next writer sets it
aside in a file of its own.
"""

from __future__ import annotations

import contextlib
import csv
import difflib
import io
import os
import re
import stat
import sys
import time
from collections.abc import Container, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from thermosprout.errors import InputError, Place
from thermosprout.files import read_bytes, read_text, require_plain_file
from thermosprout.trials.records.values import KNOWN, MANDATORY

_PAUSE_S = 0.02
_MARK = 40
_MOST_BYTES = 64_000_000
_MARKED = re.compile(rb"|(\d{20}\n?|-{20})(\d{20}\n?|-{0,20})?.{0,20}", re.DOTALL)
"""First bytes of a lock file: nothing, or where an append began and how long it is."""


def lock_path(path: Path) -> Path:
    """Path of the lock file of a records file; of the file a link leads to, so that both agree."""
    real = path.resolve() if path.is_symlink() else path
    return real.with_name(f".{real.name}.lock")


def _open_lock(beside: Path) -> int:
    """Open a lock file, which must be one: no link, no other file's second name, nothing else."""
    flags = os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0)
    flags |= getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    if beside.is_symlink():  # where the system cannot refuse to follow it
        raise _foreign_lock(beside)
    try:
        handle = os.open(beside, flags, 0o666)
    except OSError as error:
        raise InputError(
            f"nothing can be recorded here ({error.strerror})", place=Place(file=beside)
        ) from None
    state = os.fstat(handle)
    begin = os.read(handle, _MARK) if stat.S_ISREG(state.st_mode) else b"?"
    if state.st_nlink > 1 or not _MARKED.fullmatch(begin):
        os.close(handle)
        raise _foreign_lock(beside)
    return handle


def _foreign_lock(beside: Path) -> InputError:
    return InputError(
        "this is not a lock file of the records beside it",
        place=Place(file=beside),
        hint="move it away; nothing was recorded",
    )


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
    handle = _open_lock(lock_path(path))
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


@dataclass(frozen=True, slots=True)
class Mark:
    """Note of an append under way: the byte it began at, and what it is to write."""

    size: int
    text: bytes


def write_mark(handle: int, size: int, text: bytes = b"") -> None:
    """Note that an append of ``text`` starts at byte ``size`` of the file."""
    os.lseek(handle, 0, os.SEEK_SET)
    _write_all(handle, f"{size:020d}{len(text):020d}".encode() + text)
    os.fsync(handle)


def clear_mark(handle: int) -> None:
    """Note that the append is complete; a disk that refuses leaves a note that holds no part."""
    with contextlib.suppress(OSError):
        os.lseek(handle, 0, os.SEEK_SET)
        _write_all(handle, b"-" * _MARK)


def read_mark(path: Path) -> Mark | None:
    """Note of an unfinished append to the file, if there is one that can be read."""
    flags = os.O_RDONLY | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_NONBLOCK", 0)
    try:
        handle = os.open(lock_path(path), flags)
    except OSError:
        return None
    try:
        return _mark_in(handle)
    except OSError:
        return None
    finally:
        os.close(handle)


def _mark_in(handle: int) -> Mark | None:
    """Note in an open lock file."""
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        return None
    os.lseek(handle, 0, os.SEEK_SET)
    head = os.read(handle, _MARK)
    if not head[:20].isdigit():
        return None
    length = int(head[20:]) if len(head) == _MARK and head[20:].isdigit() else 0
    text = b""
    while len(text) < min(length, _MOST_BYTES) and (part := os.read(handle, length - len(text))):
        text += part
    return Mark(int(head[:20]), text)


def read_settled(path: Path) -> tuple[str, str]:
    """Text of a file without what an unfinished append left, and that (mostly empty).

    Raises
    ------
    InputError
        When the file cannot be read.
    """
    mark = read_mark(path)
    if mark is None:
        return read_text(path), ""
    raw = read_bytes(path)
    cut = _settled_size(raw, mark)
    try:
        return raw[:cut].decode("utf-8-sig"), raw[cut:].decode(errors="replace")
    except UnicodeDecodeError:
        return read_text(path), ""  # says what is wrong


def _settled_size(raw: bytes, mark: Mark) -> int:
    """Bytes up to what an unfinished append left behind."""
    rest = raw[mark.size :]
    if mark.text and rest.startswith(mark.text):
        return len(raw)
    if mark.text and mark.text.startswith(rest):
        return min(mark.size, len(raw))  # lines of one append stand together or not at all
    # Somebody else wrote since: at most a last line without its end is not theirs.
    cut = max(mark.size, raw.rfind(b"\n") + 1)
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
    try:
        mark = _mark_in(lock)
        if mark is None:
            return ""
        raw = read_bytes(path)
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
    except OSError as error:
        raise _unwritable(path, error) from None
    clear_mark(lock)
    return torn.decode(errors="replace")


class FileReplacedError(Exception):
    """The file is no longer the one that was read: another program replaced or changed it."""


Identity = tuple[int, int, int, int]
"""Device, number, size and time of change of a file."""


def identity(path: Path) -> Identity:
    """What tells whether a file is still the one that was read.

    Raises
    ------
    InputError
        When there is no such file.
    """
    return _identity(require_plain_file(path))


def _identity(state: os.stat_result) -> Identity:
    return state.st_dev, state.st_ino, state.st_size, state.st_mtime_ns


def append_text(path: Path, text: str, lock: int, before: Identity) -> None:
    """Append whole lines and return when they are on the disk. Needs the lock.

    Parameters
    ----------
    before : Identity
        Of the file that the lines were made for.

    Raises
    ------
    FileReplacedError
        When the file is no longer that one; the lines are in none or in one that was replaced.
    InputError
        When the disk is full or the file cannot be written; the file is then as it was.
    """
    data = text.encode()
    try:
        handle = os.open(path, os.O_RDWR | os.O_APPEND | getattr(os, "O_BINARY", 0))
    except OSError as error:
        raise _unwritable(path, error) from None
    try:
        state = os.fstat(handle)
        if _identity(state) != before:
            raise FileReplacedError
        whole = data if _ends_line(handle, state.st_size) else b"\n" + data
        write_mark(lock, state.st_size, whole)
        try:
            _write_all(handle, whole)
            os.fsync(handle)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(handle, state.st_size)
            raise _unwritable(path, error) from None
        same = _same_file(handle, path)
    except OSError as error:
        raise _unwritable(path, error) from None
    finally:
        os.close(handle)
    clear_mark(lock)
    if not same:
        raise FileReplacedError


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


_DELIMITERS = (",", ";", "\t")


@dataclass(frozen=True, slots=True)
class Line:
    """One line: its number in the file and its cells, stripped of blanks around them."""

    number: int
    cells: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Table:
    """Header and lines of one file; ``last`` is the number of its last line."""

    path: Path
    header: tuple[str, ...]
    lines: tuple[Line, ...]
    delimiter: str = ","
    newline: str = "\n"
    last: int = 1

    def place(self, line: int, column: str | None = None) -> Place:
        """Where a cell stands, for messages."""
        return Place(file=self.path, line=line, column=column)


def parse_table(path: Path, text: str, *, plots: Container[str] | None = None) -> Table:
    """Split the text of a file into cells.

    Parameters
    ----------
    path : Path
        For messages.
    text : str
    plots : container of str, optional
        Keep only lines of these plots; all when absent.

    Raises
    ------
    InputError
        When a quote is left open, a line has too many or too few cells, a column name is
        doubled, or the file is empty.
    """
    head = text.lstrip("\r\n").split("\n", 1)[0]
    delimiter = max(_DELIMITERS, key=head.count)
    newline = "\r\n" if "\r\n" in text else "\n"
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    header: tuple[str, ...] = ()
    lines: list[Line] = []
    before = last = 0
    where = -1
    try:
        for cells in reader:
            number, before = before + 1, reader.line_num
            if not cells or (not cells[0].strip() and not any(cell.strip() for cell in cells)):
                continue
            last = number
            if not header:
                header = _header(path, number, cells)
                where = header.index("plot") if plots is not None and "plot" in header else -1
                continue
            if len(cells) != len(header):
                raise InputError(
                    f"{len(cells)} {'cell' if len(cells) == 1 else 'cells'}, but the header names "
                    f"{len(header)} columns",
                    place=Place(file=path, line=number),
                    hint="see whether a comma, a quote or a cell is missing or too many",
                )
            if reader.line_num != number:
                raise InputError(
                    "a cell runs over the end of the line",
                    place=Place(file=path, line=number),
                    hint="close the quote",
                )
            if where >= 0 and plots is not None and cells[where].strip() not in plots:
                continue
            lines.append(Line(number, tuple(cell.strip() for cell in cells)))
    except csv.Error as error:
        fault = "a quote is left open" if "end of data" in str(error) else str(error)
        raise InputError(
            f"cannot be split into cells: {fault}", place=Place(file=path, line=before + 1)
        ) from None
    if not header:
        raise InputError(
            "the file is empty",
            place=Place(file=path),
            hint=f"the first line names the columns: {', '.join(MANDATORY)}",
        )
    return Table(
        path=path,
        header=header,
        lines=tuple(lines),
        delimiter=delimiter,
        newline=newline,
        last=last,
    )


def _header(path: Path, number: int, cells: Sequence[str]) -> tuple[str, ...]:
    names = tuple(cell.strip() for cell in cells)
    for index, name in enumerate(names):
        if not name:
            raise InputError(f"column {index + 1} has no name", place=Place(file=path, line=number))
        if name in names[:index]:
            raise InputError(
                f"the column {name} is there twice",
                place=Place(file=path, line=number, column=name),
            )
    return names


def require_columns(table: Table) -> tuple[str, ...]:
    """Check the header of a records file; returns the columns that are not known and not read.

    Raises
    ------
    InputError
        When a column is missing, or one is named nearly like a known column.
    """
    for name in MANDATORY:
        if name not in table.header:
            near = difflib.get_close_matches(name, table.header, n=1, cutoff=0.75)
            raise InputError(
                f"the column {name} is missing",
                place=table.place(1),
                hint=f"is it the one named {near[0]!r}" + "?"
                if near
                else f"a records file has the columns {', '.join(MANDATORY)}",
            )
    others = tuple(name for name in table.header if name not in KNOWN)
    for name in others:
        near = difflib.get_close_matches(name.lower(), [k.lower() for k in KNOWN], n=1, cutoff=0.8)
        if near:
            right = next(k for k in KNOWN if k.lower() == near[0])
            raise InputError(
                f"the column {name!r} is not known",
                place=table.place(1, name),
                hint=f"did you mean {right}?",
            )
    return others


def format_line(cells: Sequence[str], delimiter: str, newline: str) -> str:
    """One line of a file, its last cell always in quotes, so that a line cut short shows."""
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\n").writerow(cells[:-1])
    head = out.getvalue()[:-1] + delimiter if len(cells) > 1 else ""
    last = cells[-1].replace('"', '""')
    return f'{head}"{last}"{newline}'


def format_table(header: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Whole CSV file as text, comma-separated."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerow(header)
    return out.getvalue() + "".join(format_line(row, ",", "\n") for row in rows)
