"""``thermosprout window``: how good every planting day of a season is."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import ask, show
from thermosprout.quantities import Units


def window(
    season: opt.SeasonOrOptions = None,
    crop: opt.CropName = "",
    lot: opt.LotName = "",
    bed: opt.BedName = "",
    start: Annotated[str, typer.Option("--from", help="First day of planting.")] = "",
    end: Annotated[str, typer.Option("--to", help="Last day of planting.")] = "",
    within: Annotated[
        float | None,
        typer.Option(min=1, max=120, help="Days in which half shall be up; by the crop if absent."),
    ] = None,
    cover: Annotated[
        list[str] | None, typer.Option(help="Cover to weigh, such as fleece; can be repeated.")
    ] = None,
    soil: opt.SoilFile = None,
    weather: opt.WeatherFile = None,
    lat: opt.Latitude = None,
    lon: opt.Longitude = None,
    timezone: opt.Zone = "",
    surface: opt.Surface = "bare",
    depth_cm: opt.DepthCm = None,
    germination: opt.Germination = None,
    seeds_tested: opt.SeedsTested = None,
    soak_h: opt.SoakH = None,
    room_c: opt.RoomC = 20.0,
    netcdf: Annotated[Path | None, typer.Option(help="Write all figures as CF NetCDF.")] = None,
    plot: opt.Plot = None,
    every: Annotated[int, typer.Option(min=1, help="Show every so many days in the table.")] = 7,
    as_of: opt.AsOfDay = "",
    offline: opt.Offline = False,
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Every planting day of a season: odds, stand, bed-days, frost, the earliest and the last.

    Past years in the record count as so many ways the season may go.

    Example: thermosprout window season.toml --lot COR25 --from 2026-04-20 --to 2026-06-10
    """
    from datetime import timedelta

    from thermosprout.cli.output import progress
    from thermosprout.dates import read_day
    from thermosprout.planning.options import minutes_of, usual_options
    from thermosprout.planning.season_documents import window_document
    from thermosprout.planning.season_window import WindowBuilder
    from thermosprout.planning.sensible_days import best_day, sensible_days
    from thermosprout.planning.window import usual_within_d
    from thermosprout.reports.season_tables import window_tables

    context, question = ask(
        season=season, crop=crop, lot=lot, bed=bed, soil=soil, weather=weather, latitude=lat,
        longitude=lon, timezone=timezone, surface=surface, depth_cm=depth_cm,
        germination=germination, seeds_tested=seeds_tested, as_of=as_of, offline=offline,
        size=draws, seed=seed,
    )  # fmt: skip
    case = context.case(question)
    first = read_day(start, what="--from") if start else context.today
    last = read_day(end, what="--to") if end else first + timedelta(days=364)
    builder = WindowBuilder(context, first=first, last=last, covers=cover or ())
    options = usual_options(
        case.crop,
        soaks_h=tuple(soak_h or (case.crop.safe_soak_h,)),
        room_C=room_c,
        minutes=minutes_of(context.season),
        dressed=case.dressed,
    )
    steps = len(options) * max(len(builder.covers), 1)
    with progress("Weighing planting days", steps) as tick:
        result = builder.window(
            case, options, within_d=within or usual_within_d(case.crop), tick=tick
        )
    days = sensible_days(result)
    document = window_document(
        result,
        days,
        best_day(result),
        zone=context.zone,
        soil=builder.described,
        notes=(context.water_sentence(),),
    )
    show(document, window_tables(document, every), context, json=json)
    if netcdf is not None:
        from thermosprout.cli.output import note
        from thermosprout.files import write_atomic
        from thermosprout.planning.window_dataset import window_netcdf

        write_atomic(netcdf, window_netcdf(result))
        note(f"Wrote {netcdf}")
    if plot is not None:
        from thermosprout.cli.output import note
        from thermosprout.reports.style import save_figure
        from thermosprout.reports.window_plot import window_figure

        marks = [(one.earliest, one.last) for one in days]
        save_figure(window_figure(result, marks), plot)
        note(f"Wrote {plot}")
