"""Tables of the catalogue, of one crop, of a seed lot, of a calibration and of a trial."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from thermosprout.crops.estimate import DERIVED_HEADINGS, PARAMETERS
from thermosprout.quantities import Units, show_length, show_temperature
from thermosprout.reports.words import UNKNOWN, number, percent, plain_table, range_words

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table


_QUANTILES = ("p10", "p50", "p90")


def list_table(rows: Sequence[dict[str, Any]], units: Units) -> Table:
    """One line a crop: its cardinal temperatures and heat sum."""
    degree = "°F" if units is Units.US else "°C"
    numbers = (f"base {degree}", "optimum", "ceiling", "°C d")
    table = plain_table(
        "", "crop", "Latin name", *numbers, "curve", numbers=numbers,
        caption="beta: base is the foot of a curve, below what handbooks print; `crops NAME` shows "
        "theirs.",
    )  # fmt: skip
    for row in rows:
        table.add_row(
            row["name"],
            row["latin_name"].partition(" (")[0],
            *(
                show_temperature(row[key], units).partition(" ")[0]
                for key in ("t_base_C", "t_opt_C", "t_ceiling_C")
            ),
            f"{row['thermal_time_50_Cd']:.0f}",
            row["response"],
        )
    return table


def constant_table(answer: dict[str, Any], units: Units) -> Table:
    """Days since planting for each stage, and the stand."""
    numbers = ("1 in 10 by", "even odds", "9 in 10 by")
    table = plain_table(
        f"{answer['crop']}, {answer['treatment']}, "
        f"{show_temperature(answer['temperature_C'], units)}, "
        f"{show_length(answer['depth_cm'], units)} deep",
        "days since planted", *numbers, numbers=numbers,
    )  # fmt: skip
    for stage, days in answer["days_since_planted"].items():
        row = ("never" if days[key] is None else number(days[key], 1) for key in _QUANTILES)
        table.add_row(stage, *row)
    table.add_row("stand", *(percent(answer["stand"][key]) for key in _QUANTILES))
    return table


def crop_tables(document: dict[str, Any], units: Units) -> list[RenderableType]:
    """Show one crop: head, parameters, published days, sources, cautions."""
    parts: list[RenderableType] = [_head(document, units), "", _parameters(document)]
    if document["published_days"]:
        parts += ["", _published(document, units)]
    return [
        *parts,
        "",
        _sources(document),
        "",
        *(f"Caution: {text}" for text in document["cautions"]),
    ]


def _head(document: dict[str, Any], units: Units) -> str:
    names = ", ".join(document["aliases"])
    practice, total = document["practice"], document["thermal_time_50_Cd"]
    base = "Foot of the curve" if document["response"] == "beta" else "Base"
    hardy = "tender" if document["tender"] else "hardy"
    cardinal = [
        show_temperature(document[key], units) for key in ("t_base_C", "t_opt_C", "t_ceiling_C")
    ]
    lines = [
        f"{document['name']}, {document['latin_name']}" + (f"; also {names}" if names else ""),
        f"{base} {cardinal[0]}, optimum {cardinal[1]}, ceiling {cardinal[2]}; {total:.0f} °C d.",
        f"Response: {document['response_reason']}.",
        *_handbook(document, units),
        *document["handling_rests_on"],
        f"{document['season'].capitalize()}-season crop, {hardy}, {document['seed_size']} seed.",
    ]
    if document["chilling_sensitive"]:
        limit = show_temperature(document["chilling_limit_C"], units)
        lines.append(f"Cold water harms it: below {limit} in the first day in the soil.")
    if document["harmed_by_soaking"]:
        lines.append(f"Long soaking kills: about {document['safe_soak_h']:g} h are safe.")
    if practice["depth_cm"]:
        lines.append(_practice(practice, units))
    return "\n".join(lines)


def _handbook(document: dict[str, Any], units: Units) -> list[str]:
    """Base and heat sum as handbooks reckon them, beside those of a curve."""
    line = document["straight_line"]
    if document["response"] != "beta" or line is None:
        return []
    low, high = (show_temperature(line[key], units) for key in ("from_C", "to_C"))
    text = (
        f"As handbooks reckon it: a straight line through the warm half ({low} to {high}) gives a "
        f"base of {show_temperature(line['base_C'], units)} and a heat sum of "
        f"{line['heat_sum_Cd']:.0f} °C d"
    )
    bases = [item for item in document["published_bases"] if item["stage"] == "emergence"]
    if bases:
        shown = "; ".join(
            f"{show_temperature(item['base_C'], units)} ({item['source']})" for item in bases[:3]
        )
        text += f"; published {shown}"
    if line["base_C"] >= document["t_base_C"]:
        why = (
            "The curve's foot lies lower: it follows the slow cold half, which the line leaves out."
        )
    else:
        why = (
            "The curve's foot lies higher: it drops to zero faster in the cold than the line does."
        )
    return [f"{text}.", f"{why} Its own sum is weighed by the curve and is no handbook figure."]


def _practice(practice: dict[str, float | None], units: Units) -> str:
    low, high = practice["depth_cm"], practice["depth_high_cm"]
    text = f"Usual depth {show_length(low or 0.0, units)}"
    if high and high != low:
        text += f" to {show_length(high, units)}"
    if practice["spacing_cm"] and practice["row_spacing_cm"]:
        text += (
            f"; {show_length(practice['spacing_cm'], units)} in the row, rows "
            f"{show_length(practice['row_spacing_cm'], units)} apart"
        )
    if practice["seeds_per_g"]:
        text += f"; {practice['seeds_per_g']:g} seeds/g"
    if practice["days_to_harvest_low"]:
        text += (
            f"; {practice['days_to_harvest_low']:g} to {practice['days_to_harvest_high']:g} d "
            "to harvest"
        )
    return text + "."


def _parameters(document: dict[str, Any]) -> Table:
    numbers = ("typical", "90 % of lots")
    table = plain_table("", "parameter", *numbers, "meaning", numbers=numbers)
    for name, row in document["parameters"].items():
        table.add_row(
            parameter_heading(name),
            f"{row['estimate']:.3g}",
            range_words(f"{row['low']:.3g}", f"{row['high']:.3g}"),
            row["meaning"],
        )
    return table


def _published(document: dict[str, Any], units: Units) -> Table:
    numbers = ("soil", "published days", "recalled", "catalogue")
    table = plain_table("", *numbers, "source", "verified", numbers=numbers)
    for row in document["published_days"]:
        low, high, finer = row["days_low"], row["days_high"], row["days_decimal"]
        whole = high - low == 1.0
        table.add_row(
            show_temperature(row["temperature_C"], units),
            f"{(low + high) / 2:.0f}" if whole else range_words(f"{low:g}", f"{high:g}"),
            f"{finer:.1f}" if finer == finer else "",
            f"{row['fitted_days']:.1f}",
            row["source"],
            row["verified"],
        )
    return table


def _sources(document: dict[str, Any]) -> Table:
    table = plain_table("", "figure", "verified", "source")
    for column, ratio in zip(table.columns, (2, None, 4), strict=True):
        column.ratio, column.no_wrap = ratio, ratio is None
    for row in document["provenance"]:
        table.add_row(row["what"], row["verified"], row["source"])
    return table


def lot_tables(document: dict[str, Any]) -> list[RenderableType]:
    """Viability of a lot by year, and its vigour in a sentence."""
    numbers = ("alive", f"{percent(document['interval'])} interval")
    table = plain_table(document["crop"], "on", *numbers, numbers=numbers)
    for row in document["viability"]:
        table.add_row(
            str(row["on"]),
            percent(row["estimate"]),
            f"{100 * row['low']:.0f}–{percent(row['high'])}",
        )
    parts: list[RenderableType] = [table]
    slower = document["slower_pct"]
    if slower is not None:
        parts += ["", vigour_sentence(slower)]
    return parts


def vigour_sentence(slower: dict[str, float]) -> str:
    """How a lot's speed compares with a usual lot's."""
    low, middle, high = slower["low"], slower["estimate"], slower["high"]
    spread = f"({low:+.0f} to {high:+.0f} %)"
    if low > 0:
        return f"Slower than a usual lot: {middle:.0f} % more time to half germination {spread}."
    if high < 0:
        return f"Quicker than a usual lot: {-middle:.0f} % less time to half germination {spread}."
    return f"As quick as a usual lot, as far as the test shows: {middle:+.0f} % time {spread}."


_ALWAYS = ("t_base_C", "thermal_time_50_Cd", "sigma", "field_factor")
_IN_PARTS = ("opt_gap_C", "ceiling_gap_C", "curvature")
"""Shown as the temperatures they make up, not by themselves."""


def parameter_heading(name: str) -> str:
    """What tables call a parameter, with its unit."""
    return DERIVED_HEADINGS.get(name) or PARAMETERS[name].heading


def calibration_tables(document: dict[str, Any]) -> list[RenderableType]:
    """Tables of a calibration document, each at most 80 columns wide."""
    name = ", ".join(filter(None, (document["crop"], document["variety"], document["seed_lot"])))
    records = document["records"]
    seeds = f", {records['seeds']} seeds" if records["seeds"] else ""
    numbers = ("now", "90 % interval", "before", "narrower")
    table = plain_table(f"{name}: {records['plots']} plots{seeds}", "", *numbers, numbers=numbers)
    others = []
    for key, item in document["parameters"].items():
        shown = item["learned"] or key in _ALWAYS
        if key in _IN_PARTS or not shown:
            others.append(key)
            continue
        before = item["before"]
        span = range_words(_short(before["low"]), _short(before["high"]))
        if item["estimate"] is None:
            table.add_row(parameter_heading(key), UNKNOWN, UNKNOWN, span, UNKNOWN)
            continue
        narrower = "kept" if item["kept"] else percent(item["narrower"])
        table.add_row(
            parameter_heading(key), _short(item["estimate"]),
            range_words(_short(item["low"]), _short(item["high"])), span,
            narrower if document["prior"] else UNKNOWN,
        )  # fmt: skip
    items: list[RenderableType] = [table]
    if document["prior"]:
        start = document["prior"].replace("catalogue: ", "the catalogue's ")
        items.append(
            f"Starting point: {start}. Not shown: {len(others)} parameters your "
            "records say little about (see --json)."
        )
    else:
        items.append("From the records alone, without the catalogue.")
    items += _effects(document["treatments"])
    if document["effective_draws"] is not None:
        items.append(f"Effective draws: {document['effective_draws']:.0f}.")
    if "check" in document:
        items.append(_score_table(document["check"]))
    items += [f"Note: {text}." for text in document["warnings"]]
    return items


def _effects(effects: list[dict[str, Any]]) -> list[RenderableType]:
    words = {
        "thermal_time_factor": "thermal time times",
        "stand_odds_factor": "odds of a seedling times",
    }
    return [
        f"{item['treatment']}: {words[item['measure']]} {item['estimate']:.2f} "
        f"({item['low']:.2f} to {item['high']:.2f})"
        for item in effects
    ]


def _score_table(check: dict[str, Any]) -> RenderableType:
    numbers = ("CRPS [d]", "error [d]", "dates in 80 %", "CRPS stand", "stands in 80 %")
    table = plain_table(
        f"Forecasts of each {check['left_out']} left out", "forecast by", *numbers, numbers=numbers
    )
    for row in check["scores"]:
        table.add_row(
            row["name"], f"{row['date_crps_d']:.2f}", f"{row['date_error_d']:.2f}",
            percent(row["date_covered"]),
            number(row["stand_crps"], 3),
            percent(row["stand_covered"]),
        )  # fmt: skip
    return table


def _short(value: float) -> str:
    if abs(value) >= 100:
        return f"{value:.0f}"
    if abs(value) >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if abs(value) >= 0.1 else f"{value:.3f}"


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
        low, high = (f"{value[end]:.{digits}f}" for end in ("low", "high"))
        text += f"\n{range_words(low, high)}"
    return text
