"""Weather from a station's CSV file, daily or finer, as the hourly Dataset that drives the soil."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place, placed
from thermosprout.quantities import FloatArray
from thermosprout.soil.readers.find_columns import (
    EXTREME,
    Meaning,
    left_out,
    stamps_of,
    time_columns,
    to_celsius,
    to_numbers,
    understand_all,
    unit_of,
)
from thermosprout.soil.readers.table import SEPARATORS, Reading, Table, listed, read_table
from thermosprout.soil.readers.times import StampReading
from thermosprout.soil.readers.to_hourly import (
    AIR,
    finer_among_coarse,
    hours_of_days,
    step_in_words,
    step_of,
    to_hourly,
    trim,
)
from thermosprout.soil.series import require_on_earth, weather_dataset

_FACTORS: dict[str, tuple[tuple[str, float], ...]] = {
    # W m-2 from a daily sum: 1 MJ m-2 d-1 = 11.574, 1 J cm-2 d-1 = 0.11574, 1 kWh = 41.667
    "ghi": ((r"mj", 11.574), (r"j ?/ ?cm", 0.11574), (r"kwh", 41.667), (r"", 1.0)),
    "ghi_daily_sum": ((r"", 11.574),),
    "precipitation": ((r"[(_ ]in(?:ch(?:es)?)?\)?$|\(in\)", 25.4), (r"", 1.0)),
    "wind_speed": (
        (r"km/?h|kph", 1 / 3.6),
        (r"\(kt\)|knots|_kn\b", 0.514444),
        (r"mph", 0.44704),
        (r"", 1.0),
    ),
    "relative_humidity": ((r"", 1.0),),
}
_ISO_DAY = re.compile(r"\d{4}-\d\d-\d\d")
_BOUNDS: dict[str, tuple[float, float]] = {
    "air": (-70.0, 60.0),
    "air_tmin": (-70.0, 60.0),
    "air_tmax": (-70.0, 60.0),
    "ghi": (-20.0, 1500.0),
    "precipitation": (0.0, 700.0),
    "relative_humidity": (0.0, 105.0),
    "wind_speed": (0.0, 90.0),
}
"""Outside of these a value is impossible (also a missing-value code) and is left out."""


def read_weather_csv(
    path: str | Path,
    *,
    latitude: float,
    longitude: float,
    elevation_m: float | None = None,
    timezone: str | None = None,
    day_first: bool | None = None,
    decimal: str | None = None,
) -> tuple[xr.Dataset, Reading]:
    """Read weather from a CSV file with ``air_temp_C``, ``air_tmin_C``, ``ghi_W_m2`` and the like.

    Daily tables become hourly through :mod:`thermosprout.soil.model.weather`: temperature runs
    between minimum and maximum and keeps the mean, radiation follows the sun, rain is spread
    over the day.

    Parameters
    ----------
    path : str or Path
        The file; any of air temperature (mean, or minimum and maximum), radiation, rain, humidity
        and wind.
    latitude, longitude : float
        Degrees north and east.
    elevation_m : float, optional
        Height above sea level. [m]
    timezone : str, optional
        Zone of stamps or days that carry none.
    day_first, decimal
        As for :func:`thermosprout.soil.readers.logger.read_soil_csv`.

    Returns
    -------
    weather : xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`.
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        Where the file is broken or can be read in two ways.
    CoverageError
        Where it holds no air temperature.
    """
    table = read_table(path, decimal=decimal)
    meanings = understand_all(table)
    time_index, clock_index = time_columns(table, meanings)
    solar = ""
    if timezone is None and all(_ISO_DAY.fullmatch(row[time_index].strip()) for row in table.rows):
        # Days alone: an hour more or less does not matter, so the longitude may tell.
        timezone = solar = f"UTC{round(longitude / 15.0):+d}"
    stamps = stamps_of(table, time_index, clock_index, day_first, timezone)
    columns, used, notes = _columns(table, meanings, decimal)
    others = [meaning for meaning in meanings if meaning not in used]
    if solar and stamps.zone == solar:
        notes.append(f"Days carry no time zone: taken as those of {solar}, from the longitude.")
    if "air" not in columns and not {"air_tmin", "air_tmax"} <= set(columns):
        soil = [m.name for m in others if m.quantity in ("soil", "soil_tmin", "soil_tmax")]
        soil += [m.name for m in others if m.quantity == "temperature" and m.depth_cm is not None]
        raise CoverageError(
            "no column holds air temperatures"
            + (f", soil temperature stands in {', '.join(map(repr, soil))}" if soil else ""),
            place=Place(file=table.path, line=table.lines[0]),
            hint="expected air_temp_C, or air_tmin_C and air_tmax_C",
        )
    _require_rising(table, stamps)
    step = step_of(stamps.utc)
    with placed(Place(file=table.path)):
        if mixed := finer_among_coarse(stamps.utc, step):
            hint = (
                "give the parts as files of their own: rain and sun belong to a line's whole step"
            )
            raise InputError(mixed, hint=hint)
        require_on_earth(latitude, longitude)
        if 20 * 3600 <= step <= 28 * 3600:
            data, more, filled = _daily(stamps, columns, latitude, longitude)
        else:
            data, more, filled = _finer(stamps, columns, step)
    weather = weather_dataset(
        data.pop("time"),
        source=f"weather file {table.path.name}",
        latitude=latitude,
        longitude=longitude,
        elevation_m=elevation_m,
        **data,
    )
    reading = Reading(
        file=str(path),
        kind="weather table",
        time_column=table.names[time_index],
        time_zone=stamps.zone,
        date_order=stamps.order,
        separator=SEPARATORS[table.separator],
        rows=len(table.rows),
        step=step_in_words(step),
        start=str(weather["time"].values[0])[:16],
        end=str(weather["time"].values[-1])[:16],
        filled_hours=filled,
        columns=tuple(meaning.name for meaning in used),
        left_out=left_out(table, others, (time_index, clock_index)),
        notes=(*table.notes, *stamps.notes, *notes, *more),
    )
    return weather, reading


def _columns(
    table: Table, meanings: list[Meaning], decimal: str | None
) -> tuple[dict[str, FloatArray], list[Meaning], list[str]]:
    """Values of the columns that are understood, in our units; the first of a kind counts.

    A temperature of nothing in particular is that of the air where no other column is.
    """
    columns: dict[str, FloatArray] = {}
    used: list[Meaning] = []
    notes: list[str] = []
    air = [m for m in meanings if m.quantity == "air" and not _is_extreme(m)]
    if not air:
        air = [m for m in meanings if m.quantity == "temperature" and m.depth_cm is None]
        if len(air) > 1:
            raise InputError(
                f"several columns may hold the air temperature: {listed([m.name for m in air])}",
                place=Place(file=table.path, line=table.lines[0]),
                hint="name that of the air air_temp_C",
            )
    numbers: dict[str, tuple[Meaning, FloatArray]] = {}
    for meaning in meanings:
        quantity = "air" if meaning in air else meaning.quantity
        target = "ghi" if quantity == "ghi_daily_sum" else quantity
        if target not in _BOUNDS or target in numbers or _is_extreme(meaning):
            continue
        values, _ = to_numbers(table, meaning, decimal)
        if np.isfinite(values).any():
            numbers[target] = meaning, values
    unsaid = [numbers[name] for name in AIR if name in numbers and numbers[name][0].unit is None]
    unit = unit_of(table, unsaid[0][0], np.concatenate([v for _, v in unsaid])) if unsaid else ""
    for target, (meaning, values) in numbers.items():
        if target in AIR:
            values = to_celsius(values, meaning.unit or unit)
        else:
            named = f"{meaning.name} {meaning.unit_row}".lower()
            factors = _FACTORS[meaning.quantity]
            values = values * next(f for pattern, f in factors if re.search(pattern, named))
        low, high = _BOUNDS[target]
        wrong = np.flatnonzero((values < low) | (values > high))
        if wrong.size:
            values[wrong] = np.nan
            notes.append(
                f"{wrong.size} impossible values of {meaning.name} were left out, the first in "
                f"line {table.lines[wrong[0]]}."
            )
        if np.isfinite(values).any():
            columns[target] = values
            used.append(meaning)
    return columns, used, notes


def _is_extreme(meaning: Meaning) -> bool:
    """Tell whether a column is a gust, a maximum or minimum of something we want the mean of."""
    return meaning.quantity not in ("air_tmin", "air_tmax") and bool(
        re.search(
            rf"min|gust|dir|_hm\b|deg\)|{EXTREME}", f"{meaning.name} {meaning.unit_row}".lower()
        )
    )


def _require_rising(table: Table, stamps: StampReading) -> None:
    back = np.flatnonzero(np.diff(stamps.utc) <= np.timedelta64(0, "ns"))
    if stamps.utc.size < 2:
        raise InputError("one line is not a series", place=table.place(0))
    if back.size:
        row = int(back[0]) + 1
        raise InputError(
            f"the time {str(stamps.local[row])[:16]} is not later than that of the line above",
            place=table.place(row),
            hint="sort the lines and leave out doubles",
        )


Hours = tuple[dict[str, npt.NDArray[np.generic]], list[str], int]
"""Arrays by name with ``time``, what was done, and hours filled."""


def _daily(
    stamps: StampReading, columns: dict[str, FloatArray], latitude: float, longitude: float
) -> Hours:
    """Hours out of days; holes of up to three days are closed by a straight line."""
    starts = stamps.utc
    offset_h = (stamps.local - starts) / np.timedelta64(1, "h")
    if not np.any(offset_h):
        # Days that begin at a UTC stamp: the offset is what brings the stamp to midnight.
        hour = (starts - starts.astype("datetime64[D]")) / np.timedelta64(1, "h")
        offset_h = np.where(hour <= 12, -hour, 24.0 - hour)
    offset = float(np.median(offset_h))
    shift = np.timedelta64(round(offset * 3600), "s")
    dates = (starts + shift + np.timedelta64(2, "h")).astype("datetime64[D]")
    return hours_of_days(dates, columns, latitude, longitude, utc_offset_h=offset)


def _finer(stamps: StampReading, columns: dict[str, FloatArray], step: int) -> Hours:
    """Hourly weather from readings every few minutes or hours; stamps begin the step."""
    if step > 3 * 3600:
        raise InputError(
            f"weather every {step_in_words(step)} is too coarse",
            hint="give it every 3 hours or finer, or as daily values",
        )
    if step > 3600 and step % 3600 and {"ghi", "precipitation"} & set(columns):
        raise InputError(
            f"rain and sun every {step_in_words(step)} cannot be laid on the hours",
            hint="give them every hour, or every two or three",
        )
    if "air" not in columns:
        raise CoverageError(
            "no column holds the air temperature at each time", hint="add air_temp_C"
        )
    empty = CoverageError("the air temperature column holds no usable values")
    air = trim(to_hourly(stamps.utc, columns["air"]), empty=empty)
    data: dict[str, npt.NDArray[np.generic]] = {"time": air.time, "air_temperature": air.values}
    hour = stamps.utc.astype("datetime64[h]")
    for name in ("ghi", "precipitation"):
        if name in columns:
            grouped = pd.Series(columns[name]).groupby(hour)
            hourly = grouped.mean() if name == "ghi" else grouped.sum(min_count=1)
            values = hourly.reindex(air.time).to_numpy(dtype=float)
            if step > 3600:
                share = step / 3600 if name == "precipitation" else 1.0
                values = pd.Series(values).ffill(limit=step // 3600 - 1).to_numpy() / share
            data[name] = np.maximum(values, 0.0)
    for name in ("relative_humidity", "wind_speed"):
        if name in columns:
            other = to_hourly(stamps.utc, columns[name])
            data[name] = other.values[np.isin(other.time, air.time)]
    notes = ["Radiation and rain were taken as those of the step that begins at the stamp."]
    if air.gaps:
        notes.append(f"{len(air.gaps)} holes of air temperature stay empty.")
    return data, notes, air.filled_hours
