"""Tables of a season: the forecast, the week, and a check of its soil temperature."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from typing import TYPE_CHECKING, Any

from thermosprout.crops.crop import each_once
from thermosprout.quantities import Units, show_length, show_temperature
from thermosprout.reports.words import (
    UNKNOWN,
    Document,
    day_range,
    day_words,
    iso_day,
    percent_spread,
    plain_table,
    signed,
    spread,
    stage_range,
)

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

    from thermosprout.planning.this_week import Week

STAGE_NAMES = ("first", "half", "full")

_NARROW = 78
"""A terminal with fewer columns gets a few lines a row instead of tables."""

_MOST_IN_BOTTOM_LINE = 4


def forecast_tables(
    document: Document, units: Units = Units.METRIC, width: int = 80
) -> list[RenderableType]:
    """Bottom line, two tables (dates and stands), and notes.

    Parameters
    ----------
    document : dict
        The forecast's JSON document.
    units : Units
        Of temperatures and depths.
    width : int
        Columns of the terminal; on a narrow one each row gets a few lines.
    """
    from rich.text import Text

    as_of = datetime.fromisoformat(document["as_of"])
    title = f"{document['site']}: when rows come up, as of {day_words(as_of.date())}"
    answer: list[RenderableType] = [Text(text) for text in _bottom_line(document)]
    if width < _NARROW:
        return [*answer, Text(title, style="bold"), *_row_by_row(document, units)]
    dates = plain_table(
        title,
        "row", "planted", *STAGE_NAMES, "wait until",
        caption="Most likely day; below it the range that should contain it in 8 years out of 10.",
    )  # fmt: skip
    stands = plain_table(
        "Both clocks, stand and soil",
        "row", "since started", "since planted", "stand", "depth", "soil",
        caption="Days to half emergence since the seed was first wetted or sown (started) and "
        "since it went into the ground (planted), share of the seeds planted, each with its 80 % "
        "range; mean soil temperature at seed depth.",
    )  # fmt: skip
    for row in document["rows"]:
        name = Text(row["row"], style="bold")
        name.append(f" {row['called']}\n{row['treatment']}", style="not bold")
        dates.add_row(
            name,
            iso_day(row["planted"]),
            *(_stage(row["stages"][stage]) for stage in STAGE_NAMES),
            iso_day(row["wait_until"]),
        )
        stands.add_row(
            Text(row["row"], style="bold"),
            spread(row["days_since_started"]["half"], 1),
            spread(row["days_since_planted"]["half"], 1),
            percent_spread(row["stand"]),
            show_length(row["depth_cm"], units),
            show_temperature(row["soil"]["mean_C"], units),
        )
    return [*answer, dates, stands, *(Text(text) for text in gathered_notes(document["rows"]))]


_KINDS = (
    (
        re.compile(
            r"(\d+ of \d+) seeds show; the row is (.+?)(?: than forecast at sowing)?(;.+)?\."
        ),
        "Seeds that show, and the row against its forecast at sowing",
    ),
    (re.compile(r"Odds that nothing comes up: (.+)\."), "Odds that nothing comes up"),
)
"""Notes that differ in their figures alone, and what they are about."""


def gathered_notes(rows: list[Document]) -> list[str]:
    """Notes of all rows: each sentence once with its rows, figures of one kind in one sentence."""
    about: dict[str, list[str]] = {}
    figures: dict[str, list[str]] = {}
    for row in rows:
        for sentence in row["notes"]:
            match = next(
                ((m, head) for kind, head in _KINDS if (m := kind.fullmatch(sentence))), None
            )
            if match is None:
                about.setdefault(sentence, []).append(row["row"])
            else:
                words = ", ".join(part.lstrip("; ") for part in match[0].groups() if part)
                figures.setdefault(match[1], []).append(f"{row['row']} {words}")
    kinds = [f"{head}: {'; '.join(each)}." for head, each in figures.items()]
    return [*kinds, *(f"{', '.join(names)}: {sentence}" for sentence, names in about.items())]


def _bottom_line(document: Document) -> list[str]:
    """Rows half up, rows to expect next and rows past waiting for, in a sentence each."""
    as_of = datetime.fromisoformat(document["as_of"])
    waiting = [row for row in document["rows"] if _after(row["stages"]["half"]["p50"], as_of)]
    waiting.sort(key=lambda row: str(row["stages"]["half"]["p50"]))
    up = [row["row"] for row in document["rows"] if row not in waiting and _has_come(row, as_of)]
    lines = []
    if up:
        lines.append(f"Half up by now, most likely: {', '.join(up)}.")
    if waiting:
        listed = ", ".join(
            f"{row['row']} {row['called']} about {iso_day(row['stages']['half']['p50'])}"
            for row in waiting[:_MOST_IN_BOTTOM_LINE]
        )
        more = len(waiting) - _MOST_IN_BOTTOM_LINE
        lines.append(f"Half up next: {listed}{f' and {more} more' if more > 0 else ''}.")
    over = [
        row["row"]
        for row in document["rows"]
        if row["wait_until"] and datetime.fromisoformat(row["wait_until"]).date() < as_of.date()
    ]
    if over:
        lines.append(f"Nothing more to expect: {', '.join(over)}.")
    return lines


def _after(text: str | None, as_of: datetime) -> bool:
    return text is not None and datetime.fromisoformat(text) > as_of


def _has_come(row: Document, as_of: datetime) -> bool:
    middle = row["stages"]["half"]["p50"]
    return middle is not None and not _after(middle, as_of)


def _row_by_row(document: Document, units: Units) -> list[RenderableType]:
    """Each row in a few short lines."""
    from rich.text import Text

    lines: list[RenderableType] = [Text("Most likely day (and its 80 % range).")]
    for row in document["rows"]:
        lines.append(Text(f"\n{row['row']} {row['called']}, {row['treatment']}", style="bold"))
        lines.append(Text(f"  planted {iso_day(row['planted'])}"))
        for stage in STAGE_NAMES:
            days = row["stages"][stage]
            lines.append(Text(f"  {stage} {iso_day(days['p50'])} ({stage_range(days)})"))
        lines.append(Text(f"  wait until {iso_day(row['wait_until'])}"))
        since_planted = spread(row["days_since_planted"]["half"], 1)
        lines.append(Text(f"  half up {since_planted} d after planting,"))
        lines.append(Text(f"    {spread(row['days_since_started']['half'], 1)} d after starting"))
        lines.append(Text(f"  stand {percent_spread(row['stand'])} of the seeds planted"))
        soil = show_temperature(row["soil"]["mean_C"], units)
        lines.append(Text(f"  soil {soil} at {show_length(row['depth_cm'], units)}"))
    return [*lines, Text(""), *(Text(text) for text in gathered_notes(document["rows"]))]


def _stage(stage: Mapping[str, str | None]) -> str:
    return f"{iso_day(stage['p50'])}\n{stage_range(stage)}"


def week_table(week: Week) -> list[RenderableType]:
    """Tasks of the week, one a line, and what follows in the two weeks after.

    Parameters
    ----------
    week : Week
        What to do, in order.
    """
    from rich.text import Text

    title = f"This week, {day_range(week.today, week.last)}"
    if not week.now:
        return [Text(title, style="bold"), Text("Nothing is due.")]
    table = plain_table(title, "day", "do", "row", "how")
    table.columns[-1].ratio = 1
    for task in week.now:
        table.add_row(
            day_range(task.day, task.until or task.day),
            Text(str(task.kind), style="bold"),
            f"{task.row} {task.called}",
            task.sentence,
        )
    today = [f"{task.kind} {task.row} {task.called}" for task in week.now if task.day == week.today]
    items: list[RenderableType] = []
    if today:
        items += [Text(f"Today: {'; '.join(today)}.", style="bold"), Text("")]
    items.append(table)
    if week.later:
        soon = week.later[0]
        items.append(
            Text(f"After that: {soon.kind} {soon.row} {soon.called} on {day_words(soon.day)}.")
        )
    cautions = each_once(text for task in week.now for text in task.cautions)
    items += [Text(f"Caution: {text}", style="bold") for text in cautions]
    return items


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
        table = plain_table("", "row", "crop", "half up, as it is", "corrected", "shift", "±")
        for row in document["rows"]:
            days, sd = row["days"], row["sd_days"]
            table.add_row(
                row["row"],
                row["called"],
                iso_day(row["half_as_is"]),
                iso_day(row["half_corrected"]),
                UNKNOWN if days is None else f"{signed(days)} d",
                UNKNOWN if sd is None else f"{sd:.1f} d",
            )
        meaning = (
            f"±: days by which ± {weeks:.1f} {symbol} moves the row (one standard deviation; the "
            "80 % range is 1.3 times as wide)."
        )
        lines += [table, meaning]
    return lines
