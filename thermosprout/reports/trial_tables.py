"""Tables and sentences of a trial's analysis."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING, Any

from thermosprout.reports.words import UNKNOWN, plain_table

if TYPE_CHECKING:
    from rich.console import RenderableType


_MOST_ROWS = 40
_TIMES = (
    ("t50_since_planted_d", "half since\nplanted, d", 1),
    ("t50_since_started_d", "half since\nstarted, d", 1),
    ("first_since_planted_d", "first since\nplanted, d", 1),
    ("spread_d", "1/10 to\n9/10, d", 1),
    ("thermal_time_50_Cd", "half,\n°C d", 0),
    ("bed_days_to_first_harvest", "bed-days to\nharvest", 0),
)


def trial_tables(document: Mapping[str, Any]) -> Iterator[RenderableType]:
    """Tables and sentences of one analysis.

    Parameters
    ----------
    document : mapping
        As :meth:`thermosprout.trials.analysis.results.TrialResult.to_dict` gives it.
    """
    from rich.padding import Padding
    from rich.text import Text

    level = round(100 * document["interval"])
    for sentence in document["bottom_line"]:
        yield Text(_closed(sentence).removeprefix("- "), style="bold")
    yield Text("")
    yield _stand(document["treatments"], level)
    yield _times(document["treatments"], level)
    if document["varieties"]:
        yield _varieties(document["varieties"], document["treatments"])
    yield Text("What it shows", style="bold")
    for sentence in document["verdict"]:
        yield Padding(Text(_closed(sentence)), (0, 0, 0, 2))
    if document["warnings"]:
        yield Text("Keep in mind", style="bold")
        for sentence in document["warnings"]:
            yield Padding(Text(_closed(sentence)), (0, 0, 0, 2))


def _closed(sentence: str) -> str:
    return (
        "- " + sentence[:1].upper() + sentence[1:] + ("" if sentence.endswith((".", "?")) else ".")
    )


def _stand(treatments: list[Mapping[str, Any]], level: int) -> RenderableType:
    numbers = ("plots", "seeds\nplanted", "emerged", "per seed\nplanted", "per seed\nstarted")
    table = plain_table(f"Final stand ({level} % interval)", "", *numbers, numbers=numbers)
    table.columns[0].no_wrap = False
    for item in treatments[:_MOST_ROWS]:
        table.add_row(
            item["treatment"],
            str(item["plots"]),
            str(item["seeds_planted"]),
            str(item["emerged"]),
            _share(item["stand"]),
            _share(item["stand_per_started"]),
        )
    return table


def _times(treatments: list[Mapping[str, Any]], level: int) -> RenderableType:
    shown = [column for column in _TIMES if any(item[column[0]] for item in treatments)]
    numbers = tuple(name for _, name, _ in shown)
    table = plain_table(f"Times ({level} % interval)", "", *numbers, numbers=numbers)
    table.columns[0].no_wrap = False
    for item in treatments[:_MOST_ROWS]:
        table.add_row(item["treatment"], *(_number(item[key], digits) for key, _, digits in shown))
    return table


def _varieties(
    varieties: list[Mapping[str, Any]], treatments: list[Mapping[str, Any]]
) -> RenderableType:
    """Stand and half emergence of each variety (rows) with each treatment (columns)."""
    labels = [item["treatment"] for item in treatments]
    every = [item for variety in varieties for item in variety["treatments"]]
    started = all(item["stand_per_started"] is not None for item in every)
    stand, seed = ("stand_per_started", "started") if started else ("stand", "planted")
    title = f"Varieties: stand per seed {seed}, half emergence in days since planting"
    table = plain_table(title, "", *labels, numbers=tuple(labels))
    table.columns[0].no_wrap = False
    for variety in varieties[:_MOST_ROWS]:
        cells = {item["treatment"]: item for item in variety["treatments"]}
        table.add_row(
            variety["variety"] or UNKNOWN,
            *(_cell(cells.get(label), stand) for label in labels),
        )
    if len(varieties) > _MOST_ROWS:
        table.caption = f"{len(varieties) - _MOST_ROWS} more varieties: see --json."
    return table


def _cell(item: Mapping[str, Any] | None, stand: str) -> str:
    if item is None:
        return UNKNOWN
    share, half = item[stand], item["t50_since_planted_d"]
    parts = (
        "" if share is None or share["estimate"] is None else f"{100 * share['estimate']:.0f} %",
        "" if half is None or half["estimate"] is None else f"{half['estimate']:.1f} d",
    )
    return ", ".join(filter(None, parts)) or UNKNOWN


def _share(value: Mapping[str, Any] | None) -> str:
    if value is None or value["estimate"] is None:
        return UNKNOWN
    text = f"{100 * value['estimate']:.0f} %"
    if value["low"] is not None:
        text += f"\n{100 * value['low']:.0f}–{100 * value['high']:.0f}"
    return text


def _number(value: Mapping[str, Any] | None, digits: int) -> str:
    if value is None or value["estimate"] is None:
        return UNKNOWN
    text = f"{value['estimate']:.{digits}f}"
    if value["low"] is not None:
        text += f"\n{value['low']:.{digits}f} to {value['high']:.{digits}f}"
    return text
