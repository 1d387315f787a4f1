"""Plans for one row as tables and sentences that fit a terminal of 80 columns."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from thermosprout.quantities import Units, show_length, show_temperature

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table

Document = dict[str, Any]

UNKNOWN = "–"

_GOALS = {
    "harvest": "earliest harvest",
    "bed-days": "fewest bed-days",
    "seed": "least seed",
    "work": "least work",
}


def plain_table(title: str, *columns: str, caption: str | None = None) -> Table:
    """Table in the program's one plain style."""
    from rich import box
    from rich.table import Table

    table = Table(
        box=box.SIMPLE_HEAD,
        title=title,
        title_justify="left",
        title_style="bold",
        caption=caption,
        caption_justify="left",
        pad_edge=False,
        padding=(0, 1, 0, 0),
    )
    for index, name in enumerate(columns):
        table.add_column(name, overflow="fold", no_wrap=index == 0)
    return table


def spread(values: dict[str, float | None] | None, places: int = 0) -> str:
    """The middle and the range: ``12 (9-16)``; a dash past the horizon."""
    if values is None or values["p50"] is None:
        return UNKNOWN
    low, high = values.get("p10"), values.get("p90")
    ends = "–".join("…" if end is None else f"{end:.{places}f}" for end in (low, high))
    return f"{values['p50']:.{places}f} ({ends})"


def percent(values: dict[str, float | None] | None) -> str:
    """Shares as per cent: ``72 (60-80)``."""
    if values is None or values["p50"] is None:
        return UNKNOWN
    return spread({k: None if v is None else 100 * v for k, v in values.items()})


def short_day(text: str | None) -> str:
    """Day and month of an ISO date or instant."""
    if text is None:
        return UNKNOWN
    day = datetime.fromisoformat(text).date() if "T" in text else date.fromisoformat(text)
    return f"{day.day} {day:%b}"


def _hour(text: str) -> str:
    when = datetime.fromisoformat(text)
    return f"{when:%a} {when.day} {when:%b %H:%M}"


def _sentences(document: Document) -> list[RenderableType]:
    from rich.text import Text

    cautions = [Text(f"Caution: {text}", style="bold") for text in document.get("cautions", [])]
    return [*cautions, *(Text(text) for text in document["notes"])]


def compare_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """Dates, what each way takes, and the advice."""
    from rich.text import Text

    goal = document["goal"]
    where = f" in {document['bed']}" if document["bed"] else ""
    day = f", bed free {short_day(document['bed_free'])}" if document["bed_free"] else ""
    dates = plain_table(
        f"{document['crop']}{where}{day}, {show_length(document['depth_cm'], units)} deep",
        "option", "wetted", "planted", "first", "half", "full", "since wetted",
        caption="Days from planting to each stage, and to half since the seed was wetted; the "
        f"range holds 8 times in 10. On {_soil(document['soil'], units)}.",
    )  # fmt: skip
    takes = plain_table(
        "What each way brings and takes",
        "option", "stand", "started", "seeds", "bed-days", "gain", "left", "min", "best",
        caption="Stand: of the seeds planted, and of those started. Seeds to start for "
        f"{document['plants_wanted']} plants. Bed-days to first harvest. Days gained on sowing "
        "dry at emergence, and left at first harvest. Minutes of work. Best: odds of being so "
        f"for the {_GOALS[goal]}.",
    )  # fmt: skip
    for option in document["options"]:
        name = Text(
            option["option"], style="bold" if option["option"] == document["advised"] else ""
        )
        since = option["days_since_planted"]
        started = short_day(option["started"]) if option["started"] else _lead(option)
        dates.add_row(
            name,
            started,
            short_day(option["planted"]) if option["planted"] else "day 0",
            *(
                spread(since[stage], 1 if _fast(since) else 0)
                for stage in ("first", "half", "full")
            ),
            spread(option["days_since_started"]["half"], 1 if _fast(since) else 0),
        )
        gain = option["gain"]
        takes.add_row(
            name,
            _middle(option["stand_per_seed_planted"]),
            _middle(option["stand_per_seed_started"]),
            UNKNOWN if option["seeds_to_start"] is None else str(option["seeds_to_start"]),
            spread(option["bed_days"]["to_harvest"]),
            _number(gain["at_emergence_d"]["p50"]),
            _number(gain["at_harvest_d"]["p50"]),
            f"{option['minutes']:.0f}",
            f"{option['best_odds'][goal]:.0%}",
        )
    advice = Text(document["advice"], style="bold")
    return [dates, takes, advice, Text(document["reason"]), *_sentences(document)]


