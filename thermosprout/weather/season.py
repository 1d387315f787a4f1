"""Weather and soil temperature of a season: days past, members ahead, and past years beyond.

:class:`SoilSource` says what a season needs and from whom; :func:`weather_from` joins it to one
Dataset with members, :func:`soil_from` to one soil temperature series per member.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.errors import CoverageError, InputError, ServiceError
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.temperature import Surface, soil_temperature, to_depth
from thermosprout.soil.readers.logger import read_bridged, read_soil_csv
from thermosprout.soil.series import VARIABLES, weather_dataset
from thermosprout.weather.members import join_members

if TYPE_CHECKING:
    from thermosprout.weather.session import WeatherSession

_HOUR, _DAY = np.timedelta64(1, "h"), np.timedelta64(1, "D")
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
    path : Path, optional
        A logger's file; without one, weather of the service is put through the soil model.
    column, file_timezone : str, optional
        Which column, and the zone of stamps without one.
    service : {"open-meteo", "nasa-power"}, optional
        Beside a file too: then the service's forecast goes on where the logger ends.
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
"""Days in which a departure of air temperature fades to 1/e; common practice, no source. [d]"""

SINGLE_FORECAST_DAYS = 5
"""Days for which a forecast without members is trusted; common practice, no source. [d]"""


def weather_from(source: SoilSource, *, session: WeatherSession | None = None) -> xr.Dataset:
    """Weather with members from before the season to its horizon, for covers and dry seedbeds.

    Each member is what was measured, then a member of the forecast, then a past season whose air
    temperature is moved to go on where the member ended; the move fades. Parameters as for
    :func:`soil_from`, with a service.

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
    with _session(source, session) as opened:
        recent, ahead, words = recent_and_ahead(source, opened)
        years, more = past_weather(source, opened)
    to_now = recent.sel(time=slice(None, source.now))
    whole = _with_members(to_now, ahead, source.now, words, reaches_on=bool(years))
    if years:
        whole = _with_years(whole, years, np.datetime64(source.last, "ns"))
    whole.attrs["attribution"] = recent.attrs.get("attribution", "")
    notes = [*recent.attrs.get("notes", ()), *words, *more]
    whole.attrs["notes"] = "; ".join(dict.fromkeys(notes))
    return whole


def _with_members(
    to_now: xr.Dataset, ahead: xr.Dataset | None, now: np.datetime64, notes: list[str], *,
    reaches_on: bool,
) -> xr.Dataset:  # fmt: skip
    """Weather to now and the members ahead; alone where past seasons reach on without a forecast.

    A forecast without members goes only for its first days where past seasons bring the spread.
    """
    if ahead is None:
        return to_now
    if reaches_on and "member" not in ahead.dims:
        ahead = ahead.sel(time=slice(None, now + np.timedelta64(SINGLE_FORECAST_DAYS, "D")))
    try:
        return append_forecast(to_now, ahead)
    except CoverageError as error:
        # An old cached forecast may lie wholly in the past.
        if not reaches_on:
            raise
        notes.append(f"no forecast ({error.what})")
        return to_now


