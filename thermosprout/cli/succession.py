"""``thermosprout succession``: rows that come even, and crops for bed openings."""

from __future__ import annotations

from enum import StrEnum
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import ask, show
from thermosprout.quantities import Units


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
    from thermosprout.planning.openings import beds_of, openings_of, plan_openings
    from thermosprout.planning.succession import Aim
    from thermosprout.planning.successions import plan_case
    from thermosprout.reports.season_tables import openings_tables, succession_tables

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
