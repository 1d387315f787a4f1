"""``thermosprout stations``: how many seeds to drop in each station."""

from __future__ import annotations

from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import ask, show
from thermosprout.quantities import Units


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
    from thermosprout.reports.season_tables import stations_tables

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
