"""Readings of a site: their file, what each stands for, and the series beside it.

A reading is the value at its instant, the mean of a day, or one of the two ends of a max-min
thermometer. Beside each stands what the series says of the same, and the part of the daily swing
in it: a reading at seven in the morning says little of the mean of the day.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.run import running_mean
from thermosprout.soil.model.temperature import to_depth
from thermosprout.soil.readers.find_columns import (
    Meaning,
    left_out,
    stamps_of,
    time_columns,
    to_celsius,
    to_numbers,
    understand_all,
    unit_of,
)
from thermosprout.soil.readers.table import Reading, Table, read_table
from thermosprout.soil.series import hours_since_epoch, soil_series

COLUMNS = ("time_utc", "depth_cm", "soil_temp_C")
"""``time`` with an offset, or in the site's own time, may stand for ``time_utc``."""
_BOUNDS = {"depth_cm": (0.0, 100.0), "soil_temp_C": (-40.0, 70.0)}


def read_readings(path: str | Path, *, timezone: str = "UTC") -> pd.DataFrame:
    """Read readings that correct a modelled series.

    Parameters
    ----------
    path : path
        CSV with ``time_utc`` (or ``time``), ``depth_cm`` and ``soil_temp_C`` (or ``soil_temp_F``),
        in any of the ways in which :func:`thermosprout.soil.readers.table.read_table` reads tables.
        A max-min thermometer has ``soil_min_C`` and ``soil_max_C`` in its place; a depth may stand
        in the column's name, as in ``soil_temp_5cm_C``.
    timezone : str
        Zone of a ``time`` without an offset.

    Returns
    -------
    pandas.DataFrame
        Columns ``time_utc`` (naive UTC), ``depth_cm`` [cm] and ``soil_temp_C`` [degC], two lines a
        time of a max-min thermometer. ``attrs["summary"]`` names the columns that were taken and
        those left out; ``attrs["kind"]`` is there where they tell what the readings are.

    Raises
    ------
    InputError
        For the first fault, with its line and column.
    """
    table = read_table(path)
    meanings = understand_all(table)
    time_index, clock_index = time_columns(table, meanings)
    values = _value_columns(table, [m for m in meanings if m.index != time_index])
    depth = next((m for m in meanings if m.quantity == "depth"), None)
    if depth is None and any(value.depth_cm is None for value in values):
        raise _missing(table, "depth_cm")
    stamps = stamps_of(table, time_index, clock_index, None, timezone)
    unsaid = [to_numbers(table, value, None)[0] for value in values if value.unit is None]
    usual = unit_of(table, values[0], np.concatenate(unsaid)) if unsaid else ""
    parts = []
    for value in values:
        unit = value.unit or usual
        depths = value.depth_cm if depth is None else _numbers(table, depth, "depth_cm")
        temperature = _numbers(table, value, "soil_temp_C", unit)
        parts.append(
            pd.DataFrame({"time_utc": stamps.utc, "depth_cm": depths, "soil_temp_C": temperature})
        )
    out = pd.concat(parts).sort_index(kind="stable").reset_index(drop=True)
    columns = [*values, *([depth] if depth is not None else [])]
    reading = Reading(
        file=str(path),
        kind="thermometer readings",
        rows=len(table.rows),
        columns=tuple(column.name for column in columns),
        left_out=left_out(
            table, meanings, (time_index, clock_index, *(column.index for column in columns))
        ),
    )
    out.attrs["summary"] = reading.summary()
    if len(values) == 2:
        out.attrs["kind"] = ReadingKind.MAX_MIN
    return out


