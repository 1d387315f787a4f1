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
    from rich.console import RenderableType


_MOST_CHOICES = 10


def window_tables(document: Document, every: int = 7) -> list[RenderableType]:
    """Sensible days for each cover and treatment, and figures of every seventh day."""
    from rich.text import Text

    days = document["within_days"]
    sensible = plain_table(
        f"{document['crop']}: when to plant",
        "cover", "treatment", "earliest", "last", "why not before", "why not after",
        caption=f"Over {document['members']} years or members; "
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
    several = len({row["cover"] for row in document["days"]}) > 1
    table = plain_table(
        "Day by day",
        "planted", "treatment", f"in {days:g} d", "days to half", "stand", "bed-days", "frost",
        "in time",
        caption=f"Odds of half up in {days:g} days; expected stand; bed-days to first harvest; "
        "odds of frost on the seedlings and of a harvest before the first hard frost.",
    )  # fmt: skip
    order: dict[str, list[Document]] = {row["planted"]: [] for row in document["days"]}
    for row in document["days"]:
        order[row["planted"]].append(row)
    for day in sorted(order)[::every]:
        for row in order[day]:
            cover = f", {row['cover']}" if several else ""
            table.add_row(
                short_day(row["planted"]),
                f"{row['treatment']}{cover}",
                _share(row["odds_in_time"]),
                spread(row["days_to_half"]),
                _share(row["stand"]),
                spread(row["bed_days_to_harvest"]),
                _share(row["frost_risk"]),
                _share(row["odds_harvest_before_frost"]),
            )
    return [sensible, table, *(Text(text) for text in document["notes"])]


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
