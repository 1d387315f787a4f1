"""Tables of the decisions: compare, presprout, sow-again, window, stations, succession.

Each answer opens with what to do, then its tables, then what they rest on, cautions last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermosprout.quantities import Units, show_length, show_temperature
from thermosprout.reports.words import (
    UNKNOWN,
    Document,
    Odds,
    day_range,
    iso_day,
    local_time,
    notes_and_cautions,
    number,
    percent,
    percent_spread,
    plain_table,
    signed,
    spread,
    stage_range,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import RenderableType
    from rich.table import Table

_GOALS = {
    "harvest": "earliest harvest",
    "bed-days": "fewest bed-days",
    "seed": "least seed",
    "work": "least work",
}
_MOST_CHOICES = 10


def _answer(*sentences: str) -> list[RenderableType]:
    """What to do, in bold, and why."""
    from rich.text import Text

    first, *others = sentences
    return [Text(first, style="bold"), *(Text(text) for text in others), Text("")]


def compare_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """Advice, dates, and what each way takes."""
    from rich.text import Text

    goal = document["goal"]
    where = f" in {document['bed']}" if document["bed"] else ""
    day = f", bed free {iso_day(document['bed_free'])}" if document["bed_free"] else ""
    dates = plain_table(
        f"{document['crop']}{where}{day}, {show_length(document['depth_cm'], units)} deep",
        "method", "wetted", "planted", "first", "half", "full", "since wetted",
        caption="Days from planting to each stage, and from wetting to half, with 80 % ranges. "
        f"Soil: {_soil(document['soil'], units)}.",
    )  # fmt: skip
    takes = plain_table(
        "What each method brings and takes",
        "method", "stand", "started", "seeds", "bed-days", "gain", "left", "min", "best",
        caption="Stand: of the seeds planted, and of those started. Seeds to start for "
        f"{document['plants_wanted']} plants. Bed-days to first harvest. Days gained over dry "
        "seed at emergence (gain) and at first harvest (left). Minutes of work. Best: odds of "
        f"{_GOALS[goal]}.",
        numbers=("seeds", "gain", "left", "min", "best"),
    )  # fmt: skip
    for option in document["options"]:
        name = Text(
            option["option"], style="bold" if option["option"] == document["advised"] else ""
        )
        since = option["days_since_planted"]
        places = 1 if _fast(since) else 0
        dates.add_row(
            name,
            iso_day(option["started"]) if option["started"] else _lead(option),
            iso_day(option["planted"]) if option["planted"] else "day 0",
            *(spread(since[stage], places) for stage in ("first", "half", "full")),
            spread(option["days_since_started"]["half"], places),
        )
        gain = option["gain"]
        takes.add_row(
            name,
            percent(option["stand_per_seed_planted"]["p50"]),
            percent(option["stand_per_seed_started"]["p50"]),
            UNKNOWN if option["seeds_to_start"] is None else str(option["seeds_to_start"]),
            spread(option["bed_days"]["to_harvest"]),
            _signed(gain["at_emergence_d"]["p50"]),
            _signed(gain["at_harvest_d"]["p50"]),
            number(option["minutes"]),
            percent(option["best_odds"][goal]),
        )
    answer = _answer(document["advice"], document["reason"])
    return [*answer, dates, takes, *notes_and_cautions(document)]


def _soil(soil: Document, units: Units) -> str:
    constant = soil["constant_C"]
    if constant is None:
        return str(soil["source"])
    return f"constant {show_temperature(constant, units)}"


def _fast(since: Document) -> bool:
    half = since["half"]["p50"]
    return half is not None and half < 10


def _lead(option: Document) -> str:
    lead = option["lead_d"]["p50"]
    return "day 0" if not lead else f"-{lead:.1f} d"


def _signed(value: float | None) -> str:
    return UNKNOWN if value is None else signed(value)


def presprout_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """What to do when, and how sure it is."""
    from rich.text import Text

    where = f" for {document['bed']}" if document["bed"] else ""
    steps = plain_table(f"Sprouting {document['crop']}{where}", "when", "what")
    for event in document["events"]:
        steps.add_row(local_time(event["start"]), f"{event['summary']}. {event['description']}")
    room = show_temperature(document["room_C"], units)
    ready = _time_words(document["days_until_ready"])
    seeds = ""
    if document["seeds_to_start"] is not None:
        seeds = f" {document['seeds_to_start']} seeds"
    answer = _answer(
        f"Wet{seeds or ' the seed'} on {local_time(document['start'])}; plant on "
        f"{iso_day(document['plant'])}.",
        f"Odds that the batch is then fit to plant: {percent(document['ready_odds'])}"
        f"{_cold(document, units)}.",
    )
    lines = [
        (
            f"At {room} roots reach planting length after {ready} "
            f"and outgrow it {_time_words(document['days_plantable_in_the_room'])} later."
        ),
    ]
    if document["seeds_to_start"] is not None:
        lines.append(
            f"For {document['plants_wanted']} plants start {document['seeds_to_start']} seeds and "
            f"plant {document['seeds_to_plant']} sprouted ones, in a good moist seedbed."
        )
    cold = []
    if document["cold_losses"]:
        losses = plain_table(
            "Growth of roots lost after a time in the cold",
            "sprouts", "roots", "held", "at", "lost",
            caption="Published figures, by the length of the roots when they were chilled.",
            numbers=("roots", "held", "at", "lost"),
        )  # fmt: skip
        for loss in document["cold_losses"]:
            low, high = (round(100 * loss[end]) for end in ("low", "high"))
            held = loss["hold_h"]
            losses.add_row(
                loss["crop"],
                f"{loss['radicle_mm']:g} mm",
                f"{held:g} h" if held < 24 else f"{held / 24:g} d",
                show_temperature(loss["temperature_C"], units),
                f"{low} %" if low == high else f"{low}–{high} %",
            )
        cold.append(losses)
    return [*answer, steps, *(Text(line) for line in lines), *cold, *notes_and_cautions(document)]


def _time_words(days: Odds) -> str:
    """Time and its 80 % range in days, or in hours where it is short."""
    middle = days["p50"]
    if middle is None:
        return f"a time that is not known ({UNKNOWN})"
    if middle >= 2:
        return f"about {spread(days)} days"
    in_hours = {key: None if value is None else 24 * value for key, value in days.items()}
    return f"about {spread(in_hours)} hours"


def _cold(document: Document, units: Units) -> str:
    hold = document["hold"]
    if not hold:
        return ""
    return (
        f" if sprouts are held at {show_temperature(hold['temperature_C'], units)} when early "
        f"(up to {hold['days']:g} days: {hold['source']}), "
        f"{percent(document['ready_odds_without_cold'])} without the cold"
    )


def sow_again_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """Advice, the days ahead, and the ways."""
    from rich.text import Text

    counted = "" if document["counted"] is None else f", {document['counted']} counted"
    days = plain_table(
        f"Row {document['row']} ({document['crop']}){counted}: if nothing is done",
        "day", "plants", "still to come", "enough",
        caption=f"Plants that show, of the {document['plants_wanted']} you want; share of the "
        "final stand still to come; odds that enough show to keep the row.",
        numbers=("still to come", "enough"),
    )  # fmt: skip
    for ahead in document["days"]:
        days.add_row(
            iso_day(ahead["day"]),
            spread(ahead["plants"]),
            percent(ahead["still_to_come"]),
            percent(ahead["enough_odds"]),
        )
    ways = plain_table(
        "What can be done today",
        "way", "plants", "half up", "first harvest", "bed-days", "more seeds",
        caption=f"Bed-days from today to {document['bed_days_until']}, for a full row.",
        numbers=("bed-days", "more seeds"),
    )  # fmt: skip
    for way in document["ways"]:
        ways.add_row(
            Text(way["way"], style="bold" if way["way"] == document["advised"] else ""),
            spread(way["plants"]),
            iso_day(way["half_up"]["p50"]),
            iso_day(way["first_harvest"]["p50"]),
            number(way["bed_days_per_full_row"]["mean"]),
            str(way["more_seeds"]),
        )
    answer = _answer(document["advice"], document["reason"])
    return [*answer, days, ways, *notes_and_cautions(document)]


def window_tables(document: Document, every: int = 7) -> list[RenderableType]:
    """Best day, suitable days for each cover and treatment, and figures of every seventh day."""
    days = document["within_days"]
    suitable = plain_table(
        f"{document['crop']}: when to plant",
        "cover", "treatment", "earliest", "last", "why not before", "why not after",
        caption=f"Over {_seasons(document['members'])}; half of the row up within {days:g} days. "
        f"Soil: {document['soil']['source']}.",
    )  # fmt: skip
    for row in document["sensible"]:
        suitable.add_row(
            row["cover"],
            row["treatment"],
            iso_day(row["earliest"]),
            iso_day(row["last"]),
            row["before_that"],
            row["after_that"] or UNKNOWN,
        )
    table = _day_table(document["days"], days, every)
    return [*_answer(*_best(document)), suitable, table, *notes_and_cautions(document)]


def _day_table(rows: list[Document], within: float, every: int) -> Table:
    """Every so many days; columns in which nothing is known or nothing differs are left out."""
    several = len({row["cover"] for row in rows}) > 1
    columns: list[tuple[str, str, Callable[[Document], str]]] = [
        ("planted", "", lambda row: iso_day(row["planted"])),
        ("treatment", "", lambda row: str(row["treatment"])),
        (
            f"in {within:g} d",
            f"odds of half up within {within:g} days",
            lambda row: percent(row["odds_in_time"]),
        ),
        ("to half", "days to half emergence", lambda row: spread(row["days_to_half"])),
        ("stand", "expected stand", lambda row: percent(row["stand"])),
    ]
    if several:
        columns.insert(1, ("cover", "", lambda row: str(row["cover"])))
    if any(row["bed_days_to_harvest"]["p50"] is not None for row in rows):
        columns.append(
            ("bed-days", "to first harvest", lambda row: spread(row["bed_days_to_harvest"]))
        )
    if any(row["frost_risk"] for row in rows):
        columns.append(
            ("frost", "odds of frost on the seedlings", lambda row: percent(row["frost_risk"]))
        )
    if any(row["odds_harvest_before_frost"] is not None for row in rows):
        columns.append(
            (
                "in time",
                "odds of a harvest before the first hard frost",
                lambda row: percent(row["odds_harvest_before_frost"]),
            )
        )
    meanings = "; ".join(f"{name}: {meaning}" for name, meaning, _ in columns if meaning)
    table = plain_table("Day by day", *(name for name, _, _ in columns), caption=f"{meanings}.")
    by_day: dict[str, list[Document]] = {row["planted"]: [] for row in rows}
    for row in rows:
        by_day[row["planted"]].append(row)
    for day in sorted(by_day)[::every]:
        for row in by_day[day]:
            table.add_row(*(shown(row) for _, _, shown in columns))
    return table


def _seasons(members: int) -> str:
    return "one season" if members == 1 else f"{members} seasons"


def _best(document: Document) -> tuple[str, ...]:
    """Bottom line: the suitable days, and the day with the fewest bed-days where it is known."""
    suitable = [row for row in document["sensible"] if row["earliest"] is not None]
    if not suitable:
        return (
            (
                f"No suitable day: half the row would take longer than {document['within_days']:g} "
                "days to come up, or frost would take it."
            ),
        )
    first = min(suitable, key=lambda row: str(row["earliest"]))
    last = max(suitable, key=lambda row: str(row["last"]))
    bottom = (
        f"Plant {document['crop']} from {iso_day(first['earliest'])} ({_way(first)}) to "
        f"{iso_day(last['last'])} ({_way(last)})."
    )
    best = document["best"]
    if best is None:
        return (bottom,)
    wait = best["wait_d"]
    idle = f" {wait:.0f} days of waiting included," if wait >= 1 else ""
    return (
        bottom,
        (
            f"Fewest bed-days for a full row from {iso_day(best['from'])} on: {_way(best)}, "
            f"planted on {iso_day(best['planted'])} ({best['bed_days']:.0f} days,{idle} stand "
            f"{percent(best['stand'])})."
        ),
    )


def _way(row: Document) -> str:
    cover = "" if row["cover"] == "open bed" else f" under {row['cover']}"
    return f"{row['treatment']}{cover}"


def stations_tables(document: Document) -> list[RenderableType]:
    """The number of seeds to take, and the choices around it."""
    from rich.text import Text

    table = plain_table(
        f"{document['crop']}: seeds for each of {document['stations']} stations",
        "seeds", "stations filled", f"odds of {percent(document['share_wanted'])}", "plants",
        "to thin", "minutes", "seeds in all", "g",
        caption=f"Emergence: {percent_spread(document['emergence'])} of the seeds planted. "
        "Plants and thinning for each station.",
        numbers=("plants", "to thin", "minutes", "seeds in all", "g"),
    )  # fmt: skip
    for choice in _shown(document["choices"], document["seeds_per_station"]):
        chosen = choice["seeds_per_station"] == document["seeds_per_station"]
        table.add_row(
            Text(str(choice["seeds_per_station"]), style="bold" if chosen else ""),
            percent_spread(choice["stations_filled"]),
            percent(choice["odds_reached"]),
            number(choice["plants_per_station"], 1),
            number(choice["to_thin_per_station"], 1),
            number(choice["thinning_minutes"]),
            str(choice["seeds_in_all"]),
            UNKNOWN if choice["grams"] is None else f"{choice['grams']:g}",
        )
    if document["seeds_per_station"] is None:
        day = " on this day" if document["soil"]["source"] is not None else ""
        answer = f"No number of seeds is enough at these odds{day}."
    else:
        answer = f"Drop {document['seeds_per_station']} seeds in each station."
    return [*_answer(answer), table, *notes_and_cautions(document)]


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
    aim = "up" if document["aim"] == "emergence" else "ready"
    table = plain_table(
        f"{document['crop']}, {document['treatment']}: {aim} every {document['every_days']:g} days",
        "sow", "days since last", f"target: {aim}", "expected", "80 % range", "error (days)",
        numbers=("days since last", "error (days)"),
    )  # fmt: skip
    sowings = document["sowings"]
    for sowing in sowings:
        gap = sowing["days_since_last"]
        table.add_row(
            iso_day(sowing["planted"]),
            UNKNOWN if gap is None else f"{gap:g}",
            iso_day(sowing["wanted"]),
            iso_day(sowing["p50"]),
            stage_range(sowing),
            f"{sowing['off_by_days']:+.1f}",
        )
    answer: list[RenderableType] = []
    if sowings:
        listed = ", ".join(iso_day(sowing["planted"]) for sowing in sowings)
        answer = _answer(f"Sow {document['crop']} on {listed}.")
    return [*answer, table, *notes_and_cautions(document)]


def openings_tables(document: Document) -> list[RenderableType]:
    """Crops and treatments for the days on which beds are empty."""
    from datetime import date

    table = plain_table(
        "What fits while a bed is empty",
        "bed", "free", "crop", "treatment", "in time", "spare d", "stand",
        caption="In time: odds that first harvest comes before you need the bed. Spare: days "
        "left after first harvest, most likely.",
        numbers=("in time", "spare d", "stand"),
    )  # fmt: skip
    for fit in document["openings"]:
        first, last = (date.fromisoformat(fit[key]) for key in ("from", "until"))
        table.add_row(
            fit["bed"],
            day_range(first, last),
            fit["crop"],
            fit["treatment"],
            percent(fit["ready_odds"]),
            number(fit["spare_days"]),
            percent(fit["stand"]),
        )
    return [table, *notes_and_cautions(document)]
