"""Files, pandas and xarray objects turned into what the model takes."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot, lot_or_test
from thermosprout.dates import noon, read_coordinates, read_day, read_zone
from thermosprout.errors import InputError
from thermosprout.season.context import Context, season_context
from thermosprout.season.load import Season
from thermosprout.season.open_context import memory_context
from thermosprout.soil.model import temperature as soil_model
from thermosprout.soil.model.ground import soil_type
from thermosprout.soil.model.surface import cover_named
from thermosprout.soil.readers.logger import read_bridged
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import series_in_memory

if TYPE_CHECKING:
    SeriesInput = str | Path | pd.Series | xr.DataArray | xr.Dataset
    SoilInput = SeriesInput | float
    WeatherInput = str | Path | pd.DataFrame | xr.Dataset

Day = str | date | datetime
"""A day as text (``"2026-04-20"``), a date, or a time with its zone."""


def crop(name: str) -> Crop:
    """Look a crop up in the catalogue, by its common or scientific name.

    Parameters
    ----------
    name : str
        Such as ``"carrot"`` or ``"Daucus carota"``.

    Returns
    -------
    Crop
        Its estimate, stand, cautions and sowing practice.

    Raises
    ------
    InputError
        When the catalogue lacks it, with the name that comes closest.

    Examples
    --------
    >>> import thermosprout as ts
    >>> ts.crop("carrot").latin_name
    'Daucus carota'
    """
    return find_crop(name)


def read_soil(
    source: SeriesInput,
    *,
    depth_cm: float | None = None,
    timezone: str | None = None,
    column: str | None = None,
    surface: str = "unknown",
) -> xr.DataArray:
    """Soil temperature from a logger's file or from an object in memory.

    Parameters
    ----------
    source : path, pandas.Series, xarray.DataArray or xarray.Dataset
        A CSV or NetCDF file in our own columns or a logger's, or a series over time.
    depth_cm : float, optional
        Depth of the sensor, where the source does not say it. [cm]
    timezone : str, optional
        IANA zone of times that carry none.
    column : str, optional
        Column of a file that holds several temperatures.
    surface : {"bare", "grass", "unknown"}
        Ground over the sensor.

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        Hourly, in UTC, with CF attributes; ``attrs["notes"]`` says how a file was read. [degC]

    Raises
    ------
    InputError
        When the file or the object cannot be read without guessing.

    Examples
    --------
    >>> import pandas as pd, thermosprout as ts
    >>> hours = pd.date_range("2026-04-01", periods=72, freq="h", tz="Europe/London")
    >>> soil = ts.read_soil(pd.Series(9.5, index=hours), depth_cm=5)
    >>> soil.sizes["time"], soil.attrs["units"]
    (72, 'degC')
    """
    if isinstance(source, str | Path):
        series, sentences = read_bridged(
            Path(source), timezone=timezone, column=column, depth_cm=depth_cm
        )
        return series.assign_attrs(notes=" ".join(sentences))
    return series_in_memory(source, depth_cm=depth_cm, timezone=timezone, surface=surface)


def read_weather(
    source: WeatherInput,
    *,
    at: str | tuple[float, float] | None = None,
    timezone: str | None = None,
) -> xr.Dataset:
    """Hourly weather from a station's table, daily or finer.

    Parameters
    ----------
    source : path, pandas.DataFrame or xarray.Dataset
        Columns such as ``date``, ``air_tmin_C``, ``air_tmax_C``, ``ghi_MJ_m2``, ``precip_mm``; of
        a DataFrame the index holds the times. A Dataset is taken as it is.
    at : str or (float, float)
        Place, as ``"56.2, -3.1"`` or ``(56.2, -3.1)``. [degrees north, east]
    timezone : str, optional
        IANA zone of times that carry none.

    Returns
    -------
    xarray.Dataset, dims (time)
        ``air_temperature``, ``ghi``, ``precipitation`` and what else is known, in CF units.

    Raises
    ------
    InputError
        When a column is missing or cannot be read, or the place is not given.

    Examples
    --------
    >>> import thermosprout as ts
    >>> weather = ts.read_weather("demo/weather.csv", at="56.2, -3.1", timezone="Europe/London")
    >>> str(weather["precipitation"].attrs["units"])
    'mm'
    """
    if isinstance(source, xr.Dataset):
        if "air_temperature" not in source:
            raise InputError(
                f"the weather holds {', '.join(map(str, source.data_vars)) or 'nothing'}; "
                "expected air_temperature"
            )
        return source
    if at is None:
        raise InputError("a weather table needs its place", hint='give at="56.2, -3.1"')
    latitude, longitude = place(at)
    if isinstance(source, str | Path):
        weather, _ = read_weather_csv(
            Path(source), latitude=latitude, longitude=longitude, timezone=timezone
        )
        return weather

    if not isinstance(source, pd.DataFrame):
        raise InputError(
            f"weather cannot be taken from {type(source).__name__}; expected a file, a pandas "
            "DataFrame or an xarray Dataset"
        )
    if not isinstance(source.index, pd.DatetimeIndex):
        raise InputError(
            f"the index of the weather is {type(source.index).__name__}; expected times",
            hint="set it with pandas.to_datetime",
        )
    index = source.index
    daily = bool((index == index.normalize()).all())
    if daily and index.tz is not None:
        index = index.tz_localize(None)
    table = source.set_axis(index.rename("date" if daily else "time"), axis=0)
    text = table.to_csv(date_format="%Y-%m-%d" if daily else None)
    with on_disk(text, "weather.csv") as path:
        weather, _ = read_weather_csv(
            path, latitude=latitude, longitude=longitude, timezone=timezone
        )
    return weather.assign_attrs(source="weather table")


@contextmanager
def on_disk(text: str, name: str) -> Iterator[Path]:
    """File that a table in memory is read from, by the same rules as one on disk."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text(text, "utf-8")
        yield path


