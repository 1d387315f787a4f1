"""Tables of a season: the forecast, the week, and a check of its soil temperature."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from thermosprout.crops.crop import each_once
from thermosprout.dates import day_range, day_words
from thermosprout.quantities import Units, show_length, show_temperature
from thermosprout.reports.words import (
    Document,
    iso_day,
    notes_and_cautions,
    percent_spread,
    plain_table,
    signed,
    spread,
    stage_range,
    treatment_words,
)
from thermosprout.season.schema import ROW

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table
    from rich.text import Text

    from thermosprout.planning.this_week import Week

_MOST_IN_BOTTOM_LINE = 4


def forecast_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """Bottom line, two tables (dates and stands), and notes.

    Parameters
    ----------
    document : dict
        The forecast's JSON document.
    units : Units
        Of temperatures and depths.
    """
    from rich.text import Text

    as_of = datetime.fromisoformat(document["as_of"])
    title = f"{document['site']}: when rows come up, as of {day_words(as_of.date())}"
    answer = [
        Text(line, style="" if n else "bold") for n, line in enumerate(_bottom_line(document))
    ]
    dates = plain_table(
        title,
        document["rows"],
        ("row", _name),
        ("planted", lambda row: iso_day(row["planted"])),
        ("first", lambda row: _stage(row["stages"]["first"])),
        ("half", lambda row: _stage(row["stages"]["half"])),
        ("full", lambda row: _stage(row["stages"]["full"])),
        ("wait\nuntil", lambda row: iso_day(row["wait_until"])),
        caption="Most likely day, and the range that should contain it in 8 years out of 10.",
    )
    stands = plain_table(
        "Both clocks, stand and soil",
        document["rows"],
        ("row", lambda row: Text(_short_name(row), style="bold")),
        ("since started", lambda row: spread(row["days_since_started"]["half"], 1)),
        ("since planted", lambda row: spread(row["days_since_planted"]["half"], 1)),
        ("stand", lambda row: percent_spread(row["stand"])),
        ("depth", lambda row: show_length(row["depth_cm"], units)),
        ("soil", lambda row: show_temperature(row["soil"]["mean_C"], units)),
        caption="Days to half emergence since the seed was first wetted or sown (started) and "
        "since it went into the ground (planted), share of the seeds planted, each with its 80 % "
        "range; mean soil temperature at seed depth.",
    )
    return [*answer, dates, stands, *(Text(text) for text in notes_by_kind(document["rows"]))]


_KINDS = {
    "counts": "Counted, and the row against its forecast at sowing",
    "nothing": "Odds that nothing comes up",
}
"""Notes that differ in their figures alone, and what they are about."""


def notes_by_kind(rows: list[Document]) -> list[str]:
    """Notes of all rows: each sentence once with its rows, figures of one kind in one sentence."""
    about: dict[str, list[str]] = {}
    figures: dict[str, list[str]] = {}
    for row in rows:
        for sentence, note in zip(row["notes"], row["note_kinds"], strict=True):
            if note["kind"] in _KINDS:
                words = f"{_short_name(row)} {', '.join(note['figures'])}"
                figures.setdefault(_KINDS[note["kind"]], []).append(words)
            else:
                about.setdefault(sentence, []).append(_short_name(row))
    kinds = [f"{head}: {'; '.join(each)}." for head, each in figures.items()]
    return [*kinds, *(f"{', '.join(names)}: {sentence}" for sentence, names in about.items())]


def _bottom_line(document: Document) -> list[str]:
    """Rows half up, rows to expect next and rows past waiting for, in a sentence each."""
    rows, as_of = document["rows"], datetime.fromisoformat(document["as_of"])
    half = {_short_name(row): row["stages"]["half"]["p50"] for row in rows}
    over = [
        _short_name(row)
        for row in rows
        if row["wait_until"] and date.fromisoformat(row["wait_until"]) < as_of.date()
    ]
    up = [name for name, day in half.items() if day and datetime.fromisoformat(day) <= as_of]
    waiting = [
        row for row in rows if half[_short_name(row)] and _short_name(row) not in {*up, *over}
    ]
    waiting.sort(key=lambda row: str(half[_short_name(row)]))
    lines = []
    if still := [name for name in up if name not in over]:
        lines.append(f"Half up by now, most likely: {', '.join(still)}.")
    if waiting:
        soon = ", ".join(
            f"{_name(row).plain.splitlines()[0]} about {iso_day(half[_short_name(row)])}"
            for row in waiting[:_MOST_IN_BOTTOM_LINE]
        )
        more = len(waiting) - _MOST_IN_BOTTOM_LINE
        lines.append(f"Half up next: {soon}{f' and {more} more' if more > 0 else ''}.")
    if over:
        where = "in any row" if len(over) == len(rows) > 1 else f"in {', '.join(over)}"
        lines.append(f"Nothing more to expect {where}.")
    return lines


def _name(row: Document) -> Text:
    """Row in bold and its crop, its treatment below."""
    from rich.text import Text

    crop = "" if row["row"] == ROW else f" {row['called']}"
    return Text.assemble((_short_name(row), "bold"), f"{crop}\n{treatment_words(row['treatment'])}")


def _short_name(row: Document) -> str:
    """Name of a row; the crop's where no file names it."""
    return str(row["called"] if row["row"] == ROW else row["row"])


