"""The decisions: compare, presprout, window, stations, succession, sow-again."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.options import ask, show
from thermosprout.quantities import Units


class GoalName(StrEnum):
    """What matters most."""

    HARVEST = "harvest"
    BED_DAYS = "bed-days"
    SEED = "seed"
    WORK = "work"


def compare(
    season: opt.SeasonOrOptions = None,
    crop: opt.CropName = "",
    lot: opt.LotName = "",
    bed: opt.BedName = "",
    date: Annotated[
        str, typer.Option("--date", help="Day of planting; the day the bed is free by default.")
    ] = "",
    goal: Annotated[GoalName, typer.Option(help="What matters most.")] = GoalName.HARVEST,
    constant: opt.Constant = None,
    soil: opt.SoilFile = None,
    weather: opt.WeatherFile = None,
    air_c: opt.AirC = None,
    lat: opt.Latitude = None,
    lon: opt.Longitude = None,
    timezone: opt.Zone = "",
    surface: opt.Surface = "bare",
    cover: opt.Cover = "",
    depth_cm: opt.DepthCm = None,
    germination: opt.Germination = None,
    seeds_tested: opt.SeedsTested = None,
    soak_h: opt.SoakH = None,
    water_c: Annotated[float, opt.handling_c("Temperature of the water [°C].")] = 20.0,
    room_c: opt.RoomC = 20.0,
    sprout_h: Annotated[
        float | None, typer.Option(help="Hours indoors; until radicles are ready by default.")
    ] = None,
    from_day: Annotated[
        str, typer.Option("--from", help="Seed cannot be wetted before this day.")
    ] = "",
    plants: opt.Plants = 100,
    seeds: Annotated[
        int | None, typer.Option(min=1, help="Seeds planted; as many as dry seed needs by default.")
    ] = None,
    as_of: opt.AsOfDay = "",
    offline: opt.Offline = False,
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Sow dry, soak or pre-sprout: what each brings, what it takes, and what to do.

    Example: thermosprout compare season.toml --lot COR25 --bed middle --date 2026-05-10
    """
    from thermosprout.planning.compare import Goal
    from thermosprout.planning.compare_answer import compare_ways
    from thermosprout.reports.decision_tables import compare_tables

    context, question = ask(
        season=season, crop=crop, lot=lot, bed=bed, constant_C=constant, soil=soil,
        weather=weather, air_C=air_c, latitude=lat, longitude=lon, timezone=timezone,
        surface=surface, cover=cover, depth_cm=depth_cm, germination=germination,
        seeds_tested=seeds_tested, as_of=as_of, offline=offline, size=draws, seed=seed,
    )  # fmt: skip
    document = compare_ways(
        context, question, planted=date, goal=Goal(goal.value), soaks_h=soak_h or (),
        water_C=water_c, room_C=room_c, sprout_h=sprout_h, earliest=from_day, plants=plants,
        seeds=seeds,
    ).to_dict()  # fmt: skip
    show(document, compare_tables(document, units), context, json=json)


def presprout(
    season: opt.SeasonOrOptions = None,
    crop: opt.CropName = "",
    lot: opt.LotName = "",
    bed: opt.BedName = "",
    bed_free: Annotated[
        str,
        typer.Option(help="Day the bed comes free, or 2026-05-01/2026-05-08 where it is not sure."),
    ] = "",
    room_c: Annotated[float, opt.handling_c("Temperature where the seed sprouts [°C].")] = 20.0,
    plants: opt.Plants = 100,
    hold: Annotated[bool, typer.Option(help="Sprouted seed may be held in the cold.")] = True,
    calendar: Annotated[
        Path | None, typer.Option(help="Write the things to do as a calendar file (.ics).")
    ] = None,
    timezone: opt.Zone = "",
    germination: opt.Germination = None,
    seeds_tested: opt.SeedsTested = None,
    as_of: opt.AsOfDay = "",
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """When to wet the seed so that it is fit to plant on the day, and what if the bed is late.

    Example: thermosprout presprout --crop parsnip --bed-free 2026-05-10 --calendar sprouts.ics
    """
    from thermosprout.planning.presprout import plan_batch
    from thermosprout.reports.decision_tables import presprout_tables

    # Seed sprouts at room temperature, so no soil temperature is asked for here.
    context, question = ask(
        season=season, crop=crop, lot=lot, bed=bed, timezone=timezone,
        constant_C=room_c if season is None else None, germination=germination,
        seeds_tested=seeds_tested, as_of=as_of, seed=seed,
    )  # fmt: skip
    answer = plan_batch(
        context, question, bed_free=bed_free, room_C=room_c, plants=plants, may_hold=hold,
        past_season=bool(as_of),
    )  # fmt: skip
    document = answer.to_dict()
    show(document, presprout_tables(document, units), context, json=json)
    if calendar is not None:
        from thermosprout.cli.output import note
        from thermosprout.files import write_atomic
        from thermosprout.reports.calendar import calendar_file

        write_atomic(calendar, calendar_file(answer.events, made=context.as_of, name="Sprouting"))
        note(f"Wrote {calendar}")


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
    seeds: Annotated[int, typer.Option(min=1, help="Seeds planted in the row.")] = 100,
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
    from thermosprout.planning.season_window import WindowBuilder
    from thermosprout.planning.window import usual_within_d
    from thermosprout.planning.window_answer import WindowAnswer
    from thermosprout.reports.decision_tables import window_tables

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
            case,
            options,
            seeds=seeds,
            within_d=within or usual_within_d(case.crop),
            tick=tick,
        )
    answer = WindowAnswer(
        dataset=result,
        zone=context.zone,
        soil=builder.described,
        notes=(context.water_sentence(),),
    )
    document = answer.to_dict()
    show(document, window_tables(document, every), context, json=json)
    if netcdf is not None:
        from thermosprout.cli.output import note
        from thermosprout.files import write_atomic
        from thermosprout.planning.window import window_netcdf

        write_atomic(netcdf, window_netcdf(result))
        note(f"Wrote {netcdf}")
    if plot is not None:
        from thermosprout.cli.output import note
        from thermosprout.reports.forecast_figures import window_figure
        from thermosprout.reports.style import save_figure

        marks = [(one.earliest, one.last) for one in answer.sensible]
        save_figure(window_figure(result, marks), plot)
        note(f"Wrote {plot}")


