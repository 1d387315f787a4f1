"""``soil``: loggers, weather services and the cache."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt
from thermosprout.cli import soil_model
from thermosprout.cli.help import Sentences

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
        float | None, typer.Option(min=0, max=300, help="Depth of the sensor, or which one.")
    ] = None,
    timezone: Annotated[
        str, typer.Option(help="Zone of times without one: Europe/London, UTC, UTC+1.")
    ] = "",
    column: Annotated[str, typer.Option(help="Column or variable to take.")] = "",
    day_first: Annotated[
        bool | None, typer.Option(_DAY_FIRST, help="How 03/04/2026 is meant.")
    ] = None,
    decimal: Annotated[str, typer.Option(help="Decimal mark, . or , (a comma).")] = "",
    unit: Annotated[str, typer.Option(help="C, F or K, where the file does not say.")] = "",
    surface: Annotated[Surface, typer.Option(help="Ground above.")] = Surface.UNKNOWN,
    lat: Annotated[float | None, typer.Option(help="Of the cell, for NetCDF.")] = None,
    lon: Annotated[float | None, typer.Option(help="Of the cell, east positive.")] = None,
    mask: Annotated[
        list[Suspect] | None, typer.Option(help="Leave these out; can be repeated.")
    ] = None,
    out: opt.SeriesOut = None,
    json: opt.Json = False,
) -> None:
    """Read soil temperature from a file, say how it was read and what looks wrong.

    Example: thermosprout soil read logger.csv --timezone Europe/London --out bed.csv
    """
    from dataclasses import asdict

    import numpy as np

    from thermosprout.cli.output import note, print_json
    from thermosprout.errors import InputError
    from thermosprout.soil.quality import masked
    from thermosprout.soil.series import write_soil_csv

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
        place=(lat, lon),
    )
    left_out = 0
    if mask:
        before = int(np.isfinite(series.values).sum())
        series = masked(series, tuple(_CHECKS[kind] for kind in mask))
        left_out = before - int(np.isfinite(series.values).sum())
    if out is not None:
        write_soil_csv(series, out)
        note(f"Wrote {out}")
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
        typer.echo(sentence)
    typer.echo(
        f"Mean {values.mean():.1f} °C, from {values.min():.1f} to {values.max():.1f} °C "
        f"over {series.sizes['time']} hours."
    )
    _show_checks(reading.checks)
    if mask:
        typer.echo(f"{left_out} suspect hours were left out as asked.")


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
    from rich.table import Table

    from thermosprout.cli.output import console

    if not checks:
        typer.echo("Nothing looks wrong.")
        return
    table = Table("Check", "Found", "Expected", "Where", box=None, pad_edge=False)
    for check in checks:
        masked = " (left out)" if check.impossible else ""
        table.add_row(check.name, check.found + masked, check.expected, check.where)
    console().print(table)


def fetch(
    lat: Annotated[float, typer.Option(min=-90, max=90, help="Degrees north.")],
    lon: Annotated[float, typer.Option(min=-180, max=180, help="Degrees east, west negative.")],
    service: Annotated[Service, typer.Option(help="Who is asked.")] = Service.OPEN_METEO,
    start: Annotated[str, typer.Option("--from", help="First day, as 2026-03-01.")] = "",
    end: Annotated[str, typer.Option("--to", help="Last day.")] = "",
    days_ahead: Annotated[int, typer.Option(min=0, max=16, help="Days of forecast.")] = 14,
    past_days: Annotated[int, typer.Option(min=3, max=92, help="Days before today.")] = 60,
    depth_cm: Annotated[float, typer.Option(min=0.5, max=30, help="Depth.")] = 5.0,
    surface: Annotated[Bed, typer.Option(help="Ground that is modelled.")] = Bed.BARE,
    elevation_m: Annotated[float | None, typer.Option(help="Height of the site.")] = None,
    base_url: Annotated[str, typer.Option(help="Self-hosted instance, https://HOST.")] = "",
    out: opt.SeriesOut = None,
    weather_out: Annotated[Path | None, typer.Option(help="Write the weather here.")] = None,
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """Ask a weather service and model the soil at a depth: days past, or now and ahead.

    Example: thermosprout soil fetch --lat 56.2 --lon -3.1 --depth-cm 3 --out fetched.csv
    """
    import numpy as np

    from thermosprout.cli.output import note, print_json
    from thermosprout.soil.model.temperature import soil_temperature
    from thermosprout.soil.series import write_soil_csv, write_weather_csv
    from thermosprout.weather.session import WeatherSession

    with WeatherSession(offline=offline) as session:
        weather, wanted_from = _weather(
            session, service, lat, lon, _span(start, end), (past_days, days_ahead),
            elevation_m, base_url or None,
        )  # fmt: skip
    soil = soil_temperature(weather, depth_cm=depth_cm, surface=surface.value)
    if wanted_from is not None:
        soil = soil.sel(time=slice(np.datetime64(wanted_from), None))
    for said in weather.attrs.get("notes", ()):
        note(said)
    if soil.attrs.get("notes"):
        note(f"Soil model: {soil.attrs['notes']}.")
    if out is not None:
        write_soil_csv(soil, out)
        note(f"Wrote {out}")
    if weather_out is not None:
        write_weather_csv(weather, weather_out)
        note(f"Wrote {weather_out}")
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
    typer.echo(
        f"Soil at {depth_cm:g} cm, {surface.value}, {soil.attrs['source']}: "
        f"{str(soil['time'].values[0])[:16]} to {str(soil['time'].values[-1])[:16]} UTC, "
        f"mean {float(soil.mean()):.1f} °C."
    )
    typer.echo("Daily means of the last two weeks:")
    for day, value in list(zip(days["time"].values, days.values, strict=True))[-14:]:
        typer.echo(f"  {str(day)[:10]}  {round(float(value), 1) + 0.0:5.1f} °C")
    typer.echo(weather.attrs["attribution"])


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
    """Weather with a warm-up of the soil model before the first day wanted."""
    from datetime import UTC, datetime, timedelta

    from thermosprout.weather.nasa_power import get_power
    from thermosprout.weather.open_meteo import get_archive, get_forecast
    from thermosprout.weather.season_weather import WARM_UP_DAYS

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


def status(
    json: opt.Json = False,
) -> None:
    """Show which answers of weather services are cached, how old they are and until when they hold.

    Example: thermosprout soil status
    """
    from datetime import UTC, datetime

    from rich.table import Table

    from thermosprout.cli.output import console, print_json
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
    typer.echo(f"Cache: {cache_folder()}")
    if damaged:
        typer.echo(f"{damaged} damaged answers cannot be read; they are asked for anew.")
    if not rows:
        typer.echo("Nothing is cached yet.")
        return
    table = Table("Host", "What", "Place", "Age", "Holds", "kB", box=None, pad_edge=False)
    for row in rows:
        left = None if row.expires is None else (row.expires - now).total_seconds() / 3600
        table.add_row(
            row.host,
            row.what,
            f"{row.latitude}, {row.longitude}",
            _hours((now - row.retrieved).total_seconds() / 3600),
            "always" if left is None else "over" if left < 0 else f"{_hours(left)} more",
            f"{row.kilobytes:.0f}",
        )
    console().print(table)


def _hours(hours: float) -> str:
    """Write a span of time in its own unit."""
    if hours < 1:
        return f"{hours * 60:.0f} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} d"


app = typer.Typer(
    cls=Sentences,
    no_args_is_help=True,
    help="Soil temperature: read a logger, ask a weather service, see what is cached.",
)
app.command("read")(read)
app.command("fetch")(fetch)
app.command("status")(status)
app.command("model")(soil_model.model)
app.command("check")(soil_model.check)
