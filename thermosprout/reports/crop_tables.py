"""Tables of the catalogue, of one crop, of a seed lot, of a calibration and of a trial."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from math import isnan
from typing import TYPE_CHECKING, Any

from thermosprout.crops.estimate import DERIVED_HEADINGS, PARAMETERS
from thermosprout.quantities import Units, percent, show_length, show_temperature
from thermosprout.reports.words import (
    estimate_words,
    notes_and_cautions,
    number,
    percent_spread,
    plain_table,
    range_words,
    sentence,
    treatment_words,
)

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table


_QUANTILES = ("p10", "p50", "p90")


def list_table(rows: Sequence[dict[str, Any]], units: Units) -> Table:
    """One line a crop: its cardinal temperatures and heat sum."""
    degree = "°F" if units is Units.US else "°C"
    return plain_table(
        "",
        rows,
        ("crop", lambda row: row["name"]),
        ("Latin name", lambda row: row["latin_name"].partition(" (")[0]),
        (f">base {degree}", lambda row: _degrees(row["t_base_C"], units)),
        (">optimum", lambda row: _degrees(row["t_opt_C"], units)),
        (">ceiling", lambda row: _degrees(row["t_ceiling_C"], units)),
        (">°C d", lambda row: number(row["thermal_time_50_Cd"])),
        ("curve", lambda row: row["response"]),
        caption="beta: base is the foot of a curve, below what handbooks print; `crops NAME` shows "
        "theirs.",
    )


def _degrees(value_C: float, units: Units) -> str:
    """Temperature without its unit."""
    return show_temperature(value_C, units).partition(" ")[0]


def constant_tables(answer: dict[str, Any], units: Units) -> list[RenderableType]:
    """Days since planting for each stage, the stand, and cautions where seed is wetted."""
    rows = [
        [stage, *("never" if days[key] is None else number(days[key], 1) for key in _QUANTILES)]
        for stage, days in answer["days_since_planted"].items()
    ]
    temperature = show_temperature(answer["temperature_C"], units)
    depth = show_length(answer["depth_cm"], units)
    table = plain_table(
        f"{answer['crop']}, {treatment_words(answer['treatment'])}, {temperature}, {depth} deep",
        rows,
        *("days since planted", ">1 in 10 by", ">even odds", ">9 in 10 by"),
    )
    stand = f"Stand: {percent_spread(answer['stand'])} of the seeds planted."
    return [table, *notes_and_cautions({**answer, "notes": [stand]})]


def crop_tables(document: dict[str, Any], units: Units) -> list[RenderableType]:
    """Show one crop: head, parameters, published days, sources, cautions."""
    parts: list[RenderableType] = [_head(document, units), _parameters(document)]
    if document["published_days"]:
        parts.append(_published(document, units))
    return [*parts, _sources(document), *notes_and_cautions({**document, "notes": []})]


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
    why = "lower: it follows the slow cold half, which the line leaves out"
    if line["base_C"] < document["t_base_C"]:
        why = "higher: it drops to zero faster in the cold than the line does"
    weighed = "Its own sum is weighed by the curve and is no handbook figure."
    return [f"{text}.", f"The curve's foot lies {why}. {weighed}"]


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
    return plain_table(
        "",
        [{"name": name, **row} for name, row in document["parameters"].items()],
        ("parameter", lambda row: parameter_heading(row["name"])),
        (">typical", lambda row: f"{row['estimate']:.3g}"),
        (">90 % of lots", lambda row: range_words(f"{row['low']:.3g}", f"{row['high']:.3g}")),
        ("meaning", lambda row: row["meaning"]),
    )


def _published(document: dict[str, Any], units: Units) -> Table:
    return plain_table(
        "",
        document["published_days"],
        (">soil", lambda row: show_temperature(row["temperature_C"], units)),
        (">published days", lambda row: _cell_days(row["days_low"], row["days_high"])),
        (
            ">recalled",
            lambda row: "" if isnan(row["days_decimal"]) else f"{row['days_decimal']:.1f}",
        ),
        (">catalogue", lambda row: f"{row['fitted_days']:.1f}"),
        ("source", lambda row: row["source"]),
        ("verified", lambda row: row["verified"]),
    )


def _cell_days(low: float, high: float) -> str:
    """Days of a table that prints whole ones: ``7``, else their range."""
    return f"{(low + high) / 2:.0f}" if high - low == 1.0 else range_words(f"{low:g}", f"{high:g}")


def _sources(document: dict[str, Any]) -> Table:
    rows = (
        [_figure(row["what"]), row["verified"], row["source"]] for row in document["provenance"]
    )
    table = plain_table("", rows, "figure", "verified", "source")
    for column, ratio in zip(table.columns, (2, None, 4), strict=True):
        column.ratio, column.no_wrap = ratio, ratio is None
    return table


def _figure(what: str) -> str:
    """What a source is of, parameters as the other tables call them."""
    names = (text.strip() for text in what.split(","))
    return ", ".join(PARAMETERS[name].label if name in PARAMETERS else name for name in names)


def lot_tables(document: dict[str, Any]) -> list[RenderableType]:
    """Viability of a lot by year, and its vigour in a sentence."""
    interval = f">{percent(document['interval'])} interval"
    table = plain_table(
        f"{document['crop']}: live seed",
        document["viability"],
        ("on", lambda row: row["on"]),
        (">alive", lambda row: percent(row["estimate"])),
        (interval, lambda row: f"{100 * row['low']:.0f}–{percent(row['high'])}"),
    )
    slower = document["slower_pct"]
    return [table] if slower is None else [table, vigour_sentence(slower)]


def vigour_sentence(slower: dict[str, float]) -> str:
    """How a lot's speed compares with a usual lot's."""
    low, middle, high = slower["low"], slower["estimate"], slower["high"]
    spread = f"({low:+.0f} to {high:+.0f} %)"
    if low > 0:
        return f"Slower than a usual lot: {middle:.0f} % more time to half germination {spread}."
    if high < 0:
        return f"Quicker than a usual lot: {-middle:.0f} % less time to half germination {spread}."
    unclear = "The test does not tell this lot's speed from a usual lot's"
    return f"{unclear}: {middle:+.0f} % time to half germination {spread}."


_ALWAYS = ("t_base_C", "thermal_time_50_Cd", "sigma", "field_factor")
_IN_PARTS = ("opt_gap_C", "ceiling_gap_C", "curvature")
"""Shown as the temperatures they make up, not by themselves."""


def parameter_heading(name: str) -> str:
    """What tables call a parameter, with its unit."""
    return DERIVED_HEADINGS.get(name) or PARAMETERS[name].heading


def calibration_tables(document: dict[str, Any]) -> list[RenderableType]:
    """Tables of a calibration document, each at most 80 columns wide."""
    name = ", ".join(filter(None, (document["crop"], document["variety"], document["seed_lot"])))
    records, prior = document["records"], document["prior"]
    seeds = f", {records['seeds']} seeds" if records["seeds"] else ""
    rows, others = [], 0
    for key, item in document["parameters"].items():
        if key in _IN_PARTS or not (item["learned"] or key in _ALWAYS):
            others += 1
        else:
            rows.append([parameter_heading(key), *_change(item, prior=bool(prior))])
    items: list[RenderableType] = [
        plain_table(
            f"{name}: {records['plots']} plots{seeds}",
            rows,
            *("", ">now", ">90 % interval", ">before", ">narrower"),
        )
    ]
    if prior:
        start = prior.replace("catalogue: ", "the catalogue's ")
        items.append(
            f"Starting point: {start}. Not shown: {others} parameters your records say little "
            "about (see --json)."
        )
    else:
        items.append("From the records alone, without the catalogue.")
    items += [
        f"{item['treatment']}: {_EFFECTS[item['measure']]} {item['estimate']:.2f} "
        f"({item['low']:.2f} to {item['high']:.2f})"
        for item in document["treatments"]
    ]
    if "check" in document:
        items.append(_score_table(document["check"]))
    items += [f"Note: {text}." for text in document["warnings"]]
    return items


_EFFECTS = {
    "thermal_time_factor": "thermal time times",
    "stand_odds_factor": "odds of a seedling times",
}


def _change(item: dict[str, Any], *, prior: bool) -> list[str | None]:
    """What records made of a parameter: now, interval, interval before, how much narrower."""
    before = range_words(_short(item["before"]["low"]), _short(item["before"]["high"]))
    if item["estimate"] is None:
        return [None, None, before, None]
    narrower = "kept" if item["kept"] else percent(item["narrower"])
    interval = range_words(_short(item["low"]), _short(item["high"]))
    return [_short(item["estimate"]), interval, before, narrower if prior else None]


def _score_table(check: dict[str, Any]) -> Table:
    return plain_table(
        f"Forecasts of each {check['left_out']} left out",
        check["scores"],
        ("forecast by", lambda row: row["name"]),
        (">CRPS [d]", lambda row: f"{row['date_crps_d']:.2f}"),
        (">error [d]", lambda row: f"{row['date_error_d']:.2f}"),
        (">dates in 80 %", lambda row: percent(row["date_covered"])),
        (">CRPS stand", lambda row: number(row["stand_crps"], 3)),
        (">stands in 80 %", lambda row: percent(row["stand_covered"])),
    )


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
    from rich.text import Text

    level, treatments = round(100 * document["interval"]), document["treatments"]
    for text in document["bottom_line"]:
        yield Text(sentence(text), style="bold")
    yield _stand(treatments, level)
    yield _times(treatments, level)
    if document["varieties"]:
        yield _varieties(document["varieties"], [item["treatment"] for item in treatments])
    for heading, texts in (
        ("What it shows", document["verdict"]), ("Keep in mind", document["warnings"]),
    ):  # fmt: skip
        if texts:
            yield from (Text(""), Text(heading, style="bold"))
        yield from (Text(f"- {sentence(text)}") for text in texts)


def _stand(treatments: list[Mapping[str, Any]], level: int) -> Table:
    def share(key: str) -> Callable[[Any], str]:
        return lambda item: estimate_words(item[key], share=True, between="\n")

    return plain_table(
        f"Final stand ({level} % interval)",
        treatments[:_MOST_ROWS],
        ("", lambda item: item["treatment"]),
        (">plots", lambda item: item["plots"]),
        (">seeds\nplanted", lambda item: item["seeds_planted"]),
        (">emerged", lambda item: item["emerged"]),
        (">per seed\nplanted", share("stand")),
        (">per seed\nstarted", share("stand_per_started")),
        wrap_first=True,
    )


def _times(treatments: list[Mapping[str, Any]], level: int) -> Table:
    shown = [column for column in _TIMES if any(item[column[0]] for item in treatments)]
    return plain_table(
        f"Times ({level} % interval)",
        (
            [
                item["treatment"],
                *(estimate_words(item[key], places, between="\n") for key, _, places in shown),
            ]
            for item in treatments[:_MOST_ROWS]
        ),
        "",
        *(f">{head}" for _, head, _ in shown),
        wrap_first=True,
    )


def _varieties(varieties: list[Mapping[str, Any]], labels: list[str]) -> Table:
    """Stand and half emergence of each variety (rows) with each treatment (columns)."""
    every = [item for variety in varieties for item in variety["treatments"]]
    started = all(item["stand_per_started"] is not None for item in every)
    stand, seed = ("stand_per_started", "started") if started else ("stand", "planted")
    rows = []
    for variety in varieties[:_MOST_ROWS]:
        cells = {item["treatment"]: item for item in variety["treatments"]}
        rows.append(
            [variety["variety"] or None, *(_cell(cells.get(label), stand) for label in labels)]
        )
    more = len(varieties) - _MOST_ROWS
    return plain_table(
        f"Varieties: stand per seed {seed}, half emergence in days since planting",
        rows,
        "",
        *(f">{label}" for label in labels),
        caption=f"{more} more varieties: see --json." if more > 0 else None,
        wrap_first=True,
    )


def _cell(item: Mapping[str, Any] | None, stand: str) -> str | None:
    if item is None:
        return None
    share, half = (
        None if item[key] is None else item[key]["estimate"]
        for key in (stand, "t50_since_planted_d")
    )
    parts = (percent(share) if share is not None else "", f"{half:.1f} d" if half else "")
    return ", ".join(filter(None, parts)) or None
