"""``thermosprout presprout``: when to start a sprouting batch for the day a bed comes free."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import ask, show
from thermosprout.quantities import Units


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
    from thermosprout.reports.plan_tables import presprout_tables

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
