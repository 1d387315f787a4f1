"""Tables of the decisions: compare, presprout, sow-again, window, stations, succession."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Any

from thermosprout.quantities import Units, show_length, show_temperature

if TYPE_CHECKING:
    from collections.abc import Callable

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


_MOST_CHOICES = 10


def window_tables(document: Document, every: int = 7) -> list[RenderableType]:
    """Sensible days for each cover and treatment, and figures of every seventh day."""
    from rich.text import Text

    days = document["within_days"]
    sensible = plain_table(
        f"{document['crop']}: when to plant",
        "cover", "treatment", "earliest", "last", "why not before", "why not after",
        caption=f"Over {_seasons(document['members'])}; "
        f"half of the row up within {days:g} days; {document['soil']['source']}.",
    )  # fmt: skip
    for found in document["sensible"]:
        sensible.add_row(
            found["cover"],
            found["treatment"],
            short_day(found["earliest"]),
            short_day(found["last"]),
            found["before_that"],
            found["after_that"] or UNKNOWN,
        )
    table = _day_table(document["days"], days, every)
    best = _best(document)
    advice = [] if best is None else [Text(best, style="bold")]
    return [sensible, table, *advice, *(Text(text) for text in document["notes"])]


def _day_table(rows: list[Document], within: float, every: int) -> Table:
    """Every so many days; columns in which nothing is known or nothing differs are left out."""
    several = len({row["cover"] for row in rows}) > 1
    columns: list[tuple[str, str, Callable[[Document], str]]] = [
        ("planted", "", lambda row: short_day(row["planted"])),
        ("treatment", "", lambda row: str(row["treatment"])),
        (
            f"in {within:g} d",
            "odds of half up in so many days",
            lambda row: _share(row["odds_in_time"]),
        ),
        ("to half", "days to half emergence", lambda row: spread(row["days_to_half"])),
        ("stand", "expected stand", lambda row: _share(row["stand"])),
    ]
    if several:
        columns.insert(1, ("cover", "", lambda row: str(row["cover"])))
    if any(row["bed_days_to_harvest"]["p50"] is not None for row in rows):
        columns.append(
            ("bed-days", "to first harvest", lambda row: spread(row["bed_days_to_harvest"]))
        )
    if any(row["frost_risk"] for row in rows):
        columns.append(
            ("frost", "odds of frost on the seedlings", lambda row: _share(row["frost_risk"]))
        )
    if any(row["odds_harvest_before_frost"] is not None for row in rows):
        columns.append(
            (
                "in time",
                "odds of a harvest before the first hard frost",
                lambda row: _share(row["odds_harvest_before_frost"]),
            )
        )
    told = "; ".join(f"{name}: {meaning}" for name, meaning, _ in columns if meaning)
    table = plain_table("Day by day", *(name for name, _, _ in columns), caption=f"{told}.")
    by_day: dict[str, list[Document]] = {row["planted"]: [] for row in rows}
    for row in rows:
        by_day[row["planted"]].append(row)
    for day in sorted(by_day)[::every]:
        for row in by_day[day]:
            table.add_row(*(shown(row) for _, _, shown in columns))
    return table


def _seasons(members: int) -> str:
    return "one season" if members == 1 else f"{members} seasons"


def _best(document: Document) -> str | None:
    """Sentence on the day with the fewest bed-days, where it is known."""
    best = document["best"]
    if best is None:
        return None
    where = "" if best["cover"] == "open bed" else f" under {best['cover']}"
    wait = best["wait_d"]
    idle = f" {wait:.0f} days of waiting included," if wait >= 1 else ""
    return (
        f"Fewest bed-days per full row from {short_day(best['from'])} on: {best['treatment']}"
        f"{where}, planted on {short_day(best['planted'])} ({best['bed_days']:.0f} days,{idle} "
        f"stand {best['stand']:.0%})."
    )


def _share(value: float | None) -> str:
    return UNKNOWN if value is None else f"{value:.0%}"


def stations_tables(document: Document) -> list[RenderableType]:
    """Choices of seeds per station and the one to take."""
    from rich.text import Text

    table = plain_table(
        f"{document['crop']}: seeds for each of {document['stations']} stations",
        "seeds", "stations filled %", f"odds of {document['share_wanted']:.0%}", "plants",
        "to thin", "minutes", "seeds in all", "g",
        caption=f"Emergence taken as {percent(document['emergence'])} % of the seeds planted. "
        "Plants and thinning for each station.",
    )  # fmt: skip
    for choice in _shown(document["choices"], document["seeds_per_station"]):
        chosen = choice["seeds_per_station"] == document["seeds_per_station"]
        table.add_row(
            Text(str(choice["seeds_per_station"]), style="bold" if chosen else ""),
            percent(choice["stations_filled"]),
            f"{choice['odds_reached']:.0%}",
            f"{choice['plants_per_station']:.1f}",
            f"{choice['to_thin_per_station']:.1f}",
            f"{choice['thinning_minutes']:.0f}",
            str(choice["seeds_in_all"]),
            UNKNOWN if choice["grams"] is None else f"{choice['grams']:g}",
        )
    if document["seeds_per_station"] is None:
        answer = "No number of seeds is enough at these odds: test the seed, or sow another lot."
        if document["soil"]["source"] is not None:
            answer = f"{answer.removesuffix('.')}, or on a day when the soil suits the crop better."
    else:
        answer = f"Drop {document['seeds_per_station']} seeds in each station."
    return [table, Text(answer, style="bold"), *(Text(text) for text in document["notes"])]


def _shown(choices: list[Document], chosen: int | None) -> list[Document]:
    """At most a dozen choices: the one to take, its neighbours and evenly spread others."""
    step = -(-len(choices) // _MOST_CHOICES)
    near = () if chosen is None else (chosen - 1, chosen, chosen + 1)
    return [
        choice
        for index, choice in enumerate(choices)
        if index % step == 0 or choice["seeds_per_station"] in near
    ]


def succession_tables(document: Document) -> list[RenderableType]:
    """Sowing days of a succession."""
    from rich.text import Text

    aim = "up" if document["aim"] == "emergence" else "ready"
    table = plain_table(
        f"{document['crop']}, {document['treatment']}: {aim} every {document['every_days']:g} days",
        "sow", "days since last", f"wanted {aim}", "expected", "8 times in 10", "off by d",
    )  # fmt: skip
    for sowing in document["sowings"]:
        gap = sowing["days_since_last"]
        table.add_row(
            short_day(sowing["planted"]),
            UNKNOWN if gap is None else f"{gap:g}",
            short_day(sowing["wanted"]),
            short_day(sowing["p50"]),
            f"{short_day(sowing['p10'])} to {short_day(sowing['p90'])}",
            f"{sowing['off_by_days']:+.1f}",
        )
    return [table, *(Text(text) for text in document["notes"])]


def openings_tables(document: Document) -> list[RenderableType]:
    """Crops and treatments for bed openings."""
    from rich.text import Text

    table = plain_table(
        "What fits which opening",
        "bed", "free", "crop", "treatment", "in time", "spare d", "stand",
        caption="Odds that first harvest comes before the bed is wanted; days left after it in the "
        "middle of what is expected.",
    )  # fmt: skip
    for fit in document["openings"]:
        spare = fit["spare_days"]
        table.add_row(
            fit["bed"],
            f"{short_day(fit['from'])}–{short_day(fit['until'])}",
            fit["crop"],
            fit["treatment"],
            f"{fit['ready_odds']:.0%}",
            UNKNOWN if spare is None else f"{spare:.0f}",
            f"{fit['stand']:.0%}",
        )
    return [table, *(Text(text) for text in document["notes"])]
