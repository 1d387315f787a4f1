"""``thermosprout compare``: dry, soaked and pre-sprouted side by side, with advice."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import show, sources_of
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
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Sow dry, soak or pre-sprout: what each brings, what it takes, and what to do.

    Example: thermosprout compare season.toml --lot COR25 --bed middle --date 2026-05-10
    """
    from thermosprout.planning.compare import Goal
    from thermosprout.planning.compare import compare as weigh_all
    from thermosprout.planning.documents import compare_document
    from thermosprout.planning.options import usual_options
    from thermosprout.planning.sources import day_hour
    from thermosprout.reports.plan_tables import compare_tables

    sources = sources_of(
        season=season, crop=crop, lot=lot, bed=bed, constant_C=constant, soil=soil,
        weather=weather, air_C=air_c, latitude=lat, longitude=lon, timezone=timezone,
        surface=surface, cover=cover, depth_cm=depth_cm, germination=germination,
        seeds_tested=seeds_tested, as_of=as_of, offline=offline, seed=seed,
    )  # fmt: skip
    setting, described = sources.setting(sources.planting_day(date))
    options = usual_options(
        setting.crop,
        soaks_h=tuple(soak_h or ()),
        water_C=water_c,
        room_C=room_c,
        sprout_h=sprout_h,
        minutes=sources.minutes,
        dressed=setting.dressed,
    )
    comparison = weigh_all(
        setting,
        options,
        free_h=sources.planting_h(date),
        wanted=plants,
        seeds=seeds,
        earliest_start_h=day_hour(from_day, sources.zone) if from_day else None,
    )
    document = compare_document(
        comparison,
        Goal(goal.value),
        zone=None if constant is not None else sources.zone,
        soil=described,
        constant_C=constant,
        lot=lot or None,
        bed=bed or None,
    )
    show(document, compare_tables(document, units), sources, json=json)
