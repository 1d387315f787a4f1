"""A calibration as tables and sentences for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from rich.console import RenderableType

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
        items.append(_scores(document["check"]))
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


def _scores(check: dict[str, Any]) -> RenderableType:
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
            _share(row["date_covered"]),
            "" if row["stand_crps"] is None else f"{row['stand_crps']:.3f}",
            _share(row["stand_covered"]),
        )  # fmt: skip
    return table


def _share(value: float | None) -> str:
    return "" if value is None else f"{value:.0%}"


def _short(value: float) -> str:
    if abs(value) >= 100:
        return f"{value:.0f}"
    if abs(value) >= 10:
        return f"{value:.1f}"
    return f"{value:.2f}" if abs(value) >= 0.1 else f"{value:.3f}"