def stations(
    season: opt.SeasonOrOptions = None,
    crop: opt.CropName = "",
    lot: opt.LotName = "",
    bed: opt.BedName = "",
    count: Annotated[int, typer.Option("--stations", min=1, help="Stations in the row.")] = 100,
    filled: Annotated[
        float, typer.Option(help="Share of the stations that shall have a plant, as 0.95.")
    ] = 0.95,
    odds: Annotated[float, typer.Option(help="Odds with which that share is reached.")] = 0.8,
    emergence: Annotated[
        float | None, typer.Option(help="Share of the seeds that emerges, where it is known.")
    ] = None,
    date: Annotated[str, typer.Option("--date", help="Day of planting.")] = "",
    treatment: Annotated[
        str, typer.Option(help="direct, soaked or presprouted; as the crop usually is.")
    ] = "direct",
    constant: opt.Constant = None,
    soil: opt.SoilFile = None,
    weather: opt.WeatherFile = None,
    lat: opt.Latitude = None,
    lon: opt.Longitude = None,
    timezone: opt.Zone = "",
    surface: opt.Surface = "bare",
    depth_cm: opt.DepthCm = None,
    germination: opt.Germination = None,
    seeds_tested: opt.SeedsTested = None,
    as_of: opt.AsOfDay = "",
    offline: opt.Offline = False,
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Seeds per station, so that few stations stay empty and little is thinned.

    Example: thermosprout stations --crop parsnip --constant 12 --germination 0.7 --seeds-tested 50
    """
    from thermosprout.planning.stations import seeds_at_emergence, seeds_per_station
    from thermosprout.reports.decision_tables import stations_tables

    if emergence is not None:
        refuse_beside_emergence(
            {"--constant": constant, "--soil": soil, "--weather": weather, "--date": date,
             "--germination": germination, "--seeds-tested": seeds_tested,
             "--depth-cm": depth_cm}
        )  # fmt: skip
    if emergence is not None and constant is None and soil is None and season is None:
        # The share is all that is needed; the temperature is then not looked at.
        constant = 15.0
    context, question = ask(
        season=season, crop=crop, lot=lot, bed=bed, constant_C=constant, soil=soil,
        weather=weather, latitude=lat, longitude=lon, timezone=timezone, surface=surface,
        depth_cm=depth_cm, germination=germination, seeds_tested=seeds_tested, as_of=as_of,
        offline=offline, seed=seed,
    )  # fmt: skip
    if emergence is not None:
        answer = seeds_at_emergence(
            emergence, crop=context.case(question).crop if crop or lot else None,
            lot=question.lot_name, stations=count, filled=filled, confidence=odds,
        )  # fmt: skip
    else:
        answer = seeds_per_station(
            context, question, stations=count, filled=filled, confidence=odds,
            treatment=treatment, planted=date,
        )  # fmt: skip
    document = answer.to_dict()
    show(document, stations_tables(document), context, json=json)


def refuse_beside_emergence(given: dict[str, object]) -> None:
    """A share that is known needs nothing that it would be worked out from.

    Raises
    ------
    InputError
        Naming the option that would have been passed over.
    """
    from thermosprout.errors import InputError

    for option, value in given.items():
        if value is not None and value != "":
            raise InputError(
                f"{option} has no say beside --emergence, which tells what comes up",
                hint="leave out one of the two",
            )


class AimName(StrEnum):
    """What comes at even intervals."""

    HARVEST = "harvest"
    EMERGENCE = "emergence"


def succession(
    season: opt.SeasonOrOptions = None,
    crop: Annotated[
        list[str] | None, typer.Option("--crop", help="Crop; several with --opening.")
    ] = None,
    lot: opt.LotName = "",
    first: Annotated[str, typer.Option(help="Day of the first sowing.")] = "",
    every: Annotated[float, typer.Option(help="Days between rows being ready.")] = 14.0,
    count: Annotated[int, typer.Option(min=1, max=200, help="Number of sowings.")] = 6,
    aim: Annotated[AimName, typer.Option(help="What shall come evenly.")] = AimName.HARVEST,
    treatment: Annotated[str, typer.Option(help="direct, soaked or presprouted.")] = "direct",
    opening: Annotated[
        list[str] | None,
        typer.Option(help="A bed's gap: BED=2026-06-01/2026-08-15; can be repeated."),
    ] = None,
    soil: opt.SoilFile = None,
    weather: opt.WeatherFile = None,
    lat: opt.Latitude = None,
    lon: opt.Longitude = None,
    timezone: opt.Zone = "",
    surface: opt.Surface = "bare",
    cover: opt.Cover = "",
    depth_cm: opt.DepthCm = None,
    germination: opt.Germination = None,
    seeds_tested: opt.SeedsTested = None,
    as_of: opt.AsOfDay = "",
    offline: opt.Offline = False,
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Sowing days for rows that are ready at even intervals, or what fits a bed's gap.

    Example: thermosprout succession season.toml --lot BEE25 --first 2026-04-12 --aim emergence
    """
    from thermosprout.dates import read_day
    from thermosprout.errors import InputError
    from thermosprout.planning.bed_gaps import beds_of, openings_of, plan_openings
    from thermosprout.planning.succession import Aim
    from thermosprout.planning.successions import plan_case
    from thermosprout.reports.decision_tables import openings_tables, succession_tables

    crops = tuple(crop or ())
    context, question = ask(
        season=season, crop=crops[0] if crops else "", lot=lot, soil=soil, weather=weather,
        latitude=lat, longitude=lon, timezone=timezone, surface=surface, cover=cover,
        depth_cm=depth_cm, germination=germination, seeds_tested=seeds_tested, as_of=as_of,
        offline=offline, seed=seed,
    )  # fmt: skip
    if opening or not first:
        gaps = openings_of(opening, context.zone) if opening else beds_of(context)
        if not gaps:
            raise InputError(
                "neither a first day nor an opening was named",
                hint="add --first 2026-04-10, or --opening north=2026-06-01/2026-08-15",
            )
        document = plan_openings(context, gaps, crops, question).to_dict()
        show(document, openings_tables(document), context, json=json)
        return
    if len(crops) > 1:
        raise InputError("a succession is of one crop", hint="name one --crop, or --opening")
    document = plan_case(
        context, context.case(question), first=read_day(first, what="--first"), every_d=every,
        count=count, aim=Aim(aim.value), treatment=treatment,
    ).to_dict()  # fmt: skip
    show(document, succession_tables(document), context, json=json)


def sow_again(
    season: Annotated[Path, typer.Argument(help="A season file (TOML).")],
    row: Annotated[str, typer.Option(help="Row of the season file.")],
    plants: Annotated[
        int | None, typer.Option(min=1, help="Plants wanted; one for each station by default.")
    ] = None,
    ahead: Annotated[int, typer.Option(min=1, max=60, help="Days to look ahead.")] = 14,
    new_lot: Annotated[str, typer.Option(help="Lot of a new sowing; the old one by default.")] = "",
    weather: opt.WeatherFile = None,
    air_c: opt.AirC = None,
    room_c: Annotated[float, opt.handling_c("Where gap seed would sprout [°C].")] = 20.0,
    as_of: opt.AsOfDay = "",
    offline: opt.Offline = False,
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """A row is late or gappy: wait, fill the gaps with sprouted seed, or sow again?

    Example: thermosprout sow-again season.toml --row N4 --as-of 2026-05-08
    """
    from thermosprout.planning.poor_row import weigh_poor_row
    from thermosprout.reports.decision_tables import sow_again_tables

    context, _ = ask(
        season=season, weather=weather, air_C=air_c, as_of=as_of, offline=offline, seed=seed
    )
    document = weigh_poor_row(
        context, row, wanted=plants, ahead_d=ahead, room_C=room_c, new_lot=new_lot
    ).to_dict()
    show(document, sow_again_tables(document, units), context, json=json)