def soil_temperature(
    weather: WeatherInput,
    *,
    depth_cm: float = 5.0,
    at: str | tuple[float, float] | None = None,
    surface: soil_model.Surface = "bare",
    cover: str = "none",
    texture: str = "loam",
    timezone: str | None = None,
) -> xr.DataArray:
    """Soil temperature modelled from weather: energy balance, water and heat conduction.

    Parameters
    ----------
    weather : path, pandas.DataFrame or xarray.Dataset
        See :func:`read_weather`.
    depth_cm : float
        0.5 to 30. [cm]
    at : str or (float, float), optional
        Place of a table.
    surface : {"bare", "grass"}
        Ground.
    cover : str
        Such as ``"fleece"`` or ``"cloche"``.
    texture : str
        Such as ``"sandy loam"``.

    Returns
    -------
    xarray.DataArray, dims ([member,] time)
        Hourly, in UTC; ``attrs["site_sd_K"]`` is the standard deviation of what is not known of
        the site. [degC]

    Raises
    ------
    InputError
        When the depth, the cover or the texture is not one the model knows.

    Examples
    --------
    >>> import thermosprout as ts
    >>> weather = ts.read_weather("demo/weather.csv", at="56.2, -3.1", timezone="Europe/London")
    >>> soil = ts.soil_temperature(weather, depth_cm=2)
    >>> bool(soil.sel(time="2026-05-15").mean() > soil.sel(time="2026-03-15").mean())
    True
    """
    return soil_model.soil_temperature(
        read_weather(weather, at=at, timezone=timezone),
        depth_cm=depth_cm,
        surface=surface,
        cover=cover_named(cover),
        soil=soil_type(texture),
    )


def place(at: str | tuple[float, float]) -> tuple[float, float]:
    """Latitude and longitude of ``"56.2, -3.1"`` or ``(56.2, -3.1)``.

    Raises
    ------
    InputError
        When they are not two numbers on the globe.
    """
    text = at if isinstance(at, str) else ", ".join(str(number) for number in at)
    return read_coordinates(text)


def day_of(day: Day, *, what: str) -> date:
    """Day of a date, a time or a text.

    Raises
    ------
    InputError
        When it is neither a date nor text that is one.
    """
    day = _of_numpy(day)
    if isinstance(day, str):
        return read_day(day, what=what)
    if not isinstance(day, date):
        raise InputError(f"{what}: {day!r} is not a date; write it like 2026-05-01")
    return day.date() if isinstance(day, datetime) else day


def moment_of(when: Day | None, zone: ZoneInfo, *, what: str) -> datetime | None:
    """Aware instant of a day (its noon) or a time; a time without a zone is local.

    Raises
    ------
    InputError
        When it is neither a date nor text that is one.
    """
    if when is None:
        return None
    when = _of_numpy(when)
    if isinstance(when, datetime):
        return when if when.tzinfo is not None else when.replace(tzinfo=zone)
    return noon(day_of(when, what=what), zone)


def _of_numpy(when: Any) -> Any:
    """Day or time of numpy as Python's own, anything else as it is; None for a missing time."""
    if not isinstance(when, np.datetime64):
        return None if when is pd.NaT else when
    days = np.datetime_data(when.dtype)[0] in ("Y", "M", "W", "D")
    return when.item() if days else when.astype("datetime64[us]").item()


def some_day(day: Day | None, *, what: str) -> date | None:
    """Day where one is named."""
    return None if day is None else day_of(day, what=what)


def lot_of(
    lot: str | SeedLot, crop: str | Crop, germination: float | None, seeds_tested: int | None
) -> str | SeedLot:
    """Lot as named, or one made of a germination test."""
    return lot_or_test(
        lot, crop.name if isinstance(crop, Crop) else crop, germination, seeds_tested
    )


def context_of(
    season: Season | None, soil: SoilInput | None, weather: WeatherInput | None,
    at: str | tuple[float, float] | None, *, timezone: str, as_of: Day | None, draws: int,
    seed: int, offline: bool = False, sensor_depth_cm: float | None = None,
    air_C: float | None = None, **water: Any,
) -> Context:  # fmt: skip
    """Context of a season file, or of what is in memory; ``water`` is of the latter alone."""
    if season is not None:
        site = season.data.site
        timezone, at = site.timezone, at or (site.latitude, site.longitude)
    today = moment_of(as_of, read_zone(timezone, what="timezone"), what="as_of")
    sky = None if weather is None else read_weather(weather, at=at, timezone=timezone)
    if season is None:
        if isinstance(soil, str | Path):
            soil = read_soil(soil, timezone=timezone, depth_cm=sensor_depth_cm)
        return memory_context(
            soil, weather=sky, sensor_depth_cm=sensor_depth_cm, timezone=timezone, as_of=today,
            air_C=air_C, size=draws, seed=seed, **water,
        )  # fmt: skip
    if isinstance(soil, int | float):
        raise InputError("a constant temperature does not go with a season file")
    if water.get("watering") or water.get("rainfed"):
        raise InputError("the season file says what is watered", hint="add it there")
    return season_context(
        season, as_of=today, offline=offline, weather=sky, air_C=air_C, size=draws, seed=seed,
        series=None if soil is None
        else read_soil(soil, timezone=timezone, depth_cm=sensor_depth_cm),
    )  # fmt: skip
