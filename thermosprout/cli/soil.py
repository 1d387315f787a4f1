"""``soil``: loggers, weather services and their cache, the model, and its check by readings."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, date, datetime, timedelta
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.app import Sentences
from thermosprout.cli.output import (
    answer,
    note,
    print_json,
    say,
    write_figure,
    write_output,
)
from thermosprout.dates import read_coordinates, read_day, today
from thermosprout.errors import InputError
from thermosprout.quantities import Units
from thermosprout.reports.words import plain_table

if TYPE_CHECKING:
    import xarray as xr

    from thermosprout.soil.site_correction import Correction

_CHECKS = {
    "spikes": "spikes",
    "flat-line": "flat line",
    "fahrenheit": "°F in a °C column",
    "out-of-ground": "sensor out of the ground",
}
"""Checks whose suspect values can be left out, by what the option calls them."""


class Suspect(StrEnum):
    """Kinds of suspect values that can be left out."""

    SPIKES = "spikes"
    FLAT = "flat-line"
    FAHRENHEIT = "fahrenheit"
    OUT = "out-of-ground"


def read(
    file: Annotated[Path, typer.Argument(help="A logger's CSV file, or NetCDF.")],
    depth_cm: Annotated[
        float | None,
        opt.number(0.0, 300.0, help="Depth of the sensor (to read) [cm]."),
    ] = None,
    timezone: Annotated[
        str,
        typer.Option(
            metavar="ZONE", help="Zone of times without one: Europe/London, UTC, UTC+1 ..."
        ),
    ] = "",
    column: Annotated[str, typer.Option(help="Column or variable to read.")] = "",
    day_first: Annotated[
        bool | None, typer.Option("--day-first/--month-first", help="What 03/04/2026 means.")
    ] = None,
    decimal: Annotated[str, typer.Option(help="Decimal mark: a point or a comma.")] = "",
    unit: Annotated[str, typer.Option(help="C, F or K, where the file does not say.")] = "",
    surface: Annotated[
        Literal["bare", "grass", "unknown"], typer.Option(help="Ground over the sensor.")
    ] = "unknown",
    at: Annotated[str, opt.place(help='Cell of a NetCDF grid, such as "56.2, -3.1".')] = "",
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
    import numpy as np

    from thermosprout.soil.quality import without_suspects
    from thermosprout.soil.readers.logger import read_soil_csv
    from thermosprout.soil.readers.netcdf import is_netcdf, read_soil_netcdf
    from thermosprout.soil.series import soil_csv

    if decimal not in ("", ".", ","):
        raise InputError(f"--decimal is . or , and not {decimal!r}")
    options: dict[str, Any] = {
        "depth_cm": depth_cm, "timezone": timezone or None, "surface": surface,
    }  # fmt: skip
    if is_netcdf(file):
        latitude, longitude = read_coordinates(at) if at else (None, None)
        series, reading = read_soil_netcdf(
            file, latitude=latitude, longitude=longitude, variable=column or None, **options
        )
    else:
        series, reading = read_soil_csv(
            file, column=column or None, day_first=day_first, decimal=decimal or None,
            unit=unit or None, **options,
        )  # fmt: skip
    left_out = 0
    if mask:
        before = int(np.isfinite(series.values).sum())
        series = without_suspects(series, tuple(_CHECKS[kind] for kind in mask))
        left_out = before - int(np.isfinite(series.values).sum())
    if out is not None:
        write_output(out, soil_csv(series), force=force)
    values = series.values[np.isfinite(series.values)]
    low, mean, high = float(values.min()), float(values.mean()), float(values.max())
    hours = int(series.sizes["time"])
    if json:
        print_json(
            {
                "reading": asdict(reading),
                "sentences": reading.sentences(),
                "left_out_hours": left_out,
                "hours": hours,
                "mean_C": mean,
                "min_C": low,
                "max_C": high,
            }
        )
        return
    checks = [
        [check.name, check.value + " (left out)" * check.impossible, check.expected, check.where]
        for check in reading.checks
    ]
    heads = ("check", "found", "expected", "where")
    say(
        *reading.sentences(),
        f"Mean {mean:.1f} °C, from {low:.1f} to {high:.1f} °C over {hours:,} hours.",
        plain_table("", checks, *heads) if checks else "Nothing looks wrong.",
        *([f"Left out: {left_out} suspect hours."] if mask else []),
    )


def download(
    at: opt.AtOrSeason = "",
    service: Annotated[
        Literal["open-meteo", "nasa-power"], typer.Option(help="Service to ask.")
    ] = "open-meteo",
    start: Annotated[str, opt.day("--from", help="First day, such as 2026-03-01.")] = "",
    end: Annotated[str, opt.day("--to", help="Last day; today by default.")] = "",
    days_ahead: Annotated[int, opt.number(0, 16, help="Days of forecast.")] = 14,
    past_days: Annotated[int, opt.number(3, 92, help="Days before today.")] = 60,
    depth_cm: Annotated[float, opt.number(0.5, 30.0, help="Depth [cm].")] = 5.0,
    surface: Annotated[opt.Ground, typer.Option(help="Ground to model.")] = "bare",
    elevation_m: opt.Elevation = None,
    base_url: Annotated[
        str, typer.Option(metavar="URL", help="Self-hosted instance, https://HOST.")
    ] = "",
    out: opt.SeriesOut = None,
    weather_out: Annotated[
        Path | None, opt.output(".csv", help="Write the weather here (.csv).")
    ] = None,
    season: opt.SeasonOption = None,
    offline: opt.Offline = False,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """Ask a weather service and model the soil at a depth: days past, or now and ahead.

    Example: thermosprout soil download --at "56.2, -3.1" --depth-cm 3 --out bed.csv
    """
    import numpy as np

    from thermosprout.soil.model.temperature import soil_temperature
    from thermosprout.soil.series import soil_csv, weather_csv
    from thermosprout.weather.nasa_power import get_power
    from thermosprout.weather.open_meteo import get_archive, get_forecast
    from thermosprout.weather.season import WARM_UP_DAYS
    from thermosprout.weather.session import WeatherSession

    lat, lon = opt.place_of(at, season)
    now = datetime.now(UTC).date()
    first, last = _span(start, end, now) or (now - timedelta(days=past_days), now)
    warm = first - timedelta(days=WARM_UP_DAYS)
    with WeatherSession(offline=offline) as session:
        where: dict[str, Any] = {"session": session, "base_url": base_url or None}
        if service == "nasa-power":
            weather = get_power(lat, lon, warm, last, **where)
        elif start or end:
            weather = get_archive(lat, lon, warm, last, elevation_m=elevation_m, **where)
        else:
            weather = get_forecast(
                lat, lon, days_ahead=days_ahead, past_days=min(past_days + WARM_UP_DAYS, 92),
                elevation_m=elevation_m, **where,
            )  # fmt: skip
    soil = soil_temperature(weather, depth_cm=depth_cm, surface=surface)
    soil = soil.sel(time=slice(np.datetime64(first), None))
    notes = list(weather.attrs.get("notes", ()))
    for sentence in notes:
        note(sentence)
    if soil.attrs.get("notes"):
        note(f"Soil model: {soil.attrs['notes']}.")
    if out is not None:
        write_output(out, soil_csv(soil), force=force)
    if weather_out is not None:
        write_output(weather_out, weather_csv(weather), force=force)
    stamps = [str(time)[:16] for time in soil["time"].values]
    if json:
        print_json(
            {
                "source": soil.attrs["source"],
                "latitude": lat,
                "longitude": lon,
                "depth_cm": depth_cm,
                "surface": surface,
                **{key: weather.attrs[key] for key in ("retrieved", "stale", "attribution")},
                "notes": notes,
                "time_utc": [f"{stamp}Z" for stamp in stamps],
                "soil_temp_C": np.round(soil.values, 2),
            }
        )
        return
    daily = soil.resample(time="1D").mean()[-14:]
    say(
        f"Soil at {depth_cm:g} cm, {surface}, {soil.attrs['source']}: "
        f"{stamps[0]} to {stamps[-1]} UTC, mean {float(soil.mean()):.1f} °C.",
        "Daily means of the last two weeks:",
        *(
            f"  {str(day)[:10]}  {round(float(value), 1) + 0.0:5.1f} °C"
            for day, value in zip(daily["time"].values, daily.values, strict=True)
        ),
        weather.attrs["attribution"],
    )


def _span(start: str, end: str, now: date) -> tuple[date, date] | None:
    """First and last day, or None for now and ahead."""
    if not start and not end:
        return None
    if not start:
        raise InputError("--to needs --from", hint="name the first day with --from")
    first = read_day(start, what="--from")
    last = read_day(end, what="--to") if end else now
    if last < first:
        raise InputError(f"the last day {last} is before the first day {first}")
    return first, last


def cache(json: opt.Json = False) -> None:
    """List the cached answers of weather services, their age and how long they hold.

    Example: thermosprout soil cache
    """
    from thermosprout.weather.session import WeatherSession, cache_folder

    with WeatherSession(offline=True) as session:
        rows, damaged = session.cached()
    now = datetime.now(UTC)
    ages = [(now - row.retrieved).total_seconds() / 3600 for row in rows]
    if json:
        answers = [{**asdict(row), "age_h": age} for row, age in zip(rows, ages, strict=True)]
        print_json({"folder": str(cache_folder()), "damaged": damaged, "answers": answers})
        return
    say(f"Cache: {cache_folder()}")
    if damaged:
        say(f"{damaged} damaged answers cannot be read; the services will be asked again.")
    if not rows:
        say("Nothing is cached yet.")
        return
    table = []
    for row, age in zip(rows, ages, strict=True):
        left = None if row.expires is None else (row.expires - now).total_seconds() / 3600
        holds = "always" if left is None else "expired" if left < 0 else _hours(left)
        where = f"{row.latitude}, {row.longitude}"
        table.append([row.host, row.what, where, _hours(age), holds, f"{row.kilobytes:.0f}"])
    say(plain_table("", table, "host", "answer", "place", "age", "holds for", "kB"))


def _hours(hours: float) -> str:
    """Write a span of time in its own unit."""
    if hours < 1:
        return f"{hours * 60:.0f} min"
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} d"


def model(
    weather: Annotated[
        Path, typer.Argument(metavar="WEATHER.csv", help="Weather table (CSV), daily or hourly.")
    ],
    depth_cm: Annotated[float, opt.number(0.5, 30.0, help="Depth of the seed [cm].")],
    surface: Annotated[opt.Ground, typer.Option(help="Bare raked soil, or mown grass.")],
    out: Annotated[Path, opt.output(".csv", help="File to write: hourly soil temperature (.csv).")],
    at: opt.AtOrSeason = "",
    lat: Annotated[
        float | None, opt.number(-90.0, 90.0, help="Degrees north, with --lon in place of --at.")
    ] = None,
    lon: Annotated[
        float | None, opt.number(-180.0, 180.0, help="Degrees east, west negative.")
    ] = None,
    readings: Annotated[
        Path | None, typer.Option(help="Thermometer readings: time_utc,depth_cm,soil_temp_C.")
    ] = None,
    readings_are: Annotated[
        Literal["auto", "instant", "day", "max-min"],
        typer.Option(help="Readings at an instant, means of days, or max-min pairs."),
    ] = "auto",
    cover: Annotated[
        str,
        typer.Option(
            help="none, fleece, clear polythene, black polythene, straw, low tunnel, cloche."
        ),
    ] = "none",
    texture: Annotated[str, typer.Option(help="Texture class of the soil.")] = "loam",
    elevation_m: opt.Elevation = None,
    timezone: opt.Zone = "",
    season: opt.SeasonOption = None,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """Soil temperature at seed depth from weather, corrected by readings where you have some.

    Example: thermosprout soil model weather.csv --at "56.2, -3.1" --timezone Europe/London
    --depth-cm 3 --surface bare --out modelled.csv
    """
    from thermosprout.soil.model.ground import soil_type
    from thermosprout.soil.model.surface import cover_named
    from thermosprout.soil.model.temperature import model_between_gaps
    from thermosprout.soil.readers.weather_table import read_weather_csv
    from thermosprout.soil.series import soil_csv
    from thermosprout.soil.site_correction import site_correction
    from thermosprout.soil.site_readings import ReadingKind, read_readings

    if (lat is None) != (lon is None):
        raise InputError("--lat and --lon belong together", hint='or give --at "56.2, -3.1"')
    if lat is None or lon is None:
        lat, lon = opt.place_of(at, season)
    season = opt.season_here(season, say=False)
    timezone = timezone or (opt.season_words(season)[0] if season is not None else "")
    covering, soil = cover_named(cover), soil_type(texture)
    sky, reading = read_weather_csv(
        weather, latitude=lat, longitude=lon, elevation_m=elevation_m, timezone=timezone or None
    )
    for sentence in reading.sentences():
        note(sentence)
    series = model_between_gaps(sky, depth_cm=depth_cm, surface=surface, cover=covering, soil=soil)
    correction = None
    if readings is not None:
        table = read_readings(readings, timezone=timezone or "UTC")
        note(table.attrs["summary"])
        kind = None if readings_are == "auto" else ReadingKind(readings_are)
        correction = site_correction(series, table, longitude=lon, weather=sky, kind=kind)
        series = correction.series
        note(f"Site: {correction.sentence()}.")
    write_output(out, soil_csv(series.dropna("time")), force=force)
    summary = _summary(series, correction, out)
    for text in summary["notes"]:
        note(f"Note: {text}.")
    bare = covering.name == "none"
    if not bare:
        note(f"Cover, {covering.name}: {covering.says}.")
    if json:
        print_json(summary)
        return
    where = "bare soil" if surface == "bare" else "soil under grass"
    under = "" if bare else f" under {covering.name}"
    low, high = (round(summary[key], 1) + 0.0 for key in ("min_C", "max_C"))
    say(
        f"{summary['rows']:,} hours from {summary['start'][:10]} to {summary['end'][:10]}, "
        f"{depth_cm:g} cm deep in {where}{under}.\n"
        f"Mean {summary['mean_C']:.1f} °C, from {low:.1f} to {high:.1f} °C. Over a row's "
        f"weeks one site may differ by ± {summary['site_sd_K']:.1f} °C (one standard deviation)."
    )


def _summary(series: xr.DataArray, correction: Correction | None, out: Path) -> dict[str, Any]:
    import numpy as np

    values = series.dropna("time")
    stamps = np.datetime_as_string(values["time"].values[[0, -1]], unit="m")
    return {
        "file": str(out),
        "rows": int(values.sizes["time"]),
        "start": f"{stamps[0]}Z",
        "end": f"{stamps[1]}Z",
        "depth_cm": round(float(series["depth"]) * 100.0, 3),
        **{key: series.attrs[key] for key in ("surface", "cover", "source")},
        "mean_C": round(float(values.mean()), 3),
        "min_C": round(float(values.min()), 2),
        "max_C": round(float(values.max()), 2),
        "site_sd_K": round(float(series.attrs["site_sd_K"]), 3),
        "holes": int(series.attrs.get("holes", 0)),
        "notes": [text for text in str(series.attrs["notes"]).split("; ") if text],
        "correction": None if correction is None else correction.to_dict(),
    }


def check(
    readings: Annotated[
        Path,
        typer.Argument(metavar="READINGS.csv", help="Readings: time_utc,depth_cm,soil_temp_C."),
    ],
    season: opt.SeasonOption = None,
    soil: Annotated[
        Path | None, typer.Option(help="Check this soil temperature file, not the season's.")
    ] = None,
    depth_cm: Annotated[
        float | None, opt.number(0.0, 300.0, help="Depth of that file [cm], if it does not say.")
    ] = None,
    at: Annotated[
        str, opt.place(help="Place of that file, to tell daily means from readings.")
    ] = "",
    timezone: opt.Zone = "",
    plot: opt.Plot = None,
    as_of: opt.AsOf = "",
    offline: opt.Offline = False,
    force: opt.Force = False,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Soil temperature against your own readings: how far off, and what that means in days.

    Example: thermosprout soil check readings.csv --season season.toml --plot check.png
    """
    from thermosprout.reports.forecast_tables import soil_check_lines
    from thermosprout.soil.readers.logger import read_soil_csv
    from thermosprout.soil.site_correction import site_correction
    from thermosprout.soil.site_readings import compare_readings, read_readings

    if season is not None and soil is not None:
        raise InputError("give either --season or --soil", hint="one of the two is checked")
    rows: list[dict[str, Any]] = []
    if soil is None:
        from thermosprout.season.load import load_season
        from thermosprout.season.soil_check import check_season

        own = load_season(opt.require_season(season))
        zone = own.data.site.zone
        table = read_readings(readings, timezone=zone.key)
        outcome = check_season(own, table, as_of=today(as_of, zone), offline=offline)
        series, result, correction = outcome.series, outcome.check, outcome.correction
        rows = [row.to_dict(zone) for row in outcome.rows]
    else:
        table = read_readings(readings, timezone=timezone or "UTC")
        depth = float(table["depth_cm"].median()) if depth_cm is None else depth_cm
        series, reading = read_soil_csv(soil, depth_cm=depth, timezone=timezone or "UTC")
        for sentence in reading.sentences():
            note(sentence)
        longitude = read_coordinates(at)[1] if at else None
        correction = site_correction(series, table, longitude=longitude)
        result = compare_readings(series, table, kind=correction.kind)
    note(table.attrs["summary"])
    if result.outside:
        note(f"{result.outside} readings fall outside the series and were left out.")
    document = {
        "source": series.attrs["source"],
        "readings": result.count,
        "kind": result.kind.value,
        "bias_K": round(result.bias_K, 3),
        "rmse_K": round(result.rmse_K, 3),
        "corrected": correction.to_dict(),
        "rows": rows,
    }
    answer(document, soil_check_lines(document, units), json=json)
    if plot is not None:
        from thermosprout.reports.forecast_figures import soil_check_figure

        figure = soil_check_figure(
            series, correction.series, result.table, "Soil temperature and readings", units
        )
        write_figure(figure, plot, force=force)


app = typer.Typer(
    add_completion=False,
    cls=Sentences,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Soil temperature: read a logger, ask a weather service, see what is cached.",
)
for command in (read, download, cache, model, check):
    app.command()(command)
