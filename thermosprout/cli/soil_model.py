"""``thermosprout soil model`` and ``soil check``: the physics between air and seed."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt
from thermosprout.quantities import Units

if TYPE_CHECKING:
    import xarray as xr

    from thermosprout.season.soil_check import RowShift
    from thermosprout.soil.site_correction import Correction


class Ground(StrEnum):
    """What the soil lies under."""

    GRASS = "grass"
    BARE = "bare"


class Taken(StrEnum):
    """How readings were taken."""

    AUTO = "auto"
    INSTANT = "instant"
    DAY = "day"
    MAX_MIN = "max-min"


def model(
    weather: Annotated[
        Path, typer.Argument(metavar="WEATHER.csv", help="Weather table (CSV), daily or hourly.")
    ],
    depth_cm: Annotated[float, opt.number(0.5, 30.0, "--depth-cm", help="Depth of the seed [cm].")],
    surface: Annotated[Ground, typer.Option(help="Mown grass, or bare raked soil.")],
    out: Annotated[Path, typer.Option(help="File to write: time_utc,soil_temp_C, hourly.")],
    at: Annotated[
        str, opt.place("--at", help='Place, as "56.2, -3.1"; the season\'s by default.')
    ] = "",
    lat: Annotated[
        float | None, opt.number(-90.0, 90.0, help="Degrees north, with --lon in place of --at.")
    ] = None,
    lon: Annotated[
        float | None, opt.number(-180.0, 180.0, help="Degrees east, west negative.")
    ] = None,
    readings: Annotated[
        Path | None,
        typer.Option(help="Thermometer readings: time_utc,depth_cm,soil_temp_C."),
    ] = None,
    readings_are: Annotated[
        Taken, typer.Option(help="Readings at an instant, means of days, or max-min pairs.")
    ] = Taken.AUTO,
    cover: Annotated[
        str,
        typer.Option(
            help="none, fleece, clear polythene, black polythene, straw, low tunnel, cloche."
        ),
    ] = "none",
    texture: Annotated[str, typer.Option(help="Texture class of the soil.")] = "loam",
    elevation_m: Annotated[
        float | None, opt.number(-450.0, 6000.0, help="Height above the sea [m].")
    ] = None,
    timezone: opt.Zone = "",
    season: opt.SeasonOption = None,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """Soil temperature at seed depth from weather, corrected by readings where you have some.

    Example: thermosprout soil model weather.csv --at "56.2, -3.1" --timezone Europe/London
    --depth-cm 3 --surface bare --out modelled.csv
    """
    from thermosprout.cli.output import note, print_json, require_ending, say, write_output
    from thermosprout.errors import InputError
    from thermosprout.soil.model.ground import soil_type
    from thermosprout.soil.model.surface import cover_named
    from thermosprout.soil.model.temperature import model_between_gaps
    from thermosprout.soil.readers.weather_table import read_weather_csv
    from thermosprout.soil.series import soil_csv
    from thermosprout.soil.site_correction import site_correction
    from thermosprout.soil.site_readings import ReadingKind, read_readings

    require_ending(out, [".csv"])
    if (lat is None) != (lon is None):
        raise InputError("--lat and --lon belong together", hint='or give --at "56.2, -3.1"')
    if lat is None or lon is None:
        lat, lon = opt.place_of(at, season)
    season = opt.season_here(season, say=False)
    timezone = timezone or (opt.season_words(season)[0] if season is not None else "")
    covering, soil = cover_named(cover), soil_type(texture)
    data, reading = read_weather_csv(
        weather, latitude=lat, longitude=lon, elevation_m=elevation_m, timezone=timezone or None
    )
    for sentence in reading.sentences():
        note(sentence)
    options: dict[str, Any] = {
        "depth_cm": depth_cm,
        "surface": surface.value,
        "cover": covering,
        "soil": soil,
    }
    series = model_between_gaps(data, **options)
    correction = None
    if readings is not None:
        table = read_readings(readings, timezone=timezone or "UTC")
        note(table.attrs["summary"])
        kind = None if readings_are is Taken.AUTO else ReadingKind(readings_are.value)
        correction = site_correction(series, table, longitude=lon, weather=data, kind=kind)
        series = correction.series
        note(f"Site: {correction.sentence()}.")
    write_output(out, soil_csv(series.dropna("time")), force=force)
    for text in str(series.attrs["notes"]).split("; "):
        if text:
            note(f"Note: {text}.")
    if covering.name != "none":
        note(f"Cover: {covering.name}: {covering.says}.")
    summary = _summary(series, correction, out)
    if json:
        print_json(summary)
        return
    where = "bare soil" if surface is Ground.BARE else "grass"
    under = "" if covering.name == "none" else f" with {covering.name}"
    low, high = (round(summary[key], 1) + 0.0 for key in ("min_C", "max_C"))
    say(
        f"{summary['rows']} hours from {summary['start'][:10]} to "
        f"{summary['end'][:10]}, {depth_cm:g} cm under {where}{under}.\n"
        f"Mean {summary['mean_C']:.1f} °C, from {low:.1f} to {high:.1f} °C. Over a row's "
        f"weeks one site may differ by ± {summary['site_sd_K']:.1f} °C (one standard deviation)."
    )


def _summary(series: xr.DataArray, correction: Correction | None, out: Path) -> dict[str, Any]:
    import numpy as np

    values = series.dropna("time")
    stamps = np.datetime_as_string(values["time"].values[[0, -1]], unit="m")
    document: dict[str, Any] = {
        "file": str(out),
        "rows": int(values.sizes["time"]),
        "start": f"{stamps[0]}Z",
        "end": f"{stamps[1]}Z",
        "depth_cm": round(float(series["depth"]) * 100.0, 3),
        "surface": series.attrs["surface"],
        "cover": series.attrs["cover"],
        "source": series.attrs["source"],
        "mean_C": round(float(values.mean()), 3),
        "min_C": round(float(values.min()), 2),
        "max_C": round(float(values.max()), 2),
        "site_sd_K": round(float(series.attrs["site_sd_K"]), 3),
        "holes": int(series.attrs.get("holes", 0)),
        "notes": [text for text in str(series.attrs["notes"]).split("; ") if text],
        "correction": None,
    }
    if correction is not None:
        document["correction"] = correction.to_dict()
    return document


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
        str, opt.place("--at", help="Place of that file, to tell daily means from readings.")
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
    from thermosprout.cli.output import (
        PICTURES,
        note,
        print_json,
        require_ending,
        say,
        write_figure,
    )
    from thermosprout.dates import read_coordinates
    from thermosprout.errors import InputError
    from thermosprout.soil.readers.logger import read_soil_csv
    from thermosprout.soil.site_correction import site_correction
    from thermosprout.soil.site_readings import check_series, read_readings

    if season is not None and soil is not None:
        raise InputError("give either --season or --soil", hint="one of the two is checked")
    if plot is not None:
        require_ending(plot, PICTURES)
    rows: list[dict[str, Any]] = []
    if soil is None:
        season = opt.require_season(season)
        from thermosprout.dates import today
        from thermosprout.season.load import load_season
        from thermosprout.season.soil_check import check_season

        loaded = load_season(season)
        zone = loaded.data.site.timezone
        table = read_readings(readings, timezone=zone)
        done = check_season(
            loaded, table, as_of=today(as_of, loaded.data.site.zone), offline=offline
        )
        series, result, correction = done.series, done.check, done.correction
        rows = [_row_document(item, zone) for item in done.rows]
    else:
        table = read_readings(readings, timezone=timezone or "UTC")
        given_depth = float(table["depth_cm"].median()) if depth_cm is None else depth_cm
        series, reading = read_soil_csv(soil, depth_cm=given_depth, timezone=timezone or "UTC")
        for sentence in reading.sentences():
            note(sentence)
        longitude = read_coordinates(at)[1] if at else None
        correction = site_correction(series, table, longitude=longitude)
        result = check_series(series, table, kind=correction.kind)
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
    if json:
        print_json(document)
    else:
        from thermosprout.reports.forecast_tables import soil_check_lines

        say(*soil_check_lines(document, units))
    if plot is not None:
        from thermosprout.reports.forecast_figures import soil_check_figure

        figure = soil_check_figure(
            series, correction.series, result.table, "Soil temperature and readings", units
        )
        write_figure(figure, plot, force=force)


def _row_document(item: RowShift, timezone: str) -> dict[str, Any]:
    import math
    from datetime import UTC, datetime
    from zoneinfo import ZoneInfo

    def stamp(hour: float) -> str | None:
        if not math.isfinite(hour):
            return None
        moment = datetime.fromtimestamp(hour * 3600.0, UTC).astimezone(ZoneInfo(timezone))
        return moment.isoformat(timespec="minutes")

    return {
        "row": item.row,
        "crop": item.crop,
        "called": item.called,
        "half_as_is": stamp(item.as_is_h),
        "half_corrected": stamp(item.corrected_h),
        "days": round(item.days, 2) if math.isfinite(item.days) else None,
        "sd_days": round(item.sd_days, 2) if math.isfinite(item.sd_days) else None,
    }
