"""The forecast as tables that fit a terminal of 80 columns."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Any

from thermosprout.quantities import Units, show_length, show_temperature

if TYPE_CHECKING:
    from rich.console import RenderableType


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
        title=f"{document['site']}: when rows come up, seen from {_day(as_of)}",
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
            _day(datetime.fromisoformat(row["planted"])),
            *(_range(row["stages"][stage]) for stage in STAGE_NAMES),
            _iso_day(row["wait_until"]),
        )
        stands.add_row(
            Text(row["row"], style="bold"),
            _days(row["days_since_started"]["half"]),
            _days(row["days_since_planted"]["half"]),
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
        Text(f"{document['site']}: when rows come up, seen from {_day(as_of)}", style="bold"),
        Text("The likely day (and the days that hold 8 times in 10)."),
    ]
    for row in document["rows"]:
        told.append(Text(f"\n{row['row']} {_called(row)}, {row['treatment']}", style="bold"))
        told.append(Text(f"  planted {_day(datetime.fromisoformat(row['planted']))}"))
        for stage in STAGE_NAMES:
            middle, days = _range(row["stages"][stage]).split("\n")
            told.append(Text(f"  {stage} {middle} ({days})"))
        told.append(Text(f"  wait until {_iso_day(row['wait_until'])}"))
        told.append(Text(f"  half up {_days(row['days_since_planted']['half'])} d after planting,"))
        told.append(Text(f"    {_days(row['days_since_started']['half'])} d after starting"))
        told.append(Text(f"  stand {_stand(row['stand'])} per 100 seeds planted"))
        soil = show_temperature(row["soil"]["mean_C"], units)
        told.append(Text(f"  soil {soil} at {show_length(row['depth_cm'], units)}"))
        told.extend(Text(f"  {sentence}") for sentence in row["notes"])
    return told


def _stand(stand: dict[str, float]) -> str:
    low, middle, high = (100 * stand[name] for name in ("p10", "p50", "p90"))
    return f"{middle:.0f} ({low:.0f}-{high:.0f})"


def _day(when: datetime) -> str:
    return f"{when.day} {when:%b}"


def _iso_day(text: str | None) -> str:
    return _day(datetime.fromisoformat(text)) if text else "open"


def _range(stage: dict[str, str | None]) -> str:
    low, middle, high = (_iso_day(stage[name]) for name in ("p10", "p50", "p90"))
    if low == high:
        return f"{middle}\n{low}"
    # Days of one month name it once, so that a range fits a narrow terminal.
    if low.split()[-1] == high.split()[-1]:
        low = low.split()[0]
    return f"{middle}\n{low}-{high}"


def _days(found: dict[str, float | None]) -> str:
    def show(value: float | None) -> str:
        return "open" if value is None else f"{value:.1f}"

    return f"{show(found['p50'])} ({show(found['p10'])}-{show(found['p90'])})"
