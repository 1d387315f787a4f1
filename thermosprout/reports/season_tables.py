"""Plans for a season as tables that fit a terminal of 80 columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from thermosprout.reports.plan_tables import (
    UNKNOWN,
    Document,
    percent,
    plain_table,
    short_day,
    spread,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from rich.console import RenderableType
    from rich.table import Table


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
