"""Text files of the U.S. Climate Reference Network: hourly02, daily01 and the 5-minute files.

Fields by position after the network's own readme files (from memory and the sample files). The
stamp ends the hour; soil temperature is the mean of that hour, so it is moved to its middle.
Missing is -9999, -99 for moisture and -99999 for radiation. Daily values are of the local
standard day.
"""

from __future__ import annotations

import io
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.soil.readers.import_report import Reading
from thermosprout.soil.readers.logger import level_array
from thermosprout.soil.readers.table import decode, refuse_endless_numbers
from thermosprout.soil.readers.to_hourly import (
    holds_air,
    hours_from_days,
    hours_of_days,
    step_in_words,
    step_of,
    to_hourly,
)
from thermosprout.soil.series import weather_dataset

DEPTHS = (5, 10, 20, 50, 100)
_HOURLY = (
    ["WBANNO", "UTC_DATE", "UTC_TIME", "LST_DATE", "LST_TIME", "CRX_VN", "LONGITUDE", "LATITUDE"]
    + ["T_CALC", "T_HR_AVG", "T_MAX", "T_MIN", "P_CALC", "SOLARAD", "SOLARAD_FLAG"]
    + ["SOLARAD_MAX", "SOLARAD_MAX_FLAG", "SOLARAD_MIN", "SOLARAD_MIN_FLAG", "SUR_TEMP_TYPE"]
    + ["SUR_TEMP", "SUR_TEMP_FLAG", "SUR_TEMP_MAX", "SUR_TEMP_MAX_FLAG", "SUR_TEMP_MIN"]
    + ["SUR_TEMP_MIN_FLAG", "RH_HR_AVG", "RH_HR_AVG_FLAG"]
    + [f"SOIL_MOISTURE_{depth}" for depth in DEPTHS]
    + [f"SOIL_TEMP_{depth}" for depth in DEPTHS]
)
_DAILY = (
    ["WBANNO", "LST_DATE", "CRX_VN", "LONGITUDE", "LATITUDE", "T_DAILY_MAX", "T_DAILY_MIN"]
    + ["T_DAILY_MEAN", "T_DAILY_AVG", "P_DAILY_CALC", "SOLARAD_DAILY", "SUR_TEMP_DAILY_TYPE"]
    + ["SUR_TEMP_DAILY_MAX", "SUR_TEMP_DAILY_MIN", "SUR_TEMP_DAILY_AVG", "RH_DAILY_MAX"]
    + ["RH_DAILY_MIN", "RH_DAILY_AVG"]
    + [f"SOIL_MOISTURE_{depth}_DAILY" for depth in DEPTHS]
    + [f"SOIL_TEMP_{depth}_DAILY" for depth in DEPTHS]
)
_MJ_PER_DAY = 11.574
"""1 MJ m-2 d-1 in W m-2."""


def read_uscrn(
    path: str | Path, *, utc_offset_h: float | None = None
) -> tuple[xr.Dataset, Reading]:
    """Read an hourly, daily or 5-minute file; the number of fields tells which.

    Parameters
    ----------
    path : str or Path
        Text without a heading, or the same fields as CSV with one.
    utc_offset_h : float, optional
        Offset of local standard time, for daily files; the whole hour nearest to solar time by
        default. [h]

    Returns
    -------
    weather : xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`, with ``soil_temperature``
        (soil_level, time); :func:`thermosprout.soil.readers.logger.one_level` takes one out.
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        When it is no such file.
    """
    path = Path(path)
    text, _ = decode(path)
    refuse_endless_numbers(text, path)
    lines = [line for line in text.splitlines() if line.strip()]
    if not lines:
        raise InputError("the file is empty", place=Place(file=path))
    if lines[0].startswith("WBANNO"):
        table = pd.read_csv(io.StringIO(text))
        names: list[str] = list(table.columns)
    else:
        width = len(lines[0].split())
        if width == 23:
            return _five_minutes(path, text)
        names = {len(_HOURLY): _HOURLY, len(_DAILY): _DAILY}.get(width, [])
        if not names:
            raise InputError(
                f"{width} fields were found, expected {len(_HOURLY)} (hourly), {len(_DAILY)} "
                "(daily) or 23 (5 minutes)",
                place=Place(file=path, line=1),
                hint="is this a file of the network?",
            )
        for number, line in enumerate(lines, start=1):
            if len(line.split()) != width:
                raise InputError(
                    f"{len(line.split())} fields were found, expected {width}",
                    place=Place(file=path, line=number),
                    hint="mend or delete the line",
                )
        table = pd.DataFrame([line.split() for line in lines], columns=names)
    reader = _hourly if "UTC_DATE" in names else _daily
    try:
        return reader(path, table, utc_offset_h)
    except (ValueError, KeyError) as error:
        if isinstance(error, InputError):
            raise
        said = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            f"a field is missing or no number ({said.split(';')[0]})",
            place=Place(file=path),
            hint="is this a file of the network?",
        ) from None


