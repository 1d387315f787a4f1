"""Soil temperature and water at the seed of each row of a season, wherever they come from."""

from __future__ import annotations

import os
import re
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError, InputError, ServiceError, placed
from thermosprout.quantities import FloatArray
from thermosprout.season.load import Season
from thermosprout.season.schema import hours, instant
from thermosprout.soil.model.ground import LOAM, SoilType, soil_type
from thermosprout.soil.model.seedbed_water import (
    LIKELY_BEDS,
    SeedbedColumn,
    SeedbedWater,
    seedbed_column,
)
from thermosprout.soil.model.surface import Cover, cover_named
from thermosprout.soil.model.temperature import Surface, convert_surface, soil_temperature, to_depth
from thermosprout.soil.quality import check_series
from thermosprout.soil.readers.weather_table import read_weather_csv
from thermosprout.soil.series import hours_since_epoch
from thermosprout.soil.site_correction import Correction, site_correction
from thermosprout.soil.site_readings import read_readings
from thermosprout.weather.season import SoilSource, soil_from, weather_from

PLACE = "(place)"
"""Stands for the season file where a place alone is named."""

_USUAL_DEPTH_CM = 5.0
_LOOK_BACK_D = 10
_HORIZON_D = 150


@dataclass(frozen=True, kw_only=True)
class Water:
    """Water given to one bed, or to all where none is named."""

    hour: float
    mm: float
    bed: str | None = None


