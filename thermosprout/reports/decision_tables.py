"""Tables of the decisions: compare, presprout, sow-again, window, stations, succession.

Each answer opens with what to do, then its tables, then what they rest on, cautions last.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermosprout.quantities import Units, percent, show_length, show_temperature
from thermosprout.reports.words import (
    UNKNOWN,
    Document,
    Odds,
    exact,
    iso_day,
    iso_days,
    local_time,
    notes_and_cautions,
    number,
    percent_spread,
    plain_table,
    sentence,
    signed,
    spread,
    stage_range,
    treatment_words,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import RenderableType
    from rich.table import Table
    from rich.text import Text

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
    return [Text(first, style="bold"), *map(Text, others)]


def _choice(name: Any, advised: Any) -> Text:
    """Name of a choice, bold where it is the one to take."""
    from rich.text import Text

    return Text(str(name), style="bold" if name == advised else "")


def compare_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """Advice, dates, and what each way takes."""
    goal, advised = document["goal"], document["advised"]
    where = f" in {document['bed']}" if document["bed"] else ""
    day = f", bed free {iso_day(document['bed_free'])}" if document["bed_free"] else ""
    constant = document["soil"]["constant_C"]
    soil = f"constant {show_temperature(constant, units)}" if constant is not None else ""
    dates = plain_table(
        f"{document['called']}{where}{day}, {show_length(document['depth_cm'], units)} deep",
        ([_choice(option["option"], advised), *_days(option)] for option in document["options"]),
        *("method", "wetted", "planted", "first", "half", "full", "since wetted"),
        caption="Days from planting to each stage, and from wetting to half, with 80 % ranges. "
        f"Soil: {soil or document['soil']['source']}.",
    )
    takes = plain_table(
        "What each method brings and takes",
        document["options"],
        ("method", lambda option: _choice(option["option"], advised)),
        (">stand", lambda option: percent(option["stand_per_seed_planted"]["p50"])),
        (">started", lambda option: percent(option["stand_per_seed_started"]["p50"])),
        (">seeds", lambda option: option["seeds_to_start"]),
        ("bed-days", lambda option: spread(option["bed_days"]["to_harvest"])),
        (">gain", lambda option: signed(option["gain"]["at_emergence_d"]["p50"])),
        (">left", lambda option: signed(option["gain"]["at_harvest_d"]["p50"])),
        (">min", lambda option: number(option["minutes"])),
        (">best", lambda option: percent(option["best_odds"][goal])),
        caption="Stand: of the seeds planted, and of those started. Seeds to start for "
        f"{document['plants_wanted']} plants. Bed-days to first harvest. Days gained over dry "
        "seed at emergence (gain) and at first harvest (left). Minutes of work. Best: odds of "
        f"{_GOALS[goal]}.",
    )
    answer = _answer(document["advice"], document["reason"])
    return [*answer, dates, takes, *notes_and_cautions(document)]


def _days(option: Document) -> list[str]:
    """Days of wetting and planting, and the days from them to each stage."""
    since, lead = option["days_since_planted"], option["lead_d"]["p50"]
    half = since["half"]["p50"]
    places = 1 if half is not None and half < 10 else 0
    wetted = f"-{lead:.1f} d" if lead else "day 0"
    return [
        iso_day(option["started"]) if option["started"] else wetted,
        iso_day(option["planted"]) if option["planted"] else "day 0",
        *(spread(since[stage], places) for stage in ("first", "half", "full")),
        spread(option["days_since_started"]["half"], places),
    ]


def presprout_tables(document: Document, units: Units = Units.METRIC) -> list[RenderableType]:
    """What to do when, and how sure it is."""
    from rich.text import Text

    where = f" for {document['bed']}" if document["bed"] else ""
    seeds = document["seeds_to_start"]
    answer = _answer(
        f"Wet {'the seed' if seeds is None else f'{seeds} seeds'} on "
        f"{local_time(document['start'])}; plant on {iso_day(document['plant'])}.",
        f"Odds that the batch is then fit to plant: {percent(document['ready_odds'])}"
        f"{_cold(document, units)}.",
    )
    steps = plain_table(
        f"Sprouting {document['called']}{where}",
        document["events"],
        ("when", lambda event: local_time(event["start"])),
        ("what", lambda event: f"{event['summary']}. {event['description']}"),
    )
    room = show_temperature(document["room_C"], units)
    ready = _time_words(document["days_until_ready"])
    lines: list[RenderableType] = [
        Text(
            f"At {room} roots reach planting length after {ready} "
            f"and outgrow it {_time_words(document['days_plantable_in_the_room'])} later."
        )
    ]
    if seeds is not None:
        lines.append(
            Text(
                f"For {document['plants_wanted']} plants start {seeds} seeds and plant "
                f"{document['seeds_to_plant']} sprouted ones, in a good moist seedbed."
            )
        )
    if document["cold_losses"]:
        losses = plain_table(
            "Growth of roots lost after a time in the cold",
            (_cold_loss(loss, units) for loss in document["cold_losses"]),
            *("sprouts", ">roots", ">held", ">at", ">lost"),
            caption="Published figures, by the length of the roots when they were chilled.",
        )
        lines.append(losses)
    return [*answer, steps, *lines, *notes_and_cautions(document)]


def _cold_loss(loss: Document, units: Units) -> list[str]:
    low, high = (round(100 * loss[end]) for end in ("low", "high"))
    hold_h = loss["hold_h"]
    return [
        loss["crop"],
        f"{loss['radicle_mm']:g} mm",
        f"{hold_h:g} h" if hold_h < 24 else f"{hold_h / 24:g} d",
        show_temperature(loss["temperature_C"], units),
        f"{low} %" if low == high else f"{low}–{high} %",
    ]


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


def sow_again_tables(document: Document) -> list[RenderableType]:
    """Advice, the days ahead, and the ways."""
    counted = "" if document["counted"] is None else f", {document['counted']} counted"
    days = plain_table(
        f"Row {document['row']} ({document['called']}){counted}: if nothing is done",
        document["days"],
        ("day", lambda ahead: iso_day(ahead["day"])),
        ("plants", lambda ahead: spread(ahead["plants"])),
        (">still to come", lambda ahead: percent(ahead["still_to_come"])),
        (">enough", lambda ahead: percent(ahead["enough_odds"])),
        caption=f"Plants that show, of the {document['plants_wanted']} you want; share of the "
        "final stand still to come; odds that enough show to keep the row.",
    )
    ways = plain_table(
        "What can be done today",
        document["ways"],
        ("way", lambda way: _choice(way["way"], document["advised"])),
        ("plants", lambda way: spread(way["plants"])),
        ("half up", lambda way: iso_day(way["half_up"]["p50"])),
        ("first harvest", lambda way: iso_day(way["first_harvest"]["p50"])),
        (">bed-days", lambda way: number(way["bed_days_per_full_row"]["mean"])),
        (">more seeds", lambda way: way["more_seeds"]),
        caption=f"Bed-days from today to {document['bed_days_until']}, for a full row.",
    )
    answer = _answer(document["advice"], document["reason"])
    return [*answer, days, ways, *notes_and_cautions(document)]


def window_tables(document: Document, every: int = 7) -> list[RenderableType]:
    """Best day, suitable days for each cover and treatment, and figures of every seventh day."""
    days, members = document["within_days"], document["members"]
    ways = "one way" if members == 1 else f"{members} ways"
    suitable = plain_table(
        f"{document['called']}: when to plant",
        document["sensible"],
        ("cover", lambda row: row["cover"]),
        ("treatment", lambda row: row["treatment"]),
        ("earliest", lambda row: iso_day(row["earliest"])),
        ("last", lambda row: iso_day(row["last"])),
        ("why not before", lambda row: row["before_that"]),
        ("why not after", lambda row: row["after_that"] or None),
        caption=f"Over {ways} the season may go; half of the row up within {days:g} days. "
        f"Soil: {document['soil']['source']}.",
    )
    table = _day_table(document["days"], days, every)
    return [*_answer(*_best(document)), suitable, table, *notes_and_cautions(document)]


def _day_table(rows: list[Document], within: float, every: int) -> Table:
    """Every so many days; columns in which nothing is known or nothing differs are left out."""
    in_time = f"odds of half up within {within:g} days"
    harvest = any(row["bed_days_to_harvest"]["p50"] is not None for row in rows)
    columns: list[tuple[Any, str, str, Callable[[Document], str]]] = [
        (True, "planted", "", lambda row: iso_day(row["planted"])),
        (len({row["cover"] for row in rows}) > 1, "cover", "", lambda row: row["cover"]),
        (True, "treatment", "", lambda row: row["treatment"]),
        (True, f">in {within:g} d", in_time, lambda row: percent(row["odds_in_time"])),
        (True, "to half", "days to half emergence", lambda row: spread(row["days_to_half"])),
        (True, ">stand", "expected stand", lambda row: percent(row["stand"])),
        (harvest, "bed-days", "to first harvest", lambda row: spread(row["bed_days_to_harvest"])),
        (
            any(row["frost_risk"] for row in rows),
            ">frost", "odds of frost on the seedlings", lambda row: percent(row["frost_risk"]),
        ),
        (
            any(row["odds_harvest_before_frost"] is not None for row in rows),
            ">in time", "odds of a harvest before the first hard frost",
            lambda row: percent(row["odds_harvest_before_frost"]),
        ),
    ]  # fmt: skip
    shown = [column for column in columns if column[0]]
    by_day: dict[str, list[Document]] = {}
    for row in rows:
        by_day.setdefault(row["planted"], []).append(row)
    return plain_table(
        "Day by day",
        (
            [cell(row) for *_, cell in shown]
            for planted in sorted(by_day)[::every]
            for row in by_day[planted]
        ),
        *[head for _, head, _, _ in shown],
        caption=sentence(
            "; ".join(
                f"{head.removeprefix('>')}: {meaning}" for _, head, meaning, _ in shown if meaning
            )
        ),
    )


def _best(document: Document) -> list[str]:
    """Bottom line: the suitable days, and the day with the fewest bed-days where it is known."""
    suitable = [row for row in document["sensible"] if row["earliest"] is not None]
    if not suitable:
        days = f"{document['within_days']:g} days"
        slow = f"half the row would take longer than {days} to come up"
        return [f"No suitable day: {slow}, or frost would take it."]
    first = min(suitable, key=lambda row: str(row["earliest"]))
    last = max(suitable, key=lambda row: str(row["last"]))
    from_day, to_day = iso_day(first["earliest"]), iso_day(last["last"])
    way, until = _way(first), _way(last)
    days = f"from {from_day} ({way}) to {to_day} ({until})"
    if way == until:
        days = f"({way}) from {from_day} to {to_day}"
    lines = [f"Plant {document['called']} {days}."]
    best = document["best"]
    if best is not None:
        wait = best["wait_d"]
        idle = f" {wait:.0f} days of waiting included," if wait >= 1 else ""
        lines.append(
            f"Fewest bed-days for a full row from {iso_day(best['from'])} on: {_way(best)}, "
            f"planted on {iso_day(best['planted'])} ({best['bed_days']:.0f} days,{idle} stand "
            f"{percent(best['stand'])})."
        )
    return lines


def _way(row: Document) -> str:
    cover = "" if row["cover"] == "open bed" else f" under {row['cover']}"
    return f"{row['treatment']}{cover}"


def stations_tables(document: Document) -> list[RenderableType]:
    """The number of seeds to take, and the choices around it."""
    seeds = document["seeds_per_station"]
    table = plain_table(
        f"{document['called']}: seeds for each of {document['stations']} stations",
        _selection(document["choices"], seeds),
        ("seeds", lambda choice: _choice(choice["seeds_per_station"], seeds)),
        ("stations filled", lambda choice: percent_spread(choice["stations_filled"])),
        (">odds", lambda choice: percent(choice["odds_reached"])),
        (">plants", lambda choice: number(choice["plants_per_station"], 1)),
        (">to thin", lambda choice: number(choice["to_thin_per_station"], 1)),
        (">minutes", lambda choice: number(choice["thinning_minutes"])),
        (">seeds in all", lambda choice: choice["seeds_in_all"]),
        (">g", lambda choice: exact(choice["grams"])),
        caption=f"Odds: that {percent(document['share_wanted'])} of the stations have a plant. "
        f"Emergence: {percent_spread(document['emergence'])} of the seeds planted. Plants and "
        "thinning for each station.",
    )
    answer = f"Drop {seeds} {'seed' if seeds == 1 else 'seeds'} in each station."
    if seeds is None:
        day = " on this day" if document["soil"]["source"] is not None else ""
        answer = f"No number of seeds is enough at these odds{day}."
    return [*_answer(answer), table, *notes_and_cautions(document)]


def _selection(choices: list[Document], advice: int | None) -> list[Document]:
    """At most a dozen choices: the one to take, its neighbours and evenly spread others."""
    step = -(-len(choices) // _MOST_CHOICES)
    near = () if advice is None else (advice - 1, advice, advice + 1)
    return [
        choice
        for index, choice in enumerate(choices)
        if index % step == 0 or choice["seeds_per_station"] in near
    ]


def succession_tables(document: Document) -> list[RenderableType]:
    """Sowing days of a succession."""
    aim = "up" if document["aim"] == "emergence" else "ready"
    sowings = document["sowings"]
    table = plain_table(
        f"{document['called']}, {treatment_words(document['treatment'])}: {aim} every "
        f"{document['every_days']:g} days",
        sowings,
        ("sow", lambda sowing: iso_day(sowing["planted"])),
        (">days since last", lambda sowing: exact(sowing["days_since_last"])),
        (f"target: {aim}", lambda sowing: iso_day(sowing["wanted"])),
        ("expected", lambda sowing: iso_day(sowing["p50"])),
        ("80 % range", lambda sowing: stage_range(sowing)),
        (">error (days)", lambda sowing: signed(sowing["off_by_days"])),
    )
    days = ", ".join(iso_day(sowing["planted"]) for sowing in sowings)
    answer = _answer(f"Sow {document['called']} on {days}.") if sowings else []
    return [*answer, table, *notes_and_cautions(document)]


def openings_tables(document: Document) -> list[RenderableType]:
    """Crops and treatments for the days on which beds are empty."""
    table = plain_table(
        "What fits while a bed is empty",
        document["openings"],
        ("bed", lambda fit: fit["bed"]),
        ("free", lambda fit: iso_days(fit["from"], fit["until"])),
        ("crop", lambda fit: fit["called"]),
        ("treatment", lambda fit: fit["treatment"]),
        (">in time", lambda fit: percent(fit["ready_odds"])),
        (">spare days", lambda fit: number(fit["spare_days"])),
        (">stand", lambda fit: percent(fit["stand"])),
        caption="In time: odds that first harvest comes before you need the bed. Spare days: "
        "those left after first harvest, most likely.",
    )
    fits = document["openings"]
    return [*(_answer(*_best_fits(fits)) if fits else ()), table, *notes_and_cautions(document)]


def _best_fits(fits: list[Document]) -> list[str]:
    """What is likeliest to be ready in time, for each bed and the days it is empty."""
    beds: dict[tuple[str, str], Document] = {}
    for fit in fits:
        key = (fit["bed"], iso_days(fit["from"], fit["until"]))
        if key not in beds or (fit["ready_odds"] or 0.0) > (beds[key]["ready_odds"] or 0.0):
            beds[key] = fit
    return [
        f"{bed}, {days}: {fit['called']}, {fit['treatment']}, {percent(fit['ready_odds'])} in time."
        if (fit["ready_odds"] or 0.0) >= 0.01
        else f"{bed}, {days}: nothing is ready in time."
        for (bed, days), fit in beds.items()
    ]
