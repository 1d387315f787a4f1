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
    import numpy as np

    from thermosprout.errors import InputError
    from thermosprout.planning.options import usual_options
    from thermosprout.planning.season_documents import stations_document
    from thermosprout.planning.stations import MANY_SEEDS, luck_note, plan_stations
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
    notes: list[str] = []
    seeds_per_g: float | None = None
    name, described = crop or lot or "seed", None
    if emergence is not None:
        if not 0 < emergence <= 1:
            raise InputError(
                f"an emergence of {emergence:g} was given, expected above 0 and up to 1",
                hint="write 70 % as 0.7",
            )
        share = np.full(1, emergence)
        rho = np.zeros(1)
        if crop or lot:
            found = context.case(question).crop
            name, seeds_per_g = found.name, found.practice.seeds_per_g
    else:
        planted_h = context.planting_h(date, bed)
        setting = context.setting(context.case(question), planted_h)
        described = setting.soil
        name, seeds_per_g = setting.crop.name, setting.crop.practice.seeds_per_g
        options = {o.handling.treatment.value: o for o in usual_options(setting.crop)}
        if treatment not in options:
            raise InputError(f"there is no treatment {treatment!r}; one of {', '.join(options)}")
        row = setting.forecast(options[treatment].handling, planted_h, seeds=count)
        share, rho = row.share, setting.draws.values["plot_stand_rho"]
        if treatment == "presprouted":
            notes.append("Sprouted seed: the numbers are of sprouted seeds planted.")
    plan = plan_stations(share, stations=count, wanted_filled=filled, confidence=odds, rho=rho)
    if plan.chosen is not None and plan.chosen.seeds > MANY_SEEDS:
        notes.append(
            "So many seeds are asked for because little is known of this lot or it is weak: test "
            "it (count 100 seeds on moist paper), or sow another."
        )
    if luck := luck_note(plan):
        notes.append(luck)
    if emergence is None:
        notes.append(context.water_sentence())
    document = stations_document(
        plan, crop=name, seeds_per_g=seeds_per_g, soil=described, lot=lot or None,
        notes=tuple(notes),
    )  # fmt: skip
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
