"""Tables of the catalogue, of one crop, of a seed lot, and of a calibration."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from thermosprout.quantities import Units, show_length, show_temperature

if TYPE_CHECKING:
    from rich.console import RenderableType
    from rich.table import Table


def list_table(rows: Sequence[dict[str, Any]], units: Units) -> Table:
    """One line a crop: its cardinal temperatures and heat sum."""
    from rich.table import Table

    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("crop", no_wrap=True)
    table.add_column("Latin name", overflow="fold")
    degree = "°F" if units is Units.US else "°C"
    for head in (f"base {degree}", "optimum", "ceiling", "°C d", "curve"):
        table.add_column(head, justify="right", no_wrap=True)
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
    from rich.table import Table

    where = f"{show_temperature(answer['temperature_C'], units)}, "
    where += f"{show_length(answer['depth_cm'], units)} deep"
    table = Table(
        title=f"{answer['crop']}, {answer['treatment']}, {where}",
        box=None,
        header_style="bold",
        title_justify="left",
    )
    table.add_column("days since planted")
    for head in ("1 in 10 by", "even odds", "9 in 10 by"):
        table.add_column(head, justify="right")
    for stage, days in answer["days_since_planted"].items():
        table.add_row(stage, *(_days(days[key]) for key in ("p10", "p50", "p90")))
    stand = answer["stand"]
    table.add_row("stand, % of seeds", *(_percent(stand[key]) for key in ("p10", "p50", "p90")))
    return table


def _days(value: float | None) -> str:
    return "never" if value is None else f"{value:.1f}"


def _percent(value: float | None) -> str:
    return "-" if value is None else f"{100 * value:.0f}"


def crop_tables(document: dict[str, Any], units: Units) -> list[RenderableType]:
    """Show one crop: head, parameters, published days, sources, cautions."""
    parts: list[RenderableType] = [_head(document, units), "", _parameters(document)]
    if document["published_days"]:
        parts += ["", _published(document, units)]
    parts += ["", _sources(document)]
    parts += ["", *(f"Caution: {text}" for text in document["cautions"])]
    return parts


def _head(document: dict[str, Any], units: Units) -> str:
    names = ", ".join(document["aliases"])
    practice, total = document["practice"], document["thermal_time_50_Cd"]
    hardy = "tender" if document["tender"] else "hardy"
    cardinal = [
        show_temperature(document[key], units) for key in ("t_base_C", "t_opt_C", "t_ceiling_C")
    ]
    lines = [
        f"{document['name']}, {document['latin_name']}" + (f"; also {names}" if names else ""),
        f"Base {cardinal[0]}, optimum {cardinal[1]}, ceiling {cardinal[2]}; sum {total:.0f} °C d.",
        f"Response: {document['response_reason']}.",
        *(
            ["Its sum is weighed by the curve: no measure to hold against a handbook's heat sum."]
            if document["response"] == "beta"
            else []
        ),
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
    from rich.table import Table

    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("parameter", no_wrap=True)
    table.add_column("typical", justify="right", no_wrap=True)
    table.add_column("9 in 10 lots", justify="right", no_wrap=True)
    table.add_column("meaning")
    for name, row in document["parameters"].items():
        table.add_row(
            name,
            f"{row['estimate']:.3g}",
            f"{row['low']:.3g} to {row['high']:.3g}",
            row["meaning"],
        )
    return table


def _published(document: dict[str, Any], units: Units) -> Table:
    from rich.table import Table

    table = Table(box=None, header_style="bold", pad_edge=False)
    for head in ("soil", "published days", "recalled", "catalogue"):
        table.add_column(head, justify="right")
    for head in ("source", "verified"):
        table.add_column(head)
    for row in document["published_days"]:
        low, high, finer = row["days_low"], row["days_high"], row["days_decimal"]
        whole = high - low == 1.0
        table.add_row(
            show_temperature(row["temperature_C"], units),
            f"{(low + high) / 2:.0f}" if whole else f"{low:g} to {high:g}",
            f"{finer:.1f}" if finer == finer else "",
            f"{row['fitted_days']:.1f}",
            row["source"],
            row["verified"],
        )
    return table


def _sources(document: dict[str, Any]) -> Table:
    from rich.table import Table

    table = Table(box=None, header_style="bold", pad_edge=False)
    table.add_column("figure", ratio=2)
    table.add_column("verified", no_wrap=True)
    table.add_column("source", ratio=4)
    for row in document["provenance"]:
        table.add_row(row["what"], row["verified"], row["source"])
    return table


def lot_tables(document: dict[str, Any]) -> list[RenderableType]:
    """Viability of a lot by year, and its vigour in a sentence."""
    from rich.table import Table

    table = Table(title=document["crop"], box=None, header_style="bold", title_justify="left")
    table.add_column("on", no_wrap=True)
    table.add_column("alive, %", justify="right")
    table.add_column(f"{document['interval']:.0%} interval", justify="right")
    for row in document["viability"]:
        table.add_row(
            str(row["on"]),
            f"{100 * row['estimate']:.0f}",
            f"{100 * row['low']:.0f} to {100 * row['high']:.0f}",
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
    return f"The test cannot tell its speed from a usual lot's: {middle:+.0f} % time {spread}."


_LABELS = {
    "t_base_C": "base temperature [°C]",
    "t_opt_C": "optimum temperature [°C]",
    "t_ceiling_C": "ceiling temperature [°C]",
    "thermal_time_50_Cd": "thermal time to half [°C d]",
    "sigma": "spread among seeds [ln]",
    "germination_share": "share up to the radicle",
    "depth_cost_Cd_per_cm": "per cm deeper [°C d]",
    "field_factor": "live seed that emerges",
    "waiting_loss_per_d": "loss per day of waiting",
    "chilling_loss_per_C": "loss per °C of chilling",
    "imbibition_share": "water uptake, share",
    "soak_credit": "soak that counts, share",
    "soak_loss_per_d": "loss per day of soak",
    "radicle_mm_per_Cd": "radicle [mm per °C d]",
    "handling_delay_Cd": "set-back of handling [°C d]",
    "handling_loss_per_mm": "loss per mm of radicle",
    "plot_speed_sd": "plots differ in speed [ln]",
    "plot_stand_rho": "plots differ in stand",
}
_ALWAYS = ("t_base_C", "thermal_time_50_Cd", "sigma", "field_factor")


def calibration_tables(document: dict[str, Any]) -> list[RenderableType]:
    """Tables of a calibration document, each at most 80 columns wide."""
    from rich.table import Table

    name = ", ".join(filter(None, (document["crop"], document["variety"], document["seed_lot"])))
    records = document["records"]
    seeds = f", {records['seeds']} seeds" if records["seeds"] else ""
    table = Table(
        title=f"{name}: {records['plots']} plots{seeds}", title_justify="left", box=None,
        pad_edge=False,
    )  # fmt: skip
    table.add_column("", min_width=28, overflow="fold")
    for heading in ("now", "90 %", "before", "narrower"):
        table.add_column(heading, justify="right", no_wrap=True)
    others = []
    for key, item in document["parameters"].items():
        shown = item["learned"] or key in _ALWAYS
        if key not in _LABELS or not shown:
            others.append(key)
            continue
        before = item["before"]
        span = f"{_short(before['low'])} to {_short(before['high'])}"
        if item["estimate"] is None:
            table.add_row(_LABELS[key], "not told", "", span, "")
            continue
        narrower = "kept" if item["kept"] else f"{item['narrower']:.0%}"
        table.add_row(
            _LABELS[key], _short(item["estimate"]),
            f"{_short(item['low'])} to {_short(item['high'])}", span,
            narrower if document["prior"] else "",
        )  # fmt: skip
    items: list[RenderableType] = [table]
    if document["prior"]:
        items.append(f"Started from: {document['prior']}. Not shown: {len(others)} parameters")
        items[-1] = f"{items[-1]} the records hardly touch (--json has them)."
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
    from rich.table import Table

    table = Table(
        title=f"Forecasts of each {check['left_out']} left out", title_justify="left", box=None,
        pad_edge=False,
    )  # fmt: skip
    table.add_column("forecast by", min_width=18)
    for heading in ("CRPS [d]", "error [d]", "in 80 %", "CRPS stand", "in 80 %"):
        table.add_column(heading, justify="right")
    for row in check["scores"]:
        table.add_row(
            row["name"], f"{row['date_crps_d']:.2f}", f"{row['date_error_d']:.2f}",
            _covered(row["date_covered"]),
            "" if row["stand_crps"] is None else f"{row['stand_crps']:.3f}",
            _covered(row["stand_covered"]),
        )  # fmt: skip
    return table


def _covered(value: float | None) -> str:
    return "" if value is None else f"{value:.0%}"


def _short(value: float) -> str:
    if abs(value) >= 100:
        return f"{value:.0f}"
    if abs(value) >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if abs(value) >= 0.1 else f"{value:.3f}"