def _value_columns(table: Table, meanings: list[Meaning]) -> list[Meaning]:
    """Column of the readings, or the two of a max-min thermometer; asks where several fit."""
    ends = [m for m in meanings if m.quantity in ("soil_tmin", "soil_tmax")]
    values = [m for m in meanings if m.quantity == "soil"]
    if not values and not ends:
        values = [m for m in meanings if m.quantity == "temperature"]
    if len(values) == 1:
        return values
    names = " and ".join(repr(m.name) for m in values or ends)
    place = Place(file=table.path, line=max(table.lines[0] - 1, 1))
    if values:
        raise InputError(
            f"{names} hold temperatures of the soil, one column was expected",
            place=place,
            hint="keep one of them, or write one line for each depth with its depth_cm",
        )
    if sorted(m.quantity for m in ends) == ["soil_tmax", "soil_tmin"]:
        return ends
    if ends:
        raise InputError(
            f"{names} alone do not say how warm the soil was: a max-min thermometer gives its "
            "lowest and its highest",
            place=place,
            hint="add the other column, or name readings of an instant soil_temp_C",
        )
    raise _missing(table, "soil_temp_C")


def _missing(table: Table, name: str) -> InputError:
    return InputError(
        f"the column {name} is missing, found {', '.join(table.names)}",
        place=Place(file=table.path, line=max(table.lines[0] - 1, 1)),
        hint=f"name the columns {', '.join(COLUMNS)}",
    )


def _numbers(table: Table, meaning: Meaning, name: str, unit: str = "") -> FloatArray:
    """Numbers of a column, each of which must be there and within bounds."""
    numbers, _ = to_numbers(table, meaning, None)
    numbers = to_celsius(numbers, unit) if unit else numbers
    low, high = _BOUNDS[name]
    wrong = np.flatnonzero(~((numbers >= low) & (numbers <= high)))
    if wrong.size:
        row = int(wrong[0])
        raise InputError(
            f"{table.rows[row][meaning.index]!r} is no {name}, expected a number from {low:g} to "
            f"{high:g}",
            place=table.place(row, meaning.name),
        )
    return numbers


QUARTER_H = 6
"""A quarter of a day, by which the part of the swing that is late trails it. [h]"""


def trailing(course: FloatArray) -> FloatArray:
    """Daily course a quarter of a day later, along the last axis; zero before it begins."""
    before = np.zeros((*course.shape[:-1], QUARTER_H))
    return np.concatenate([before, course[..., :-QUARTER_H]], axis=-1)


MOST_READINGS = 300
"""More readings than this are thinned evenly: they would say the same again."""
MIDDLE_H = 12.0
"""From the beginning of a day to its middle. [h]"""


class ReadingKind(StrEnum):
    """What a reading is.

    The value at its instant; the mean of the day that begins at it; or, of two at one time, the
    lowest and the highest of the 24 hours before.
    """

    INSTANT = "instant"
    DAY = "day"
    MAX_MIN = "max-min"


def stated_kind(readings: pd.DataFrame, longitude: float) -> ReadingKind | None:
    """Tell the kind of readings whose times give it away; None where they leave it open.

    Two different values at each time are those of a max-min thermometer. Nobody reads a thermometer
    at midnight sharp day after day: one value a day, all at one hour within 75 minutes of local
    solar midnight, are means of the days they begin. More than one a day, or at changing hours, are
    of instants.

    Parameters
    ----------
    readings : pandas.DataFrame
        As :func:`checked` gives them.
    longitude : float
        Degrees east.
    """
    if readings.empty:
        return ReadingKind.INSTANT
    pairs = readings.groupby(["time_utc", "depth_cm"])["soil_temp_C"].agg(["size", "min", "max"])
    apart = pairs["max"] > pairs["min"]
    if len(readings) >= 4 and (pairs["size"] == 2).all() and apart.mean() > 0.5:
        return ReadingKind.MAX_MIN
    stamps = readings["time_utc"]
    of_day = (stamps - stamps.dt.normalize()).dt.total_seconds() / 3600.0
    if of_day.nunique() > 1 or stamps.dt.normalize().duplicated().any():
        return ReadingKind.INSTANT
    solar = (float(of_day.iloc[0]) + longitude / 15.0 + 12.0) % 24.0 - 12.0
    return ReadingKind.DAY if abs(solar) <= 1.25 else None


