"""``thermosprout soil model`` and ``soil check``: the physics between air and seed."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    import xarray as xr

    from thermosprout.soil.site_correction import Correction


class Ground(StrEnum):
    """What the soil lies under."""

    GRASS = "grass"
    BARE = "bare"


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
    json: Annotated[bool, typer.Option("--json", help="Print one JSON document.")] = False,
) -> None:
    """Soil temperature at seed depth from weather, corrected by readings where you have some.

    Example: thermosprout soil model weather.csv --lat 56.2 --lon -3.1
    --timezone Europe/London --depth-cm 3 --surface bare --out modelled.csv
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.files import write_atomic
    from thermosprout.soil.pieces import soil_temperature_in_pieces
    from thermosprout.soil.readers.readings import read_readings
    from thermosprout.soil.readers.station_csv import read_weather_csv
    from thermosprout.soil.site_correction import correct
    from thermosprout.soil.surfaces import cover_named
    from thermosprout.soil.texture import soil_type

    lid, soil = cover_named(cover), soil_type(texture)
    given, reading = read_weather_csv(
        weather, latitude=lat, longitude=lon, elevation_m=elevation_m, timezone=timezone
    )
    for sentence in reading.sentences():
        note(sentence)
    series = soil_temperature_in_pieces(
        given, depth_cm=depth_cm, surface=surface.value, cover=lid, soil=soil
    )
    correction = None
    if readings is not None:
        correction = correct(series, read_readings(readings, timezone=timezone or "UTC"))
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
    typer.echo(
        f"Wrote {out}: {summary['rows']} hours from {summary['start'][:10]} to "
        f"{summary['end'][:10]}, {depth_cm:g} cm under {surface.value}"
        f"{'' if lid.name == 'none' else ' and ' + lid.name}.\n"
        f"Mean {summary['mean_C']:.1f} °C, from {summary['min_C']:.1f} to "
        f"{summary['max_C']:.1f} °C; a single site may differ by ± {summary['site_sd_K']:.1f} °C."
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
        document["correction"] = {
            "readings": correction.readings,
            "offset_K": round(correction.offset_K, 3),
            "offset_sd_K": round(correction.offset_sd_K, 3),
            "swing": round(correction.swing, 3),
            "before_bias_K": correction.before_bias_K,
            "before_rmse_K": correction.before_rmse_K,
        }
    return document
