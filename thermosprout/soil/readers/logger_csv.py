"""Soil temperature from a logger's or station's CSV file, in our own columns or the maker's."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.soil import quality
from thermosprout.soil.quality import Check
from thermosprout.soil.readers.cells import (
    to_celsius,
    to_numbers,
    unit_column,
    unit_in_cells,
)
from thermosprout.soil.readers.columns import Meaning, understand, understand_all, zone_in
from thermosprout.soil.readers.daily import hours_from_days
from thermosprout.soil.readers.reading import Reading
from thermosprout.soil.readers.regular import Hourly, step_in_words, step_of, to_hourly
from thermosprout.soil.readers.stamps import (
    StampReading,
    is_clock_time,
    looks_like_stamp,
    read_stamps,
)
from thermosprout.soil.readers.table import SEPARATORS, Table, read_table
from thermosprout.soil.series import soil_series

FloatArray = npt.NDArray[np.float64]
SPARSEST_HOURS = 4


def read_soil_csv(
    path: str | Path,
    *,
    depth_cm: float | None = None,
    timezone: str | None = None,
    column: str | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
    unit: str | None = None,
    surface: str = "unknown",
) -> tuple[xr.DataArray, Reading]:
    """Read an hourly soil temperature series from a CSV file.

    Parameters
    ----------
    path : str or Path
        The file: ``time_utc,soil_temp_5cm_C`` and the like, or a logger's export.
    depth_cm : float, optional
        Depth of the sensor, or which depth to take where the file holds several. [cm]
    timezone : str, optional
        Zone of stamps that carry none: an IANA name or an offset such as ``UTC+1``.
    column : str, optional
        Name of the column to take.
    day_first : bool, optional
        Order of day and month where both are numbers.
    decimal : {".", ","}, optional
        Decimal mark where the file leaves it open.
    unit : {"C", "F", "K"}, optional
        Unit where the file leaves it open.
    surface : {"bare", "grass", "unknown"}
        Ground above the sensor.

    Returns
    -------
    series : xarray.DataArray, dims (time,)
        ``soil_temperature``, hourly on the UTC hour. [degC]
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        Where the file is broken or can be read in two ways: the message names the option to set.
    CoverageError
        Where nothing usable is in it.
    """
    table = read_table(path, decimal=decimal)
    meanings = understand_all(table.names, table.units, table.preamble)
    table, notes = _one_depth(table, meanings, depth_cm)
    time_index, clock_index = time_columns(table, meanings)
    chosen = _choose(table, meanings, time_index, column, depth_cm)
    depth = depth_cm if depth_cm is not None else chosen.depth_cm
    if chosen.depth_cm is not None and depth_cm is not None and chosen.depth_cm != depth_cm:
        said = f"column {chosen.name!r} says {chosen.depth_cm:g} cm, asked for was {depth_cm:g} cm"
        if column is None:
            raise InputError(
                said,
                place=Place(file=table.path, line=table.lines[0], column=chosen.name),
                hint=f"set the depth to {chosen.depth_cm:g}, or name the column too if it is wrong",
            )
        notes.append(f"{said[0].upper()}{said[1:]} and taken.")
    stamps = stamps_of(table, time_index, clock_index, day_first, timezone)
    numbers, mark = to_numbers(table, chosen, decimal)
    found_unit = _unit(table, chosen, numbers, unit)
    values = to_celsius(numbers, found_unit)
    utc, values, rows, order_notes = _in_order(table, stamps, values, chosen)
    values, wrong = quality.mask_impossible(values)
    checks = [
        *_impossible(table, chosen, numbers, rows, wrong),
        *_of_the_clock(table, stamps),
    ]
    hourly, step_notes = _hourly(table, meanings, chosen, stamps, utc, values, rows, depth, decimal)
    hourly, cut = _trim(hourly, table, chosen)
    if depth is None:
        notes.append("The file does not say how deep the sensor lies: taken as at seed depth.")
    series = soil_series(
        hourly.time,
        hourly.values,
        depth_cm=np.nan if depth is None else depth,
        source=f"logger file {table.path.name}",
        surface=surface,
    )
    reading = Reading(
        file=str(path),
        kind="CSV table",
        column=chosen.name,
        unit=found_unit,
        depth_cm=depth,
        time_column=table.names[time_index],
        time_zone=stamps.zone,
        date_order=stamps.order,
        separator=SEPARATORS[table.separator],
        decimal=mark,
        rows=len(table.rows),
        step=step_in_words(hourly.step_seconds),
        start=str(hourly.time[0])[:16],
        end=str(hourly.time[-1])[:16],
        gaps=hourly.gaps,
        filled_hours=hourly.filled_hours,
        notes=(*table.notes, *notes, *stamps.notes, *order_notes, *step_notes, *cut),
        checks=(*checks, *quality.check_series(series)),
    )
    return series, reading


def _one_depth(
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


def _choose(
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


def _unit(table: Table, chosen: Meaning, numbers: FloatArray, unit: str | None) -> str:
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


def _in_order(
    table: Table, stamps: StampReading, values: FloatArray, chosen: Meaning
) -> tuple[npt.NDArray[np.datetime64], FloatArray, npt.NDArray[np.intp], list[str]]:
    """Rows in rising time; equal lines once; anything else out of order is refused."""
    notes: list[str] = []
    utc, rows = stamps.utc, np.arange(stamps.utc.size)
    if utc.size < 2:
        raise InputError(
            "one line is no series", place=table.place(0), hint="give at least two hours"
        )
    if utc[0] > utc[-1] and (np.diff(utc) <= np.timedelta64(0, "ns")).all():
        rows = rows[::-1]
        notes.append("The lines run from the newest to the oldest; they were turned round.")
    back = np.flatnonzero(np.diff(utc[rows]) < np.timedelta64(0, "ns"))
    swapped = quality.swapped_day_and_month(stamps.local) if back.size else []
    if swapped:
        raise InputError(
            f"the date jumps to {str(stamps.local[swapped[0]])[:10]} here, and fits only with day "
            "and month swapped",
            place=table.place(swapped[0], table.names[0]),
            hint="export the file again with dates as 2026-04-01",
        )
    if back.size:
        row = int(rows[back[0] + 1])
        raise InputError(
            f"the time steps back to {str(stamps.local[row])[:16]}",
            place=table.place(row),
            hint="if clocks went back here, set --timezone to an IANA name such as Europe/London; "
            "otherwise sort or mend the lines",
        )
    same = np.flatnonzero(np.diff(utc[rows]) == np.timedelta64(0, "ns"))
    if same.size:
        first, second = values[rows[same]], values[rows[same + 1]]
        agree = (first == second) | (np.isnan(first) & np.isnan(second))
        if not agree.all():
            row = int(rows[same[~agree][0] + 1])
            raise InputError(
                f"{str(stamps.local[row])[:16]} stands twice with different values "
                f"({values[rows[same[~agree][0]]]:.2f} and {values[row]:.2f} °C)",
                place=table.place(row, chosen.name),
                hint="if clocks went back here, set --timezone to an IANA name; otherwise delete "
                "one of the lines",
            )
        rows = np.delete(rows, same + 1)
        if rows.size < 2:
            raise InputError(
                "all lines have one time", place=table.place(0), hint="give at least two hours"
            )
        notes.append(f"{same.size} lines that stand twice with the same value were taken once.")
    return utc[rows], values[rows], rows, notes


def _impossible(
    table: Table,
    chosen: Meaning,
    numbers: FloatArray,
    rows: npt.NDArray[np.intp],
    wrong: npt.NDArray[np.bool_],
) -> list[Check]:
    if not wrong.any():
        return []
    first = int(rows[np.flatnonzero(wrong)[0]])
    return [
        Check(
            name="impossible values",
            found=f"{int(wrong.sum())}, the first {numbers[first]:g}",
            expected=f"soil from {quality.COLDEST_C:g} to {quality.HOTTEST_C:g} °C",
            where=f"line {table.lines[first]}, column {chosen.name}",
            impossible=True,
        )
    ]


def _of_the_clock(table: Table, stamps: StampReading) -> list[Check]:
    """Rows on doubled hours that were told apart, and on jumps that a swap would close."""
    found = [
        Check(
            name="doubled hour",
            found="an hour that stands twice",
            expected="a clock that never changes",
            where=f"clock change at line {line}",
        )
        for line in stamps.doubled_at
    ]
    found += [
        Check(
            name="swapped day and month",
            found=f"a jump to {str(stamps.local[row])[:10]}",
            expected="no jump, as with day and month swapped",
            where=f"line {table.lines[row]}",
        )
        for row in quality.swapped_day_and_month(stamps.local)
    ]
    return found


def _hourly(
    table: Table,
    meanings: Sequence[Meaning],
    chosen: Meaning,
    stamps: StampReading,
    utc: npt.NDArray[np.datetime64],
    values: FloatArray,
    rows: npt.NDArray[np.intp],
    depth: float | None,
    decimal: str | None,
) -> tuple[Hourly, list[str]]:
    """Bring readings to the hour; daily means by a curve that keeps them."""
    step = step_of(utc)
    if 20 * 3600 <= step <= 28 * 3600:
        half, said = _half_range(table, meanings, rows, depth, decimal)
        time, hours = hours_from_days(utc, values, half, np.nan if depth is None else depth)
        gaps = to_hourly(time, hours, fill_hours=0).gaps
        notes = [f"Daily means were turned into hours that keep them; {said}."]
        return Hourly(time=time, values=hours, step_seconds=step, filled_hours=0, gaps=gaps), notes
    if step > SPARSEST_HOURS * 3600:
        raise InputError(
            f"readings every {step_in_words(step)} are too far apart for a series",
            place=table.place(0),
            hint="give them to soil model --readings, where they correct a modelled series",
        )
    hourly = to_hourly(utc, values)
    notes = []
    if step < 1200:
        notes.append("Readings were averaged over the hour around each full hour.")
    elif (utc.astype("int64") % 3_600_000_000_000 != 0).any():
        notes.append("Readings were interpolated to the full hour.")
    return hourly, notes


def _trim(hourly: Hourly, table: Table, chosen: Meaning) -> tuple[Hourly, list[str]]:
    """Cut what is empty before the first and after the last value."""
    known = np.flatnonzero(np.isfinite(hourly.values))
    if known.size < 2:
        raise CoverageError(
            f"column {chosen.name} holds no usable values",
            place=Place(file=table.path),
            hint="choose another with --column, or export the file again",
        )
    first, last = int(known[0]), int(known[-1])
    empty = hourly.values.size - (last - first + 1)
    if not empty:
        return hourly, []
    start, end = str(hourly.time[first])[:16], str(hourly.time[last])[:16]
    kept = replace(
        hourly,
        time=hourly.time[first : last + 1],
        values=hourly.values[first : last + 1],
        gaps=tuple(gap for gap in hourly.gaps if start < gap.start < end),
    )
    return kept, [f"{empty} h before the first and after the last value are empty and were cut."]


def _half_range(
    table: Table,
    meanings: Sequence[Meaning],
    rows: npt.NDArray[np.intp],
    depth: float | None,
    decimal: str | None,
) -> tuple[FloatArray | None, str]:
    """Half the daily range at the depth, from the soil's or the air's range in the file."""
    for kind, damping, said in (
        ("soil", 1.0, "the daily swing is that of the file's soil minimum and maximum"),
        (
            "air",
            float(np.exp(-(5.0 if depth is None else depth) / quality.DAMPING_CM)),
            "the daily swing is that of the air, damped by the depth",
        ),
    ):
        lows = [m for m in meanings if m.quantity == f"{kind}_tmin"]
        highs = [m for m in meanings if m.quantity == f"{kind}_tmax"]
        if len(lows) == 1 and len(highs) == 1 and lows[0].unit == highs[0].unit:
            low = to_celsius(to_numbers(table, lows[0], decimal)[0], lows[0].unit or "degC")
            high = to_celsius(to_numbers(table, highs[0], decimal)[0], highs[0].unit or "degC")
            return 0.5 * np.clip(high - low, 0.0, 40.0)[rows] * damping, said
    return None, "the daily swing is not known and left out"