def _numbers(table: pd.DataFrame, name: str) -> FloatArray:
    values = pd.to_numeric(table[name]).to_numpy(dtype=float)
    return np.where((values <= -99) | ~np.isfinite(values), np.nan, values)


def _soil(table: pd.DataFrame, ending: str = "") -> tuple[list[FloatArray], list[int]]:
    rows, depths = [], []
    for depth in DEPTHS:
        values = _numbers(table, f"SOIL_TEMP_{depth}{ending}")
        if np.isfinite(values).any():
            rows.append(values)
            depths.append(depth)
    return rows, depths


def _place(table: pd.DataFrame) -> tuple[float, float]:
    latitude, longitude = float(table["LATITUDE"].iloc[0]), float(table["LONGITUDE"].iloc[0])
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError(f"no place lies at {latitude:g}, {longitude:g}")
    return latitude, longitude


def _hourly(
    path: Path, table: pd.DataFrame, utc_offset_h: float | None
) -> tuple[xr.Dataset, Reading]:
    clock = table["UTC_TIME"].astype(str).str.zfill(4)
    stamps = pd.to_datetime(table["UTC_DATE"].astype(str) + clock, format="%Y%m%d%H%M")
    time = stamps.to_numpy().astype("datetime64[ns]")
    _rising(path, time)
    air = to_hourly(time, _numbers(table, "T_CALC"))
    columns: dict[str, FloatArray] = {"air_temperature": air.values}
    before = time - np.timedelta64(1, "h")
    for name, theirs in (("ghi", "SOLARAD"), ("precipitation", "P_CALC")):
        values = pd.Series(_numbers(table, theirs), index=before).reindex(air.time)
        columns[name] = np.maximum(values.to_numpy(), 0.0)
    columns["relative_humidity"] = to_hourly(time, _numbers(table, "RH_HR_AVG")).values
    latitude, longitude = _place(table)
    weather = _weather(air.time, path, latitude, longitude, columns)
    middle = np.asarray(time - np.timedelta64(30, "m"), dtype="datetime64[ns]")
    rows, depths = _soil(table)
    gaps = air.gaps
    if rows:
        hourly = [to_hourly(middle, row) for row in rows]
        levels = level_array(
            np.vstack([pd.Series(h.values, index=h.time).reindex(air.time) for h in hourly]),
            [(depth, depth) for depth in depths],
        )
        weather["soil_temperature"] = levels
        gaps = hourly[0].gaps
    suspect = int((pd.to_numeric(table["SOLARAD_FLAG"]) == 3).sum())
    notes = [f"{suspect} radiation values carry the flag 'suspect'."] if suspect else []
    return weather, _reading(path, "USCRN hourly text", table, weather, time, depths, notes, gaps)


def _daily(
    path: Path, table: pd.DataFrame, utc_offset_h: float | None
) -> tuple[xr.Dataset, Reading]:
    dates = pd.to_datetime(table["LST_DATE"].astype(str), format="%Y%m%d").to_numpy()
    _rising(path, dates)
    latitude, longitude = _place(table)
    offset = round(longitude / 15.0) if utc_offset_h is None else utc_offset_h
    columns = {
        "air": _numbers(table, "T_DAILY_AVG"),
        "air_tmin": _numbers(table, "T_DAILY_MIN"),
        "air_tmax": _numbers(table, "T_DAILY_MAX"),
        "ghi": _numbers(table, "SOLARAD_DAILY") * _MJ_PER_DAY,
        "precipitation": _numbers(table, "P_DAILY_CALC"),
        "relative_humidity": _numbers(table, "RH_DAILY_AVG"),
    }
    columns = {name: values for name, values in columns.items() if np.isfinite(values).any()}
    if not holds_air(columns):
        raise CoverageError("the file holds no air temperatures", place=Place(file=path))
    data, notes, _ = hours_of_days(
        dates.astype("datetime64[D]"),
        columns,
        latitude,
        longitude,
        utc_offset_h=offset,
        place=Place(file=path),
    )
    time = data.pop("time")
    hours = {name: np.asarray(values, dtype=float) for name, values in data.items()}
    weather = _weather(time, path, latitude, longitude, hours)
    rows, depths = _soil(table, "_DAILY")
    if rows:
        shift = np.timedelta64(round(offset * 3600), "s")
        starts = np.asarray(dates.astype("datetime64[ns]") - shift, dtype="datetime64[ns]")
        hourly = []
        for row, depth in zip(rows, depths, strict=True):
            when, values = hours_from_days(starts, row, None, float(depth))
            hourly.append(pd.Series(values, index=when).reindex(time))
        weather["soil_temperature"] = level_array(np.vstack(hourly), [(d, d) for d in depths])
        notes = [*notes, "Soil temperatures are daily means: their daily swing is left out."]
    notes = [*notes, f"Days are of local standard time, UTC{offset:+g}."]
    stamps = np.asarray(dates, dtype="datetime64[ns]")
    reading = _reading(path, "USCRN daily text", table, weather, stamps, depths, notes, ())
    return weather, reading


