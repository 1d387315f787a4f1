"""What goes where: the answer to standard output, all else to standard error, files where named."""

from __future__ import annotations

import codecs
import json
import math
import stat
import sys
import time
import tomllib
import unicodedata
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from contextvars import ContextVar
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermosprout.errors import InputError, Place, printable
from thermosprout.files import write_atomic

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from rich.console import Console


JSON_FORMAT = 1
"""Number of the layout of all JSON documents: it rises when a key goes or changes its meaning."""

PICTURES = (".png", ".svg", ".pdf")
PAGES = (".html", ".htm")

OUTPUTS = frozenset({"out", "plot", "blocks_plot", "calendar", "netcdf", "weather_out", "save"})
"""Parameters of commands that name a file or folder to write; all other paths are read."""

_QUIET_S = 2.0
"""Work that takes less is not reported. [s]"""

_LINE_EVERY_S = 10.0
"""Time between two lines of progress where there is no terminal. [s]"""

_PLAINER = str.maketrans({"–": "-", "…": "...", "─": "-", "²": "2", "×": "x", "±": "+/-", "°": " "})


def clean(value: Any) -> Any:
    """Turn numpy numbers, dates and missing values into what JSON holds."""
    if isinstance(value, dict):
        return {str(key): clean(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [clean(item) for item in value]
    if isinstance(value, datetime | date):
        return value.isoformat()
    if hasattr(value, "item") and not isinstance(value, str):
        if hasattr(value, "tolist") and getattr(value, "ndim", None):
            return clean(value.tolist())
        return clean(value.item())
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    return value


def print_json(document: Any) -> None:
    """Print one JSON document with the number of its layout; what is not finite becomes null."""
    if isinstance(document, dict):
        checks = {"soil_checks": list(_checks.get())} if _checks.get() else {}
        _checks.set(())
        document = {"format": JSON_FORMAT, **document, **checks}
    utf = (sys.stdout.encoding or "utf-8").lower().replace("-", "").startswith("utf")
    sys.stdout.write(json.dumps(clean(document), indent=2, ensure_ascii=not utf, allow_nan=False))
    sys.stdout.write("\n")


def speak_any_encoding() -> None:
    """Let both standard streams write what their encoding lacks in plainer signs, never fail."""

    def plainer(error: UnicodeError) -> tuple[str | bytes, int]:
        assert isinstance(error, UnicodeEncodeError)  # noqa: S101 (these streams only write)
        text = error.object[error.start : error.end].translate(_PLAINER)
        plain = unicodedata.normalize("NFKD", text).encode("ascii", "ignore").decode()
        return plain or "?", error.end

    codecs.register_error("thermosprout", plainer)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure is not None:
            with suppress(ValueError):
                reconfigure(errors="thermosprout")


_plain: ContextVar[bool] = ContextVar("plain", default=False)


@contextmanager
def plain_tables() -> Iterator[None]:
    """Print tables as tab-separated lines without colour, for as long as the context is open."""
    before = _plain.set(True)
    try:
        yield
    finally:
        _plain.reset(before)


def console() -> Console:
    """Console for tables and sentences on standard output."""
    from thermosprout.reports.console import FittingConsole, PlainConsole

    return PlainConsole() if _plain.get() else FittingConsole()


def say(*items: Any) -> None:
    """Print sentences and tables of the answer."""
    console().print(*items)


def answer(document: dict[str, Any], screen: Iterable[Any], *, json: bool) -> None:
    """Print an answer, as one JSON document or as sentences and tables."""
    if json:
        print_json(document)
    else:
        say(*screen)


def note(text: str) -> None:
    """One line for the reader on standard error."""
    sys.stderr.write(printable(text, keep="\n\t") + "\n")


_checks: ContextVar[tuple[str, ...]] = ContextVar("checks", default=())
_sentences: ContextVar[frozenset[str]] = ContextVar("noted", default=frozenset())


def can_ask() -> bool:
    """Whether a person sits at the other end and sees what is asked."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def tell(sentences: Iterable[str], doubts: Sequence[str] = (), *, json: bool = False) -> list[str]:
    """Say on standard error how files were read; soil that is not plausible is asked about.

    ``doubts`` are those of the sentences that call it so. On a terminal the command goes on only
    when the user says so. Elsewhere nobody can answer: the caution then stands at the top of the
    answer, in JSON under ``soil_checks``. What nobody has agreed to is returned. A sentence is
    said once in a run.
    """
    ask = bool(doubts) and can_ask()
    for sentence in dict.fromkeys(sentences):
        if (ask or json or sentence not in doubts) and sentence not in _sentences.get():
            note(sentence)
            _sentences.set(_sentences.get() | {sentence})
    if ask:
        import typer

        if not typer.confirm("The answer would rest on it. Go on all the same?", err=True):
            raise InputError(
                "stopped: the soil temperature is not plausible",
                hint="look at its file with `thermosprout soil read`, which can leave suspect "
                "hours out (--mask)",
            )
        return []
    if json:
        _checks.set((*_checks.get(), *doubts))
    elif doubts:
        say(*(f"Caution: {sentence}" for sentence in doubts), "")
    return list(doubts)


@contextmanager
def progress(label: str, total: int) -> Iterator[Any]:
    """Progress on standard error: a bar on a terminal, else a line now and then.

    Work that is done within two seconds goes unreported where there is no terminal. Yields a
    callable to be called with the number of steps just done.
    """
    if sys.stderr.isatty():
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        bar = Progress(
            TextColumn("{task.description}"),
            BarColumn(),
            TextColumn("{task.completed:.0f}/{task.total:.0f}"),
            TimeRemainingColumn(),
            console=Console(stderr=True),
            transient=True,
        )
        with bar:
            task = bar.add_task(label, total=total)
            yield lambda steps=1: bar.advance(task, steps)
        return
    count, due = 0, time.monotonic() + _QUIET_S

    def tick(steps: int = 1) -> None:
        nonlocal count, due
        count += steps
        now = time.monotonic()
        if now >= due and count < total:
            note(f"{label}: {count} of {total}")
            due = now + _LINE_EVERY_S

    yield tick


# --- files ---------------------------------------------------------------------------------------

_values: ContextVar[Mapping[str, Any] | None] = ContextVar("values", default=None)


@contextmanager
def running(values: Mapping[str, Any]) -> Iterator[None]:
    """Remember the values of a command's options while it runs: its inputs are not written over."""
    before = _values.set(values)
    checks, noted = _checks.set(()), _sentences.set(frozenset())
    try:
        yield
    finally:
        _values.reset(before)
        _checks.reset(checks)
        _sentences.reset(noted)


def write_output(path: Path, content: str | bytes, *, force: bool = False) -> None:
    """Write a file that an option names, once :func:`check_output` has passed it, and say so."""
    write_atomic(check_output(path, content, force=force), content)
    note(f"Wrote {path}")


def picture_bytes(figure: Figure, path: str | Path) -> bytes:
    """Picture as the ending of a path says; a name that no font here can write is said."""
    import warnings

    from thermosprout.reports.style import figure_bytes

    with warnings.catch_warnings(record=True) as messages:
        warnings.simplefilter("always")
        content = figure_bytes(figure, path)
    # An SVG holds its words as words: the fonts of whoever looks at it write them.
    if Path(path).suffix != ".svg" and any("Glyph" in str(one.message) for one in messages):
        note(
            f"{Path(path).name} shows boxes where no font on this computer has the letters of a "
            "name; a picture that ends in .svg shows them"
        )
    return content


def write_figure(figure: Figure, path: Path, *, force: bool = False) -> None:
    """Write a picture that an option names, as its ending says, and say so."""
    write_output(path, picture_bytes(figure, path), force=force)


def require_ending(path: Path, endings: Iterable[str]) -> None:
    """Check the ending of a file to be written, before the work is done."""
    allowed = tuple(endings)
    if path.suffix.lower() not in allowed:
        words = " or ".join(filter(None, (", ".join(allowed[:-1]), allowed[-1])))
        raise InputError(f"the name of this file must end in {words}, found {path.name!r}")


def check_output(path: Path, content: str | bytes, *, force: bool = False) -> Path:
    """Check that a file may be written; the place it really lies at, behind any link.

    Parameters
    ----------
    force : bool
        Replace a file that this program did not make, or that the command reads.

    Raises
    ------
    InputError
        For a device or folder, and, without ``force``, for an input of the command,
        a file of the season, or a file that is not of the same make.
    """
    what = hint = ""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return path.resolve()
    except (OSError, ValueError) as error:
        what = f"cannot be written ({getattr(error, 'strerror', None) or error})"
    else:
        if stat.S_ISDIR(mode):
            what = "this is a folder, a file was expected"
        elif not stat.S_ISREG(mode):
            what = "this is a device, a file was expected"
        elif not force and any(one.exists() and one.samefile(path) for one in _inputs()):
            what = "this file is read by the command or the season and is not written over"
            hint = "give another name, or --force"
        elif not force and not _same_make(path, content):
            what = "this file is there already and was not made by this command"
            hint = "give another name, or --force to replace it"
    if what:
        raise InputError(what, place=Place(file=path), hint=hint)
    return path.resolve()


def _inputs() -> Iterator[Path]:
    """Files that the running command reads: those of its options, and those of its season."""
    seasons = {Path("season.toml")}
    for name, value in (_values.get() or {}).items():
        if name in OUTPUTS:
            continue
        for item in value if isinstance(value, list | tuple) else (value,):
            if isinstance(item, Path):
                yield item
                if item.suffix.lower() == ".toml":
                    seasons.add(item)
    for season in seasons:
        if season.is_file():
            yield season
            with suppress(OSError, ValueError):
                names = _texts(tomllib.loads(season.read_text("utf-8-sig")))
                yield from (season.parent / text for text in names if len(text) < 255)


def _texts(value: Any) -> Iterator[str]:
    """All texts in a TOML document; some of them name files."""
    if isinstance(value, str):
        yield value
    elif isinstance(value, Mapping | list):
        for item in value.values() if isinstance(value, Mapping) else value:
            yield from _texts(item)


def _same_make(path: Path, content: str | bytes) -> bool:
    """Whether the file that is there is an earlier one of what is to be written.

    Pages, pictures and calendars carry the program's name; tables are known by their heading.
    """
    new = content.encode() if isinstance(content, str) else content
    try:
        old = path.read_bytes()
    except OSError:
        return False
    if not old:
        return True
    if path.suffix.lower() in (".csv", ".txt", ""):
        return old.splitlines()[:1] == new.splitlines()[:1]
    return old[:4] == new[:4] and b"thermosprout" in old