class SoilSupply:
    """Soil temperature and water at any depth, under any cover and in any bed, each read once.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time), optional
        Hourly soil temperature; modelled from the weather at each depth when absent. [degC]
    weather : xarray.Dataset, optional
        Hourly weather: rain, air and what covers do.
    surface : {"bare", "grass"}
        Ground that is modelled where there is no series.
    soil : SoilType
        Texture.
    watering : tuple of Water
    rainfed : bool
        Nothing is watered.

    Attributes
    ----------
    notes, doubts : list of str
        How series were read and put together, for the reader; and those notes after which an
        answer is hardly worth having.
    correction : Correction or None
        What the readings of the season say about its site.
    """

    def __init__(
        self,
        *,
        series: xr.DataArray | None = None,
        weather: xr.Dataset | None = None,
        surface: Surface = "bare",
        soil: SoilType = LOAM,
        watering: tuple[Water, ...] = (),
        rainfed: bool = False,
    ) -> None:
        self.notes: list[str] = []
        self.doubts: list[str] = []
        self.correction: Correction | None = None
        self.watering = watering
        self.rainfed = rainfed
        self._soil = soil
        self._surface: Surface = surface
        self._base = series
        self._unchecked = series is not None  # a model has no sensor to go wrong
        self._weather = weather
        self._beds: dict[str, xr.DataArray] = {}
        self._series: dict[tuple[str, float], xr.DataArray] = {}
        self._columns: dict[tuple[str, tuple[Water, ...]], SeedbedColumn | None] = {}
        self._waters: dict[tuple[object, float], SeedbedWater] = {}
        self._grounds: dict[tuple[object, float], tuple[xr.DataArray, FloatArray | None]] = {}

    @property
    def soil(self) -> SoilType:
        """Texture of the soil."""
        return self._soil

    def base(self) -> xr.DataArray | None:
        """Series at its own depth and under its own surface; None where weather alone is known."""
        return self._base

    def weather(self) -> xr.Dataset | None:
        """Hourly weather of the site; None where it is not known."""
        return self._weather

    def at(self, depth_cm: float, cover: str | None = None) -> xr.DataArray:
        """Series at seed depth in the bare bed or under its cover, hourly, in UTC."""
        covering = cover_named(cover)
        key = (covering.name, round(depth_cm, 2))
        if key not in self._series:
            base = self.base()
            self._check(base)
            if base is None:
                self._series[key] = self._modelled(key[1], covering)
            else:
                with _explained_by_checks(self.doubts):
                    bed = self._bed(base, covering)
                    # A series that does not say its depth was measured where the seed lies.
                    has_depth = np.isfinite(float(bed["depth"]))
                    self._series[key] = to_depth(bed, key[1]) if has_depth else bed
        return self._series[key]

    def corrected(self, readings: pd.DataFrame, longitude: float) -> Correction:
        """Correct the series of the open bed by readings taken in it, at degrees east."""
        base = self.base()
        assert base is not None  # noqa: S101 (readings belong to a season, which has a series)
        bed = self._bed(base, cover_named(None))
        weather = self.weather() if "texture" in bed.attrs else None
        return site_correction(bed, readings, longitude=longitude, weather=weather)

    def water(
        self, depth_cm: float, cover: str | None = None, bed: str | None = None
    ) -> SeedbedWater | None:
        """Water at seed depth in a bed; None where no rain of the site is known."""
        covering, watering = cover_named(cover), self._watering(bed)
        key = (covering.name, watering)
        at_depth = (key, round(depth_cm, 2))
        if key not in self._columns:
            weather = self.weather()
            self._columns[key] = None
            if weather is not None and "precipitation" in weather:
                hourly = _hourly_watering(weather, watering)
                self._columns[key] = seedbed_column(
                    weather, soil=self.soil, cover=covering, watering=hourly, beds=LIKELY_BEDS
                )
        column = self._columns[key]
        if column is not None and at_depth not in self._waters:
            self._waters[at_depth] = column.at(depth_cm)
        return self._waters.get(at_depth)

    def _watering(self, bed: str | None) -> tuple[Water, ...]:
        """Water that a bed gets; beds that get the same share what is worked out from it."""
        return tuple(entry for entry in self.watering if entry.bed in (None, bed))

    def drought(
        self, depth_cm: float, cover: str | None = None, bed: str | None = None
    ) -> tuple[xr.DataArray, FloatArray | None]:
        """Series, and factor on progress in drying soil of the same shape; None in moist soil.

        How dry is too dry differs between crops and lots, and how fast a bed dries between beds, so
        the members stand for likely beds and seeds. Soil is moist where weather is not known, and
        where rain is but no watering of the bed is listed nor the beds are said to be rainfed,
        since most growers water a seedbed.
        """
        key = ((cover_named(cover).name, self._watering(bed)), round(depth_cm, 2))
        if key in self._grounds:
            return self._grounds[key]
        series = self.at(depth_cm, cover)
        water = self.water(depth_cm, cover, bed) if self.counts_drought(bed) else None
        factor: FloatArray | None = None
        if water is not None and "member" not in series.dims:
            members = water.factor.sizes["member"]
            weights = ("member", np.full(members, 1.0 / members))
            series = series.expand_dims(member=members).copy()
            series = series.assign_coords(member=np.arange(members), member_weight=weights)
        if water is not None:
            # past the weather the bed is taken as moist: rain that is not known is no drought
            every = water.factor.reindex(time=series["time"].values).fillna(1.0).values
            factor = every[np.arange(series.sizes["member"]) % every.shape[0]]
        self._grounds[key] = (series, factor)
        return series, factor

    def counts_drought(self, bed: str | None = None) -> bool:
        """Whether the water that a bed gets is known: it is rainfed, or its watering is listed."""
        return self.rainfed or bool(self._watering(bed))

    def water_sentence(self) -> str:
        """What is assumed of the water in the seedbed; every plan says so."""
        weather = self.weather()
        if weather is None or "precipitation" not in weather:
            unknown = "rain is" if self.watering else "rain and watering are"
            return f"Assumes a moist seedbed: {unknown} not known."
        if not (self.rainfed or self.watering):
            return (
                "Assumes a moist seedbed. To include drought, list [[watering]] or set "
                "rainfed = true."
            )
        sentence = "Includes drought: the seedbed gets nothing but rain (rainfed = true)."
        if self.watering and not self.rainfed and all(entry.bed for entry in self.watering):
            sentence = (
                "Includes drought in beds with [[watering]]: they get the rain and what is listed; "
                "assumes the others moist."
            )
        elif self.watering:
            sentence = "Includes drought: the seedbed gets the rain and the watering listed."
        rain = np.atleast_2d(weather["precipitation"].values)
        last = int(np.flatnonzero(np.isfinite(rain).any(axis=0))[-1:].sum())
        if last + 1 < rain.shape[1]:
            day = weather["time"].values[last].astype("datetime64[D]").item()
            sentence += f" No rain is known past {day.day} {day:%B}: the bed then stays as it is."
        return sentence

    def _check(self, base: xr.DataArray | None) -> None:
        """Tell once what looks wrong with a measured series, as ``soil read`` does."""
        if base is None or not self._unchecked or "assumed" in base.attrs:
            return
        self._unchecked = False
        one = base if "member" not in base.dims else base.isel(member=0, drop=True)
        checks = [check for check in check_series(one) if check.name != "gaps"]
        self.notes.extend(f"Soil: {check.sentence()}" for check in checks)
        self.doubts.extend(f"Soil: {check.sentence()}" for check in checks if check.serious)

    def _modelled(self, depth_cm: float, cover: Cover) -> xr.DataArray:
        weather = self.weather()
        if weather is None:
            raise InputError("no soil temperature was named", hint="add --soil or --weather")
        return soil_temperature(
            weather,
            depth_cm=min(max(depth_cm, 0.5), 30.0),
            surface=self._surface,
            cover=cover,
            soil=self.soil,
        )

    def _bed(self, base: xr.DataArray, cover: Cover) -> xr.DataArray:
        """Series in the bare bed or under a cover, at the depth of the series."""
        if cover.name not in self._beds:
            # A logger of which nothing is said lies in the bed it was bought for.
            under = base
            if base.attrs["surface"] == "unknown":
                under = base.assign_attrs(surface="bare")
            series = convert_surface(under, self.weather(), to="bare", cover=cover, soil=self.soil)
            if series is not under:
                self.notes.append(f"Surface: {series.attrs['steps']}.")
            self._beds[cover.name] = series
        return self._beds[cover.name]