def _stage(stage: Mapping[str, str | None]) -> str:
    return f"{iso_day(stage['p50'])}\n({stage_range(stage)})"


def week_table(week: Week) -> list[RenderableType]:
    """Tasks of the week, one a line, and what follows in the two weeks after.

    Parameters
    ----------
    week : Week
        What to do, in order.
    """
    from rich.text import Text

    title = f"This week, {day_range(week.today, week.last)}"
    later = ""
    if week.later:
        soon = week.later[0]
        later = f"After that: {soon.kind} {soon.row} {soon.called} on {day_words(soon.day)}."
    if not week.now:
        nothing = "Nothing is due." if later else "Nothing is due in the next three weeks."
        return [Text(title, style="bold"), Text(f"{nothing} {later}".strip())]
    table = plain_table(
        title,
        week.now,
        ("day", lambda task: day_range(task.day, task.until or task.day)),
        ("do", lambda task: Text(str(task.kind), style="bold")),
        ("row", lambda task: f"{task.row} {task.called}"),
        ("how", lambda task: task.sentence),
    )
    table.columns[-1].ratio = 1
    today: dict[str, list[str]] = {}
    for task in week.now:
        if task.day == week.today:
            today.setdefault(str(task.kind), []).append(f"{task.row} {task.called}")
    items: list[RenderableType] = []
    if today:
        due = "; ".join(f"{kind} {', '.join(rows)}" for kind, rows in today.items())
        items.append(Text(f"Today: {due}.", style="bold"))
    beside = {
        "notes": [later] if later else [],
        "cautions": each_once(text for task in week.now for text in task.cautions),
    }
    return [*items, table, *notes_and_cautions(beside)]


def soil_check_lines(document: dict[str, Any], units: Units = Units.METRIC) -> list[str | Table]:
    """What ``soil check`` prints, from its JSON document."""
    factor, symbol = (1.8, "°F") if units is Units.US else (1.0, "°C")
    bias = document["bias_K"] * factor
    word = "warm" if bias > 0 else "cold"
    kind = {"day": ", taken as daily means", "max-min": " of a max-min thermometer"}.get(
        document["kind"], ""
    )
    error = document["rmse_K"] * factor
    shift, weeks, season = (
        document["corrected"][key] * factor for key in ("offset_K", "weeks_sd_K", "offset_sd_K")
    )
    lines: list[str | Table] = [
        (
            f"On average {abs(bias):.1f} {symbol} too {word}; typical error {error:.1f} {symbol} "
            f"(RMSE), from {document['readings']} readings{kind}."
        ),
        (
            f"Correction: {shift:+.1f} {symbol}, daily swing × "
            f"{document['corrected']['swing']:.2f}. It leaves ± {weeks:.1f} {symbol} over "
            f"the coming weeks and ± {season:.1f} {symbol} over the season (one standard "
            "deviation, 68 % of sites; the 80 % range is 1.3 times as wide)."
        ),
        f"Soil: {document['source']}.",
    ]
    if document["rows"]:
        table = plain_table(
            "",
            document["rows"],
            ("row", lambda row: row["row"]),
            ("crop", lambda row: row["called"]),
            ("half up, as it is", lambda row: iso_day(row["half_as_is"])),
            ("corrected", lambda row: iso_day(row["half_corrected"])),
            (">shift", lambda row: None if row["days"] is None else f"{signed(row['days'])} d"),
            (">±", lambda row: None if row["sd_days"] is None else f"{row['sd_days']:.1f} d"),
            caption=f"±: days by which ± {weeks:.1f} {symbol} moves the row.",
        )
        lines.append(table)
    return lines