def _soil(soil: Document, units: Units) -> str:
    constant = soil["constant_C"]
    return soil["source"] if constant is None else f"constant {show_temperature(constant, units)}"


def _middle(values: dict[str, float | None]) -> str:
    return UNKNOWN if values["p50"] is None else f"{values['p50']:.0%}"


def _fast(since: Document) -> bool:
    half = since["half"]["p50"]
    return half is not None and half < 10


def _lead(option: Document) -> str:
    lead = option["lead_d"]["p50"]
    return "day 0" if not lead else f"-{lead:.1f} d"


def _number(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:+.1f}"


def presprout_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """What to do when, and how sure it is."""
    from rich.text import Text

    where = f" for {document['bed']}" if document["bed"] else ""
    steps = plain_table(f"Sprouting {document['crop']}{where}", "when", "what")
    for event in document["events"]:
        steps.add_row(_hour(event["start"]), f"{event['summary']}. {event['description']}")
    room = show_temperature(document["room_C"], units)
    ready = spread(document["days_until_ready"], 1)
    too_long = spread(document["days_plantable_in_the_room"], 1)
    odds = f"{document['ready_odds']:.0%}{_cold(document, units)}"
    lines = [
        f"At {room} radicles are long enough after {ready} d, too long {too_long} d later.",
        f"Odds that the batch is fit to plant: {odds}.",
    ]
    if document["seeds_to_start"] is not None:
        lines.append(
            f"For {document['plants_wanted']} plants start {document['seeds_to_start']} seeds and "
            f"plant {document['seeds_to_plant']} sprouted ones, in a good moist seedbed."
        )
    return [steps, *(Text(line) for line in lines), *_sentences(document)]


def _cold(document: Document, units: Units) -> str:
    hold = document["hold"]
    if not hold:
        return ""
    return (
        f" if it may be held at {show_temperature(hold['temperature_C'], units)} "
        f"(up to {hold['days']:g} d: {hold['source']}), "
        f"{document['ready_odds_without_cold']:.0%} without the cold"
    )


def sow_again_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """The days ahead, the ways, and the advice."""
    from rich.text import Text

    counted = "" if document["counted"] is None else f", {document['counted']} counted"
    days = plain_table(
        f"Row {document['row']} ({document['crop']}){counted}: if nothing is done",
        "day", "plants", "still to come", "enough",
        caption=f"Plants that show, of {document['plants_wanted']} wanted; share of the final "
        "stand still to come; odds that enough show to keep the row.",
    )  # fmt: skip
    for ahead in document["days"]:
        days.add_row(
            short_day(ahead["day"]),
            spread(ahead["plants"]),
            f"{ahead['still_to_come']:.0%}",
            f"{ahead['enough_odds']:.0%}",
        )
    ways = plain_table(
        "What can be done today",
        "way", "plants", "half up", "first harvest", "bed-days", "more seeds",
        caption=f"Bed-days from today to {document['bed_days_until']}, for a full row.",
    )  # fmt: skip
    for way in document["ways"]:
        mean = way["bed_days_per_full_row"]["mean"]
        ways.add_row(
            Text(way["way"], style="bold" if way["way"] == document["advised"] else ""),
            spread(way["plants"]),
            short_day(way["half_up"]["p50"]),
            short_day(way["first_harvest"]["p50"]),
            UNKNOWN if mean is None else f"{mean:.0f}",
            str(way["more_seeds"]),
        )
    advice = Text(document["advice"], style="bold")
    return [days, ways, advice, Text(document["reason"]), *_sentences(document)]
