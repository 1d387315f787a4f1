"""Files to take along: self-contained HTML pages, the record sheet, calendars."""

from __future__ import annotations

import base64
import hashlib
import json
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any
from uuid import NAMESPACE_URL, uuid5

from markupsafe import Markup

from thermosprout import __version__
from thermosprout.crops.crop import cautions
from thermosprout.dates import day_words
from thermosprout.reports.words import treatment_words
from thermosprout.trials.records.plots import Entry, PlotHistory
from thermosprout.trials.records.values import FORMAT, KNOWN, REQUIRED

if TYPE_CHECKING:
    from thermosprout.planning.presprout import Event

_SAFE_JSON = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}


def offline_page(
    template: str, *, styles: tuple[str, ...], scripts: tuple[str, ...] = (), **context: Any
) -> str:
    """Fill a template into one HTML file that asks nothing of any network.

    Parameters
    ----------
    template : str
        Name of a Jinja template in ``reports/templates``; every value is escaped.
    styles, scripts : tuple of str
        Names of files beside it, put into the page in this order. The page's Content-Security-
        Policy admits these very texts by their SHA-256 and nothing else (W3C CSP Level 3,
        section 8.3: hash sources).
    **context
        Values for the template.

    Returns
    -------
    str
        The page.
    """
    style = "\n".join(_part(name) for name in styles)
    script = "\n".join(_part(name) for name in scripts)
    policy = [
        "default-src 'none'",
        "connect-src 'none'",
        "img-src data:",
        f"style-src {_hash(style)}",
        f"script-src {_hash(script)}" if scripts else "script-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    # The parts are our own files, read whole: nothing a user typed is in them.
    return str(
        _environment()
        .get_template(template)
        .render(
            policy="; ".join(policy),
            style=Markup(style),  # noqa: S704
            script=Markup(script),  # noqa: S704
            **context,
        )
    )


def data_block(value: Any) -> Markup:
    """JSON for a data block of a page, with no sign in it that could end the block."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign, safe in _SAFE_JSON.items():
        text = text.replace(sign, safe)
    return Markup(text)  # noqa: S704


def _hash(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    environment = Environment(
        loader=PackageLoader("thermosprout.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters |= {"day": day_words, "treatment": treatment_words}
    return environment


def _part(name: str) -> str:
    """Text of a style or script; it may not hold the tag that ends it."""
    environment = _environment()
    source: str = environment.loader.get_source(environment, name)[0]
    return source


@cache
def method_text() -> str:
    """Return the page as Markdown."""
    return resources.files("thermosprout.reports").joinpath("method.md").read_text("utf-8")


@cache
def method_html() -> Markup:
    """Return the page as HTML, its headings one level down, without links that lead away."""
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(method_text())
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{int(token.tag[1]) + 1}"
    # The text is our own file, rendered with raw HTML turned off.
    return Markup(reader.renderer.render(tokens, reader.options, {}))  # noqa: S704


COLUMNS: tuple[str, ...] = tuple(
    name
    for name in KNOWN
    if name in {*REQUIRED, "temperature_C", "note", "observer", "format", "entered"}
)
"""Columns of the file that the page exports; a records file by itself."""


@dataclass(frozen=True, kw_only=True)
class SheetPlot:
    """One plot on the sheet; ``facts`` are its cells as they stand in the records."""

    index: int
    plot: str
    block: str
    label: str
    seeds_planted: int
    planted_day: str
    planted_words: str
    last_emerged: int | None
    last_day: str
    facts: dict[str, str]


@dataclass(frozen=True, kw_only=True)
class SheetBlock:
    """Plots of one block in bed order."""

    title: str
    plots: tuple[SheetPlot, ...]


@dataclass(frozen=True, kw_only=True)
class Sheet:
    """All that the sheet shows."""

    title: str
    blocks: tuple[SheetBlock, ...]
    cautions: tuple[str, ...] = ()


def sheet_of(histories: dict[str, PlotHistory], *, title: str, blind: bool = False) -> Sheet:
    """Arrange the plots of a trial for its sheet.

    Parameters
    ----------
    histories : dict
        Plots of the trial in bed order, as :func:`~thermosprout.trials.records.read.load`
        gives them.
    title : str
        Name of the trial.
    blind : bool
        Leave treatments and varieties out, so that they cannot sway the count.
    """
    blocks: dict[str, list[SheetPlot]] = {}
    several = len({history.facts.variety for history in histories.values()}) > 1
    for index, history in enumerate(histories.values()):
        plot = _plot(index, history, several, blind)
        blocks.setdefault(plot.block, []).append(plot)
    return Sheet(
        title=title,
        blocks=tuple(
            SheetBlock(title=f"Block {name}" if name else "Plots", plots=tuple(plots))
            for name, plots in blocks.items()
        ),
        cautions=cautions([], (history.facts.treatment for history in histories.values())),
    )


def record_sheet(sheet: Sheet) -> str:
    """Fill the page: one HTML file that needs no network and keeps counts in the browser."""
    plots = sorted((p for block in sheet.blocks for p in block.plots), key=lambda p: p.index)
    shown = ("plot", "label", "seeds_planted", "planted_day", "facts")
    document = {
        "id": _identity(sheet.title, plots),
        "file": _file_name(sheet.title),
        "columns": COLUMNS,
        "plots": [
            {
                **{key: getattr(plot, key) for key in shown},
                "last": None
                if plot.last_emerged is None
                else {"emerged": plot.last_emerged, "day": plot.last_day},
            }
            for plot in plots
        ],
    }
    return offline_page(
        "record_sheet.html.j2",
        styles=("house.css", "record_sheet.css"),
        scripts=("record_sheet.js",),
        sheet=sheet,
        data=data_block(document),
    )


def _plot(index: int, history: PlotHistory, several: bool, blind: bool) -> SheetPlot:
    facts = history.facts
    last = history.counts[-1] if history.counts else None
    shown = [facts.treatment, facts.variety if several else ""]
    return SheetPlot(
        index=index,
        plot=facts.plot,
        block=facts.block,
        label="" if blind else " · ".join(filter(None, shown)),
        seeds_planted=facts.seeds_planted,
        planted_day=facts.planted.day.isoformat(),
        planted_words=day_words(facts.planted.day),
        last_emerged=last.emerged if last else None,
        last_day=last.inspected.day.isoformat() if last and last.inspected else "",
        facts=_cells(facts),
    )


def _cells(facts: Entry) -> dict[str, str]:
    """Facts of a plot as cells that read back to the same facts."""
    names = ("plot", "block", "variety", "seed_lot", "treatment", "seeds_started", "seeds_planted")
    cells = {
        "format": FORMAT,
        **{name: str(getattr(facts, name)) for name in names},
        "started": facts.started.text,
        "planted": facts.planted.text,
        "depth_cm": "" if facts.depth_cm is None else repr(facts.depth_cm),
    }
    if facts.temperature_C is not None:
        cells["temperature_C"] = repr(facts.temperature_C)
    return cells


def _identity(title: str, plots: list[SheetPlot]) -> str:
    """Name under which a browser keeps the rounds: the same for a sheet made again."""
    plants = "\n".join([title, *(f"{plot.plot}\t{plot.facts['planted']}" for plot in plots)])
    return hashlib.sha256(plants.encode()).hexdigest()[:20]


def _file_name(title: str) -> str:
    """Return a title as a file name that every system takes."""
    return re.sub(r"[^A-Za-z0-9]+", "-", title).strip("-").lower()[:60] or "trial"


_REMIND_BEFORE = timedelta(hours=1)


def calendar_file(
    events: Iterable[Event], *, stamp: datetime, name: str = "Sowing", cautions: Iterable[str] = ()
) -> bytes:
    """Write events as a calendar with the time zones they need.

    Parameters
    ----------
    events : iterable of Event
        Starts are aware, in an IANA time zone.
    stamp : datetime
        When the plan was made (aware).
    name : str
        Of the calendar.
    cautions : iterable of str
        Added to the first event, in which seed is wetted.

    Returns
    -------
    bytes
        A VCALENDAR with one VEVENT and reminder for each event and the VTIMEZONE of their zone.
    """
    from icalendar import Alarm, Calendar
    from icalendar import Event as Entry

    calendar = Calendar()
    calendar.add("prodid", f"-//thermosprout//{__version__}//EN")
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", name)
    starts: list[datetime] = []
    for event in events:
        starts.append(event.start)
        entry = Entry()
        entry.add("uid", f"{uuid5(NAMESPACE_URL, 'thermosprout:' + event.key)}@thermosprout")
        entry.add("dtstamp", stamp.astimezone(UTC))
        entry.add("dtstart", event.start)
        # An end in local time, not a duration, says when it ends over a change of the clocks.
        end = (event.start.astimezone(UTC) + event.length).astimezone(event.start.tzinfo)
        entry.add("dtend", end)
        entry.add("summary", event.summary)
        warnings = cautions if len(starts) == 1 else ()
        entry.add("description", " ".join((event.description, *warnings)))
        entry.add("categories", ["sowing"])
        entry.add("transp", "TRANSPARENT")
        alarm = Alarm()
        alarm.add("action", "DISPLAY")
        alarm.add("description", event.summary)
        alarm.add("trigger", -_REMIND_BEFORE)
        entry.add_component(alarm)
        calendar.add_component(entry)
    if starts:
        calendar.add_missing_timezones(
            first_date=min(starts).date() - timedelta(days=366),
            last_date=max(starts).date() + timedelta(days=366),
        )
    return bytes(calendar.to_ical())
