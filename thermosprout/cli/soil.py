"""``soil``: loggers, weather services and the cache."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt
from thermosprout.cli import soil_model
from thermosprout.cli.app import Sentences

if TYPE_CHECKING:
    from datetime import date

    import xarray as xr

    from thermosprout.soil.quality import Check
    from thermosprout.weather.session import WeatherSession


class Surface(StrEnum):
    """Ground above the sensor."""

    BARE = "bare"
    GRASS = "grass"
    UNKNOWN = "unknown"


class Bed(StrEnum):
    """Ground that is modelled."""

    BARE = "bare"
    GRASS = "grass"


class Service(StrEnum):
    """Weather services."""

    OPEN_METEO = "open-meteo"
    NASA_POWER = "nasa-power"


class Suspect(StrEnum):
    """Kinds of suspect values that can be left out."""

    SPIKES = "spikes"
    FLAT = "flat-line"
    FAHRENHEIT = "fahrenheit"
    OUT = "out-of-ground"


_CHECKS = {
    Suspect.SPIKES: "spikes",
    Suspect.FLAT: "flat line",
    Suspect.FAHRENHEIT: "°F in a °C column",
    Suspect.OUT: "sensor out of the ground",
}
_DAY_FIRST = "--day-first/--month-first"


def read(
    file: Annotated[Path, typer.Argument(help="A logger's CSV file, or NetCDF.")],
    depth_cm: Annotated[
        float | None, opt.number(0.0, 300.0, help="Depth of the sensor [cm], or which one.")
    ] = None,
    timezone: Annotated[
        str,
        typer.Option(
            metavar="ZONE", help="Zone of times without one, as Europe/London, UTC or UTC+1."
        ),
    ] = "",
    column: Annotated[str, typer.Option(help="Column or variable to read.")] = "",
    day_first: Annotated[
        bool | None, typer.Option(_DAY_FIRST, help="What 03/04/2026 means.")
    ] = None,
    decimal: Annotated[str, typer.Option(help="Decimal mark: a point or a comma.")] = "",
    unit: Annotated[str, typer.Option(help="C, F or K, where the file does not say.")] = "",
    surface: Annotated[Surface, typer.Option(help="Ground over the sensor.")] = Surface.UNKNOWN,
    at: Annotated[str, opt.place("--at", help='Cell of a NetCDF grid, as "56.2, -3.1".')] = "",
    mask: Annotated[
        list[Suspect] | None, typer.Option(help="Leave these values out; repeat for several.")
    ] = None,
    out: opt.SeriesOut = None,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """Read soil temperature from a file, say how it was read and what looks wrong.

    Example: thermosprout soil read logger.csv --timezone Europe/London --out bed.csv
    """
    from dataclasses import asdict

    import numpy as np

    from thermosprout.cli.output import print_json, require_ending, say, write_output
    from thermosprout.dates import read_coordinates
    from thermosprout.errors import InputError
    from thermosprout.soil.quality import without_suspects
    from thermosprout.soil.series import soil_csv

    if out is not None:
        require_ending(out, [".csv"])

    if decimal not in ("", ".", ","):
        raise InputError(f"--decimal is . or , and not {decimal!r}")
    series, reading = _read_any(
        file,
        depth_cm=depth_cm,
        timezone=timezone or None,
        column=column or None,
        day_first=day_first,
        decimal=decimal or None,
        unit=unit or None,
        surface=surface.value,
        place=read_coordinates(at) if at else (None, None),
    )
    left_out = 0
    if mask:
        before = int(np.isfinite(series.values).sum())
        series = without_suspects(series, tuple(_CHECKS[kind] for kind in mask))
        left_out = before - int(np.isfinite(series.values).sum())
    if out is not None:
        write_output(out, soil_csv(series), endings=[".csv"], force=force)
    values = series.values[np.isfinite(series.values)]
    if json:
        print_json(
            {
                "reading": asdict(reading),
                "sentences": reading.sentences(),
                "left_out_hours": left_out,
                "hours": int(series.sizes["time"]),
                "mean_C": float(values.mean()),
                "min_C": float(values.min()),
                "max_C": float(values.max()),
            }
        )
        return
    for sentence in reading.sentences():
        say(sentence)
    say(
        f"Mean {values.mean():.1f} °C, from {values.min():.1f} to {values.max():.1f} °C "
        f"over {series.sizes['time']} hours."
    )
    _show_checks(reading.checks)
    if mask:
        say(f"Left out: {left_out} suspect hours.")


def _read_any(
    file: Path,
    *,
    depth_cm: float | None,
    timezone: str | None,
    column: str | None,
    day_first: bool | None,
    decimal: str | None,
    unit: str | None,
    surface: str,
    place: tuple[float | None, float | None],
) -> tuple[xr.DataArray, Any]:
    """Choose the reader by what the file begins with."""
    from thermosprout.soil.readers.netcdf import is_netcdf, read_soil_netcdf

    if is_netcdf(file):
        return read_soil_netcdf(
            file, latitude=place[0], longitude=place[1], depth_cm=depth_cm, variable=column,
            timezone=timezone, surface=surface,
        )  # fmt: skip
    from thermosprout.soil.readers.logger import read_soil_csv

    return read_soil_csv(
        file, depth_cm=depth_cm, timezone=timezone, column=column, day_first=day_first,
        decimal=decimal, unit=unit, surface=surface,
    )  # fmt: skip


def _show_checks(checks: tuple[Check, ...]) -> None:
    from thermosprout.cli.output import say
    from thermosprout.reports.words import plain_table

    if not checks:
        say("Nothing looks wrong.")
        return
    table = plain_table("", "check", "found", "expected", "where")
    for check in checks:
        masked = " (left out)" if check.impossible else ""
        table.add_row(check.name, check.value + masked, check.expected, check.where)
    say(table)


def download(
    at: Annotated[
        str, opt.place("--at", help='Place, as "56.2, -3.1"; the season\'s by default.')
    ] = "",
    service: Annotated[Service, typer.Option(help="Service to ask.")] = Service.OPEN_METEO,
    start: Annotated[str, opt.day("--from", help="First day, as 2026-03-01.")] = "",
    end: Annotated[str, opt.day("--to", help="Last day; today by default.")] = "",
    days_ahead: Annotated[int, opt.number(0, 16, help="Days of forecast.")] = 14,
    past_days: Annotated[int, opt.number(3, 92, help="Days before today.")] = 60,
    depth_cm: Annotated[float, opt.number(0.5, 30.0, help="Depth [cm].")] = 5.0,
    surface: Annotated[Bed, typer.Option(help="Ground to model.")] = Bed.BARE,
    elevation_m: Annotated[
        float | None, opt.number(-450.0, 6000.0, help="Height above the sea [m].")
    ] = None,
    base_url: Annotated[
        str, typer.Option(metavar="URL", help="Self-hosted instance, https://HOST.")
    ] = "",
    out: opt.SeriesOut = None,
    weather_out: Annotated[Path | None, typer.Option(help="Write the weather here (.csv).")] = None,
    season: opt.SeasonOption = None,
    offline: opt.Offline = False,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """Ask a weather service and model the soil at a depth: days past, or now and ahead.

    Example: thermosprout soil download --at "56.2, -3.1" --depth-cm 3 --out bed.csv
    """
    import numpy as np

    from thermosprout.cli.output import note, print_json, require_ending, say, write_output
    from thermosprout.soil.model.temperature import soil_temperature
    from thermosprout.soil.series import soil_csv, weather_csv
    from thermosprout.weather.session import WeatherSession

    for path in filter(None, (out, weather_out)):
        require_ending(path, [".csv"])
    lat, lon = opt.place_of(at, season)
    with WeatherSession(offline=offline) as session:
        weather, first = _weather(
            session, service, lat, lon, _span(start, end), (past_days, days_ahead),
            elevation_m, base_url or None,
        )  # fmt: skip
    soil = soil_temperature(weather, depth_cm=depth_cm, surface=surface.value)
    if first is not None:
        soil = soil.sel(time=slice(np.datetime64(first), None))
    for sentence in weather.attrs.get("notes", ()):
        note(sentence)
    if soil.attrs.get("notes"):
        note(f"Soil model: {soil.attrs['notes']}.")
    if out is not None:
        write_output(out, soil_csv(soil), force=force)
    if weather_out is not None:
        write_output(weather_out, weather_csv(weather), force=force)
    days = soil.resample(time="1D").mean()
    if json:
        print_json(
            {
                "source": soil.attrs["source"],
                "latitude": lat,
                "longitude": lon,
                "depth_cm": depth_cm,
                "surface": surface.value,
                "retrieved": weather.attrs["retrieved"],
                "stale": weather.attrs["stale"],
                "attribution": weather.attrs["attribution"],
                "notes": list(weather.attrs.get("notes", ())),
                "time_utc": [str(t)[:16] + "Z" for t in soil["time"].values],
                "soil_temp_C": np.round(soil.values, 2),
            }
        )
        return
    say(
        f"Soil at {depth_cm:g} cm, {surface.value}, {soil.attrs['source']}: "
        f"{str(soil['time'].values[0])[:16]} to {str(soil['time'].values[-1])[:16]} UTC, "
        f"mean {float(soil.mean()):.1f} °C."
    )
    say("Daily means of the last two weeks:")
    for day, value in list(zip(days["time"].values, days.values, strict=True))[-14:]:
        say(f"  {str(day)[:10]}  {round(float(value), 1) + 0.0:5.1f} °C")
    say(weather.attrs["attribution"])


def _span(start: str, end: str) -> tuple[date, date] | None:
    """First and last day, or None for now and ahead."""
    from datetime import UTC, datetime

    from thermosprout.dates import read_day
    from thermosprout.errors import InputError

    if not start and not end:
        return None
    if not start:
        raise InputError("--to needs --from", hint="name the first day with --from")
    first = read_day(start, what="--from")
    last = read_day(end, what="--to") if end else datetime.now(UTC).date()
    if last < first:
        raise InputError(f"the last day {last} is before the first day {first}")
    return first, last


def _weather(
    session: WeatherSession,
    service: Service,
    lat: float,
    lon: float,
    span: tuple[date, date] | None,
    around: tuple[int, int],
    elevation_m: float | None,
    base_url: str | None,
) -> tuple[xr.Dataset, date | None]:
    """Weather from a warm-up of the soil model on, and the first day to show."""
    from datetime import UTC, datetime, timedelta

    from thermosprout.weather.nasa_power import get_power
    from thermosprout.weather.open_meteo import get_archive, get_forecast
    from thermosprout.weather.season import WARM_UP_DAYS

    warm_up = timedelta(days=WARM_UP_DAYS)
    if span is None and service is Service.OPEN_METEO:
        past, ahead = around
        data = get_forecast(
            lat, lon, session=session, days_ahead=ahead, past_days=min(past + WARM_UP_DAYS, 92),
            elevation_m=elevation_m, base_url=base_url,
        )  # fmt: skip
        return data, datetime.now(UTC).date() - timedelta(days=past)
    if span is None:
        today = datetime.now(UTC).date()
        span = (today - timedelta(days=around[0]), today)
    first, last = span
    if service is Service.NASA_POWER:
        power = get_power(lat, lon, first - warm_up, last, session=session, base_url=base_url)
        return power, first
    archive = get_archive(
        lat, lon, first - warm_up, last, session=session, elevation_m=elevation_m,
        base_url=base_url,
    )  # fmt: skip
    return archive, first


def cache(
    json: opt.Json = False,
) -> None:
    """List the cached answers of weather services, their age and how long they hold.

    Example: thermosprout soil cache
    """
    from datetime import UTC, datetime

    from thermosprout.cli.output import print_json, say
    from thermosprout.reports.words import plain_table
    from thermosprout.weather.session import WeatherSession, cache_folder

    with WeatherSession(offline=True) as session:
        rows, damaged = session.cached()
    now = datetime.now(UTC)
    if json:
        print_json(
            {
                "folder": str(cache_folder()),
                "damaged": damaged,
                "answers": [
                    {
                        "host": row.host,
                        "what": row.what,
                        "latitude": row.latitude,
                        "longitude": row.longitude,
                        "retrieved": row.retrieved,
                        "age_h": (now - row.retrieved).total_seconds() / 3600,
                        "expires": row.expires,
                        "kilobytes": row.kilobytes,
                    }
                    for row in rows
                ],
            }
        )
        return
    say(f"Cache: {cache_folder()}")
    if damaged:
        say(f"{damaged} damaged answers cannot be read; the services will be asked again.")
    if not rows:
        say("Nothing is cached yet.")
        return
    table = plain_table("", "host", "answer", "place", "age", "holds for", "kB")
    for row in rows:
        left = None if row.expires is None else (row.expires - now).total_seconds() / 3600
        table.add_row(
            row.host,
            row.what,
            f"{row.latitude}, {row.longitude}",
            _hours((now - row.retrieved).total_seconds() / 3600),
            "always" if left is None else "expired" if left < 0 else _hours(left),
            f"{row.kilobytes:.0f}",
        )
    say(table)


def _hours(hours: float) -> str:
    """Write a span of time in its own unit."""
    if hours < 1:
        return f"{hours * 60:.0f} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} d"


app = typer.Typer(
    cls=Sentences,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Soil temperature: read a logger, ask a weather service, see what is cached.",
)
app.command("read")(read)
app.command("download")(download)
app.command("cache")(cache)
app.command("model")(soil_model.model)
app.command("check")(soil_model.check)