def _five_minutes(path: Path, text: str) -> tuple[xr.Dataset, Reading]:
    from pvlib.iotools import read_crn

    try:
        table = read_crn(io.StringIO(text))
    except Exception as error:
        raise InputError(
            f"this is no 5-minute file ({type(error).__name__})", place=Place(file=path)
        ) from None
    time = table.index.tz_convert("UTC").tz_localize(None).to_numpy().astype("datetime64[ns]")
    _rising(path, time)
    if time.size < 2:
        raise CoverageError("one reading is no series", place=Place(file=path, line=1))
    air = to_hourly(time, table["temp_air"].to_numpy(dtype=float))
    start = pd.DatetimeIndex(time - np.timedelta64(5, "m")).floor("h")
    columns: dict[str, FloatArray] = {"air_temperature": air.values}
    for name, values in (
        ("ghi", table["ghi"].groupby(start).mean()),
        ("precipitation", table["PRECIPITATION"].groupby(start).sum(min_count=1)),
    ):
        columns[name] = np.maximum(values.reindex(air.time).to_numpy(dtype=float), 0.0)
    for name, theirs in (("relative_humidity",) * 2, ("wind_speed",) * 2):
        columns[name] = to_hourly(time, table[theirs].to_numpy(dtype=float)).values
    if air.time.size < 2:
        raise CoverageError(
            f"the file covers {len(table)} readings from {str(time[0])[:16]} UTC, less than two "
            "full hours",
            place=Place(file=path),
            hint="give a longer file",
        )
    latitude, longitude = float(table["latitude"].iloc[0]), float(table["longitude"].iloc[0])
    weather = _weather(air.time, path, latitude, longitude, columns)
    soil = table["SOIL_TEMPERATURE_5"].to_numpy(dtype=float)
    depths = []
    if np.isfinite(soil).any():
        weather["soil_temperature"] = level_array([to_hourly(time, soil).values], [(5, 5)])
        depths = [5]
    reading = _reading(path, "USCRN 5-minute text", table, weather, time, depths, [], air.gaps)
    return weather, reading


def _weather(
    time: npt.NDArray[np.generic],
    path: Path,
    latitude: float,
    longitude: float,
    columns: dict[str, FloatArray],
) -> xr.Dataset:
    kept = {
        name: values
        for name, values in columns.items()
        if name == "air_temperature" or np.isfinite(values).any()
    }
    return weather_dataset(
        time,
        source=f"USCRN file {path.name}",
        latitude=latitude,
        longitude=longitude,
        elevation_m=None,
        **kept,
    )


def _rising(path: Path, time: npt.NDArray[np.generic]) -> None:
    none = np.flatnonzero(np.isnat(time))
    if none.size:
        raise InputError("the date is no date", place=Place(file=path, line=int(none[0]) + 1))
    back = np.flatnonzero(np.diff(time).astype("timedelta64[s]") <= np.timedelta64(0, "s"))
    if back.size:
        raise InputError(
            "the time is not later than that of the line above",
            place=Place(file=path, line=int(back[0]) + 2),
            hint="sort the lines and leave out doubles",
        )


def _reading(
    path: Path,
    kind: str,
    table: pd.DataFrame,
    weather: xr.Dataset,
    stamps: npt.NDArray[np.generic],
    depths: list[int],
    notes: list[str],
    gaps: tuple[object, ...],
) -> Reading:
    shown = ", ".join(f"{depth}" for depth in depths)
    soil = f"Soil temperature at {shown} cm." if depths else "No soil temperature in it."
    return Reading(
        file=str(path),
        kind=kind,
        unit="degC",
        rows=len(table),
        step=step_in_words(step_of(np.asarray(stamps, dtype="datetime64[ns]"))),
        start=str(weather["time"].values[0])[:16],
        end=str(weather["time"].values[-1])[:16],
        gaps=gaps,  # type: ignore[arg-type]
        notes=(soil, *notes),
    )
