"""Soil temperature and water at the seed of each row of a season, wherever they come from."""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError, InputError, ServiceError
from thermosprout.season.file_hints import season_hints
from thermosprout.season.load import Season
from thermosprout.season.schema import hours, instant
from thermosprout.soil.convert import convert_surface
from thermosprout.soil.depth import to_depth
from thermosprout.soil.model import Surface, soil_temperature
from thermosprout.soil.readers.any_weather import read_weather
from thermosprout.soil.readers.readings import read_readings
from thermosprout.soil.series import soil_series
from thermosprout.soil.site_correction import correct
from thermosprout.soil.surfaces import Cover, cover_named
from thermosprout.soil.texture import SoilType, soil_type
from thermosprout.soil.water import (
    BASE_POTENTIAL_RANGE_MPA,
    SeedbedWater,
    hydrothermal_factor,
    seedbed_water,
)
from thermosprout.weather.season_weather import weather_from
from thermosprout.weather.source import SoilSource
from thermosprout.weather.supply import soil_from

_DRIEST, _WETTEST = BASE_POTENTIAL_RANGE_MPA
_BASE_POTENTIALS_MPA = np.geomspace(_WETTEST, _DRIEST, 5)
"""Where progress stops, evenly over the logarithm of the published range of medians. [MPa]"""

_ROUTINE = ("Temperature from", "Times from", "Columns parted", "Covers")
"""What ``soil read`` tells of a file and nobody needs again with every forecast."""

_USUAL_DEPTH_CM = 5.0
_LOOK_BACK_D = 10
_HORIZON_D = 150


