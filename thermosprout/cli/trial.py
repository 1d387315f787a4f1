"""``thermosprout trial``: plan a side-by-side trial, and read its outcome."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from thermosprout.cli import options as opt
from thermosprout.cli import record
from thermosprout.cli.app import Sentences
from thermosprout.cli.output import (
    PICTURES,
    answer,
    check_output,
    note,
    picture_bytes,
    progress,
    write_figure,
    write_output,
)
from thermosprout.errors import InputError, Place
from thermosprout.quantities import USUAL_DEPTH_CM
from thermosprout.reports.words import local_time
from thermosprout.trials.records.file import format_table
from thermosprout.trials.records.read import read_records
from thermosprout.trials.records.values import check_treatments, neutral, read_moment, zone

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop
    from thermosprout.trials.design import Plan
    from thermosprout.trials.power import Trial

_USUAL_SPROUT_H, _USUAL_SPROUT_SHARE = 72.0, 0.8
"""Of a crop that nobody named."""


def design(
    treatment: Annotated[
        list[str],
        typer.Option(
            "--treatment",
            "-t",
            help="direct, soaked, presprouted or one of your own; repeat for each.",
        ),
    ],
    planting: Annotated[
        list[str],
        opt.moment(help="Day all share (2026-05-02); several with --layout split."),
    ],
    out: Annotated[
        Path, typer.Option("--out", "-o", metavar="DIR", help="Folder for the trial's files.")
    ],
    variety: Annotated[
        list[str] | None, typer.Option("--variety", "-v", help="A variety; repeat for each.")
    ] = None,
    blocks: Annotated[int, opt.number(1, 200, help="Blocks, or replicates.")] = 4,
    layout: Annotated[
        Literal["blocks", "latin", "single", "split"],
        typer.Option(
            help="Plots at random in blocks, in a Latin square, without blocks, or by planting day."
        ),
    ] = "blocks",
    together: Annotated[
        Literal["plant", "start"],
        typer.Option(help="What all do on that day: go into the ground, or have seed started."),
    ] = "plant",
    stations: Annotated[int, opt.number(1, 100_000, help="Stations per plot.")] = 25,
    seeds_per_station: Annotated[int, opt.number(1, 1000, help="Seeds per station.")] = 2,
    depth_cm: Annotated[
        float | None,
        opt.number(0.0, 30.0, help="Sowing depth [cm]; the crop's usual one, or 2, by default."),
    ] = None,
    spacing_cm: Annotated[float, opt.number(0.5, 1000.0, help="Between stations [cm].")] = 10.0,
    row_spacing_cm: Annotated[float, opt.number(1.0, 1000.0, help="Between rows [cm].")] = 30.0,
    rows: Annotated[int, opt.number(1, 1000, help="Rows of stations in a plot.")] = 2,
    gap_cm: Annotated[
        float, opt.number(0.0, 10_000.0, help="Between plots along the bed [cm].")
    ] = 30.0,
    path_cm: Annotated[float, opt.number(0.0, 10_000.0, help="Between blocks [cm].")] = 50.0,
    soak_h: Annotated[
        float | None,
        opt.number(0.0, 240.0, help="Hours of soaking; 12, or fewer if the crop needs it."),
    ] = None,
    sprout_h: Annotated[
        float, opt.number(0.0, 2400.0, help="Hours of sprouting; from crop and room when 0.")
    ] = 0.0,
    room_c: opt.RoomC = 20.0,
    sprout_share: Annotated[
        float, opt.number(0.0, 1.0, help="Share that sprouts; from crop and hours when 0.")
    ] = 0.0,
    lot: Annotated[str, typer.Option(help="Seed lot, for the records.")] = "",
    crop: Annotated[str, typer.Option(help="Crop, to work out what the trial can show.")] = "",
    crop_season: opt.CropSeason = None,
    seed_size: opt.SeedSize = None,
    soil_c: Annotated[
        float, opt.number(-5.0, 60.0, help="Soil temperature to expect [°C].")
    ] = 15.0,
    detect_days: Annotated[
        float, opt.number(0.0, 365.0, help="Difference to detect [days].")
    ] = 1.0,
    detect_points: Annotated[
        float, opt.number(0.0, 100.0, help="Difference to detect in stand [points].")
    ] = 10.0,
    every_d: Annotated[float, opt.number(0.1, 60.0, help="Days between inspections.")] = 1.0,
    lost: Annotated[
        float, opt.number(0.0, 80.0, help="Plots that may be lost before the count [%].")
    ] = 5.0,
    simulations: Annotated[int, opt.number(100, 20_000, help="Trials to simulate.")] = 1000,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    seed: opt.Seed = 0,
    json: opt.Json = False,
) -> None:
    """Lay out a trial: where each plot goes, what to start when, and what it will be able to show.

    Writes records.csv (to count into), layout.svg, layout.png and calendar.csv into a folder.

    Example: thermosprout trial design -t direct -t soaked --planting 2026-05-02 -o parsnips
    """
    import numpy as np

    from thermosprout.crops.crop import cautions
    from thermosprout.trials import design as plans

    own = check_treatments(treatment)
    kind = opt.crop_or_like(crop, crop_season, seed_size) if crop else None
    if depth_cm is None:
        depth_cm = USUAL_DEPTH_CM if kind is None else kind.usual_depth_cm
    tz = zone(opt.records_zone(timezone, opt.season_here(season, say=False)))
    hours = sprout_h or _sprout_hours(kind, room_c)
    records = out / "records.csv"
    if records.exists():
        raise InputError(
            f"{records} is there already and is not written over", hint="name another folder"
        )
    spots = plans.lay_out(
        plans.Layout(layout), variety or [""], treatment, blocks,
        np.random.default_rng(seed), days=len(planting),
    )  # fmt: skip
    soak, soak_notes = _soak_hours(soak_h, kind, treatment)
    lead_h = plans.lead_hours(treatment, soak, hours)
    plan = plans.Plan(
        spots=spots,
        together=plans.Together(together),
        planting=tuple(
            plans.in_the_morning(read_moment(text, tz), lead_h, tz) for text in planting
        ),
        lead_h=lead_h,
        stations=stations,
        seeds_per_station=seeds_per_station,
        sprout_share=sprout_share or _sprout_share(kind, room_c, hours),
        depth_cm=depth_cm,
        seed_lot=lot,
        timezone=tz,
    )
    tasks = plans.calendar(plan)
    bed = {
        "plot_length_cm": -(-stations // rows) * spacing_cm,
        "plot_width_cm": rows * row_spacing_cm,
        "gap_cm": gap_cm,
        "path_cm": path_cm,
    }
    warnings = cautions([] if kind is None else [kind], treatment)
    files = _write(plan, tasks, out, bed, warnings)
    chances: list[dict[str, Any]] = []
    plots = blocks * len(planting)
    if kind is not None and plots * max(len(variety or []), 1) >= 2:
        from thermosprout.trials.power import Trial

        size = Trial(
            treatments=len(treatment), varieties=max(len(variety or []), 1), blocks=plots,
            seeds=plan.seeds, every_d=every_d, lost=lost / 100.0,
        )  # fmt: skip
        lags = {"later_d": detect_days, "points": detect_points / 100.0}
        chances = _chances(size, kind, soil_c, depth_cm, lags, simulations, seed)
    document: dict[str, Any] = {
        "layout": layout,
        "layout_words": plans.LAYOUT_WORDS[plans.Layout(layout)],
        "answers": plans.ANSWERS[plan.together],
        "seed": seed,
        "plots": len(spots),
        "seeds_per_plot": plan.seeds,
        "depth_cm": depth_cm,
        "bed": bed,
        "calendar": [{"when": t.when, "what": t.what, "plots": list(t.plots)} for t in tasks],
        "power": chances,
        "files": [str(path) for path in files],
        "notes": [*own, *soak_notes],
        "cautions": list(warnings),
    }
    answer(document, _lines(document), json=json)
    if not json:
        for sentence in document["notes"]:
            note(f"{sentence}.")
        note(f"Next: thermosprout trial sheet {records}")


def _soak_hours(
    typed: float | None, crop: Crop | None, treatments: list[str]
) -> tuple[float, list[str]]:
    """Hours of the soak, and a word where the crop hardly stands so many."""
    from thermosprout.crops.crop import USUAL_SOAK_H

    if typed is None:
        return (USUAL_SOAK_H if crop is None else crop.usual_soak_h), []
    if crop is None or typed <= crop.safe_soak_h or "soaked" not in treatments:
        return typed, []
    return typed, [f"{crop.long_soak(typed)}, and the trial will show that"]


def _sprout_hours(crop: Crop | None, room_C: float) -> float:
    from thermosprout.trials.design import sprout_hours

    if crop is None:
        return _USUAL_SPROUT_H
    hours = sprout_hours(crop, room_C)
    if hours is None:
        raise InputError(f"{crop.common_name} does not sprout at {room_C:g} °C")
    return hours


def _sprout_share(crop: Crop | None, room_C: float, hours: float) -> float:
    from thermosprout.trials.design import sprouting_share

    return _USUAL_SPROUT_SHARE if crop is None else max(sprouting_share(crop, room_C, hours), 0.05)


def _write(
    plan: Plan, tasks: list[Any], out: Path, bed: dict[str, float], warnings: Iterable[str]
) -> list[Path]:
    from thermosprout.reports.trial_figures import BedSize, layout_figure

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"cannot be made ({error.strerror})", place=Place(file=out)) from None
    figure = layout_figure(plan.spots, BedSize(**bed), "Trial bed, drawn to scale")
    rows = [[neutral(t.when), neutral(t.what), " ".join(t.plots)] for t in tasks]
    rows += [[rows[0][0], f"Caution: {text}", ""] for text in warnings if rows]
    contents: dict[Path, str | bytes] = {
        out / "layout.svg": picture_bytes(figure, "layout.svg"),
        out / "layout.png": picture_bytes(figure, "layout.png"),
        out / "calendar.csv": format_table(("when", "what", "plots"), rows),
        # Last: a folder with records in it is whole.
        out / "records.csv": format_table(*plan.records()),
    }
    for path, content in contents.items():
        check_output(path, content)
    for path, content in contents.items():
        write_output(path, content)
    return [out / "records.csv", *(path for path in contents if path.name != "records.csv")]


def _chances(
    trial: Trial, crop: Crop, soil_C: float, depth_cm: float, differences: dict[str, float],
    simulations: int, seed: int,
) -> list[dict[str, Any]]:  # fmt: skip
    """Power to detect each difference, and the smallest trial with 80 % power."""
    import numpy as np

    from thermosprout.trials.power import SEARCHED, power, smallest_trial, truths_of

    rng = np.random.default_rng([seed, 4])
    truths, quick = (
        truths_of(crop, soil_C, depth_cm=depth_cm, trials=trials, seed=seed)
        for trials in (simulations, min(simulations, 300))
    )
    sizes = {key: size for key, size in differences.items() if size}
    chances = []
    with progress("Simulated trials", len(sizes) * SEARCHED) as tick:
        for key, size in sizes.items():
            here = power(trial, truths, rng, **{key: size})
            least = smallest_trial(trial, quick, rng, progress=tick, **{key: size})
            chances.append(
                {
                    "difference": 100.0 * size if key == "points" else size,
                    "unit": "points" if key == "points" else "days",
                    "varieties": trial.varieties,
                    "lost_plots": trial.lost,
                    "chance": here.chance,
                    "standard_error": here.standard_error,
                    "smallest": None
                    if least is None
                    else {
                        "blocks": least.trial.blocks,
                        "seeds_per_plot": least.trial.seeds,
                        "chance": least.chance,
                    },
                }
            )
    return chances


def _lines(document: dict[str, Any]) -> Iterator[str]:
    yield (
        f"{document['plots']} plots of {document['seeds_per_plot']} seeds, "
        f"{document['depth_cm']:g} cm deep; {document['layout_words']} (seed {document['seed']})."
    )
    yield f"{document['answers']}\n"
    for task in document["calendar"]:
        plots = task["plots"]
        names = " ".join(plots[:8]) + (f" and {len(plots) - 8} more" if len(plots) > 8 else "")
        yield f"{local_time(task['when'])}  {task['what']}\n    {names}"
    yield ""
    yield from map(_chance_words, document["power"])
    if not document["power"]:
        yield "Name the crop (--crop) to see what this trial can show."
    yield from (f"Caution: {caution}" for caution in document["cautions"])


def _chance_words(item: dict[str, Any]) -> str:
    days = "day" if item["difference"] == 1 else "days"
    size = f"{item['difference']:g}{f' {days}' if item['unit'] == 'days' else ' points of stand'}"
    over = "" if item["varieties"] < 2 else f" over the plots of all {item['varieties']} varieties"
    words = (
        f"A difference of {size} between two treatments{over}: {100 * item['chance']:.0f} % power "
        f"at the 5 % level, {100 * item['lost_plots']:g} % of plots lost."
    )
    least = item["smallest"]
    if least is None:
        return f"{words} Even 20 blocks of 200 seeds a plot would not reach 80 %."
    return (
        f"{words} Smallest trial with 80 %: {least['blocks']} blocks of "
        f"{least['seeds_per_plot']} seeds a plot."
    )


def analyse(
    records: opt.RecordsFile = None,
    soil: Annotated[
        Path | None, typer.Option(help="Soil temperature (CSV); adds the thermal-time clock.")
    ] = None,
    crop: Annotated[
        str, typer.Option(help="Crop, for the thermal-time clock's base temperature.")
    ] = "",
    compare: Annotated[
        Literal["treatment", "variety", "seed_lot"] | None,
        typer.Option(help="What to compare; treatments by default."),
    ] = None,
    clock: Annotated[
        Literal["planted", "started", "thermal"],
        typer.Option(help="Clock of the curves; thermal needs a temperature."),
    ] = "planted",
    plot: Annotated[
        Path | None,
        opt.output(*PICTURES, help="Write a picture of the curves: .png, .svg or .pdf."),
    ] = None,
    blocks_plot: Annotated[
        Path | None, opt.output(*PICTURES, help="Write a picture of the blocks side by side.")
    ] = None,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    seed: opt.Seed = 0,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """What the trial shows, what it does not, and how big a difference could still be.

    Times are given on both clocks: since the seed was planted and since it was started.

    Example: thermosprout trial analyse trial.csv --soil soil.csv --plot curves.png
    """
    from thermosprout.reports.crop_tables import trial_tables
    from thermosprout.trials.analysis.analyse import analyse as run
    from thermosprout.trials.analysis.timing import thermal_clock

    logger_zone = opt.records_zone(timezone, opt.season_here(season, say=False))
    records, timezone = opt.records_of(records, season, timezone)
    table = read_records(records, timezone=timezone)
    series = None if soil is None else opt.logger_series(soil, logger_zone, json=json)[0]
    thermal, assumed = thermal_clock(table, crop, series)
    result = run(table, thermal=thermal, compare=compare, clock=clock, seed=seed)
    document = result.to_dict()
    document["warnings"] = [*document["warnings"], *assumed]
    answer(document, trial_tables(document), json=json)
    from thermosprout.reports.trial_figures import blocks_figure, curves_figure

    if plot is not None:
        write_figure(curves_figure(document), plot, force=force)
    if blocks_plot is not None:
        from thermosprout.trials.records.read import block_steps

        write_figure(blocks_figure(block_steps(table, result.compared)), blocks_plot, force=force)


app = typer.Typer(
    add_completion=False,
    cls=Sentences,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Plan a side-by-side trial, check its records, and read what it shows.",
)
for command in (design, record.sheet, record.check):
    app.command()(command)
app.command("import")(record.import_table)
app.command()(record.export)
app.command()(analyse)