def valid_readings(readings: pd.DataFrame) -> pd.DataFrame:
    """Return readings in order of time, naive UTC, without empty ones.

    Raises
    ------
    InputError
        For a missing column, or a value that no soil has.
    """
    missing = [name for name in COLUMNS if name not in readings.columns]
    if missing:
        raise InputError(
            f"readings lack the column {missing[0]!r}", hint=f"columns are {', '.join(COLUMNS)}"
        )
    table = readings.loc[:, list(COLUMNS)].copy()
    stamps = pd.to_datetime(table["time_utc"], utc=True).dt.tz_localize(None)
    table["time_utc"] = stamps.astype("datetime64[ns]")
    table = table.dropna().sort_values("time_utc")
    values = table["soil_temp_C"].astype(float)
    bad = values[(values < -30) | (values > 60)]
    if len(bad):
        raise InputError(
            f"a reading of {bad.iloc[0]:g} °C is not one of soil", hint="readings are in °C"
        )
    return table


def within(series: xr.DataArray, table: pd.DataFrame) -> tuple[pd.DataFrame, FloatArray]:
    """Readings within the series, thinned where they are very many."""
    time = series["time"].values
    at = hours_since_epoch(table["time_utc"].to_numpy()) if len(table) else np.empty(0)
    first, last = hours_since_epoch(time[[0, -1]])
    inside = (at >= first) & (at <= last)
    if len(table) and not inside.any():
        raise CoverageError(
            f"none of the {len(table)} readings falls between {str(time[0])[:10]} and "
            f"{str(time[-1])[:10]}",
            hint="check the year and the time zone of the readings",
        )
    table, at = table[inside], at[inside]
    if at.size > MOST_READINGS:
        pick = np.linspace(0, at.size - 1, MOST_READINGS).round().astype(int)
        table, at = table.iloc[pick], at[pick]
    return table, at


def ensemble_mean(series: xr.DataArray) -> xr.DataArray:
    """Return the weighted mean of the members, or the series itself where it has none."""
    if "member" not in series.dims:
        return series
    weights = series["member_weight"].values
    return soil_series(
        series["time"].values,
        np.tensordot(weights, series.values, axes=(0, 0)),
        depth_cm=100.0 * float(series["depth"]),
        source=series.attrs["source"],
        surface=series.attrs["surface"],
    )


@dataclass(frozen=True)
class Beside:
    """Readings with what a series says of the same, each array of shape (reading,).

    Attributes
    ----------
    table : pandas.DataFrame
        The readings that fall into the series.
    at_h : ndarray
        Hour that a reading stands for: its instant, the middle of its day, or the hour at which the
        series was lowest or highest. [h since 1970]
    reading, series : ndarray
        [degC]
    swing : ndarray, shape (2, reading)
        Daily course of the series in each, as it is and a quarter of a day late. [K]
    """

    table: pd.DataFrame
    at_h: FloatArray
    reading: FloatArray
    series: FloatArray
    swing: FloatArray


def beside(series: xr.DataArray, readings: pd.DataFrame, kind: ReadingKind) -> Beside:
    """Lay readings beside a series, each at its own time and depth.

    Raises
    ------
    InputError
        For missing columns or values that no soil has, and for readings of a max-min thermometer
        that are not in pairs.
    CoverageError
        When there are readings but none falls into the series.
    """
    every = valid_readings(readings)
    if kind is ReadingKind.MAX_MIN:
        every = every.assign(highest=_highest(every))
    table, at = within(series, every)
    centre = ensemble_mean(series)
    guess, swing = np.full(at.size, np.nan), np.zeros((2, at.size))
    time_h = hours_since_epoch(centre["time"].values)
    depths = table["depth_cm"].to_numpy(dtype=float)
    at = at + MIDDLE_H if kind is ReadingKind.DAY else at.copy()
    for depth in np.unique(depths):
        moved = to_depth(centre, float(depth)).values
        pick = np.flatnonzero(depths == depth)
        daily = running_mean(moved, 24)
        if kind is ReadingKind.DAY:
            guess[pick] = np.interp(at[pick], time_h, daily)
            continue
        if kind is ReadingKind.MAX_MIN:
            at[pick] = [
                _extreme_h(time_h, moved, at[row], highest=bool(table["highest"].iloc[row]))
                for row in pick
            ]
        guess[pick] = np.interp(at[pick], time_h, moved)
        course = moved - daily
        swing[0, pick] = np.interp(at[pick], time_h, course)
        swing[1, pick] = np.interp(at[pick], time_h, trailing(course))
    complete = np.isfinite(guess)
    measured = table["soil_temp_C"].to_numpy(dtype=float)
    return Beside(
        table[complete],
        at[complete],
        measured[complete],
        guess[complete],
        np.nan_to_num(swing[:, complete]),
    )


