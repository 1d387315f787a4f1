"""From a season's soil source to one soil temperature series per member."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Literal

import numpy as np
import xarray as xr

from thermosprout.errors import CoverageError, InputError, ServiceError
from thermosprout.soil.depth import to_depth
from thermosprout.soil.forcing import VARIABLES, weather_dataset
from thermosprout.soil.model import Surface, soil_temperature
from thermosprout.soil.readers.logger_csv import read_soil_csv
from thermosprout.weather import nasa_power, open_meteo
from thermosprout.weather.members import join_members
from thermosprout.weather.session import WeatherSession

Service = Literal["open-meteo", "nasa-power"]

WARM_UP_DAYS = 45
"""Weather before the first day wanted, in which the soil model forgets its start. [d]"""
LOOK_BACK_DAYS = 150
HORIZON_DAYS = 150
PAST_YEARS = 15
ARCHIVE_LAG_DAYS = 6
MARGIN_DAYS = 12
"""Past seasons are fetched this much longer, so that they can be moved by some days. [d]"""


@dataclass(frozen=True, kw_only=True)
class SoilSource:
    """Where a season's soil temperature comes from.

    Attributes
    ----------
    kind : {"csv", "service"}
        A logger's file, or weather of a service put through the soil model.
    path : Path, optional
        The logger's file.
    column, file_timezone : str, optional
        Which column, and the zone of stamps without one.
    service : {"open-meteo", "nasa-power"}, optional
        For ``kind="csv"`` too: then the service's forecast goes on where the logger ends.
    base_url : str, optional
        Self-hosted instance, for all interfaces of the service.
    depth_cm, surface
        Depth [cm] and ground; for a service the ground that is modelled, bare where unknown.
    past_years_file : Path, optional
        Soil temperature of past years, instead of the service's archive.
    latitude, longitude, elevation_m, timezone
        Of the site; the zone is that of a file whose stamps carry none.
    offline : bool
        Ask no service, use what is cached.
    as_of : datetime
        Aware instant taken as now.
    start, horizon_end : date, optional
        First and last day wanted; 150 days back and ahead by default.
    """

    kind: Literal["csv", "service"]
    as_of: datetime
    latitude: float
    longitude: float
    path: Path | None = None
    column: str | None = None
    file_timezone: str | None = None
    service: Service | None = None
    base_url: str | None = None
    depth_cm: float | None = 5.0
    surface: str = "unknown"
    past_years_file: Path | None = None
    elevation_m: float | None = None
    timezone: str | None = None
    offline: bool = False
    start: date | None = None
    horizon_end: date | None = None

    @property
    def now(self) -> np.datetime64:
        """UTC hour of ``as_of``."""
        moment = self.as_of.astimezone(UTC).replace(tzinfo=None, minute=0, second=0, microsecond=0)
        return np.datetime64(moment, "ns")

    @property
    def first(self) -> date:
        """First day wanted."""
        return self.start or (self.as_of - timedelta(days=LOOK_BACK_DAYS)).date()

    @property
    def last(self) -> date:
        """Last day wanted."""
        return self.horizon_end or (self.as_of + timedelta(days=HORIZON_DAYS)).date()


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


def _from_file(source: SoilSource, session: WeatherSession) -> xr.DataArray:
    if source.path is None:
        raise InputError("no file of soil temperature is named")
    measured, reading = read_soil_csv(
        source.path,
        depth_cm=source.depth_cm,
        column=source.column,
        timezone=source.file_timezone or source.timezone,
        surface=source.surface,
    )
    said = reading.sentences()
    past = _past_file(source, measured)
    ahead = None
    attribution = ""
    if source.service is not None:
        bed = "grass" if source.surface == "grass" else "bare"
        own = 100.0 * float(measured["depth"])
        depth = min(max(own, 0.5), 30.0) if np.isfinite(own) else source.depth_cm
        modelled = _from_service(
            replace(
                source,
                kind="service",
                surface=bed,
                path=None,
                past_years_file=None,
                depth_cm=depth,
            ),
            session,
        )
        attribution = str(modelled.attrs.get("attribution", ""))
        said.append(str(modelled.attrs.get("notes", "")))
        ahead = modelled
    if ahead is None and past is None:
        return _noted(measured, said, attribution)
    last = measured["time"].values[-1]
    seam = min(source.now, last)
    if source.now - last > np.timedelta64(10, "D") and ahead is None:
        said.append(f"the file ends {(source.now - last) // np.timedelta64(1, 'D')} days ago")
    series = join_members(
        measured, ahead, past,
        start=max(np.datetime64(source.first, "ns"), measured["time"].values[0]),
        end=np.datetime64(source.last, "ns"), now=seam,
    )  # fmt: skip
    return _noted(series, [*said, str(series.attrs["notes"])], attribution)


def _past_file(source: SoilSource, like: xr.DataArray | None) -> xr.DataArray | None:
    if source.past_years_file is None:
        return None
    past, _ = read_soil_csv(
        source.past_years_file, timezone=source.file_timezone or source.timezone
    )
    wanted = 100.0 * float(like["depth"]) if like is not None else float(source.depth_cm or 5.0)
    if np.isfinite(float(past["depth"])) and np.isfinite(wanted):
        past = to_depth(past, wanted)
    return past


def _noted(series: xr.DataArray, said: list[str], attribution: str) -> xr.DataArray:
    series.attrs["notes"] = "; ".join(dict.fromkeys(text.rstrip(".") for text in said if text))
    if attribution:
        series.attrs["attribution"] = attribution
    return series


def _from_service(source: SoilSource, session: WeatherSession) -> xr.DataArray:
    depth = float(source.depth_cm or 5.0)
    surface: Surface = "grass" if source.surface == "grass" else "bare"
    recent, ahead, said = (
        _open_meteo(source, session) if source.service == "open-meteo" else _power(source, session)
    )
    attribution = str(recent.attrs.get("attribution", ""))
    past = _past_file(source, None)
    seasons: list[xr.DataArray] = [] if past is None else [past]
    if past is None:
        weather, more = _past_weather(source, session)
        said += more
        seasons = _model_years(weather, depth, surface)
    known = recent.sel(time=slice(None, source.now))
    measured = soil_temperature(known, depth_cm=depth, surface=surface)
    forecast = None
    if ahead is not None:
        whole = _continued(known, ahead)
        forecast = soil_temperature(whole, depth_cm=depth, surface=surface)
    try:
        series = join_members(
            measured, forecast, seasons or None,
            start=np.datetime64(source.first, "ns"), end=np.datetime64(source.last, "ns"),
            now=source.now,
        )  # fmt: skip
    except CoverageError as error:
        said.append(f"no past seasons ({error.what})")
        series = join_members(
            measured, forecast, None,
            start=np.datetime64(source.first, "ns"), end=np.datetime64(source.last, "ns"),
            now=source.now,
        )  # fmt: skip
    notes = [*recent.attrs.get("notes", ()), *said, str(measured.attrs.get("notes", ""))]
    return _noted(series, [*notes, str(series.attrs["notes"])], attribution)


def _is_past(source: SoilSource) -> bool:
    """Tell whether ``as_of`` lies so far back that no forecast of that day is to be had."""
    return source.as_of < datetime.now(UTC) - timedelta(days=ARCHIVE_LAG_DAYS)


def _open_meteo(
    source: SoilSource, session: WeatherSession
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    """Weather to now, members ahead, and what was left out."""
    said: list[str] = []
    begin = source.first - timedelta(days=WARM_UP_DAYS)
    at = {"latitude": source.latitude, "longitude": source.longitude}
    common = {"session": session, "base_url": source.base_url, "elevation_m": source.elevation_m}
    if _is_past(source):
        said.append("the day taken as today is past: no forecast of that day, past seasons instead")
        until = source.as_of.astimezone(UTC).date()
        return open_meteo.get_archive(**at, start=begin, end=until, **common), None, said  # type: ignore[arg-type]
    until = source.as_of.astimezone(UTC).date() - timedelta(days=ARCHIVE_LAG_DAYS)
    try:
        older = [open_meteo.get_archive(**at, start=begin, end=until, **common)]  # type: ignore[arg-type]
        back = 14
    except (ServiceError, CoverageError) as error:
        older, back = [], open_meteo.LONGEST_PAST_DAYS
        said.append(f"the archive could not be used ({error.what}): the last {back} days only")
    recent = open_meteo.get_forecast(**at, past_days=back, **common)  # type: ignore[arg-type]
    whole = open_meteo.joined([*older, recent])
    if older:
        whole.attrs["attribution"] = older[0].attrs["attribution"]
    try:
        ahead = open_meteo.get_ensemble(**at, **common)  # type: ignore[arg-type]
    except (ServiceError, CoverageError) as error:
        said.append(f"no ensemble ({error.what}): the single forecast stands in")
        ahead = recent
    said += ahead.attrs.get("notes", ())
    return whole, ahead, said


def _power(
    source: SoilSource, session: WeatherSession
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    begin = source.first - timedelta(days=WARM_UP_DAYS)
    data = nasa_power.get_power(
        source.latitude,
        source.longitude,
        begin,
        min(source.as_of, datetime.now(UTC)).astimezone(UTC).date(),
        session=session,
        base_url=source.base_url,
    )
    behind = (source.now - data["time"].values[-1]) / np.timedelta64(1, "D")
    said = ["NASA POWER has no forecast: past seasons instead"]
    if behind > 2:
        said.append(f"its newest values are {behind:.0f} days old")
    return data, None, said


def _past_weather(
    source: SoilSource, session: WeatherSession
) -> tuple[list[xr.Dataset], list[str]]:
    """Weather of the same season in past years, one Dataset a year."""
    begin = source.as_of.astimezone(UTC).date() - timedelta(days=WARM_UP_DAYS + MARGIN_DAYS)
    end = source.last + timedelta(days=MARGIN_DAYS)
    floor = nasa_power.FIRST_YEAR + 1 if source.service == "nasa-power" else 1951
    newest = datetime.now(UTC).date() - timedelta(days=ARCHIVE_LAG_DAYS + 1)
    found: list[xr.Dataset] = []
    failed = ""
    for back in range(1, PAST_YEARS + 1):
        shift = timedelta(days=round(365.2425 * back))
        first, last = begin - shift, end - shift
        if first.year < floor or last > newest:
            continue
        try:
            if source.service == "nasa-power":
                data = nasa_power.get_power(
                    source.latitude, source.longitude, first, last,
                    session=session, base_url=source.base_url,
                )  # fmt: skip
            else:
                data = open_meteo.get_archive(
                    source.latitude, source.longitude, first, last, session=session,
                    base_url=source.base_url, elevation_m=source.elevation_m,
                )  # fmt: skip
        except (ServiceError, CoverageError) as error:
            failed = error.what
            if not found and back > 1:
                break
            continue
        found.append(data.sel(time=slice(None, np.datetime64(last) + np.timedelta64(23, "h"))))
    notes = [f"some past years could not be had ({failed})"] if failed else []
    return found, notes


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


def _continued(known: xr.Dataset, ahead: xr.Dataset) -> xr.Dataset:
    """Weather to now followed by each member; air is moved by what it was off by before now."""
    seam = known["time"].values[-1]
    after = ahead.sel(time=slice(seam + np.timedelta64(1, "h"), None))
    if after.sizes["time"] < 24:
        raise CoverageError(
            "the forecast ends before the day taken as today",
            hint="connect once, without --offline",
        )
    count = ahead.sizes.get("member", 1)
    both = np.intersect1d(known["time"].values, ahead["time"].values)[-72:]
    offset = 0.0
    if both.size >= 24:
        mean = ahead["air_temperature"].sel(time=both)
        mean = mean.mean("member") if "member" in mean.dims else mean
        offset = float((known["air_temperature"].sel(time=both) - mean).mean())
    time = np.concatenate([known["time"].values, after["time"].values])
    columns = {}
    for name in VARIABLES:
        if name not in known or name not in after:
            continue
        before = np.atleast_2d(known[name].values)
        later = np.atleast_2d(after[name].values)
        if name == "air_temperature":
            later = later + offset
        columns[name] = np.hstack(
            [np.repeat(before, count, axis=0), np.broadcast_to(later, (count, later.shape[1]))]
        )
    return weather_dataset(
        time,
        source=str(ahead.attrs["source"]),
        latitude=float(known.attrs["latitude"]),
        longitude=float(known.attrs["longitude"]),
        elevation_m=known.attrs.get("elevation_m"),
        **columns,
    )
