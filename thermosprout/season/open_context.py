"""Contexts of what a command names, and of objects in memory."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import xarray as xr
from pydantic import ValidationError

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.dates import noon, read_day, read_zone
from thermosprout.dates import today as read_today
from thermosprout.emergence.forecast import DRAWS
from thermosprout.errors import InputError
from thermosprout.season.context import Context, season_context
from thermosprout.season.coordinates import nearest_zone
from thermosprout.season.load import Season, load_season, schema_fault
from thermosprout.season.schema import FORMAT, Lot, Row, SeasonFile, Site, Soil, hours
from thermosprout.season.soil import SoilSupply, Water
from thermosprout.soil.model.ground import soil_type
from thermosprout.soil.model.temperature import Surface
from thermosprout.soil.readers.logger import read_bridged
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import series_in_memory

if TYPE_CHECKING:
    import pandas as pd


def open_context(
    *,
    season: Path | None = None,
    soil: Path | None = None,
    weather: Path | None = None,
    constant_C: float | None = None,
    air_C: float | None = None,
    latitude: float | None = None,
    longitude: float | None = None,
    timezone: str = "",
    surface: str = "bare",
    as_of: datetime | str | None = None,
    offline: bool = False,
    size: int = DRAWS,
    seed: int = 0,
) -> Context:
    """Context of a season file, of files, or of a constant temperature, as a command names them.

    A soil or weather file named beside a season file stands in for the season's own; ``as_of`` may
    be text, a day alone being its local evening.

    Raises
    ------
    InputError
        When no temperature is named, or a file cannot be read.
    """
    loaded = load_season(season) if season is not None else None
    zone = read_zone(timezone) if timezone else ZoneInfo("UTC")
    file_zone = timezone or None
    notes: list[str] = []
    if loaded is None and latitude is not None and longitude is not None and soil is None:
        if not timezone:
            timezone, _ = nearest_zone(latitude, longitude)
            zone = read_zone(timezone)
            notes.append(f"Time zone: {timezone}, the nearest; --timezone names another.")
        if weather is None and constant_C is None:
            loaded = place_season(latitude, longitude, timezone, surface)
    if loaded is not None:
        zone = loaded.data.site.zone
        latitude, longitude = loaded.data.site.latitude, loaded.data.site.longitude
        file_zone = file_zone or loaded.data.site.timezone
    today = as_of if isinstance(as_of, datetime) else read_today(as_of or "", zone)
    options: dict[str, Any] = {"as_of": today, "air_C": air_C, "size": size, "seed": seed}
    if constant_C is not None:
        return Context(float(constant_C), zone=zone, season=loaded, **options)
    series: xr.DataArray | None = None
    sky: xr.Dataset | None = None
    if soil is not None:
        series, sentences = read_bridged(soil, timezone=file_zone, latitude=latitude)
        notes.extend(sentences)
    if weather is not None:
        if latitude is None or longitude is None:
            raise InputError("a weather table needs its place", hint='add --at "56.2, -3.1"')
        sky, reading = read_weather_csv(
            weather, latitude=latitude, longitude=longitude, timezone=file_zone
        )
        notes.extend(reading.sentences())
    if loaded is not None:
        context = season_context(loaded, offline=offline, series=series, weather=sky, **options)
    elif series is None and sky is None:
        raise InputError(
            "there is no season file here, and no soil temperature or place is named",
            hint=(
                'name a season file, --at "56.2, -3.1" to ask a weather service, '
                "--soil SOIL.csv, --weather WEATHER.csv, or --constant with a soil thermometer's "
                "reading"
            ),
        )
    else:
        ground: Surface = "grass" if surface == "grass" else "bare"
        context = Context(
            SoilSupply(series=series, weather=sky, surface=ground), zone=zone, **options
        )
    context.note(*notes)
    return context


def place_season(latitude: float, longitude: float, timezone: str, surface: str = "bare") -> Season:
    """Season of a place alone: a weather service gives its soil temperature."""
    data = SeasonFile.model_validate(
        {
            "format": FORMAT,
            "site": {
                "name": f"{latitude:g}, {longitude:g}",
                "latitude": latitude,
                "longitude": longitude,
                "timezone": timezone,
            },
            "soil": {
                "service": "open-meteo",
                "surface": "grass" if surface == "grass" else "bare",
            },
        }
    )
    return Season(path=Path("(place)"), data=data, crops={}, seed_lots={})


def memory_context(
    soil: xr.DataArray | xr.Dataset | pd.Series | float | None = None,
    *,
    weather: xr.Dataset | None = None,
    sensor_depth_cm: float | None = None,
    surface: str = "unknown",
    timezone: str = "UTC",
    watering: Mapping[str | date, float] | None = None,
    rainfed: bool = False,
    texture: str = "loam",
    air_C: float | None = None,
    as_of: datetime | str | None = None,
    size: int = DRAWS,
    seed: int = 0,
) -> Context:
    """Context of objects in memory.

    Parameters
    ----------
    soil : DataArray, Dataset, Series or float, optional
        Soil temperature over time (see :func:`thermosprout.soil.series.series_in_memory`), or
        a constant one [degC]; modelled from the weather when absent.
    weather : xarray.Dataset, optional
        Hourly weather, as :func:`thermosprout.soil.forcing.weather_dataset` makes it: rain, air
        and what covers do.
    sensor_depth_cm : float, optional
        Depth of the sensor; as the data say, else taken as seed depth. [cm]
    surface : {"bare", "grass", "unknown"}
        Ground over the sensor, or that is modelled.
    timezone : str
        IANA zone that days are meant and shown in, and of times that carry none.
    watering : mapping, optional
        Day to millimetres.
    rainfed : bool
        Nothing is watered.
    texture : str
        Of the soil.
    air_C : float, optional
        Constant air temperature for growth. [degC]
    as_of : datetime or str, optional
        Today; now when absent.

    Raises
    ------
    InputError
        When no temperature is given, or it is not what a forecast can be made from.
    """
    zone = read_zone(timezone)
    today = as_of if isinstance(as_of, datetime) else read_today(as_of or "", zone)
    if today.tzinfo is None:
        today = today.replace(tzinfo=zone)
    options: dict[str, Any] = {
        "zone": zone,
        "as_of": today,
        "air_C": air_C,
        "size": size,
        "seed": seed,
    }
    if isinstance(soil, int | float):
        return Context(float(soil), **options)
    series = None
    if soil is not None:
        series = series_in_memory(
            soil, depth_cm=sensor_depth_cm, timezone=timezone, surface=surface
        )
    elif weather is None:
        raise InputError("no soil temperature was given, nor weather to model it from")
    if weather is not None and "air_temperature" not in weather:
        raise InputError("the weather has no air_temperature")
    given = {
        day if isinstance(day, date) else read_day(day): mm for day, mm in (watering or {}).items()
    }
    supply = SoilSupply(
        series=series,
        weather=weather,
        surface="grass" if surface == "grass" else "bare",
        watering=tuple(Water(hour=hours(noon(day, zone)), mm=mm) for day, mm in given.items()),
        rainfed=rainfed,
        soil=soil_type(texture),
    )
    return Context(supply, **options)


ROW = "row"
"""Name of the one row."""


def one_row_season(
    crop: str | Crop,
    *,
    lot: str | SeedLot,
    zone: ZoneInfo,
    place: tuple[float, float] | None = None,
    **row: Any,
) -> Season:
    """Season that holds one row and nothing else.

    Parameters
    ----------
    crop : str or Crop
        The lot's when empty.
    lot : str or SeedLot
        Empty where nothing is known of the seed.
    place : (float, float), optional
        Latitude and longitude; of no weight where the soil temperature is given.
    **row
        As :class:`thermosprout.season.schema.Row` takes them; what is None is left out.

    Raises
    ------
    InputError
        When a value is not one that a season file may hold.
    """
    seed = lot if isinstance(lot, SeedLot) else None
    named: str | Crop = crop or (seed.crop if seed is not None else "")
    if not named:
        raise InputError("no crop was given", hint='give crop="carrot"')
    sown = named if isinstance(named, Crop) else find_crop(named)
    latitude, longitude = place or (0.0, 0.0)
    try:
        entry = Row.model_validate(
            {"id": ROW, "crop": sown.name, "lot": seed.id if seed is not None else None}
            | {key: value for key, value in row.items() if value is not None}
        )
        data = SeasonFile(
            format=1,
            site=Site(name=sown.name, latitude=latitude, longitude=longitude, timezone=str(zone)),
            soil=Soil(file="in memory"),
            lots=() if seed is None else (Lot(id=seed.id, crop=sown.name, variety=seed.variety),),
            rows=(entry,),
        )
    except ValidationError as error:
        raise InputError(schema_fault(error)[0]) from None
    return Season(
        path=Path("in memory"),
        data=data,
        crops={sown.name: sown},
        seed_lots={} if seed is None else {seed.id: seed},
    )
