"""What goes where: the answer to standard output, everything else to standard error."""

from __future__ import annotations

import json
import math
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import Console


JSON_FORMAT = 1
"""Number of the layout of all JSON documents: it rises when a key goes or changes its meaning."""


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
        document = {"format": JSON_FORMAT, **document}
    sys.stdout.write(json.dumps(clean(document), indent=2, ensure_ascii=False, allow_nan=False))
    sys.stdout.write("\n")


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
    if _plain.get():
        from thermosprout.cli.console import PlainConsole

        return PlainConsole()
    from thermosprout.cli.console import FittingConsole

    return FittingConsole()


def note(text: str) -> None:
    """One line for the reader on standard error."""
    sys.stderr.write(f"{text}\n")


@contextmanager
def progress(label: str, total: int) -> Iterator[Any]:
    """Progress bar with time left on standard error, silent where that is no terminal.

    Yields a callable to be called with the number of steps just done.
    """
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

    err = Console(stderr=True)
    bar = Progress(
        TextColumn("{task.description}"),
        BarColumn(),
        TextColumn("{task.completed:.0f}/{task.total:.0f}"),
        TimeRemainingColumn(),
        console=err,
        disable=not err.is_terminal,
        transient=True,
    )
    with bar:
        task = bar.add_task(label, total=total)
        yield lambda steps=1: bar.advance(task, steps)
