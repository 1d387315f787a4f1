"""Soil temperature from a logger's CSV file, in our own columns or the maker's.

:func:`read_soil_csv` reads, checks and brings to the hour; :func:`read_bridged` also closes holes
of a few days, as forecasts need it, and says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place, placed
from thermosprout.quantities import FloatArray, IntArray
from thermosprout.soil import quality
from thermosprout.soil.quality import Check, runs_of
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
from thermosprout.soil.readers.times import StampReading
from thermosprout.soil.readers.to_hourly import (
    SPARSEST_HOURS,
    Hourly,
    finer_among_coarse,
    gaps_of,
    hours_from_days,
    step_in_words,
    step_of,
    to_hourly,
    trim,
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
    meanings = understand_all(table)
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
    lines = _in_order(table, stamps, to_celsius(numbers, column_unit), chosen)
    possible, wrong = quality.mask_impossible(lines.values)
    lines = replace(lines, values=possible)
    checks = _of_the_clock(table, stamps)
    if wrong.any():
        first = int(lines.rows[np.flatnonzero(wrong)[0]])
        checks.insert(
            0,
            Check(
                name="impossible values",
                value=f"{int(wrong.sum())}, the first {numbers[first]:g}",
                expected=f"soil from {quality.COLDEST_C:g} to {quality.HOTTEST_C:g} °C",
                where=f"line {table.lines[first]}, column {chosen.name}",
                impossible=True,
            ),
        )
    ends = _day_ends(meanings)
    with placed(Place(file=table.path)):
        hourly, swing = _hourly(table, ends, lines, depth, decimal)
        course = trim(
            hourly,
            empty=CoverageError(
                f"column {chosen.name} holds no usable values",
                hint="choose another with --column, or export the file again",
            ),
        )
    cut = hourly.values.size - course.values.size
    if cut:
        lines.notes.append(
            f"{cut} h before the first and after the last value are empty and were cut."
        )
    if depth is None:
        notes.append("The file does not say how deep the sensor lies: seed depth is assumed.")
    series = soil_series(
        course.time,
        course.values,
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
        **course.entries(),
        notes=(*table.notes, *notes, *stamps.notes, *lines.notes),
        left_out=left_out(
            table, meanings, (chosen.index, time_index, clock_index, *(m.index for m in swing))
        ),
        checks=(*checks, *quality.check_series(series, latitude=latitude)),
    )
    return series, reading


@dataclass(frozen=True, kw_only=True)
class _Lines:
    """Lines of a table in rising time, and what was done to get them; ``rows`` leads back."""

    utc: npt.NDArray[np.datetime64]
    values: FloatArray
    rows: IntArray
    notes: list[str]


def _in_order(table: Table, stamps: StampReading, values: FloatArray, chosen: Meaning) -> _Lines:
    """Rows in rising time; equal lines once; anything else out of order is refused."""
    notes: list[str] = []
    utc, rows, none = stamps.utc, np.arange(stamps.utc.size), np.timedelta64(0, "ns")
    if utc.size > 1 and utc[0] > utc[-1] and (np.diff(utc) <= none).all():
        rows = rows[::-1]
        notes.append("The lines run from the newest to the oldest; they were turned round.")
    back = np.flatnonzero(np.diff(utc[rows]) < none)
    swapped = quality.swapped_day_and_month(stamps.local) if back.size else []
    if swapped:
        raise InputError(
            f"the date jumps to {str(stamps.local[swapped[0]])[:10]} here, and fits only with day "
            "and month swapped",
            place=table.place(swapped[0], table.names[0]),
            hint="export the file again with dates as 2026-04-01",
        )
    if back.size:
        before, row = (int(rows[back[0] + step]) for step in (0, 1))
        raise InputError(
            f"the time steps back from {str(stamps.local[before])[:16]} to "
            f"{str(stamps.local[row])[:16]}",
            place=table.place(row),
            hint="if clocks went back here, set --timezone to an IANA name such as Europe/London; "
            "otherwise sort or mend the lines",
        )
    same = np.flatnonzero(np.diff(utc[rows]) == none)
    first, second = values[rows[same]], values[rows[same + 1]]
    differ = same[~((first == second) | (np.isnan(first) & np.isnan(second)))]
    if differ.size:
        before, row = (int(rows[differ[0] + step]) for step in (0, 1))
        raise InputError(
            f"{str(stamps.local[row])[:16]} stands twice with different values "
            f"({values[before]:.2f} and {values[row]:.2f} °C)",
            place=table.place(row, chosen.name),
            hint="if clocks went back here, set --timezone to an IANA name; otherwise delete "
            "one of the lines",
        )
    if same.size:
        rows = np.delete(rows, same + 1)
        notes.append(f"{same.size} lines that stand twice with the same value were taken once.")
    if rows.size < 2:
        what = "all lines have one time" if same.size else "one line is not a series"
        raise InputError(what, place=table.place(0), hint="give at least two hours")
    return _Lines(utc=utc[rows], values=values[rows], rows=rows, notes=notes)


def _of_the_clock(table: Table, stamps: StampReading) -> list[Check]:
    """Rows on doubled hours that were told apart, and on jumps that a swap would close."""
    doubled = [
        Check(
            name="doubled hour",
            value="an hour that stands twice",
            expected="a clock that never changes",
            where=f"clock change at line {line}",
        )
        for line in stamps.doubled_at
    ]
    swapped = [
        Check(
            name="swapped day and month",
            value=f"a jump to {str(stamps.local[row])[:10]}",
            expected="no jump, as with day and month swapped",
            where=f"line {table.lines[row]}",
        )
        for row in quality.swapped_day_and_month(stamps.local)
    ]
    return doubled + swapped


def _hourly(
    table: Table, ends: Sequence[Meaning], lines: _Lines, depth: float | None, decimal: str | None
) -> tuple[Hourly, Sequence[Meaning]]:
    """Bring readings to the hour, daily means by a curve that keeps them; the ends it took."""
    utc, step = lines.utc, step_of(lines.utc)
    if 20 * 3600 <= step <= 28 * 3600:
        if mixed := finer_among_coarse(utc, step):
            raise InputError(mixed, hint=PARTS)
        half, origin = _half_range(table, ends, depth, decimal)
        lines.notes.append(f"Daily means were turned into hours that keep them; {origin}.")
        time, hours = hours_from_days(
            utc,
            lines.values,
            None if half is None else half[lines.rows],
            np.nan if depth is None else depth,
        )
        return Hourly(time=time, values=hours, step_seconds=step), ends
    if step > SPARSEST_HOURS * 3600:
        raise InputError(
            f"readings every {step_in_words(step)} are too far apart for a series",
            place=table.place(0),
            hint="give them to soil model --readings, where they correct a modelled series",
        )
    if step < 1200:
        lines.notes.append("Readings were averaged over the hour around each full hour.")
    elif (utc.astype("int64") % 3_600_000_000_000 != 0).any():
        lines.notes.append("Readings were interpolated to the full hour.")
    return to_hourly(utc, lines.values), ()


def _day_ends(meanings: Sequence[Meaning]) -> Sequence[Meaning]:
    """Columns of the day's minimum and maximum, of soil or else of air, where there is one each."""
    for kind in ("soil", "air"):
        pair = [m for m in meanings if m.quantity in (f"{kind}_tmin", f"{kind}_tmax")]
        if len({m.quantity for m in pair}) == len(pair) == 2 and pair[0].unit == pair[1].unit:
            return pair
    return ()