class SeasonSoil(SoilSupply):
    """Soil temperature and water as a season file names them.

    Parameters
    ----------
    season : Season
        The season file.
    as_of : datetime
        Today, as the forecast sees it (aware).
    offline : bool
        Ask no service, use what is cached.
    series, weather : optional
        Taken in place of the season's own.
    about : sequence of datetime
        Days that are asked about beside those of the rows (aware).
    """

    def __init__(
        self,
        season: Season,
        as_of: datetime,
        *,
        offline: bool = False,
        series: xr.DataArray | None = None,
        weather: xr.Dataset | None = None,
        about: Sequence[datetime] = (),
    ) -> None:
        zone = season.data.site.zone
        super().__init__(
            series=series,
            weather=weather,
            watering=tuple(
                Water(hour=hours(instant(entry.on, zone)), mm=entry.mm, bed=entry.bed)
                for entry in season.data.watering
            ),
            rainfed=season.data.soil.rainfed,
        )
        self.season, self.as_of, self.offline = season, as_of, offline
        self.about = about
        self._no_weather = False
        # A file is checked where it is read, with its place and all of its hours.
        self._unchecked = series is not None

    @property
    def soil(self) -> SoilType:
        """Texture of the season's soil."""
        with placed(self.season.place("site", "texture")):
            return soil_type(self.season.data.site.texture)

    def base(self) -> xr.DataArray:
        """Series at its own depth and under its own surface; of the open bed after readings."""
        if self._base is None:
            self._base = self._from_source()
            readings = self.season.data.soil.readings_file
            if readings is not None:
                path = self.season.existing(readings, "soil", "readings_file")
                site = self.season.data.site
                table = read_readings(path, timezone=site.timezone)
                self.notes.append(self._beside(f"Readings: {table.attrs['summary']}"))
                self.correction = self.corrected(table, site.longitude)
                self.notes.append(f"Readings of the site: {self.correction.sentence()}.")
                self._base = self.correction.series
                self._beds.clear()
        return self._base

    def weather(self) -> xr.Dataset | None:
        """Weather of the season's own file, else of its service; None where neither is known."""
        settings = self.season.data.soil
        if self._weather is None and settings.weather_file is not None:
            site = self.season.data.site
            self._weather, reading = read_weather_csv(
                self.season.existing(settings.weather_file, "soil", "weather_file"),
                latitude=site.latitude,
                longitude=site.longitude,
                elevation_m=site.elevation_m,
                timezone=site.timezone,
            )
            self.notes.append(self._beside(f"Weather: {reading.summary()}"))
        elif self._weather is None and settings.service is not None and not self._no_weather:
            try:
                self._weather = weather_from(self._source())
            except (ServiceError, CoverageError) as error:
                # Soil temperature may still come from a file; rain and covers are then unknown.
                self._no_weather = True
                self.notes.append(f"Weather: {error}")
        return self._weather

    def _from_source(self) -> xr.DataArray:
        settings = self.season.data.soil
        if settings.file is None and settings.service is None:
            weather = self.weather()
            assert weather is not None  # noqa: S101 (the schema asks for one of the three)
            surface: Surface = "grass" if settings.surface == "grass" else "bare"
            modelled = soil_temperature(
                weather,
                depth_cm=settings.depth_cm or _USUAL_DEPTH_CM,
                surface=surface,
                soil=self.soil,
            )
            self.notes.append("Soil temperature is modelled from the weather.")
            return modelled
        source = self._source()
        try:
            with season_hints(source.path):
                series = soil_from(source)
        except ServiceError as error:
            if self.season.path.name != PLACE:
                raise
            way = "--reading 9, what a soil thermometer shows this week, gives a rough answer"
            raise ServiceError(error.what, place=error.place, hint=f"{error.hint}; {way}") from None
        if not np.isfinite(float(series["depth"])):
            series = series.assign_coords(depth=_USUAL_DEPTH_CM / 100.0)
            self.notes.append(
                f"The file does not say how deep its sensor lies: taken as {_USUAL_DEPTH_CM:g} cm; "
                "set depth_cm under [soil]."
            )
        parts = str(series.attrs.get("notes", "")).split("; ")
        self.notes.extend(self._beside(f"Soil: {part}.") for part in parts if part)
        self.doubts.extend(self._beside(f"Soil: {text}") for text in series.attrs["doubts"])
        if attribution := series.attrs.get("attribution"):
            self.notes.append(str(attribution))
        return series

    def _source(self) -> SoilSource:
        """Settings of the file or service for the days the season needs."""
        settings = self.season.data.soil
        site = self.season.data.site
        planted = [instant(row.planted, site.zone) for row in self.season.data.rows]
        days = [self.as_of, *planted, *self.about]
        first = min(days) - timedelta(days=_LOOK_BACK_D)
        last = max(days) + timedelta(days=_HORIZON_D)
        return SoilSource(
            path=self._path(settings.file, "file"),
            column=settings.column,
            file_timezone=settings.file_timezone,
            service=settings.service,
            base_url=settings.base_url,
            past_years_file=self._path(settings.past_years_file, "past_years_file"),
            depth_cm=settings.depth_cm or (None if settings.file else _USUAL_DEPTH_CM),
            surface=settings.surface,
            latitude=site.latitude,
            longitude=site.longitude,
            elevation_m=site.elevation_m,
            timezone=site.timezone,
            offline=self.offline,
            as_of=self.as_of,
            start=first.date(),
            horizon_end=last.date(),
        )

    def _beside(self, note: str) -> str:
        """Note that names files as the season file does."""
        return note.replace(f"{self.season.path.parent.resolve()}{os.sep}", "")

    def _path(self, name: str | None, key: str) -> Path | None:
        return None if name is None else self.season.existing(name, "soil", key)


