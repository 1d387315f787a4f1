"""``thermosprout compare``: dry, soaked and pre-sprouted side by side, with advice."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import ask, show
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
    from thermosprout.reports.plan_tables import compare_tables

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
