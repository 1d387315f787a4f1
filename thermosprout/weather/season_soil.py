"""From a season's soil source to one soil temperature series per member."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError, InputError, ServiceError
from thermosprout.soil.convert import to_depth
from thermosprout.soil.model.temperature import Surface, soil_temperature
from thermosprout.soil.readers.logger import read_bridged, read_soil_csv
from thermosprout.soil.series import VARIABLES, weather_dataset
from thermosprout.weather.members import join_members
from thermosprout.weather.season_weather import (
    WARM_UP_DAYS,
    SoilSource,
    continued,
    past_weather,
    recent_and_ahead,
    trusted,
)

if TYPE_CHECKING:
    from thermosprout.weather.session import WeatherSession


def soil_from(source: SoilSource, *, session: WeatherSession | None = None) -> xr.DataArray:
    """Soil temperature with members, from a year's measured part to the horizon.

    Parameters
    ----------
    source : SoilSource
        Where it comes from.
    session : WeatherSession, optional
        For tests; the user's cache by default.

    Returns
    -------
    xarray.DataArray, dims (member, time), or (time,) for a file with nothing to go on from
        Hourly. [degC] ``attrs["notes"]`` says how it was put together, ``attrs["attribution"]``
        what the services' licences ask to be shown.

    Raises
    ------
    InputError
        For a source that does not name what it needs.
    ServiceError, CoverageError
        When a service fails and nothing is cached, or the data do not reach ``as_of``.
    """
    if source.kind == "csv" and source.service is None:
        return _from_file(source, None)
    from thermosprout.weather.session import WeatherSession

    opened = session or WeatherSession(offline=source.offline)
    try:
        if source.kind == "csv":
            return _from_file(source, opened)
        if source.service is None:
            raise InputError("no service is named", hint='write service = "open-meteo"')
        return _from_service(source, opened)
    finally:
        if session is None:
            opened.close()


def _from_file(source: SoilSource, session: WeatherSession | None) -> xr.DataArray:
    if source.path is None:
        raise InputError("no file of soil temperature is named")
    measured, notes = read_bridged(
        source.path,
        depth_cm=source.depth_cm,
        column=source.column,
        timezone=source.file_timezone or source.timezone,
        surface=source.surface,
        latitude=source.latitude,
    )
    past, words = _past_file(source, measured)
    notes += words
    ahead = None
    attribution = ""
    if session is not None and source.service is not None:
        bed = "grass" if source.surface == "grass" else "bare"
        own = 100.0 * float(measured["depth"])
        depth = min(max(own, 0.5), 30.0) if np.isfinite(own) else source.depth_cm
        beyond = replace(
            source, kind="service", surface=bed, path=None, past_years_file=None, depth_cm=depth
        )
        try:
            ahead = _from_service(beyond, session)
            attribution = str(ahead.attrs.get("attribution", ""))
            notes.append(str(ahead.attrs.get("notes", "")))
        except (ServiceError, CoverageError) as error:
            # A file that reaches today answers by itself, as far as it and past years go.
            if past is None and measured["time"].values[-1] < source.now:
                raise
            notes.append(f"nothing beyond the file, {error.what}")
    if ahead is None and past is None:
        return _noted(measured, notes, attribution)
    last = measured["time"].values[-1]
    seam = min(source.now, last)
    if source.now - last > np.timedelta64(10, "D") and ahead is None:
        notes.append(f"the file ends {(source.now - last) // np.timedelta64(1, 'D')} days ago")
    series = join_members(
        measured, ahead, past,
        start=max(np.datetime64(source.first, "ns"), measured["time"].values[0]),
        end=np.datetime64(source.last, "ns"), now=seam,
    )  # fmt: skip
    return _noted(series, [*notes, str(series.attrs["notes"])], attribution)


def _past_file(
    source: SoilSource, like: xr.DataArray | None
) -> tuple[xr.DataArray | None, list[str]]:
    """Past years of the season's file at the depth of a series, and what looks wrong in them."""
    if source.past_years_file is None:
        return None, []
    past, reading = read_soil_csv(
        source.past_years_file,
        timezone=source.file_timezone or source.timezone,
        latitude=source.latitude,
    )
    target = 100.0 * float(like["depth"]) if like is not None else float(source.depth_cm or 5.0)
    if np.isfinite(float(past["depth"])) and np.isfinite(target):
        past = to_depth(past, target)
    return past, [f"past years: {doubt}" for doubt in reading.doubts()]


def _noted(series: xr.DataArray, notes: list[str], attribution: str) -> xr.DataArray:
    series.attrs["notes"] = "; ".join(dict.fromkeys(text.rstrip(".") for text in notes if text))
    if attribution:
        series.attrs["attribution"] = attribution
    return series


def _from_service(source: SoilSource, session: WeatherSession) -> xr.DataArray:
    depth = float(source.depth_cm or 5.0)
    surface: Surface = "grass" if source.surface == "grass" else "bare"
    recent, ahead, words = recent_and_ahead(source, session)
    attribution = str(recent.attrs.get("attribution", ""))
    past, doubts = _past_file(source, None)
    words += doubts
    seasons: list[xr.DataArray] = [] if past is None else [past]
    if past is None:
        weather, more = past_weather(source, session)
        words += more
        seasons = _model_years(weather, depth, surface)
    to_now = recent.sel(time=slice(None, source.now))
    measured = soil_temperature(to_now, depth_cm=depth, surface=surface)
    forecast = None
    if ahead is not None:
        try:
            whole = continued(to_now, trusted(ahead, source.now) if seasons else ahead)
            forecast = soil_temperature(whole, depth_cm=depth, surface=surface)
        except CoverageError as error:
            # An old cached forecast may lie wholly in the past.
            if not seasons:
                raise
            words.append(f"no forecast ({error.what})")
    try:
        series = join_members(
            measured, forecast, seasons or None,
            start=np.datetime64(source.first, "ns"), end=np.datetime64(source.last, "ns"),
            now=source.now,
        )  # fmt: skip
    except CoverageError as error:
        words.append(f"no past seasons ({error.what})")
        series = join_members(
            measured, forecast, None,
            start=np.datetime64(source.first, "ns"), end=np.datetime64(source.last, "ns"),
            now=source.now,
        )  # fmt: skip
    notes = [*recent.attrs.get("notes", ()), *words, str(measured.attrs.get("notes", ""))]
    return _noted(series, [*notes, str(series.attrs["notes"])], attribution)


def _model_years(years: list[xr.Dataset], depth_cm: float, surface: Surface) -> list[xr.DataArray]:
    """Soil temperature of each past season; all years at once, as members of one run."""
    if not years:
        return []
    size = min(data.sizes["time"] for data in years)
    shared = [name for name in VARIABLES if all(name in data for data in years)]
    stacked = weather_dataset(
        years[0]["time"].values[:size],
        source=str(years[0].attrs["source"]),
        latitude=float(years[0].attrs["latitude"]),
        longitude=float(years[0].attrs["longitude"]),
        elevation_m=years[0].attrs.get("elevation_m"),
        **{name: np.vstack([data[name].values[:size] for data in years]) for name in shared},
    )
    soil = soil_temperature(stacked, depth_cm=depth_cm, surface=surface)
    out = []
    for row, data in enumerate(years):
        one = soil.isel(member=row, drop=True).drop_vars("member_weight", errors="ignore")
        one = one.assign_coords(time=data["time"].values[:size])
        one.attrs = dict(soil.attrs)
        out.append(one.isel(time=slice(24 * (WARM_UP_DAYS - 10), None)))
    return out


__all__ = ["SoilSource", "soil_from"]