def _with_years(weather: xr.Dataset, years: list[xr.Dataset], end: np.datetime64) -> xr.Dataset:
    """Continue each member with a past year's weather on the same days."""
    seam = weather["time"].values[-1]
    after = np.arange(seam + _HOUR, end + _HOUR, _HOUR)
    if after.size == 0:
        return weather
    members = weather.sizes.get("member", 1)
    shared = _shared([weather, *years])
    fade = np.exp(-((after - seam) / _DAY) / AIR_FADE_DAYS)
    rows = []
    for row in range(max(members, len(years))):
        mine = weather.isel(member=row % members) if "member" in weather.dims else weather
        year = years[row % len(years)]
        middle = year["time"].values[year.sizes["time"] // 2]
        back = round(365.2425 * round(float((seam - middle) / _DAY) / 365.2425))
        same_days = year.assign_coords(time=year["time"].values + np.timedelta64(back, "D"))
        last_day = same_days["air_temperature"].sel(time=slice(seam - 23 * _HOUR, seam))
        offset = float(mine["air_temperature"][-24:].mean() - last_day.mean())
        tail = {name: same_days[name].reindex(time=after).values for name in shared}
        tail["air_temperature"] = tail["air_temperature"] + offset * fade
        rows.append([np.concatenate([mine[name].values, tail[name]]) for name in shared])
    out = _like(
        weather,
        np.concatenate([weather["time"].values, after]),
        f"{weather.attrs['source']} and {len(years)} past years",
        {name: np.vstack(part) for name, part in zip(shared, zip(*rows, strict=True), strict=True)},
    )
    # A past season may be shorter by the hours of a leap day.
    return out.isel(time=np.isfinite(out["air_temperature"].values).all(axis=0))


def _shared(parts: Sequence[xr.Dataset]) -> list[str]:
    """Variables that all parts have."""
    return [name for name in VARIABLES if all(name in part for part in parts)]


def _like(
    weather: xr.Dataset, time: npt.NDArray[np.datetime64], source: str,
    columns: Mapping[str, FloatArray],
) -> xr.Dataset:  # fmt: skip
    """Weather of the same place at other times."""
    return weather_dataset(
        time,
        source=source,
        latitude=float(weather.attrs["latitude"]),
        longitude=float(weather.attrs["longitude"]),
        elevation_m=weather.attrs.get("elevation_m"),
        **columns,
    )


@contextmanager
def _session(source: SoilSource, session: WeatherSession | None) -> Iterator[WeatherSession]:
    """Session of a caller, or one of its own that is closed at the end."""
    from thermosprout.weather.session import WeatherSession

    if session is not None:
        yield session
        return
    with WeatherSession(offline=source.offline) as opened:
        yield opened


def _archive(source: SoilSource, session: WeatherSession, first: date, last: date) -> xr.Dataset:
    """Weather of past days from the archive of the season's service."""
    from thermosprout.weather import nasa_power, open_meteo

    at = (source.latitude, source.longitude, first, last)
    if source.service == "nasa-power":
        return nasa_power.get_power(*at, session=session, base_url=source.base_url)
    return open_meteo.get_archive(
        *at, session=session, base_url=source.base_url, elevation_m=source.elevation_m
    )


def recent_and_ahead(
    source: SoilSource, session: WeatherSession
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    """Weather to now and a little beyond, members ahead or None, and what was left out."""
    begin, today = source.first - timedelta(days=WARM_UP_DAYS), datetime.now(UTC)
    as_of = source.as_of.astimezone(UTC)
    if source.service == "nasa-power":
        data = _archive(source, session, begin, min(as_of, today).date())
        behind = (source.now - data["time"].values[-1]) / _DAY
        notes = ["NASA POWER has no forecast: past seasons instead"]
        if behind > 2:
            notes.append(f"its newest values are {behind:.0f} days old")
        return data, None, notes
    if as_of < today - timedelta(days=ARCHIVE_LAG_DAYS):
        note = "the day taken as today is past: no forecast of that day, past seasons instead"
        return _archive(source, session, begin, as_of.date()), None, [note]
    return _with_forecast(source, session, begin, as_of.date() - timedelta(days=ARCHIVE_LAG_DAYS))


def _with_forecast(
    source: SoilSource, session: WeatherSession, begin: date, until: date
) -> tuple[xr.Dataset, xr.Dataset | None, list[str]]:
    """Open-Meteo's archive, then its forecast with the days just past; its ensemble ahead."""
    from thermosprout.weather import open_meteo
    from thermosprout.weather.service import join_in_time

    notes: list[str] = []
    older, back = [], 14
    try:
        older = [_archive(source, session, begin, until)]
    except (ServiceError, CoverageError) as error:
        back = open_meteo.LONGEST_PAST_DAYS
        notes.append(f"the archive could not be used ({error.what}): the last {back} days only")
    at = (source.latitude, source.longitude)
    address, height = source.base_url, source.elevation_m
    recent = open_meteo.get_forecast(
        *at, past_days=back, session=session, base_url=address, elevation_m=height
    )
    whole = join_in_time([*older, recent])
    if older:
        whole.attrs["attribution"] = older[0].attrs["attribution"]
    try:
        ahead = open_meteo.get_ensemble(*at, session=session, base_url=address, elevation_m=height)
    except (ServiceError, CoverageError) as error:
        notes.append(f"no ensemble ({error.what}): the single forecast stands in")
        ahead = recent
    notes += ahead.attrs.get("notes", ())
    return whole, ahead, notes


def past_weather(source: SoilSource, session: WeatherSession) -> tuple[list[xr.Dataset], list[str]]:
    """Weather of the same season in past years, one Dataset a year."""
    from thermosprout.weather.nasa_power import FIRST_YEAR

    begin = source.as_of.astimezone(UTC).date() - timedelta(days=WARM_UP_DAYS + MARGIN_DAYS)
    end = source.last + timedelta(days=MARGIN_DAYS)
    floor = FIRST_YEAR + 1 if source.service == "nasa-power" else 1951
    newest = datetime.now(UTC).date() - timedelta(days=ARCHIVE_LAG_DAYS + 1)
    years: list[xr.Dataset] = []
    failed = ""
    for back in range(1, PAST_YEARS + 1):
        shift = timedelta(days=round(365.2425 * back))
        first, last = begin - shift, end - shift
        if first.year < floor or last > newest:
            continue
        try:
            data = _archive(source, session, first, last)
        except (ServiceError, CoverageError) as error:
            failed = error.what
            if not years and back > 1:
                break
            continue
        years.append(data.sel(time=slice(None, np.datetime64(last) + np.timedelta64(23, "h"))))
    notes = [f"some past years could not be had ({failed})"] if failed else []
    return years, notes


def append_forecast(to_now: xr.Dataset, ahead: xr.Dataset) -> xr.Dataset:
    """Weather to now followed by each member; air is moved by what it was off by before now."""
    seam = to_now["time"].values[-1]
    after = ahead.sel(time=slice(seam + _HOUR, None))
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
    columns = {}
    for name in _shared([to_now, after]):
        later = np.atleast_2d(after[name].values) + offset * (name == "air_temperature")
        before = np.repeat(np.atleast_2d(to_now[name].values), count, axis=0)
        columns[name] = np.hstack([before, np.broadcast_to(later, (count, later.shape[1]))])
    time = np.concatenate([to_now["time"].values, after["time"].values])
    return _like(to_now, time, str(ahead.attrs["source"]), columns)


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
    if source.path is not None and source.service is None:
        return _from_file(source, source.path, None)
    with _session(source, session) as opened:
        if source.path is not None:
            return _from_file(source, source.path, opened)
        if source.service is None:
            raise InputError("no service is named", hint='write service = "open-meteo"')
        return _from_service(source, opened)


def _from_file(source: SoilSource, path: Path, session: WeatherSession | None) -> xr.DataArray:
    measured, notes = read_bridged(
        path,
        layout=False,
        depth_cm=source.depth_cm,
        column=source.column,
        timezone=source.file_timezone or source.timezone,
        surface=source.surface,
        latitude=source.latitude,
    )
    past, words, doubts = _past_file(source, measured)
    notes += words
    doubts = [*measured.attrs["doubts"], *doubts]
    ahead = None
    attribution = ""
    if session is not None and source.service is not None:
        own = 100.0 * float(measured["depth"])
        depth = min(max(own, 0.5), 30.0) if np.isfinite(own) else source.depth_cm
        beyond = replace(source, path=None, past_years_file=None, depth_cm=depth)
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
        return _noted(measured, notes, attribution, doubts)
    last = measured["time"].values[-1]
    seam = min(source.now, last)
    if source.now - last > np.timedelta64(10, "D") and ahead is None:
        notes.append(f"the file ends {(source.now - last) // np.timedelta64(1, 'D')} days ago")
    series = join_members(
        measured, ahead, past,
        start=max(np.datetime64(source.first, "ns"), measured["time"].values[0]),
        end=np.datetime64(source.last, "ns"), now=seam,
    )  # fmt: skip
    return _noted(series, [*notes, str(series.attrs["notes"])], attribution, doubts)


def _past_file(
    source: SoilSource, like: xr.DataArray | None
) -> tuple[xr.DataArray | None, list[str], list[str]]:
    """Past years of a season's file at a series' depth, what looks wrong, what is implausible."""
    if source.past_years_file is None:
        return None, [], []
    past, reading = read_soil_csv(
        source.past_years_file,
        timezone=source.file_timezone or source.timezone,
        latitude=source.latitude,
    )
    target = 100.0 * float(like["depth"]) if like is not None else float(source.depth_cm or 5.0)
    if np.isfinite(float(past["depth"])) and np.isfinite(target):
        past = to_depth(past, target)
    words, doubts = (
        [f"past years: {sentence}" for sentence in sentences]
        for sentences in ([reading.summary(), *reading.doubts()], reading.doubts(serious=True))
    )
    return past, words, doubts


def _noted(
    series: xr.DataArray, notes: list[str], attribution: str, doubts: list[str]
) -> xr.DataArray:
    series.attrs["doubts"] = doubts
    series.attrs["notes"] = "; ".join(dict.fromkeys(text.rstrip(".") for text in notes if text))
    if attribution:
        series.attrs["attribution"] = attribution
    return series


def _from_service(source: SoilSource, session: WeatherSession) -> xr.DataArray:
    depth = float(source.depth_cm or 5.0)
    surface: Surface = "grass" if source.surface == "grass" else "bare"
    recent, ahead, words = recent_and_ahead(source, session)
    attribution = str(recent.attrs.get("attribution", ""))
    past, more, doubts = _past_file(source, None)
    words += more
    seasons: list[xr.DataArray] = [] if past is None else [past]
    if past is None:
        weather, more = past_weather(source, session)
        words += more
        seasons = _model_years(weather, depth, surface)
    to_now = recent.sel(time=slice(None, source.now))
    measured = soil_temperature(to_now, depth_cm=depth, surface=surface)
    whole = _with_members(to_now, ahead, source.now, words, reaches_on=bool(seasons))
    forecast = None
    if whole is not to_now:
        forecast = soil_temperature(whole, depth_cm=depth, surface=surface)
    first, last = np.datetime64(source.first, "ns"), np.datetime64(source.last, "ns")
    span = {"start": first, "end": last, "now": source.now}
    try:
        series = join_members(measured, forecast, seasons or None, **span)
    except CoverageError as error:
        words.append(f"no past seasons ({error.what})")
        series = join_members(measured, forecast, None, **span)
    notes = [*recent.attrs.get("notes", ()), *words, str(measured.attrs.get("notes", ""))]
    return _noted(series, [*notes, str(series.attrs["notes"])], attribution, doubts)


def _model_years(years: list[xr.Dataset], depth_cm: float, surface: Surface) -> list[xr.DataArray]:
    """Soil temperature of each past season; all years at once, as members of one run."""
    if not years:
        return []
    size = min(data.sizes["time"] for data in years)
    stacked = _like(
        years[0],
        years[0]["time"].values[:size],
        str(years[0].attrs["source"]),
        {n: np.vstack([data[n].values[:size] for data in years]) for n in _shared(years)},
    )
    soil = soil_temperature(stacked, depth_cm=depth_cm, surface=surface)
    out = []
    for row, data in enumerate(years):
        one = soil.isel(member=row, drop=True).drop_vars("member_weight", errors="ignore")
        one = one.assign_coords(time=data["time"].values[:size])
        one.attrs = dict(soil.attrs)
        out.append(one.isel(time=slice(24 * (WARM_UP_DAYS - 10), None)))
    return out