def _half_range(
    table: Table, ends: Sequence[Meaning], depth: float | None, decimal: str | None
) -> tuple[FloatArray | None, str]:
    """Half the daily range at the depth, and where it is from."""
    if not ends:
        return None, "the daily swing is not known and left out"
    high, low = (
        to_celsius(to_numbers(table, end, decimal)[0], end.unit or "degC")
        for end in sorted(ends, key=lambda end: end.quantity)
    )
    half = 0.5 * np.clip(high - low, 0.0, 40.0)
    names = " and ".join(end.name for end in ends)
    if ends[0].quantity.startswith("soil"):
        return half, f"the daily swing is that of {names}"
    half = half * np.exp(-(5.0 if depth is None else depth) / quality.DAMPING_CM)
    return half, f"the daily swing is that of the air, damped by the depth ({names})"


BRIDGED_H = 72
"""Longest hole that is bridged [h]: the days of a sowing move by a small part of the hole, while
past it the spell of weather is no longer the one on either side."""
_DAY_H = 24


def read_bridged(
    path: Path, *, layout: bool = True, **options: Any
) -> tuple[xr.DataArray, list[str]]:
    """Read a logger's file and bridge its holes.

    Parameters
    ----------
    path : Path
    layout : bool
        Say which columns, marks and time zone the file was taken to have.
    **options
        As :func:`~thermosprout.soil.readers.logger.read_soil_csv` takes them.

    Returns
    -------
    tuple of xarray.DataArray, list of str
        Hourly soil temperature [degC], and how it was read and what looks wrong; what makes it
        implausible is in ``attrs["doubts"]`` too.
    """
    series, reading = read_soil_csv(path, **options)
    bridged, notes = bridge(series)
    reading = replace(reading, gaps=gaps_of(bridged["time"].values, bridged.values))
    bridged.attrs["doubts"] = reading.doubts(serious=True)
    return bridged, [*reading.sentences(layout=layout), *notes, *reading.doubts()]


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


def bridge(series: xr.DataArray) -> tuple[xr.DataArray, list[str]]:
    """Close holes of :data:`BRIDGED_H` with the same hours of the days around them.

    Parameters
    ----------
    series : xarray.DataArray, dims (time,)
        Hourly soil temperature. [degC]

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
    for run in runs_of(np.isnan(values)):
        if run.size <= BRIDGED_H and _close(filled, values, run):
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
