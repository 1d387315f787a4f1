"""How dates, ranges, shares, unknowns and tables are written: one form each, everywhere."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date, datetime
from operator import itemgetter
from typing import TYPE_CHECKING, Any

from thermosprout.dates import day_range, day_words
from thermosprout.quantities import percent

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

Document = dict[str, Any]
"""An answer as plain data, as ``--json`` prints it."""

Odds = Mapping[str, float | None]
"""Quantiles by their names p10, p50 and p90."""

UNKNOWN = "–"
"""What is not known, or lies past the end of the data."""

_TREATMENTS = {"presprouted": "pre-sprouted"}

STAGE_WORDS = {"first": "first seedling", "half": "half up", "full": "nine tenths"}


def plain_table(
    title: str,
    rows: Iterable[Any],
    *columns: str | tuple[str, Callable[[Any], Any]],
    caption: str | None = None,
    wrap_first: bool = False,
) -> Table:
    """Table in the program's one style.

    Parameters
    ----------
    title : str
        None is shown when empty.
    rows : iterable
        What each line is written from.
    *columns : str or (str, callable)
        Heading, and what writes its cell from a row; a heading alone takes the cell at its place
        in a row. Cells line up at the right where the heading begins with ``>``; None is what is
        not known.
    caption : str, optional
        What the columns mean.
    wrap_first : bool
        Whether the words of the first column may be broken over lines.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    table = Table(
        box=box.SIMPLE_HEAD, show_edge=False, title=title or None, title_justify="left",
        caption=caption, caption_justify="left", pad_edge=False, padding=(0, 1, 0, 0),
    )  # fmt: skip
    writers: list[Callable[[Any], Any]] = []
    for index, column in enumerate(columns):
        head, writer = (column, itemgetter(index)) if isinstance(column, str) else column
        writers.append(writer)
        table.add_column(
            head.removeprefix(">"),
            overflow="fold",
            no_wrap=index == 0 and not wrap_first,
            justify="right" if head.startswith(">") else "left",
        )
    for row in rows:
        cells = (UNKNOWN if cell is None else cell for cell in (write(row) for write in writers))
        table.add_row(*(cell if isinstance(cell, Text) else str(cell) for cell in cells))
    return table


def treatment_words(name: str) -> str:
    """Treatment of a season or records file as screens and pages name it."""
    return _TREATMENTS.get(name, name)


def sentence(text: str) -> str:
    """Text with its capital and its full stop."""
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "?")) else ".")


def number(value: float | None, places: int = 0) -> str:
    """Number with so many decimal places."""
    return UNKNOWN if value is None else f"{value:.{places}f}"


def exact(value: float | None) -> str:
    """Number with the places it has."""
    return UNKNOWN if value is None else f"{value:g}"


def spread(values: Odds | None, places: int = 0) -> str:
    """Middle and 80 % range: ``12 (9–16)``; an end past the data is ``…``."""
    if values is None or values["p50"] is None:
        return UNKNOWN
    low, high = values.get("p10"), values.get("p90")
    ends = "–".join("…" if end is None else f"{end:.{places}f}" for end in (low, high))
    return f"{values['p50']:.{places}f} ({ends})"


def percent_spread(values: Odds | None) -> str:
    """Shares as per cent with their 80 % range: ``72 % (60–80)``."""
    if values is None or values["p50"] is None:
        return UNKNOWN
    ends = (values.get("p10"), values.get("p90"))
    low, high = ("…" if end is None else f"{100 * end:.0f}" for end in ends)
    return f"{percent(values['p50'])} ({low}–{high})"


def iso_day(text: str | None) -> str:
    """Day and month of an ISO date or instant: ``6 May``."""
    return UNKNOWN if text is None else day_words(_day(text))


def stage_range(stage: Mapping[str, str | None]) -> str:
    """80 % range of a stage: ``6–10 May``; ``6 May or later`` where its end is not known."""
    return UNKNOWN if stage["p10"] is None else iso_days(stage["p10"], stage["p90"])


def iso_days(first: str, last: str | None) -> str:
    """Days from one ISO date to another: ``6–10 May``."""
    return day_range(_day(first), None if last is None else _day(last))


def range_words(low: str, high: str) -> str:
    """Range of two numbers: ``1.2–3.4``; with "to" where a minus sign would run into the dash."""
    return f"{low} to {high}" if "-" in low or "-" in high else f"{low}–{high}"


def estimate_words(
    value: Odds | None, places: int = 1, *, share: bool = False, between: str = " ("
) -> str:
    """Estimate and interval: ``12.5 (9.1–16.0)``, a share in per cent; or on two lines."""
    if value is None or value["estimate"] is None:
        return UNKNOWN
    factor, places, unit = (100.0, 0, " %") if share else (1.0, places, "")
    text = f"{factor * value['estimate']:.{places}f}{unit}"
    low, high = value["low"], value["high"]
    if low is None or high is None:
        return text
    span = range_words(f"{factor * low:.{places}f}", f"{factor * high:.{places}f}")
    return f"{text}{between}{span}{')' if '(' in between else ''}"


def signed(value: float | None) -> str:
    """Difference to one decimal with its sign, none for zero: ``+0.3``."""
    if value is None:
        return UNKNOWN
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0.0 else text


def local_time(text: str) -> str:
    """Instant as ``Sun 26 Apr 07:00``."""
    when = datetime.fromisoformat(text)
    return f"{when:%a} {day_words(when.date())} {when:%H:%M}"


def notes_and_cautions(document: Document) -> list[RenderableType]:
    """What stands under an answer: notes first, cautions at its end."""
    from rich.text import Text

    notes, cautions = document["notes"], document.get("cautions") or ()
    return [
        *(Text(text) for text in notes),
        *([Text("")] if notes and cautions else []),
        *(Text(f"Caution: {text}", style="bold") for text in cautions),
    ]


def _day(text: str) -> date:
    return datetime.fromisoformat(text).date() if "T" in text else date.fromisoformat(text)
