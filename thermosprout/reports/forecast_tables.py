"""Tables of a season: the forecast, the week, and a check of its soil temperature."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from thermosprout.planning.this_week import Week, day_words
from thermosprout.quantities import Units, show_length, show_temperature

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table


STAGE_NAMES = ("first", "half", "full")

_NARROW = 78
"""A terminal with fewer columns gets a few lines a row instead of tables."""


def forecast_tables(
    document: dict[str, Any], units: Units = Units.METRIC, width: int = 80
) -> list[RenderableType]:
    """Two tables, dates and stands, and the notes under them.

    Parameters
    ----------
    document : dict
        The forecast's JSON document.
    units : Units
        Of temperatures and depths.
    width : int
        Columns of the terminal; on a narrow one each row is told in a few lines.
    """
    if width < _NARROW:
        return _told(document, units)
    from rich import box
    from rich.table import Table
    from rich.text import Text

    as_of = datetime.fromisoformat(document["as_of"])
    dates = Table(
        box=box.SIMPLE_HEAD,
        title=f"{document['site']}: when rows come up, seen from {_day_month(as_of)}",
        title_justify="left",
        title_style="bold",
        caption="The likely day, then the range of days that holds 8 times in 10.",
        caption_justify="left",
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    for name in ("row", "planted", "first", "half", "full", "wait until"):
        dates.add_column(name, overflow="fold", min_width=13 if name in STAGE_NAMES else None)
    stands = Table(
        box=box.SIMPLE_HEAD,
        title="Both clocks, stand and soil",
        title_justify="left",
        title_style="bold",
        caption=(
            "Days to half emergence since the seed was first wetted or sown (started) and since it "
            "went into the ground (planted); seedlings per 100 seeds planted; mean soil "
            "temperature at seed depth."
        ),
        caption_justify="left",
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    for name in ("row", "since started", "since planted", "stand", "depth", "soil"):
        stands.add_column(name, overflow="fold")
    for row in document["rows"]:
        title = Text(row["row"], style="bold")
        title.append(f" {_called(row)}\n{row['treatment']}", style="not bold")
        dates.add_row(
            title,
            _day_month(datetime.fromisoformat(row["planted"])),
            *(_stage_range(row["stages"][stage]) for stage in STAGE_NAMES),
            _iso_day(row["wait_until"]),
        )
        stands.add_row(
            Text(row["row"], style="bold"),
            _day_span(row["days_since_started"]["half"]),
            _day_span(row["days_since_planted"]["half"]),
            _stand(row["stand"]),
            show_length(row["depth_cm"], units),
            show_temperature(row["soil"]["mean_C"], units),
        )
    notes = [
        Text(f"{row['row']}: {sentence}") for row in document["rows"] for sentence in row["notes"]
    ]
    return [dates, stands, *notes]


def _called(row: dict[str, Any]) -> str:
    """Return the grower's own word for a row's crop; documents of older versions have none."""
    return str(row.get("called", row["crop"]))


def _told(document: dict[str, Any], units: Units) -> list[RenderableType]:
    """Each row in a few short lines."""
    from rich.text import Text

    as_of = datetime.fromisoformat(document["as_of"])
    told: list[RenderableType] = [
        Text(f"{document['site']}: when rows come up, seen from {_day_month(as_of)}", style="bold"),
        Text("The likely day (and the days that hold 8 times in 10)."),
    ]
    for row in document["rows"]:
        told.append(Text(f"\n{row['row']} {_called(row)}, {row['treatment']}", style="bold"))
        told.append(Text(f"  planted {_day_month(datetime.fromisoformat(row['planted']))}"))
        for stage in STAGE_NAMES:
            middle, days = _stage_range(row["stages"][stage]).split("\n")
            told.append(Text(f"  {stage} {middle} ({days})"))
        told.append(Text(f"  wait until {_iso_day(row['wait_until'])}"))
        told.append(
            Text(f"  half up {_day_span(row['days_since_planted']['half'])} d after planting,")
        )
        told.append(Text(f"    {_day_span(row['days_since_started']['half'])} d after starting"))
        told.append(Text(f"  stand {_stand(row['stand'])} per 100 seeds planted"))
        soil = show_temperature(row["soil"]["mean_C"], units)
        told.append(Text(f"  soil {soil} at {show_length(row['depth_cm'], units)}"))
        told.extend(Text(f"  {sentence}") for sentence in row["notes"])
    return told


def _stand(stand: dict[str, float]) -> str:
    low, middle, high = (100 * stand[name] for name in ("p10", "p50", "p90"))
    return f"{middle:.0f} ({low:.0f}-{high:.0f})"


def _day_month(when: datetime) -> str:
    return f"{when.day} {when:%b}"


def _iso_day(text: str | None) -> str:
    return _day_month(datetime.fromisoformat(text)) if text else "open"


def _stage_range(stage: dict[str, str | None]) -> str:
    low, middle, high = (_iso_day(stage[name]) for name in ("p10", "p50", "p90"))
    if low == high:
        return f"{middle}\n{low}"
    # Days of one month name it once, so that a range fits a narrow terminal.
    if low.split()[-1] == high.split()[-1]:
        low = low.split()[0]
    return f"{middle}\n{low}-{high}"


def _day_span(found: dict[str, float | None]) -> str:
    def show(value: float | None) -> str:
        return "open" if value is None else f"{value:.1f}"

    return f"{show(found['p50'])} ({show(found['p10'])}-{show(found['p90'])})"


def week_table(week: Week) -> list[RenderableType]:
    """Tasks of the week, one a line, and what follows in the two weeks after.

    Parameters
    ----------
    week : Week
        What to do, in order.
    """
    from rich import box
    from rich.table import Table
    from rich.text import Text

    title = f"This week, {day_words(week.today)} to {day_words(week.last)}"
    if not week.now:
        return [Text(title, style="bold"), Text("Nothing is due.")]
    table = Table(
        box=box.SIMPLE_HEAD,
        title=title,
        title_justify="left",
        title_style="bold",
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    table.add_column("day", no_wrap=True)
    table.add_column("do", overflow="fold")
    table.add_column("row", overflow="fold")
    table.add_column("how", overflow="fold", ratio=1)
    for task in week.now:
        until = f"\n- {day_words(task.until)}" if task.until else ""
        table.add_row(
            Text(day_words(task.day) + until),
            Text(str(task.kind), style="bold"),
            Text(f"{task.row} {task.called}"),
            Text(task.sentence),
        )
    items: list[RenderableType] = [table]
    cautions = dict.fromkeys(text for task in week.now for text in task.cautions)
    items += [Text(f"Mind: {text}") for text in cautions]
    if week.later:
        soon = week.later[0]
        items.append(
            Text(f"After that: {soon.kind} {soon.row} {soon.called} on {day_words(soon.day)}.")
        )
    return items


def soil_check_lines(document: dict[str, Any], units: Units = Units.METRIC) -> list[str | Table]:
    """What ``soil check`` prints, from its JSON document."""
    factor, symbol = (1.8, "°F") if units is Units.US else (1.0, "°C")
    bias = document["bias_K"] * factor
    word = "warmer" if bias > 0 else "colder"
    taken = {"day": ", taken as means of days", "max-min": " of a max-min thermometer"}.get(
        document["kind"], ""
    )
    off = document["rmse_K"] * factor
    shift, weeks, season = (
        document["corrected"][key] * factor for key in ("offset_K", "weeks_sd_K", "offset_sd_K")
    )
    against = (
        f"{document['readings']} readings{taken}: the series is {abs(bias):.1f} {symbol} {word} in "
        f"the mean, {off:.1f} {symbol} off in the usual case (RMSE)."
    )
    corrected = (
        f"Corrected: shift {shift:+.1f} {symbol}, daily swing x "
        f"{document['corrected']['swing']:.2f}. What is left is ± {weeks:.1f} {symbol} over the "
        f"coming weeks and ± {season:.1f} {symbol} over the season: one standard deviation, 68 % "
        "of sites; the 80 % range is 1.3 times as wide."
    )
    lines: list[str | Table] = [str(document["source"]), against, corrected]
    if document["rows"]:
        lines.append(_shift_table(document["rows"]))
    return lines


def _shift_table(rows: list[dict[str, Any]]) -> Table:
    from rich.box import SIMPLE
    from rich.table import Table

    table = Table(box=SIMPLE, pad_edge=False)
    table.add_column("row")
    table.add_column("crop")
    table.add_column("half up, as it stands")
    table.add_column("corrected")
    table.add_column("shift", justify="right")
    table.add_column("±", justify="right")
    for row in rows:
        days, spread = row["days"], row["sd_days"]
        table.add_row(
            row["row"],
            row["crop"],
            (row["half_as_is"] or "not reached")[:10],
            (row["half_corrected"] or "not reached")[:10],
            "" if days is None else f"{days:+.1f} d",
            "" if spread is None else f"{spread:.1f} d",
        )
    return table
