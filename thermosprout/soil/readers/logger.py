"""Soil temperature from a logger's CSV file, in our own columns or the maker's.

:func:`read_soil_csv` reads, checks and brings to the hour; :func:`read_bridged` also closes holes
of a few days, as forecasts need it, and says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.quantities import FloatArray
from thermosprout.soil import quality
from thermosprout.soil.quality import Check
from thermosprout.soil.readers.find_columns import (
    Meaning,
    choose_column,
    left_out,
    one_depth,
    stamps_of,
    time_columns,
    to_celsius,
    to_numbers,
    understand_all,
    unit_of,
)
from thermosprout.soil.readers.table import SEPARATORS, Reading, Table, read_table
from thermosprout.soil.readers.times import (
    StampReading,
)
from thermosprout.soil.readers.to_hourly import (
    SPARSEST_HOURS,
    Hourly,
    finer_among_coarse,
    hours_from_days,
    step_in_words,
    step_of,
    to_hourly,
)
from thermosprout.soil.series import soil_series

PARTS = "give the parts as files of their own: a line for a day is a mean, any other a reading"


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
    latitude: float | None = None,
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
    latitude : float, optional
        Of the place, to judge the series by its season. [degrees north]

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
    table, notes = one_depth(table, meanings, depth_cm)
    time_index, clock_index = time_columns(table, meanings)
    chosen = choose_column(table, meanings, time_index, column, depth_cm)
    depth = depth_cm if depth_cm is not None else chosen.depth_cm
    if chosen.depth_cm is not None and depth_cm is not None and chosen.depth_cm != depth_cm:
        clash = f"column {chosen.name!r} says {chosen.depth_cm:g} cm, asked for was {depth_cm:g} cm"
        if column is None:
            raise InputError(
                clash,
                place=Place(file=table.path, line=table.lines[0], column=chosen.name),
                hint=f"set the depth to {chosen.depth_cm:g}, or name the column too if it is wrong",
            )
        notes.append(f"{clash[0].upper()}{clash[1:]} and taken.")
    stamps = stamps_of(table, time_index, clock_index, day_first, timezone)
    numbers, mark = to_numbers(table, chosen, decimal)
    column_unit = unit_of(table, chosen, numbers, unit)
    values = to_celsius(numbers, column_unit)
    utc, values, rows, order_notes = _in_order(table, stamps, values, chosen)
    values, wrong = quality.mask_impossible(values)
    checks = [
        *_impossible(table, chosen, numbers, rows, wrong),
        *_of_the_clock(table, stamps),
    ]
    hourly, step_notes = _hourly(table, meanings, chosen, stamps, utc, values, rows, depth, decimal)
    hourly, cut = _trim(hourly, table, chosen)
    if depth is None:
        notes.append("The file does not say how deep the sensor lies: seed depth is assumed.")
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
        unit=column_unit,
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
        left_out=left_out(table, meanings, (chosen.index, time_index, clock_index)),
        checks=(*checks, *quality.check_series(series, latitude=latitude)),
    )
    return series, reading


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
            f"the time steps back from {str(stamps.local[rows[back[0]]])[:16]} to "
            f"{str(stamps.local[row])[:16]}",
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
    checks = [
        Check(
            name="doubled hour",
            found="an hour that stands twice",
            expected="a clock that never changes",
            where=f"clock change at line {line}",
        )
        for line in stamps.doubled_at
    ]
    checks += [
        Check(
            name="swapped day and month",
            found=f"a jump to {str(stamps.local[row])[:10]}",
            expected="no jump, as with day and month swapped",
            where=f"line {table.lines[row]}",
        )
        for row in quality.swapped_day_and_month(stamps.local)
    ]
    return checks


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
        mixed = finer_among_coarse(utc, step)
        if mixed:
            raise InputError(mixed, place=Place(file=table.path), hint=PARTS)
        half, origin = _half_range(table, meanings, rows, depth, decimal)
        time, hours = hours_from_days(utc, values, half, np.nan if depth is None else depth)
        gaps = to_hourly(time, hours, fill_hours=0).gaps
        notes = [f"Daily means were turned into hours that keep them; {origin}."]
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
    present = np.flatnonzero(np.isfinite(hourly.values))
    if present.size < 2:
        raise CoverageError(
            f"column {chosen.name} holds no usable values",
            place=Place(file=table.path),
            hint="choose another with --column, or export the file again",
        )
    first, last = int(present[0]), int(present[-1])
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
    for kind, damping, origin in (
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
            return 0.5 * np.clip(high - low, 0.0, 40.0)[rows] * damping, origin
    return None, "the daily swing is not known and left out"


BRIDGED_H = 72
"""Longest hole that is bridged [h]: the days of a sowing move by a small part of the hole, while
past it the spell of weather is no longer the one on either side."""
_DAY_H = 24


def read_bridged(path: Path, **options: Any) -> tuple[xr.DataArray, list[str]]:
    """Read a logger's file and bridge its holes.

    Parameters
    ----------
    path : Path
    **options
        As :func:`~thermosprout.soil.readers.logger.read_soil_csv` takes them.

    Returns
    -------
    tuple of xarray.DataArray, list of str
        Hourly soil temperature [degC], and how it was read and what looks wrong.
    """
    series, reading = read_soil_csv(path, **options)
    bridged, notes = bridge(series)
    if notes:
        empty = {str(stamp)[:16] for stamp in bridged["time"].values[np.isnan(bridged.values)]}
        gaps = tuple(gap for gap in reading.gaps if gap.start in empty)
        reading = replace(reading, gaps=gaps)
    return bridged, [*reading.sentences(), *notes, *reading.doubts()]


_APART_K = 1.0
"""Mean difference above which two series are of two places: two loggers of one bed, each within
0.5 K (the accuracy makers state), differ by less. [K]"""


_HOUR = np.timedelta64(1, "h")


def join_series(series: Sequence[xr.DataArray]) -> list[xr.DataArray]:
    """Series of one place put together: parts that follow each other, or that say the same.

    Parameters
    ----------
    series : sequence of xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]

    Returns
    -------
    list of xarray.DataArray
        In order of time; series of other depths, and seasons far apart, stay on their own.

    Raises
    ------
    InputError
        When two of one depth overlap and differ: which plots lay in which is not known.
    """
    joined: list[xr.DataArray] = []
    for part in sorted(series, key=lambda one: one["time"].values[0]):
        last = joined[-1] if joined else None
        same_depth = last is not None and (
            float(last["depth"]) == float(part["depth"]) or not np.isfinite(float(part["depth"]))
        )
        if last is None or "member" in part.dims or not same_depth:
            joined.append(part)
            continue
        time, end = part["time"].values, last["time"].values[-1]
        shared = last.reindex(time=time).values - part.values
        both = np.abs(shared[np.isfinite(shared)])
        apart = float(both.mean()) if both.size else 0.0
        if apart > _APART_K:
            raise InputError(
                f"two soil temperature series overlap from {str(time[0])[:10]} to "
                f"{str(min(end, time[-1]))[:10]} and differ by {apart:.1f} °C on average, so that "
                "it is not known which plots lay in which",
                hint="use the plots of each place with its own series",
            )
        if (time[0] - end) / _HOUR > BRIDGED_H:
            joined.append(part)
            continue
        whole = last.combine_first(part.assign_coords(depth=last["depth"]))
        hours = np.arange(whole["time"].values[0], whole["time"].values[-1] + _HOUR, _HOUR)
        whole = whole.reindex(time=hours).assign_attrs(last.attrs)
        joined[-1] = bridge(whole)[0]
    return joined


def bridge(series: xr.DataArray, most_h: int = BRIDGED_H) -> tuple[xr.DataArray, list[str]]:
    """Close holes with the same hours of the days around them.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]
    most_h : int
        Longest hole that is closed. [h]

    Returns
    -------
    tuple of xarray.DataArray, list of str
        The series, and a sentence about what was closed, if anything was.

    Notes
    -----
    Each missing hour lies on the straight line between the nearest readings of the same hour of
    the day before and after the hole, so that the daily wave goes on. A hole with less than a day
    of readings on either side stays.
    """
    values = np.asarray(series.values, dtype=float)
    if values.ndim != 1:
        return series, []
    filled, closed = values.copy(), []
    rows = np.flatnonzero(np.isnan(values))
    for run in np.split(rows, np.flatnonzero(np.diff(rows) > 1) + 1):
        if 0 < run.size <= most_h and _close(filled, values, run):
            closed.append(run)
    if not closed:
        return series, []
    longest = max(closed, key=len)
    begin = str(series["time"].values[longest[0]])[:16]
    which = f"1 hole of {longest.size} h from {begin} UTC was"
    if len(closed) > 1:
        which = f"{len(closed)} holes, the longest {longest.size} h from {begin} UTC, were"
    sentence = f"{which} bridged with the same hours of the days around."
    return series.copy(data=filled), [sentence]


def _close(filled: FloatArray, values: FloatArray, run: npt.NDArray[np.intp]) -> bool:
    """Fill one hole; false where the days around it are not known."""
    left = run - _DAY_H * ((run - run[0]) // _DAY_H + 1)
    right = run + _DAY_H * ((run[-1] - run) // _DAY_H + 1)
    if left.min() < 0 or right.max() >= values.size:
        return False
    before, after = values[left], values[right]
    if not (np.isfinite(before).all() and np.isfinite(after).all()):
        return False
    share = (run - left) / (right - left)
    filled[run] = before + share * (after - before)
    return True
