"""The files that other commands and programs read back."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import xarray as xr

from thermosprout.errors import InputError
from thermosprout.files import write_atomic

WEATHER_COLUMNS = {
    "air_temperature": "air_temp_C",
    "ghi": "ghi_W_m2",
    "precipitation": "precip_mm",
    "relative_humidity": "relative_humidity_pct",
    "wind_speed": "wind_speed_m_s",
}


def write_soil_csv(series: xr.DataArray, path: Path) -> None:
    """Write ``time_utc,soil_temp_C``, an empty cell where a value is missing.

    Raises
    ------
    InputError
        When the series has members, or the file cannot be written.
    """
    if series.ndim != 1:
        raise InputError("a soil temperature file holds one series, this one has members")
    lines = ["time_utc,soil_temp_C"]
    lines += _rows(series["time"].values, [series.values])
    write_atomic(path, "\n".join(lines) + "\n")


def write_weather_csv(weather: xr.Dataset, path: Path) -> None:
    """Write hourly weather with columns named by quantity and unit.

    Raises
    ------
    InputError
        When the weather has members, or the file cannot be written.
    """
    if "member" in weather.dims:
        raise InputError("a weather file holds one series, this one has members")
    names = [name for name in WEATHER_COLUMNS if name in weather]
    lines = [",".join(["time_utc", *(WEATHER_COLUMNS[name] for name in names)])]
    lines += _rows(weather["time"].values, [weather[name].values for name in names])
    write_atomic(path, "\n".join(lines) + "\n")


def _rows(time: np.ndarray, columns: list[np.ndarray]) -> list[str]:
    stamps = np.datetime_as_string(time, unit="m")
    rounded = [np.round(column.astype(float), 3) for column in columns]
    return [
        ",".join([f"{stamp}Z", *("" if np.isnan(value) else f"{value:g}" for value in values)])
        for stamp, *values in zip(stamps, *rounded, strict=True)
    ]