@dataclass
class SoilSupply:
    """Reads the season's soil temperature once and gives it at any depth and under any cover.

    Attributes
    ----------
    season : Season
        The season file.
    as_of : datetime
        Today, as the forecast sees it (aware).
    offline : bool
        Ask no service, use what is cached.
    notes : list of str
        How the series was read and put together, for the reader.
    """

    season: Season
    as_of: datetime
    offline: bool = False
    notes: list[str] = field(default_factory=list)
    _base: xr.DataArray | None = None
    _weather: xr.Dataset | None = None
    _no_weather: bool = False
    _beds: dict[str, xr.DataArray] = field(default_factory=dict)
    _series: dict[tuple[str, float], xr.DataArray] = field(default_factory=dict)
    _water: dict[tuple[str, str | None, float], SeedbedWater | None] = field(default_factory=dict)

    @property
    def soil(self) -> SoilType:
        """Texture of the season's soil."""
        try:
            return soil_type(self.season.data.site.texture)
        except InputError as error:
            raise InputError(error.what, place=self.season.place("site", "texture")) from None

    def base(self) -> xr.DataArray:
        """Series at its own depth and under its own surface, corrected by the site's readings."""
        if self._base is None:
            series = self._from_source()
            readings = self.season.data.soil.readings_file
            if readings is not None:
                path = self.season.resolve(readings, "soil", "readings_file")
                zone = self.season.data.site.timezone
                corrected = correct(series, read_readings(path, timezone=zone))
                self.notes.append(f"Readings of the site: {corrected.sentence()}.")
                series = corrected.series
            self._base = series
        return self._base

    def at(self, depth_cm: float, cover: str | None = None) -> xr.DataArray:
        """Series at seed depth in the bare bed or under its cover, hourly, in UTC."""
        covering = cover_named(cover)
        key = (covering.name, round(depth_cm, 2))
        if key not in self._series:
            self._series[key] = to_depth(self._bed(covering), key[1])
        return self._series[key]

    def water(
        self, depth_cm: float, cover: str | None = None, bed: str | None = None
    ) -> SeedbedWater | None:
        """Water at seed depth in a bed; None where no weather of the site is known."""
        covering = cover_named(cover)
        key = (covering.name, bed, round(depth_cm, 2))
        if key not in self._water:
            weather = self.weather()
            self._water[key] = (
                None
                if weather is None or "precipitation" not in weather
                else seedbed_water(
                    weather,
                    depth_cm=key[2],
                    soil=self.soil,
                    cover=covering,
                    watering=self._watering(weather, bed),
                )
            )
        return self._water[key]

    def drought(
        self, depth_cm: float, cover: str | None = None, bed: str | None = None
    ) -> tuple[xr.DataArray, np.ndarray] | None:
        """Series and factor on progress in drying soil, both of shape (member, time).

        How dry is too dry differs between crops and lots, so the members stand for base water
        potentials across the published range. None stands for moist soil: where weather is not
        known, and where rain is but the season neither lists watering nor says that it is rainfed,
        since most growers water a seedbed.
        """
        water = self.water(depth_cm, cover, bed) if self.counts_drought else None
        if water is None:
            return None
        series = self.at(depth_cm, cover)
        if "member" not in series.dims:
            weights = np.ones(_BASE_POTENTIALS_MPA.size)
            series = soil_series(
                series["time"].values,
                np.repeat(series.values[None, :], weights.size, axis=0),
                depth_cm=100.0 * float(series["depth"]),
                source=str(series.attrs["source"]),
                surface=str(series.attrs["surface"]),
                weights=weights,
            ).assign_attrs(series.attrs)
        potential = water.potential
        if "member" in potential.dims:
            potential = potential.mean("member")
        known = potential.reindex(time=series["time"].values).fillna(0.0).values
        level = np.arange(series.sizes["member"]) % _BASE_POTENTIALS_MPA.size
        return series, hydrothermal_factor(known[None, :], _BASE_POTENTIALS_MPA[level][:, None])

    @property
    def counts_drought(self) -> bool:
        """Whether all water the beds get is known."""
        return self.season.data.soil.rainfed or bool(self.season.data.watering)

    def weather(self) -> xr.Dataset | None:
        """Weather of the season's own file, else of its service; None where neither is known."""
        settings = self.season.data.soil
        if self._weather is None and settings.weather_file is not None:
            site = self.season.data.site
            self._weather, reading = read_weather(
                self.season.resolve(settings.weather_file, "soil", "weather_file"),
                latitude=site.latitude,
                longitude=site.longitude,
                elevation_m=site.elevation_m,
                timezone=site.timezone,
            )
            self.notes.append(self._beside(f"Weather: {reading.sentences()[0]}"))
        elif self._weather is None and settings.service is not None and not self._no_weather:
            try:
                self._weather = weather_from(self._source())
            except (ServiceError, CoverageError) as error:
                # Soil temperature may still come from a file; rain and covers are then unknown.
                self._no_weather = True
                self.notes.append(f"Weather: {error}")
        return self._weather

    def _bed(self, cover: Cover) -> xr.DataArray:
        """Series in the bare bed or under a cover, at the depth of the series."""
        if cover.name not in self._beds:
            base = self.base()
            # A logger of which nothing is said lies in the bed it was bought for.
            known = base.attrs["surface"] != "unknown"
            taken = base if known else base.assign_attrs(surface="bare")
            moved = convert_surface(taken, self.weather(), to="bare", cover=cover, soil=self.soil)
            if moved is not taken:
                self.notes.append(f"Surface: {moved.attrs['steps']}.")
            self._beds[cover.name] = moved
        return self._beds[cover.name]

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
        with season_hints(source.path):
            series = soil_from(source)
        if not np.isfinite(float(series["depth"])):
            series = series.assign_coords(depth=_USUAL_DEPTH_CM / 100.0)
            self.notes.append(
                f"The file does not say how deep its sensor lies: taken as {_USUAL_DEPTH_CM:g} cm; "
                "set depth_cm under [soil]."
            )
        parts = str(series.attrs.get("notes", "")).split("; ")
        self.notes.extend(
            self._beside(f"Soil: {part}.")
            for part in parts
            if part and not part.startswith(_ROUTINE)
        )
        if attribution := series.attrs.get("attribution"):
            self.notes.append(str(attribution))
        return series

    def _source(self) -> SoilSource:
        """Settings of the file or service for the days the season needs."""
        settings = self.season.data.soil
        site = self.season.data.site
        planted = [instant(row.planted, site.zone) for row in self.season.data.rows]
        first = min([self.as_of, *planted]) - timedelta(days=_LOOK_BACK_D)
        last = max([self.as_of, *planted]) + timedelta(days=_HORIZON_D)
        return SoilSource(
            kind="csv" if settings.file else "service",
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
        return None if name is None else self.season.resolve(name, "soil", key)

    def _watering(self, weather: xr.Dataset, bed: str | None) -> xr.DataArray | None:
        """Watering of a bed, or of all beds, on the hours of the weather. [mm]"""
        given = [entry for entry in self.season.data.watering if entry.bed in (None, bed)]
        if not given:
            return None
        zone = self.season.data.site.zone
        time = weather["time"].values
        amount = np.zeros(time.size)
        first = float(time[0].astype("datetime64[s]").astype(float)) / 3600.0
        for entry in given:
            at = int(np.floor(hours(instant(entry.on, zone)) - first))
            if 0 <= at < amount.size:
                amount[at] += entry.mm
        return xr.DataArray(amount, dims="time", coords={"time": time}, attrs={"units": "mm"})


def describe(series: xr.DataArray) -> str:
    """Name the source, depth and surface of a series in a phrase."""
    depth = float(series["depth"]) * 100
    text = f"{series.attrs['source']}, at {depth:g} cm"
    surface = series.attrs.get("surface", "unknown")
    cover = series.attrs.get("cover", "none")
    if cover != "none":
        return f"{text} under {cover}"
    return text if surface == "unknown" else f"{text} under {surface} ground"
