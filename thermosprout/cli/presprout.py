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
    from thermosprout.crops.seed_lots import DRESSED
    from thermosprout.dates import noon, read_days
    from thermosprout.emergence.treatments import Treatment
    from thermosprout.errors import InputError
    from thermosprout.planning.documents import presprout_document
    from thermosprout.planning.events import sprouting_events
    from thermosprout.planning.options import minutes_of
    from thermosprout.planning.sprouting import plan_sprouting
    from thermosprout.reports.plan_tables import presprout_tables
    from thermosprout.season.schema import hours, instant, local

    # Seed sprouts at room temperature, so no soil temperature is asked for here.
    context, question = ask(
        season=season, crop=crop, lot=lot, bed=bed, timezone=timezone,
        constant_C=room_c if season is None else None, germination=germination,
        seeds_tested=seeds_tested, as_of=as_of, seed=seed,
    )  # fmt: skip
    case = context.case(question)
    if case.lot is not None and case.dressed:
        raise InputError(f"lot {case.lot.id} is dressed. {DRESSED}")
    place = context.bed(bed)
    if bed_free:
        first, last = (hours(noon(day, context.zone)) for day in read_days(bed_free))
    elif place is not None and place.free_from is not None:
        first = last = hours(instant(place.free_from, context.zone))
    else:
        raise InputError("no day was named", hint="add --bed-free 2026-05-10")
    draws = context.draws(case.crop)
    viability, ln_shift = context.lot_draws(case, local(first, context.zone).date())
    # Seed cannot be wetted in the past, unless a past season is looked at.
    now_h = context.now_h
    if not as_of and last < now_h - 24.0:
        day = local(last, context.zone).date().isoformat()
        context.note(f"{day} is past: the plan is for a batch of that time.")
    plan = plan_sprouting(
        draws,
        viability=viability,
        ln_shift=ln_shift,
        room_C=room_c,
        bed_from_h=first,
        bed_until_h=last,
        zone=context.zone,
        earliest_start_h=now_h if as_of or now_h < first else None,
        wanted=plants,
        may_hold=hold,
        seed=seed,
    )
    events = sprouting_events(
        plan,
        context.zone,
        crop=case.crop.name,
        bed=bed,
        minutes=minutes_of(context.season)[Treatment.PRESPROUTED],
    )
    document = presprout_document(
        plan,
        events,
        zone=context.zone,
        crop=case.crop.name,
        said=case.crop.cautions,
        lot=lot or None,
        bed=bed or None,
    )
    show(document, presprout_tables(document, units), context, json=json)
    if calendar is not None:
        from thermosprout.cli.output import note
        from thermosprout.files import write_atomic
        from thermosprout.reports.calendar import calendar_file

        write_atomic(calendar, calendar_file(events, made=context.as_of, name="Sprouting"))
        note(f"Wrote {calendar}")
