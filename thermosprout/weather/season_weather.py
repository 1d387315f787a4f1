"""Weather of a season from a service: days past, members ahead, and past years beyond.

:class:`SoilSource` says what a season needs and from whom; :func:`weather_from` joins it to one
Dataset with members.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.errors import CoverageError, InputError, ServiceError
from thermosprout.soil.series import VARIABLES, weather_dataset

if TYPE_CHECKING:  # a season without a service is forecast without the libraries that ask one
    from thermosprout.weather.session import WeatherSession

Service = Literal["open-meteo", "nasa-power"]

WARM_UP_DAYS = 45
"""Weather before the first day wanted, in which the soil model forgets its start. [d]"""
LOOK_BACK_DAYS = 150
HORIZON_DAYS = 150
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


PAST_YEARS = 15
AIR_FADE_DAYS = 3.0
"""e-folding time of a departure of air temperature: weather systems pass in some days; common
practice, no source. [d]"""

SINGLE_FORECAST_DAYS = 5
"""A forecast without members is trusted so long, then past seasons bring the spread back; common
practice, no source. [d]"""


def weather_from(source: SoilSource, *, session: WeatherSession | None = None) -> xr.Dataset:
    """Weather with members from before the season to its horizon, for covers and dry seedbeds.

    Each member is what was measured, then a member of the forecast, then a past season whose air
    temperature is moved to go on where the member ended; the move fades.

    Parameters
    ----------
    source : SoilSource
        With a service.
    session : WeatherSession, optional
        For tests; the user's cache by default.

    Returns
    -------
    xarray.Dataset, dims (member, time)
        Hourly, see :func:`thermosprout.soil.series.weather_dataset`; ``attrs["notes"]`` and
        ``attrs["attribution"]`` as those of the soil temperature.

    Raises
    ------
    InputError
        When no service is named.
    ServiceError, CoverageError
        When it fails and nothing is cached.
    """
    if source.service is None:
        raise InputError("no service is named", hint='write service = "open-meteo"')
    from thermosprout.weather.session import WeatherSession

    opened = session or WeatherSession(offline=source.offline)
    try:
        recent, ahead, words = recent_and_ahead(source, opened)
        years, more = past_weather(source, opened)
    finally:
        if session is None:
            opened.close()
    to_now = recent.sel(time=slice(None, source.now))
    whole = to_now
    if ahead is not None:
        whole = continued(to_now, trusted(ahead, source.now) if years else ahead)
    if years:
        whole = _with_years(whole, years, np.datetime64(source.last, "ns"))
    whole.attrs["attribution"] = recent.attrs.get("attribution", "")
    notes = [*recent.attrs.get("notes", ()), *words, *more]
    whole.attrs["notes"] = "; ".join(dict.fromkeys(notes))
    return whole


def trusted(ahead: xr.Dataset, now: np.datetime64) -> xr.Dataset:
    """Members as they are; a single forecast only for its first days."""
    if "member" in ahead.dims:
        return ahead
    return ahead.sel(time=slice(None, now + np.timedelta64(SINGLE_FORECAST_DAYS, "D")))


def _with_years(weather: xr.Dataset, years: list[xr.Dataset], end: np.datetime64) -> xr.Dataset:
    """Continue each member with a past year's weather on the same days."""
    seam = weather["time"].values[-1]
    after = np.arange(
        seam + np.timedelta64(1, "h"), end + np.timedelta64(1, "h"), np.timedelta64(1, "h")
    )
    if after.size == 0:
        return weather
    count = max(weather.sizes.get("member", 1), len(years))
    shared = [n for n in VARIABLES if n in weather and all(n in year for year in years)]
    columns: dict[str, list[FloatArray]] = {name: [] for name in shared}
    for row in range(count):
        mine = (
            weather.isel(member=row % weather.sizes["member"])
            if "member" in weather.dims
            else weather
        )
        year = years[row % len(years)]
        middle = year["time"].values[year.sizes["time"] // 2]
        back = round(float((seam - middle) / np.timedelta64(1, "D")) / 365.2425)
        moved = year.assign_coords(
            time=year["time"].values + np.timedelta64(round(365.2425 * back), "D")
        )
        last_day = moved["air_temperature"].sel(time=slice(seam - np.timedelta64(23, "h"), seam))
        offset = float(mine["air_temperature"][-24:].mean() - last_day.mean())
        fade = np.exp(-((after - seam) / np.timedelta64(1, "D")) / AIR_FADE_DAYS)
        for name in shared:
            tail = moved[name].reindex(time=after).values
            if name == "air_temperature":
                tail = tail + offset * fade
            columns[name].append(np.concatenate([mine[name].values, tail]))
    out = weather_dataset(
        np.concatenate([weather["time"].values, after]),
        source=f"{weather.attrs['source']} and {len(years)} past years",
        latitude=float(weather.attrs["latitude"]),
        longitude=float(weather.attrs["longitude"]),
        elevation_m=weather.attrs.get("elevation_m"),
        **{name: np.vstack(rows) for name, rows in columns.items()},
    )
    # A past season may be shorter by the hours of a leap day.
    return out.isel(time=np.isfinite(out["air_temperature"].values).all(axis=0))


def _is_past(source: SoilSource) -> bool:
    """Tell whether ``as_of`` lies so far back that no forecast of that day is to be had."""
    return source.as_of < datetime.now(UTC) - timedelta(days=ARCHIVE_LAG_DAYS)


def recent_and_ahead(
    source: SoilSource, session: WeatherSession
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    """Weather to now and a little beyond, members ahead or None, and what was left out."""
    if source.service == "nasa-power":
        return _from_power(source, session)
    return _from_open_meteo(source, session)


def _from_open_meteo(
    source: SoilSource, session: WeatherSession
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    from thermosprout.weather import open_meteo
    from thermosprout.weather.service import joined

    notes: list[str] = []
    begin = source.first - timedelta(days=WARM_UP_DAYS)
    at = {"latitude": source.latitude, "longitude": source.longitude}
    common = {"session": session, "base_url": source.base_url, "elevation_m": source.elevation_m}
    if _is_past(source):
        notes.append(
            "the day taken as today is past: no forecast of that day, past seasons instead"
        )
        until = source.as_of.astimezone(UTC).date()
        return open_meteo.get_archive(**at, start=begin, end=until, **common), None, notes  # type: ignore[arg-type]
    until = source.as_of.astimezone(UTC).date() - timedelta(days=ARCHIVE_LAG_DAYS)
    try:
        older = [open_meteo.get_archive(**at, start=begin, end=until, **common)]  # type: ignore[arg-type]
        back = 14
    except (ServiceError, CoverageError) as error:
        older, back = [], open_meteo.LONGEST_PAST_DAYS
        notes.append(f"the archive could not be used ({error.what}): the last {back} days only")
    recent = open_meteo.get_forecast(**at, past_days=back, **common)  # type: ignore[arg-type]
    whole = joined([*older, recent])
    if older:
        whole.attrs["attribution"] = older[0].attrs["attribution"]
    try:
        ahead = open_meteo.get_ensemble(**at, **common)  # type: ignore[arg-type]
    except (ServiceError, CoverageError) as error:
        notes.append(f"no ensemble ({error.what}): the single forecast stands in")
        ahead = recent
    notes += ahead.attrs.get("notes", ())
    return whole, ahead, notes


def _from_power(
    source: SoilSource, session: WeatherSession
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    from thermosprout.weather import nasa_power

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
    notes = ["NASA POWER has no forecast: past seasons instead"]
    if behind > 2:
        notes.append(f"its newest values are {behind:.0f} days old")
    return data, None, notes


def past_weather(source: SoilSource, session: WeatherSession) -> tuple[list[xr.Dataset], list[str]]:
    """Weather of the same season in past years, one Dataset a year."""
    from thermosprout.weather import nasa_power, open_meteo

    begin = source.as_of.astimezone(UTC).date() - timedelta(days=WARM_UP_DAYS + MARGIN_DAYS)
    end = source.last + timedelta(days=MARGIN_DAYS)
    floor = nasa_power.FIRST_YEAR + 1 if source.service == "nasa-power" else 1951
    newest = datetime.now(UTC).date() - timedelta(days=ARCHIVE_LAG_DAYS + 1)
    years: list[xr.Dataset] = []
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
            if not years and back > 1:
                break
            continue
        years.append(data.sel(time=slice(None, np.datetime64(last) + np.timedelta64(23, "h"))))
    notes = [f"some past years could not be had ({failed})"] if failed else []
    return years, notes


def continued(to_now: xr.Dataset, ahead: xr.Dataset) -> xr.Dataset:
    """Weather to now followed by each member; air is moved by what it was off by before now."""
    seam = to_now["time"].values[-1]
    after = ahead.sel(time=slice(seam + np.timedelta64(1, "h"), None))
    if after.sizes["time"] < 24:
        raise CoverageError(
            "the forecast ends before the day taken as today",
            hint="connect once, without --offline",
        )
    count = ahead.sizes.get("member", 1)
    both = np.intersect1d(to_now["time"].values, ahead["time"].values)[-72:]
    offset = 0.0
    if both.size >= 24:
        mean = ahead["air_temperature"].sel(time=both)
        mean = mean.mean("member") if "member" in mean.dims else mean
        offset = float((to_now["air_temperature"].sel(time=both) - mean).mean())
    time = np.concatenate([to_now["time"].values, after["time"].values])
    columns = {}
    for name in VARIABLES:
        if name not in to_now or name not in after:
            continue
        before = np.atleast_2d(to_now[name].values)
        later = np.atleast_2d(after[name].values)
        if name == "air_temperature":
            later = later + offset
        columns[name] = np.hstack(
            [np.repeat(before, count, axis=0), np.broadcast_to(later, (count, later.shape[1]))]
        )
    return weather_dataset(
        time,
        source=str(ahead.attrs["source"]),
        latitude=float(to_now.attrs["latitude"]),
        longitude=float(to_now.attrs["longitude"]),
        elevation_m=to_now.attrs.get("elevation_m"),
        **columns,
    )
