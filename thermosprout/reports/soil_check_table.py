"""Sentences and table of a check of soil temperature, for the terminal."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from thermosprout.quantities import Units

if TYPE_CHECKING:
    from rich.table import Table


def soil_check_lines(document: dict[str, Any], units: Units = Units.METRIC) -> list[str | Table]:
    """What ``soil check`` prints, from its JSON document."""
    factor, symbol = (1.8, "°F") if units is Units.US else (1.0, "°C")
    bias = document["bias_K"] * factor
    word = "warmer" if bias > 0 else "colder"
    taken = ", taken as means of days" if document["kind"] == "day" else ""
    off = document["rmse_K"] * factor
    shift, spread = (document["corrected"][key] * factor for key in ("offset_K", "offset_sd_K"))
    against = (
        f"{document['readings']} readings{taken}: the series is {abs(bias):.1f} {symbol} {word} in "
        f"the mean, {off:.1f} {symbol} off in the usual case (RMSE)."
    )
    corrected = (
        f"Corrected: shift {shift:+.1f} ± {spread:.1f} {symbol}, daily swing x "
        f"{document['corrected']['swing']:.2f}."
    )
    lines: list[str | Table] = [str(document["source"]), against, corrected]
    if document["rows"]:
        lines.append(_table(document["rows"]))
    return lines


def _table(rows: list[dict[str, Any]]) -> Table:
    from rich.box import SIMPLE
    from rich.table import Table

    table = Table(box=SIMPLE, pad_edge=False)
    table.add_column("row")
    table.add_column("crop")
    table.add_column("half up, as it stands")
    table.add_column("corrected")
    table.add_column("shift", justify="right")
    for row in rows:
        days = row["days"]
        table.add_row(
            row["row"],
            row["crop"],
            (row["half_as_is"] or "not reached")[:10],
            (row["half_corrected"] or "not reached")[:10],
            "" if days is None else f"{days:+.1f} d",
        )
    return table
