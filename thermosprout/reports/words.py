"""How dates, ranges, shares, unknowns and tables are written: one form each, everywhere."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
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

STAGE_WORDS = {"first": "first seedling", "half": "half up", "full": "nine tenths"}

__all__ = [
    "STAGE_WORDS",
    "UNKNOWN",
    "Document",
    "Odds",
    "day_range",
    "day_words",
    "iso_day",
    "local_time",
    "notes_and_cautions",
    "number",
    "percent",
    "percent_spread",
    "plain_table",
    "range_words",
    "signed",
    "spread",
    "stage_range",
]


def plain_table(
    title: str, *columns: str, caption: str | None = None, numbers: tuple[str, ...] = ()
) -> Table:
    """Table in the program's one style.

    Parameters
    ----------
    title : str
        None is shown when empty.
    *columns : str
        Headings; the first column keeps its words on one line.
    caption : str, optional
        What the columns mean.
    numbers : tuple of str
        Headings of columns whose cells line up at the right.
    """
    from rich import box
    from rich.table import Table

    table = Table(
        box=box.SIMPLE_HEAD,
        title=title or None,
        title_justify="left",
        title_style="bold",
        caption=caption,
        caption_justify="left",
        caption_style="",
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    for index, name in enumerate(columns):
        table.add_column(
            name,
            overflow="fold",
            no_wrap=index == 0,
            justify="right" if name in numbers else "left",
        )
    return table


def number(value: float | None, places: int = 0) -> str:
    """Number with so many decimal places."""
    return UNKNOWN if value is None else f"{value:.{places}f}"


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
    low, high = stage["p10"], stage["p90"]
    if low is None:
        return UNKNOWN
    return day_range(_day(low), None if high is None else _day(high))


def range_words(low: str, high: str) -> str:
    """Range of two numbers: ``1.2–3.4``; with "to" where a minus sign would run into the dash."""
    return f"{low} to {high}" if "-" in low or "-" in high else f"{low}–{high}"


def signed(value: float) -> str:
    """Difference to one decimal with its sign, none for zero: ``+0.3``."""
    text = f"{value:+.1f}"
    return "0.0" if float(text) == 0.0 else text


def local_time(text: str) -> str:
    """Instant as ``Sun 26 Apr 07:00``."""
    when = datetime.fromisoformat(text)
    return f"{when:%a} {day_words(when.date())} {when:%H:%M}"


def notes_and_cautions(document: Document) -> list[RenderableType]:
    """What stands under an answer: notes first, cautions at its end."""
    from rich.text import Text

    cautions = document.get("cautions") or ()
    return [
        *(Text(text) for text in document["notes"]),
        *(Text(f"Caution: {text}", style="bold") for text in cautions),
    ]


def _day(text: str) -> date:
    return datetime.fromisoformat(text).date() if "T" in text else date.fromisoformat(text)
