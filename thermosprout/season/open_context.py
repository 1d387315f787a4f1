"""Contexts of what a command names, and of objects in memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, date, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import xarray as xr
from pydantic import ValidationError

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.dates import nearest_zone, noon, read_day, read_zone
from thermosprout.dates import today as read_today
from thermosprout.emergence.forecast import DRAWS
from thermosprout.errors import InputError
from thermosprout.season.context import Context, season_context
from thermosprout.season.load import Season, check_times, load_season, schema_fault
from thermosprout.season.schema import ROW, Lot, Row, SeasonFile, Site, Soil, hours
from thermosprout.season.soil import PLACE, SoilSupply, Water
from thermosprout.soil.model.ground import soil_type
from thermosprout.soil.model.temperature import Surface
from thermosprout.soil.readers.logger import read_bridged
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import series_in_memory, soil_series

if TYPE_CHECKING:
    import pandas as pd


def open_context(
    *,
    season: Path | None = None,
    soil: Path | None = None,
    weather: Path | None = None,
    constant_C: float | None = None,
    reading_C: float | None = None,
    row: Mapping[str, Any] | None = None,
    planted: date | None = None,
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

    A soil or weather file named beside a season file stands in for the season's own, and so does
    a thermometer's reading of this week (``reading_C``), which stands for the weeks to come with a
    wide spread. ``row`` asks about one row, as :func:`one_row_season` takes it; ``planted`` is the
    day of any other question. ``as_of`` may be text, a day alone being its local evening.

    Raises
    ------
    InputError
        When no temperature is named, or a file cannot be read.
    """
    loaded = load_season(season) if season is not None else None
    zone = read_zone(timezone) if timezone else ZoneInfo("UTC")
    file_zone = timezone or None
    notes: list[str] = []
    doubts: list[str] = []
    if loaded is None and latitude is not None and longitude is not None and soil is None:
        if not timezone:
            timezone, _ = nearest_zone(latitude, longitude)
            zone = read_zone(timezone)
            notes.append(f"Time zone: {timezone}, the nearest; --timezone names another.")
        if weather is None and constant_C is None and reading_C is None:
            loaded = place_season(latitude, longitude, timezone, surface)
    if loaded is not None:
        zone = loaded.data.site.zone
        latitude, longitude = loaded.data.site.latitude, loaded.data.site.longitude
        file_zone = file_zone or loaded.data.site.timezone
    if row is not None and loaded is not None:
        loaded = one_row_season(**row, zone=zone, season=loaded)
    today = as_of if isinstance(as_of, datetime) else read_today(as_of or "", zone)
    options: dict[str, Any] = {"as_of": today, "air_C": air_C, "size": size, "seed": seed}
    if constant_C is not None:
        if reading_C is not None:
            raise InputError(
                "--constant and --reading both give the soil temperature", hint="give one of them"
            )
        return Context(float(constant_C), zone=zone, season=loaded, **options)
    day = planted if row is None else row["planted"]
    about = [] if day is None else [noon(day, zone)]
    series: xr.DataArray | None = None
    if reading_C is not None:
        series = constant_series(reading_C, min([today, *about])).assign_attrs(
            source=f"a reading of {reading_C:g} °C, give or take {_READING_SD_K:g} °C",
            site_sd_K=_READING_SD_K,
        )
        notes.append(_ROUGH.format(reading_C=reading_C, spread_K=_READING_SD_K))
    sky: xr.Dataset | None = None
    if soil is not None:
        series, sentences = read_bridged(soil, timezone=file_zone, latitude=latitude)
        notes.extend(sentences)
        doubts = series.attrs["doubts"]
    if weather is not None:
        if latitude is None or longitude is None:
            raise InputError("a weather table needs its place", hint='add --at "56.2, -3.1"')
        sky, reading = read_weather_csv(
            weather, latitude=latitude, longitude=longitude, timezone=file_zone
        )
        notes.extend(reading.sentences())
    if loaded is not None:
        context = season_context(
            loaded, offline=offline, series=series, weather=sky, about=about, **options
        )
    elif series is None and sky is None:
        raise InputError(
            "there is no season file here, and no soil temperature or place is named",
            hint=(
                'name a season file, --at "56.2, -3.1" to ask a weather service, '
                "--soil SOIL.csv, --weather WEATHER.csv, or --reading 9 with what a soil "
                "thermometer shows this week, for a rough answer"
            ),
        )
    else:
        supply = SoilSupply(series=series, weather=sky, surface=_ground(surface))
        context = Context(supply, zone=zone, **options)
    if row is not None and context.season is None:
        context.season = one_row_season(**row, zone=zone)
    context.note(*notes, doubts=doubts)
    return context


