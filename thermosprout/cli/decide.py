"""The decisions: compare, presprout, window, stations, succession, sow-again.

Each command declares its own options; those of the sowing asked about (crop, lot, bed, soil,
weather and so on) come from :class:`thermosprout.cli.options.Sowing`.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.output import progress, write_figure, write_output
from thermosprout.dates import read_day, read_days
from thermosprout.errors import InputError
from thermosprout.reports import decision_tables as tables


@opt.asks(
    "season", "crop", "lot", "bed", "constant", "reading", "soil", "weather", "air_c", "at",
    "timezone", "surface", "cover", "depth_cm", "dry_bed", "germination", "seeds_tested",
    "soak_h", "room_c", "as_of", "offline", "draws", "seed", "units", "json",
)  # fmt: skip
def compare(
    sowing: opt.Sowing,
    date: Annotated[str, opt.day(help="Day of planting; the day the bed is free by default.")] = "",
    goal: Annotated[
        Literal["harvest", "bed-days", "seed", "work"], typer.Option(help="What matters most.")
    ] = "harvest",
    water_c: Annotated[float, opt.number(0.0, 40.0, help="Temperature of the water [°C].")] = 20.0,
    sprout_h: Annotated[
        float | None,
        opt.number(0.0, 2400.0, help="Hours indoors; until roots are ready by default."),
    ] = None,
    from_day: Annotated[str, opt.day("--from", help="Seed cannot be wetted before this day.")] = "",
    plants: opt.Plants = 100,
    seeds: Annotated[
        int | None,
        opt.number(1, 1_000_000, help="Seeds planted; as many as dry seed needs by default."),
    ] = None,
) -> None:
    """Sow dry, soak or pre-sprout: what each brings, what it takes, and what to do.

    Example: thermosprout compare season.toml --lot COR25 --bed middle --date 2026-05-10
    """
    from thermosprout.planning.compare import Goal
    from thermosprout.planning.compare_answer import compare_ways

    context, question = sowing.open(planted=date)
    document = compare_ways(
        context, question, planted=opt.day_of(date), goal=Goal(goal), soaks_h=sowing.soak_h or (),
        water_C=water_c, room_C=sowing.room_c, sprout_h=sprout_h, earliest=opt.day_of(from_day),
        plants=plants, seeds=seeds,
    ).to_dict()  # fmt: skip
    sowing.show(document, tables.compare_tables(document, sowing.units), context)


@opt.asks(
    "season", "crop", "lot", "bed", "room_c", "timezone", "germination", "seeds_tested", "as_of",
    "seed", "force", "units", "json",
)  # fmt: skip
def presprout(
    sowing: opt.Sowing,
    bed_free: Annotated[
        str, opt.days(help="Day the bed comes free, or the first and the last.")
    ] = "",
    plants: opt.Plants = 100,
    hold: Annotated[
        bool, typer.Option("--hold/--no-hold", help="Sprouted seed may be held in the cold.")
    ] = True,
    calendar: Annotated[
        Path | None, opt.output(".ics", help="Write the things to do as a calendar file (.ics).")
    ] = None,
) -> None:
    """When to wet the seed so that it is fit to plant on the day, and what if the bed is late.

    Example: thermosprout presprout --crop parsnip --bed-free 2026-05-10 --calendar sprouts.ics
    """
    from thermosprout.planning.presprout import plan_batch

    # Seed sprouts at room temperature, so no soil temperature is asked for here.
    context, question = sowing.open(constant_C=sowing.room_c)
    answer = plan_batch(
        context, question, bed_free=read_days(bed_free) if bed_free else None,
        room_C=sowing.room_c, plants=plants, may_hold=hold, past_season=bool(sowing.as_of),
    )  # fmt: skip
    document = answer.to_dict()
    sowing.show(document, tables.presprout_tables(document, sowing.units), context)
    if calendar is not None:
        from thermosprout.reports.pages import calendar_file

        content = calendar_file(
            answer.events, stamp=context.as_of, name="Sprouting", cautions=document["cautions"]
        )
        write_output(calendar, content, force=sowing.force)


@opt.asks(
    "season", "crop", "lot", "bed", "soil", "weather", "at", "timezone", "surface", "depth_cm",
    "dry_bed", "germination", "seeds_tested", "soak_h", "room_c", "as_of", "offline", "draws",
    "seed", "force", "units", "json",
)  # fmt: skip
def window(
    sowing: opt.Sowing,
    start: Annotated[str, opt.day("--from", help="First day of planting; today by default.")] = "",
    end: Annotated[str, opt.day("--to", help="Last day of planting; a year on by default.")] = "",
    within: Annotated[
        float | None,
        opt.number(1.0, 120.0, help="Days for half the row to come up; the crop's by default."),
    ] = None,
    cover: Annotated[
        list[str] | None, typer.Option(help="Cover to compare, such as fleece; repeat for several.")
    ] = None,
    seeds: Annotated[int, opt.number(1, 1_000_000, help="Seeds planted in the row.")] = 100,
    netcdf: Annotated[
        Path | None, opt.output(".nc", help="Write all figures as CF NetCDF (.nc).")
    ] = None,
    plot: opt.Plot = None,
    every: Annotated[int, opt.number(1, 366, help="Days between lines of the table.")] = 7,
) -> None:
    """Every planting day of a season: odds, stand, bed-days, frost, the earliest and the last.

    Each past year in the record counts as one way the season may go.

    Example: thermosprout window season.toml --lot COR25 --from 2026-04-20 --to 2026-06-10
    """
    from thermosprout.planning.season_window import plan_window

    context, question = sowing.open()
    answer = plan_window(
        context, question,
        first=opt.day_of(start), last=opt.day_of(end),
        covers=cover or (), soaks_h=sowing.soak_h or (), room_C=sowing.room_c, seeds=seeds,
        within_d=within, progress=progress,
    )  # fmt: skip
    document = answer.to_dict()
    sowing.show(document, tables.window_tables(document, every), context)
    if netcdf is not None:
        from thermosprout.planning.window import window_netcdf

        write_output(netcdf, window_netcdf(answer.dataset), force=sowing.force)
    if plot is not None:
        from thermosprout.reports.forecast_figures import window_figure

        marks = [(one.earliest, one.last) for one in answer.sensible]
        write_figure(window_figure(answer.dataset, marks), plot, force=sowing.force)


@opt.asks(
    "season", "crop", "lot", "bed", "constant", "reading", "soil", "weather", "at", "timezone",
    "surface", "depth_cm", "dry_bed", "germination", "seeds_tested", "as_of", "offline", "seed",
    "units", "json",
)  # fmt: skip
def stations(
    sowing: opt.Sowing,
    count: Annotated[
        int, opt.number(1, 1_000_000, "--stations", help="Stations in the row.")
    ] = 100,
    filled: Annotated[
        float, opt.number(0.0, 1.0, help="Share of the stations to have a plant, such as 0.95.")
    ] = 0.95,
    odds: Annotated[float, opt.number(0.0, 1.0, help="Odds of reaching that share.")] = 0.8,
    emergence: Annotated[
        float | None, opt.number(0.0, 1.0, help="Share of the seeds that emerges, if you know it.")
    ] = None,
    date: Annotated[str, opt.day(help="Day of planting; today by default.")] = "",
    treatment: opt.Treatment = "direct",
) -> None:
    """Seeds per station, so that few stations stay empty and little is thinned.

    Example: thermosprout stations --crop parsnip --constant 12 --germination 0.7 --seeds-tested 50
    """
    from thermosprout.planning.stations import seeds_at_emergence, seeds_per_station

    if emergence is not None:
        # A share that is known needs nothing that it would be worked out from.
        opt.refuse(
            {
                "--constant": sowing.constant, "--reading": sowing.reading, "--soil": sowing.soil,
                "--weather": sowing.weather, "--date": date, "--bed": sowing.bed,
                "--germination": sowing.germination,
                "--seeds-tested": sowing.seeds_tested, "--depth-cm": sowing.depth_cm,
                "--dry-bed": sowing.dry_bed or None,
            },
            "has no effect beside --emergence", "leave out one of the two",
        )  # fmt: skip
    # A share that is known is all that is needed; the temperature is then not looked at.
    context, question = sowing.open(constant_C=None if emergence is None else 15.0, planted=date)
    if emergence is not None:
        answer = seeds_at_emergence(
            emergence, crop=context.case(question).crop if sowing.crop or sowing.lot else None,
            lot=question.lot_name, stations=count, filled=filled, confidence=odds,
        )  # fmt: skip
    else:
        answer = seeds_per_station(
            context, question, stations=count, filled=filled, confidence=odds,
            treatment=treatment, planted=opt.day_of(date),
        )  # fmt: skip
    document = answer.to_dict()
    sowing.show(document, tables.stations_tables(document), context)


@opt.asks(
    "season", "lot", "soil", "weather", "at", "timezone", "surface", "cover", "depth_cm",
    "dry_bed", "germination", "seeds_tested", "as_of", "offline", "seed", "units", "json",
)  # fmt: skip
def succession(
    sowing: opt.Sowing,
    crop: Annotated[list[str] | None, typer.Option(help="Crop; several with --opening.")] = None,
    first: Annotated[str, opt.day(help="Day of the first sowing.")] = "",
    every: Annotated[
        float, opt.number(0.5, 366.0, help="Days from one row being ready to the next.")
    ] = 14.0,
    count: Annotated[int, opt.number(1, 200, help="Number of sowings.")] = 6,
    aim: Annotated[
        Literal["harvest", "emergence"], typer.Option(help="What comes at even intervals.")
    ] = "harvest",
    treatment: opt.Treatment = "direct",
    opening: Annotated[
        list[str] | None,
        typer.Option(
            metavar="BED=DATE/DATE",
            help="Days a bed is empty: north=2026-06-01/2026-08-15; repeat for several.",
        ),
    ] = None,
) -> None:
    """Sowing days for rows that are ready at even intervals, or what fits while a bed is empty.

    Example: thermosprout succession season.toml --lot BEE25 --first 2026-04-12 --aim emergence
    """
    from thermosprout.planning.succession import (
        Aim,
        openings_of_season,
        plan_case,
        plan_openings,
        read_openings,
    )

    crops = tuple(crop or ())
    context, question = sowing.open(crop=crops[0] if crops else "")
    if opening:
        opt.refuse({"--first": first}, "has no effect beside --opening", "leave out one of the two")
    if opening or not first:
        gaps = read_openings(opening, context.zone) if opening else openings_of_season(context)
        if not gaps:
            raise InputError(
                "no first day and no opening is named",
                hint="add --first 2026-04-10, or --opening north=2026-06-01/2026-08-15",
            )
        document = plan_openings(context, gaps, crops, question).to_dict()
        sowing.show(document, tables.openings_tables(document), context)
        return
    if len(crops) > 1:
        raise InputError("a succession is of one crop", hint="name one --crop, or --opening")
    document = plan_case(
        context, context.case(question), first=read_day(first), every_d=every,
        count=count, aim=Aim(aim), treatment=treatment,
    ).to_dict()  # fmt: skip
    sowing.show(document, tables.succession_tables(document), context)


@opt.asks(
    "season", "weather", "air_c", "dry_bed", "room_c", "as_of", "offline", "seed", "units", "json"
)  # fmt: skip
def sow_again(
    sowing: opt.Sowing,
    row: Annotated[str, typer.Option(help="Row of the season file.")],
    plants: Annotated[
        int | None,
        opt.number(1, 1_000_000, help="Plants you want; one for each station by default."),
    ] = None,
    ahead: Annotated[int, opt.number(1, 60, help="Days to look ahead.")] = 14,
    new_lot: Annotated[str, typer.Option(help="Lot of a new sowing; the old one by default.")] = "",
) -> None:
    """A row is late or gappy: wait, fill the gaps with sprouted seed, or sow again?

    Example: thermosprout sow-again season.toml --row N4 --as-of 2026-05-08
    """
    from thermosprout.planning.sow_again import weigh_poor_row

    opt.require_season(sowing.season, say=False)
    context, _ = sowing.open()
    document = weigh_poor_row(
        context, row, target=plants, ahead_d=ahead, room_C=sowing.room_c, new_lot=new_lot,
        dry_bed=sowing.dry_bed,
    ).to_dict()  # fmt: skip
    sowing.show(document, tables.sow_again_tables(document), context)
