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
    weather: Annotated[Path, typer.Argument(help="Weather table (CSV), daily or hourly.")],
    lat: Annotated[float, typer.Option(min=-90, max=90, help="Degrees north.")],
    lon: Annotated[float, typer.Option(min=-180, max=180, help="Degrees east.")],
    depth_cm: Annotated[float, typer.Option(help="Depth of the seed, 0.5 to 30 cm.")],
    surface: Annotated[Ground, typer.Option(help="Mown sward, or bare raked soil.")],
    out: Annotated[Path, typer.Option(help="File to write: time_utc,soil_temp_C, hourly.")],
    readings: Annotated[
        Path | None,
        typer.Option(help="Thermometer readings: time_utc,depth_cm,soil_temp_C."),
    ] = None,
    readings_are: Annotated[
        Taken,
        typer.Option(
            help="Values at their instant, means of days from the stamp on, or max-min pairs."
        ),
    ] = Taken.AUTO,
    cover: Annotated[
        str,
        typer.Option(
            help="none, fleece, clear polythene, black polythene, straw, low tunnel, cloche."
        ),
    ] = "none",
    texture: Annotated[str, typer.Option(help="Texture class of the soil.")] = "loam",
    elevation_m: Annotated[float | None, typer.Option(help="Height above the sea, m.")] = None,
    timezone: Annotated[
        str | None, typer.Option(help="Zone of times and days that carry none.")
    ] = None,
    json: opt.Json = False,
) -> None:
    """Soil temperature at seed depth from weather, corrected by readings where you have some.

    Example: thermosprout soil model weather.csv --lat 56.2 --lon -3.1
    --timezone Europe/London --depth-cm 3 --surface bare --out modelled.csv
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.files import write_atomic
    from thermosprout.soil.model.surface import cover_named
    from thermosprout.soil.model.temperature import model_between_gaps
    from thermosprout.soil.model.texture import soil_type
    from thermosprout.soil.readers.thermometer import read_readings
    from thermosprout.soil.readers.weather_table import read_weather_csv
    from thermosprout.soil.site_correction import site_correction
    from thermosprout.soil.site_readings import ReadingKind

    lid, soil = cover_named(cover), soil_type(texture)
    given, reading = read_weather_csv(
        weather, latitude=lat, longitude=lon, elevation_m=elevation_m, timezone=timezone
    )
    for sentence in reading.sentences():
        note(sentence)
    options: dict[str, Any] = {
        "depth_cm": depth_cm,
        "surface": surface.value,
        "cover": lid,
        "soil": soil,
    }
    series = model_between_gaps(given, **options)
    correction = None
    if readings is not None:
        table = read_readings(readings, timezone=timezone or "UTC")
        kind = None if readings_are is Taken.AUTO else ReadingKind(readings_are.value)
        correction = site_correction(series, table, longitude=lon, weather=given, kind=kind)
        series = correction.series
        note(f"Site: {correction.sentence()}.")
    write_atomic(out, series_csv(series))
    for text in str(series.attrs["notes"]).split("; "):
        if text:
            note(f"Note: {text}.")
    if lid.name != "none":
        note(f"Cover: {lid.name}: {lid.says}.")
    summary = _summary(series, correction, out)
    if json:
        print_json(summary)
        return
    where = "bare soil" if surface is Ground.BARE else "grass"
    covering = "" if lid.name == "none" else f" with {lid.name}"
    low, high = (round(summary[key], 1) + 0.0 for key in ("min_C", "max_C"))
    typer.echo(
        f"Wrote {out}: {summary['rows']} hours from {summary['start'][:10]} to "
        f"{summary['end'][:10]}, {depth_cm:g} cm under {where}{covering}.\n"
        f"Mean {summary['mean_C']:.1f} °C, from {low:.1f} to {high:.1f} °C; a single site may "
        f"differ by ± {summary['site_sd_K']:.1f} °C."
    )


def series_csv(series: xr.DataArray) -> str:
    """Hourly series as ``time_utc,soil_temp_C``; missing hours are left out."""
    import numpy as np

    values = series.values
    stamps = np.datetime_as_string(series["time"].values, unit="s")
    lines = [
        f"{stamp}Z,{value:.2f}"
        for stamp, value in zip(stamps, values, strict=True)
        if np.isfinite(value)
    ]
    return "\n".join(["time_utc,soil_temp_C", *lines]) + "\n"


def _summary(series: xr.DataArray, correction: Correction | None, out: Path) -> dict[str, Any]:
    import numpy as np

    known = series.dropna("time")
    stamps = np.datetime_as_string(known["time"].values[[0, -1]], unit="m")
    document: dict[str, Any] = {
        "file": str(out),
        "rows": int(known.sizes["time"]),
        "start": f"{stamps[0]}Z",
        "end": f"{stamps[1]}Z",
        "depth_cm": round(float(series["depth"]) * 100.0, 3),
        "surface": series.attrs["surface"],
        "cover": series.attrs["cover"],
        "source": series.attrs["source"],
        "mean_C": round(float(known.mean()), 3),
        "min_C": round(float(known.min()), 2),
        "max_C": round(float(known.max()), 2),
        "site_sd_K": round(float(series.attrs["site_sd_K"]), 3),
        "holes": int(series.attrs.get("holes", 0)),
        "notes": [text for text in str(series.attrs["notes"]).split("; ") if text],
        "correction": None,
    }
    if correction is not None:
        document["correction"] = correction.to_dict()
    return document


def check(
    readings: Annotated[Path, typer.Argument(help="Readings: time_utc,depth_cm,soil_temp_C.")],
    season: Annotated[
        Path | None, typer.Option(help="Season file whose soil temperature is checked.")
    ] = None,
    soil: Annotated[Path | None, typer.Option(help="Or a soil temperature file.")] = None,
    depth_cm: Annotated[
        float | None, typer.Option(help="Depth of that file, where it does not say.")
    ] = None,
    lon: Annotated[
        float | None, typer.Option(help="Degrees east, to tell daily means from readings.")
    ] = None,
    timezone: Annotated[str, typer.Option(help="Zone of readings that carry none.")] = "UTC",
    plot: opt.Plot = None,
    units: opt.UnitsShown = Units.METRIC,
    as_of: Annotated[str, typer.Option(help="Day taken as today; now by default.")] = "",
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """Soil temperature against your own readings: how far off, and what that means in days.

    Example: thermosprout soil check readings.csv --season season.toml --plot check.png
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.errors import InputError
    from thermosprout.soil.readers.logger import read_soil_csv
    from thermosprout.soil.readers.thermometer import read_readings
    from thermosprout.soil.site_correction import site_correction
    from thermosprout.soil.site_readings import check_series

    if (season is None) == (soil is None):
        raise InputError("give either --season or --soil", hint="one of the two is checked")
    rows: list[dict[str, Any]] = []
    if season is not None:
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
        assert soil is not None  # noqa: S101 (one of the two is given)
        table = read_readings(readings, timezone=timezone)
        given_depth = float(table["depth_cm"].median()) if depth_cm is None else depth_cm
        series, reading = read_soil_csv(soil, depth_cm=given_depth, timezone=timezone)
        for sentence in reading.sentences():
            note(sentence)
        correction = site_correction(series, table, longitude=lon)
        result = check_series(series, table, kind=correction.kind)
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
        from thermosprout.cli.output import console
        from thermosprout.reports.forecast_tables import soil_check_lines

        out = console()
        for item in soil_check_lines(document, units):
            out.print(item)
    if plot is not None:
        from thermosprout.reports.forecast_figures import soil_check_figure
        from thermosprout.reports.style import save_figure

        figure = soil_check_figure(
            series, correction.series, result.table, "Soil temperature and readings", units
        )
        save_figure(figure, plot)
        note(f"Wrote {plot}")


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
        "half_as_is": stamp(item.as_is_h),
        "half_corrected": stamp(item.corrected_h),
        "days": round(item.days, 2) if math.isfinite(item.days) else None,
        "sd_days": round(item.sd_days, 2) if math.isfinite(item.sd_days) else None,
    }
