"""Typical-year files (EPW and TMY3), read by pvlib, as weather for planning without a forecast."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.import_report import Reading
from thermosprout.soil.readers.table import decode, refuse_endless_numbers
from thermosprout.soil.series import weather_dataset

_MISSING = {
    "temp_air": 99.9,
    "relative_humidity": 999.0,
    "ghi": 9999.0,
    "wind_speed": 999.0,
    "liquid_precipitation_depth": 99.0,
}
"""Codes from which on a value is missing in an EPW file; from memory."""


@dataclass(frozen=True, kw_only=True)
class GroundTemperatures:
    """One line of GROUND TEMPERATURES: twelve monthly means at a depth, computed, not measured."""

    depth_m: float
    monthly_C: tuple[float, ...]


def read_typical_year(path: str | Path, *, year: int = 2023) -> tuple[xr.Dataset, Reading]:
    """Read an EPW or TMY3 file; all hours are put into one year.

    Such files mix months of several years and hold no usable rain as a rule.

    Parameters
    ----------
    path : str or Path
        ``.epw``, or a TMY3 ``.csv``.
    year : int
        Year the hours are put into; no leap year.

    Returns
    -------
    weather : xarray.Dataset, dims (time,)
        See :func:`thermosprout.soil.series.weather_dataset`; ``attrs["ground_temperatures"]`` is
        a tuple of :class:`GroundTemperatures`, for a deep boundary only.
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        When the file is neither.
    """
    path = Path(path)
    text, _ = decode(path)
    refuse_endless_numbers(text, path)
    if text.lstrip().upper().startswith("LOCATION"):
        return _epw(path, text, year)
    return _tmy3(path, year)


def ground_temperatures(text: str, path: Path) -> tuple[GroundTemperatures, ...]:
    """Parse the line that pvlib passes over.

    Raises
    ------
    InputError
        When the line does not hold what it announces.
    """
    for number, line in enumerate(text.splitlines()[:8], start=1):
        cells = [cell.strip() for cell in line.split(",")]
        if cells[0].upper() != "GROUND TEMPERATURES":
            continue
        try:
            count = int(cells[1]) if len(cells) > 1 and cells[1] else 0
            blocks = [cells[2 + 16 * block : 18 + 16 * block] for block in range(count)]
            if any(len(block) != 16 for block in blocks):
                raise ValueError("too few cells")
            return tuple(
                GroundTemperatures(
                    depth_m=float(block[0]), monthly_C=tuple(float(cell) for cell in block[4:16])
                )
                for block in blocks
            )
        except (ValueError, IndexError):
            raise InputError(
                "the ground temperatures are not depth, three properties and twelve months each",
                place=Place(file=path, line=number),
                hint="mend the line, or write GROUND TEMPERATURES,0",
            ) from None
    return ()


def _epw(path: Path, text: str, year: int) -> tuple[xr.Dataset, Reading]:
    from pvlib.iotools import read_epw

    try:
        table, meta = read_epw(io.StringIO(text), coerce_year=year)
    except Exception as error:
        raise InputError(
            f"this EPW file cannot be read ({type(error).__name__}: {error})",
            place=Place(file=path),
            hint="expected eight heading lines and hours of 35 fields",
        ) from None
    for name in (*_MISSING, "ghi"):
        try:
            table[name] = table[name].astype(float)
        except (TypeError, ValueError):
            raise InputError(
                f"a value of {name} is no number", place=Place(file=path), hint="mend the line"
            ) from None
    for name, code in _MISSING.items():
        table.loc[table[name] >= code, name] = np.nan
    table = table[~((table.index.month == 2) & (table.index.day == 29))]
    ground = ground_temperatures(text, path)
    rain = table["liquid_precipitation_depth"].to_numpy(dtype=float)
    columns = {
        "ghi": table["ghi"].to_numpy(dtype=float),
        "precipitation": rain,
        "relative_humidity": _moved(table["relative_humidity"]),
        "wind_speed": _moved(table["wind_speed"]),
    }
    zone = f"UTC{meta['TZ']:+g}, fixed"
    return _dataset(
        path, "EPW typical year", table, columns, meta, zone, ground, bool(np.nansum(rain) > 0)
    )


def _tmy3(path: Path, year: int) -> tuple[xr.Dataset, Reading]:
    from pvlib.iotools import read_tmy3

    try:
        table, meta = read_tmy3(path, coerce_year=year, map_variables=True)
        table.index = table.index - pd.Timedelta(1, "h")
        columns = {
            "ghi": table["ghi"].to_numpy(dtype=float),
            "relative_humidity": _moved(table["relative_humidity"]),
            "wind_speed": _moved(table["wind_speed"]),
        }
        rain = next((n for n in ("Lprecip depth (mm)", "Lprecip_depth") if n in table), None)
        if rain:
            depth = table[rain].to_numpy(dtype=float)
            columns["precipitation"] = np.where(depth < 0, np.nan, depth)
        for name in ("ghi", "relative_humidity", "wind_speed"):
            columns[name] = np.where(columns[name] <= -99, np.nan, columns[name])
        has_rain = bool(np.nansum(columns.get("precipitation", 0.0)) > 0)
        table["temp_air"] = table["temp_air"].where(table["temp_air"] > -99)
    except Exception as error:
        raise InputError(
            f"this is neither an EPW nor a TMY3 file ({type(error).__name__})",
            place=Place(file=path, line=1),
            hint="weather tables of stations are read with soil model",
        ) from None
    zone = f"UTC{meta['TZ']:+g}, fixed"
    return _dataset(path, "TMY3 typical year", table, columns, meta, zone, (), has_rain)


def _moved(column: pd.Series) -> FloatArray:
    """Values stand at the END of the hour that the index names: move them one hour on."""
    values = column.to_numpy(dtype=float)
    return np.concatenate([values[:1], values[:-1]])


def _dataset(
    path: Path,
    kind: str,
    table: pd.DataFrame,
    columns: dict[str, FloatArray],
    meta: dict[str, float],
    zone: str,
    ground: tuple[GroundTemperatures, ...],
    has_rain: bool,
) -> tuple[xr.Dataset, Reading]:
    time = (
        pd.DatetimeIndex(table.index)
        .tz_convert("UTC")
        .tz_localize(None)
        .to_numpy()
        .astype("datetime64[ns]")
    )
    if time.size < 2:
        raise InputError("the file holds no hours", place=Place(file=path))
    air = _moved(table["temp_air"])
    if not has_rain:
        columns.pop("precipitation", None)
    columns = {name: values for name, values in columns.items() if np.isfinite(values).any()}
    missing = int(np.isnan(air).sum())
    weather = weather_dataset(
        time,
        source=f"typical year {path.name}",
        latitude=float(meta["latitude"]),
        longitude=float(meta["longitude"]),
        elevation_m=float(meta["altitude"]),
        air_temperature=air,
        **columns,
    )
    weather.attrs["ground_temperatures"] = ground
    notes = ["Months of several years stand under one year; 29 February is absent."]
    if not has_rain:
        notes.append("The file holds no usable rain.")
    if missing:
        notes.append(f"{missing} air temperatures are missing and stay empty.")
    if ground:
        shown = ", ".join(f"{level.depth_m:g}" for level in ground)
        notes.append(f"Monthly ground temperatures at {shown} m: computed, for a deep boundary.")
    reading = Reading(
        file=str(path),
        kind=kind,
        unit="degC",
        time_column="month, day, hour",
        time_zone=zone,
        rows=len(table),
        step="hour",
        start=str(time[0])[:16],
        end=str(time[-1])[:16],
        notes=tuple(notes),
    )
    return weather, reading