@contextmanager
def _explained_by_checks(doubts: list[str]) -> Iterator[None]:
    """Give a series that no model can move to another depth the finding that explains it."""
    try:
        yield
    except InputError as error:
        # An error with a place of its own, such as a missing file, is about something else.
        if error.place is None and doubts:
            raise InputError(doubts[0].removesuffix("."), hint=error.what) from None
        raise


def _hourly_watering(weather: xr.Dataset, watering: tuple[Water, ...]) -> xr.DataArray | None:
    """Watering on the hours of the weather; None where there is none. [mm]"""
    if not watering:
        return None
    time = weather["time"].values
    at = np.floor([one.hour for one in watering] - hours_since_epoch(time[0])).astype(int)
    inside = (at >= 0) & (at < time.size)
    mm = np.array([one.mm for one in watering])
    amount = np.bincount(at[inside], weights=mm[inside], minlength=time.size)
    return xr.DataArray(amount, dims="time", coords={"time": time}, attrs={"units": "mm"})


def describe(series: xr.DataArray) -> str:
    """Name the source, depth and surface of a series in a phrase."""
    depth = float(series["depth"]) * 100
    text = str(series.attrs["source"])
    # A series that was moved to its depth says so already.
    if not text.endswith(f"to {depth:g} cm"):
        text += f", at {depth:g} cm" if np.isfinite(depth) else ", at seed depth"
    surface = series.attrs.get("surface", "unknown")
    cover = series.attrs.get("cover", "none")
    if cover != "none":
        return f"{text} under {cover}"
    return text if surface == "unknown" else f"{text} under {surface} ground"


_KEYS = {"--timezone": "file_timezone", "--column": "column", "--depth-cm": "depth_cm"}
_OPTION = re.compile(r"--[a-z][a-z-]*")


@contextmanager
def season_hints(path: Path | None) -> Iterator[None]:
    """Turn options that a reader names into keys of the season file.

    Parameters
    ----------
    path : Path or None
        The file that the season names.

    Raises
    ------
    InputError
        The reader's, with the same place. Where the season has no key for an option, it says
        how to write the file anew with one.
    """
    try:
        yield
    except InputError as error:
        options = _OPTION.findall(error.hint)
        if not options:
            raise
        hint = error.hint
        for option, key in _KEYS.items():
            hint = hint.replace(option, f"{key} under [soil]")
        if any(option not in _KEYS for option in options):
            name = "FILE" if path is None else path.name
            hint += (
                f"; that is an option of: thermosprout soil read {name} --out clean.csv, and the "
                "season then names clean.csv"
            )
        raise InputError(error.what, place=error.place, hint=hint) from None