_READING_SD_K = 3.0
"""How far the mean of the weeks to come may lie from a reading of this week: common practice, no
source; soil in spring warms by 1 to 2 K a week. [K]"""

_ROUGH = (
    "Rough: takes the soil to stay at {reading_C:g} °C, give or take {spread_K:g} °C, as one "
    "reading says no more of the weeks to come."
)


def constant_series(temperature_C: float, first: datetime) -> xr.DataArray:
    """Hourly series of one temperature from two days before a moment on, 400 days long. [degC]"""
    start = np.datetime64(first.astimezone(UTC).replace(tzinfo=None), "h") - np.timedelta64(48, "h")
    time = (start + np.arange(24 * 400)).astype("datetime64[ns]")
    return soil_series(
        time,
        np.full(time.size, float(temperature_C)),
        depth_cm=float("nan"),
        source=f"constant {temperature_C:g} °C",
        surface="unknown",
    ).assign_attrs(assumed=True)


def _ground(surface: str) -> Surface:
    """Ground that is modelled: bare where it is not known."""
    return "grass" if surface == "grass" else "bare"


def place_season(latitude: float, longitude: float, timezone: str, surface: str = "bare") -> Season:
    """Season of a place alone: a weather service gives its soil temperature."""
    name = f"{latitude:g}, {longitude:g}"
    data = SeasonFile(
        format=1,
        site=Site(name=name, latitude=latitude, longitude=longitude, timezone=timezone),
        soil=Soil(service="open-meteo", surface=_ground(surface)),
    )
    return Season(path=Path(PLACE), data=data, crops={}, seed_lots={})


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
    options: dict[str, Any] = {"zone": zone, "as_of": today, "air_C": air_C}
    options |= {"size": size, "seed": seed}
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
    amounts = {
        day if isinstance(day, date) else read_day(day): mm for day, mm in (watering or {}).items()
    }
    supply = SoilSupply(
        series=series,
        weather=weather,
        surface=_ground(surface),
        watering=tuple(Water(hour=hours(noon(day, zone)), mm=mm) for day, mm in amounts.items()),
        rainfed=rainfed,
        soil=soil_type(texture),
    )
    return Context(supply, **options)


def one_row_season(
    crop: str | Crop,
    *,
    lot: str | SeedLot,
    zone: ZoneInfo,
    place: tuple[float, float] | None = None,
    season: Season | None = None,
    **row: Any,
) -> Season:
    """Season that holds one row and no other.

    Parameters
    ----------
    crop : str or Crop
        The lot's when empty.
    lot : str or SeedLot
        Empty where nothing is known of the seed.
    place : (float, float), optional
        Latitude and longitude; of no weight where the soil temperature is given.
    season : Season, optional
        Whose place, beds, water and soil the row has.
    **row
        As :class:`thermosprout.season.schema.Row` takes them; what is None is left out.

    Raises
    ------
    InputError
        When a value is not one that a season file may hold.
    """
    seed = lot if isinstance(lot, SeedLot) else None
    if isinstance(lot, str) and lot and season is not None:
        seed = season.lot(lot)
    name: str | Crop = crop or (seed.crop if seed is not None else "")
    if not name:
        raise InputError("no crop was given", hint='give crop="carrot"')
    sown = name if isinstance(name, Crop) else find_crop(name)
    latitude, longitude = place or (0.0, 0.0)
    try:
        entry = Row.model_validate(
            {"id": ROW, "crop": sown.name, "lot": seed.id if seed is not None else None}
            | {key: value for key, value in row.items() if value is not None}
        )
        lots = () if seed is None else (Lot(id=seed.id, crop=sown.name, variety=seed.variety),)
        data = SeasonFile(
            format=1,
            site=Site(name=sown.name, latitude=latitude, longitude=longitude, timezone=str(zone)),
            soil=Soil(file="in memory"),
            lots=lots,
            rows=(entry,),
        )
    except ValidationError as error:
        raise InputError(schema_fault(error)[0]) from None
    check_times(entry, zone, lambda what, _: InputError(what))
    crops = {sown.name: sown}
    seed_lots = {} if seed is None else {seed.id: seed}
    if season is None:
        return Season(path=Path("in memory"), data=data, crops=crops, seed_lots=seed_lots)
    changes = {
        "rows": (entry,),
        "lots": (*season.data.lots, *(one for one in lots if one.id not in season.seed_lots)),
        "records": None,
    }
    return replace(
        season,
        data=season.data.model_copy(update=changes),
        crops=season.crops | crops,
        seed_lots=season.seed_lots | seed_lots,
        text="",  # the row stands on no line of the file
    )