def _highest(table: pd.DataFrame) -> npt.NDArray[np.bool_]:
    """Whether each reading of a max-min thermometer is the upper one of its pair."""
    pairs = table.groupby(["time_utc", "depth_cm"])["soil_temp_C"]
    single = pairs.transform("size") != 2
    if single.any():
        stamp = table["time_utc"][single].iloc[0]
        raise InputError(
            f"a max-min thermometer gives two values at each time, at {stamp:%Y-%m-%d %H:%M} UTC "
            f"there is {int(single.sum())}",
            hint="write the lowest and the highest with the time at which they were read",
        )
    return np.asarray(pairs.rank(method="first") == 2)


def _extreme_h(time_h: FloatArray, values: FloatArray, until_h: float, *, highest: bool) -> float:
    """Hour at which the 24 hours before one were lowest or highest."""
    inside = np.flatnonzero((time_h > until_h - 24.0) & (time_h <= until_h) & np.isfinite(values))
    if not inside.size:
        return until_h
    chosen = np.argmax if highest else np.argmin
    return float(time_h[inside[chosen(values[inside])]])


@dataclass(frozen=True, kw_only=True)
class ReadingsComparison:
    """Series against readings.

    Attributes
    ----------
    table : pandas.DataFrame
        ``time_utc``, ``depth_cm``, ``reading_C``, ``series_C`` and ``difference_K`` (series minus
        reading), one line a reading.
    bias_K, rmse_K : float
        Mean and root mean square of the differences.
    outside : int
        Readings that the series does not cover.
    kind : ReadingKind
        How the readings were taken.
    """

    table: pd.DataFrame
    bias_K: float
    rmse_K: float
    outside: int
    kind: ReadingKind

    @property
    def count(self) -> int:
        """Number of readings compared."""
        return len(self.table)


def compare_readings(
    series: xr.DataArray, readings: pd.DataFrame, *, kind: ReadingKind = ReadingKind.INSTANT
) -> ReadingsComparison:
    """Compare a series with readings, each at its own depth and time.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
    readings : pandas.DataFrame
        Columns ``time_utc``, ``depth_cm``, ``soil_temp_C``.
    kind : ReadingKind
        What the readings are.

    Raises
    ------
    CoverageError
        When no reading falls into the series.
    """
    pairs = beside(series, readings, kind)
    if not pairs.at_h.size:
        raise CoverageError("the series has no value at the time of any reading")
    compared = pd.DataFrame(
        {
            "time_utc": pairs.table["time_utc"].to_numpy(),
            "depth_cm": pairs.table["depth_cm"].to_numpy(dtype=float),
            "reading_C": pairs.reading,
            "series_C": pairs.series,
            "difference_K": pairs.series - pairs.reading,
        }
    )
    difference = compared["difference_K"].to_numpy()
    return ReadingsComparison(
        table=compared,
        bias_K=float(difference.mean()),
        rmse_K=float(np.sqrt(np.mean(difference**2))),
        outside=len(readings) - len(compared),
        kind=kind,
    )
