"""Soil temperature at the seed of each row of a season, wherever it comes from."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime

import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.season.load import Season
from thermosprout.soil.depth import to_depth
from thermosprout.soil.readers.logger_csv import read_soil_csv


@dataclass
class SoilSupply:
    """Reads the season's soil temperature once and gives it at any depth.

    Attributes
    ----------
    season : Season
        The season file.
    as_of : datetime
        Today, as the forecast sees it (aware).
    offline : bool
        Ask no service, use what is cached.
    notes : list of str
        How the series was read, for the reader.
    """

    season: Season
    as_of: datetime
    offline: bool = False
    notes: list[str] = field(default_factory=list)
    _base: xr.DataArray | None = None
    _by_depth: dict[float, xr.DataArray] = field(default_factory=dict)

    def base(self) -> xr.DataArray:
        """Series at its own depth."""
        if self._base is None:
            settings = self.season.data.soil
            self._base = self._from_file() if settings.file else self._from_service()
        return self._base

    def at(self, depth_cm: float) -> xr.DataArray:
        """Series at seed depth, hourly, in UTC."""
        key = round(depth_cm, 2)
        if key not in self._by_depth:
            self._by_depth[key] = to_depth(self.base(), key)
        return self._by_depth[key]

    def _from_file(self) -> xr.DataArray:
        settings = self.season.data.soil
        path = self.season.resolve(str(settings.file), "soil", "file")
        try:
            series, reading = read_soil_csv(
                path,
                depth_cm=settings.depth_cm,
                timezone=settings.file_timezone,
                column=settings.column,
                surface=settings.surface,
            )
        except InputError as error:
            if error.place is not None and str(error.place.file) == str(path):
                raise
            raise InputError(error.what, place=self.season.place("soil", "file")) from None
        self.notes.extend(reading.sentences())
        return series

    def _from_service(self) -> xr.DataArray:
        from thermosprout.weather.supply import SoilSource, soil_from

        settings = self.season.data.soil
        site = self.season.data.site
        source = SoilSource(
            kind="service",
            service=settings.service,
            base_url=settings.base_url,
            depth_cm=settings.depth_cm,
            surface=settings.surface,
            latitude=site.latitude,
            longitude=site.longitude,
            elevation_m=site.elevation_m,
            timezone=site.timezone,
            offline=self.offline,
            as_of=self.as_of,
        )
        return soil_from(source)


def describe(series: xr.DataArray) -> str:
    """Name the source, depth and surface of a series in a phrase."""
    depth = float(series["depth"]) * 100
    text = f"{series.attrs['source']}, at {depth:g} cm"
    surface = series.attrs.get("surface", "unknown")
    return text if surface == "unknown" else f"{text} under {surface} ground"


__all__ = ["CoverageError", "SoilSupply", "describe"]
