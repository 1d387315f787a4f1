"""Measured soil temperature of weather stations in a folder: for fitting and for judging.

The folder holds ``STATIONS.csv`` (no heading) and one table a station; it is not part of the
project.
"""

from __future__ import annotations

import csv
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.weather_table import read_weather_csv

UNSTATED_DEPTH_CM = 2.0
"""Taken where a station does not state the depth of its shallow sensor: a daily swing of 12 K in
June, as at the cropland station, is that of 1 to 3 cm. [cm]"""
COLUMNS = (
    "station_id",
    "name",
    "latitude",
    "longitude",
    "elevation_m",
    "land_cover",
    "climate",
    "timezone",
    "step",
    "depths",
    "file",
    "years",
    "source",
    "licence",
    "coordinates_from",
)
NOT_OPEN_GROUND = ("forest",)


@dataclass(frozen=True, kw_only=True)
class Station:
    """One station: where it stands and what it measured.

    Attributes
    ----------
    utc_offset_h : float
        Offset of the days of ``measured``. [h]
    depth_cm : float
        Depth of its shallowest sensor. [cm]
    weather : xarray.Dataset, dims (time,)
        Hourly weather.
    measured : pandas.Series
        Mean of each day (index: UTC instant of its beginning) at that depth. [degC]
    hourly : pandas.Series or None
        Values at UTC hours where the station gives them.
    """

    station_id: str
    name: str
    latitude: float
    longitude: float
    utc_offset_h: float
    land_cover: str
    depth_cm: float
    weather: xr.Dataset
    measured: pd.Series
    hourly: pd.Series | None

    @property
    def open_ground(self) -> bool:
        """Whether it stands under open sky."""
        return not any(word in self.land_cover for word in NOT_OPEN_GROUND)

    @property
    def has_radiation(self) -> bool:
        """Whether radiation was measured."""
        return "ghi" in self.weather


def list_stations(folder: Path) -> list[dict[str, str]]:
    """Rows of the station list.

    Raises
    ------
    InputError
        When there is no list.
    """
    path = folder / "STATIONS.csv"
    if not path.is_file():
        raise InputError("there is no station list", place=Place(file=path))
    with path.open(encoding="utf-8") as stream:
        return [dict(zip(COLUMNS, row, strict=True)) for row in csv.reader(stream) if row]


def load_station(folder: Path, entry: dict[str, str]) -> Station:
    """Read one station."""
    path = folder / entry["file"]
    latitude, longitude = float(entry["latitude"]), float(entry["longitude"])
    zone = re.match(r"UTC([+-]\d+)?", entry["timezone"])
    offset_h = float(zone.group(1) or 0) if zone else float(round(longitude / 15.0))
    elevation = float(entry["elevation_m"]) if entry["elevation_m"] else None
    weather, _ = read_weather_csv(
        path, latitude=latitude, longitude=longitude, elevation_m=elevation
    )
    table = pd.read_csv(path)
    column = next(name for name in table.columns if name.startswith("soil_temp_"))
    stated = re.search(r"(\d+)cm", column)
    stamps = pd.to_datetime(table["time_utc"].str.rstrip("Z"))
    values = pd.Series(table[column].to_numpy(), index=pd.DatetimeIndex(stamps))
    hourly = None
    if entry["step"] != "daily":
        hourly = values[pd.DatetimeIndex(values.index).minute == 0]
        offset = pd.Timedelta(offset_h, "h")
        days = (pd.DatetimeIndex(hourly.index) + offset).normalize() - offset
        whole = hourly.groupby(days).agg(["mean", "count"])
        values = whole["mean"].where(whole["count"] >= 22)
    return Station(
        station_id=entry["station_id"],
        name=entry["name"],
        latitude=latitude,
        longitude=longitude,
        utc_offset_h=offset_h,
        land_cover=entry["land_cover"],
        depth_cm=float(stated.group(1)) if stated else UNSTATED_DEPTH_CM,
        weather=weather,
        measured=values.dropna(),
        hourly=hourly,
    )


def load_stations(folder: Path) -> list[Station]:
    """All stations of the list that stand on open ground."""
    every = (load_station(folder, entry) for entry in list_stations(folder))
    return [station for station in every if station.open_ground]


def growing_season(days: pd.DatetimeIndex) -> npt.NDArray[np.bool_]:
    """Days from April to September."""
    return np.asarray((days.month >= 4) & (days.month <= 9))


def daily_means(series: xr.DataArray, starts: pd.DatetimeIndex) -> pd.Series:
    """Means of the 24 hours from each start, missing where an hour is."""
    time = pd.DatetimeIndex(series["time"].values)
    values = np.concatenate([[0.0], np.cumsum(np.nan_to_num(series.values))])
    present = np.concatenate([[0], np.cumsum(np.isfinite(series.values))])
    first = time.searchsorted(starts)
    last = np.minimum(first + 24, time.size)
    whole = (present[last] - present[first]) == 24
    inside = (starts >= time[0]) & whole
    return pd.Series(np.where(inside, (values[last] - values[first]) / 24.0, np.nan), index=starts)
