"""Which columns of a table hold the time and the temperature, at which depth and in what unit."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.cells import to_numbers, unit_column, unit_in_cells
from thermosprout.soil.readers.columns import Meaning, understand, zone_in
from thermosprout.soil.readers.stamps import (
    StampReading,
    is_clock_time,
    looks_like_stamp,
    read_stamps,
)
from thermosprout.soil.readers.table import Table


def one_depth(
    table: Table, meanings: Sequence[Meaning], depth_cm: float | None
) -> tuple[Table, list[str]]:
    """Keep the rows of one depth where depth is a column."""
    named = [m for m in meanings if m.name.strip().lower() in ("depth_cm", "depth", "depth (cm)")]
    if not named:
        return table, []
    found, _ = to_numbers(table, named[0], None)
    depths = sorted(set(found[np.isfinite(found)].tolist()))
    if not depths:
        return table, []
    if depth_cm is None and len(depths) > 1:
        shown = ", ".join(f"{depth:g}" for depth in depths)
        raise InputError(
            f"the file holds depths of {shown} cm",
            place=Place(file=table.path, line=table.lines[0], column=named[0].name),
            hint="say which with --depth-cm",
        )
    wanted = depth_cm if depth_cm is not None else depths[0]
    keep = np.flatnonzero(found == wanted).tolist()
    if not keep:
        raise InputError(
            f"no line has a depth of {wanted:g} cm",
            place=Place(file=table.path, column=named[0].name),
            hint="depths there: " + ", ".join(f"{depth:g}" for depth in depths),
        )
    picked = Table(
        path=table.path, names=table.names, units=table.units,
        rows=[table.rows[row] for row in keep], lines=[table.lines[row] for row in keep],
        separator=table.separator, preamble=table.preamble, notes=table.notes,
    )  # fmt: skip
    return picked, [f"{len(keep)} lines of {wanted:g} cm were taken."]


def time_columns(table: Table, meanings: Sequence[Meaning]) -> tuple[int, int | None]:
    """Find the column of stamps, and one of clock times where the date stands alone."""
    sample = table.rows[: min(50, len(table.rows))]

    def all_cells(index: int, test: object) -> bool:
        return all(test(row[index]) for row in sample)  # type: ignore[operator]

    dated = [m for m in meanings if all_cells(m.index, looks_like_stamp)]
    if not dated:
        raise InputError(
            "no column holds a date and time in every line",
            place=Place(file=table.path, line=table.lines[0]),
            hint="expected a column such as time_utc",
        )
    clocks = [
        m
        for m in meanings
        if m not in dated
        and all_cells(m.index, is_clock_time)
        and (m.quantity == "time" or all_cells(m.index, lambda cell: ":" in cell))
    ]

    def rank(meaning: Meaning) -> tuple[int, int, int]:
        has_clock = ":" in table.rows[0][meaning.index]
        zoned = zone_in(meaning.name) is not None
        return (int(meaning.quantity != "time"), int(not (has_clock or zoned)), int(not zoned))

    best = min(dated, key=rank)
    if clocks and ":" not in table.rows[0][best.index]:
        return best.index, clocks[0].index
    return best.index, None


def stamps_of(
    table: Table,
    time_index: int,
    clock_index: int | None,
    day_first: bool | None,
    timezone: str | None,
) -> StampReading:
    """Times of the table in UTC, by the zone in the cells, the heading, above it, or given."""
    cells = table.column(time_index)
    name = table.names[time_index]
    if clock_index is not None:
        cells = [
            f"{day} {clock}" for day, clock in zip(cells, table.column(clock_index), strict=True)
        ]
    named = (
        zone_in(name)
        or zone_in(table.units[time_index])
        or (zone_in(table.names[clock_index]) if clock_index is not None else None)
        or _zone_above(table.preamble)
    )
    return read_stamps(
        cells, table.lines, path=table.path, column=name,
        day_first=day_first, timezone=timezone, named_zone=named,
    )  # fmt: skip


def _zone_above(preamble: Sequence[str]) -> str | None:
    for line in preamble:
        lowered = line.lower()
        if "time" in lowered or "zone" in lowered or "date" in lowered:
            zone = zone_in(line)
            if zone:
                return zone
    return None


def choose_column(
    table: Table,
    meanings: Sequence[Meaning],
    time_index: int,
    column: str | None,
    depth_cm: float | None,
) -> Meaning:
    """Pick the one temperature column, or ask."""
    place = Place(file=table.path, line=table.lines[0])
    if column is not None:
        for meaning in meanings:
            if meaning.name.strip().lower() == column.strip().lower():
                return meaning
        raise InputError(
            f"there is no column {column!r}",
            place=place,
            hint="columns there: " + ", ".join(table.names),
        )
    soil = [m for m in meanings if m.quantity == "soil" and m.index != time_index]
    plain = [m for m in meanings if m.quantity == "temperature" and m.index != time_index]
    candidates = soil or plain
    if not candidates and table.names[0].startswith("column "):
        candidates = [m for m in meanings if _is_number(table.rows[0][m.index])]
    if not candidates:
        candidates = [
            m
            for m in meanings
            if m.index != time_index and unit_in_cells(table.column(m.index)) is not None
        ]
    if not candidates and unit_column(table) is not None:
        candidates = [
            m
            for m in meanings
            if re.search(r"value|reading|wert|mesure|valor", m.name, re.IGNORECASE)
        ]
    if depth_cm is not None and len(candidates) > 1:
        at_depth = [m for m in candidates if m.depth_cm == depth_cm]
        candidates = at_depth or candidates
    if len(candidates) == 1:
        return candidates[0]
    if not candidates:
        air = any(m.quantity in ("air", "surface_temperature") for m in meanings)
        raise InputError(
            "no column holds a soil temperature" + (", only that of the air" if air else ""),
            place=place,
            hint=(
                "model the soil from the air with soil model, or name the column with --column"
                if air
                else "name the column with --column; there: " + ", ".join(table.names)
            ),
        )
    names = ", ".join(repr(m.name) for m in candidates)
    depths = {m.depth_cm for m in candidates}
    by_depth = len(depths) == len(candidates) and None not in depths
    whole = (
        table.separator == ","
        and table.names[0].startswith("column ")
        and all(table.rows[0][m.index].lstrip("+-").isdigit() for m in candidates)
    )
    hint = "say which with --column" + (" or --depth-cm" if by_depth else "")
    if whole:
        hint += ", or --decimal , where the comma parts decimals"
    raise InputError(f"several columns hold a temperature: {names}", place=place, hint=hint)


def _is_number(cell: str) -> bool:
    try:
        float(cell.replace(",", "."))
    except ValueError:
        return False
    return True


def unit_of(table: Table, chosen: Meaning, numbers: FloatArray, unit: str | None) -> str:
    """Unit of the values: said by the user, the heading or the cells, or asked for."""
    if unit is not None:
        known = {"C": "degC", "F": "degF", "K": "K", "DEGC": "degC", "DEGF": "degF"}
        if unit.upper() not in known:
            raise InputError(f"the unit {unit!r} is not known", hint="write C, F or K")
        return known[unit.upper()]
    if chosen.unit is not None:
        return chosen.unit
    in_cells = unit_in_cells(table.column(chosen.index)) or unit_column(table)
    if in_cells is not None:
        return in_cells
    for line in table.preamble:
        found = (
            understand(line, 0).unit if "unit" in line.lower() or "temp" in line.lower() else None
        )
        if found:
            return found
    known_values = numbers[np.isfinite(numbers)]
    low, high = np.percentile(known_values, [2, 98]) if known_values.size else (0.0, 0.0)
    if low < 5.0:
        return "degC"
    if high > 45.0:
        return "degF"
    raise InputError(
        f"values from {low:.1f} to {high:.1f} can be °C or °F, and nothing says which",
        place=Place(file=table.path, line=table.lines[0], column=chosen.name),
        hint="set --unit C or --unit F",
    )
