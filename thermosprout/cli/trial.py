"""``thermosprout trial``: plan a side-by-side trial, and read its outcome."""

from __future__ import annotations

from collections.abc import Iterable
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt
from thermosprout.cli import record
from thermosprout.cli.app import Sentences
from thermosprout.quantities import USUAL_DEPTH_CM

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.crops.crop import Crop
    from thermosprout.quantities import FloatArray
    from thermosprout.trials.design import Plan

_USUAL_SPROUT_SHARE = 0.8


class LayoutName(StrEnum):
    """How plots are randomised."""

    BLOCKS = "blocks"
    LATIN = "latin"
    SINGLE = "single"
    SPLIT = "split"


class TogetherName(StrEnum):
    """What all treatments do on the same day."""

    PLANT = "plant"
    START = "start"


def design(
    treatment: Annotated[
        list[str], typer.Option("--treatment", "-t", help="A treatment; repeat for each.")
    ],
    planting: Annotated[
        list[str],
        opt.moment("--planting", help="Shared day, as 2026-05-02; several with --layout split."),
    ],
    out: Annotated[
        Path, typer.Option("--out", "-o", metavar="DIR", help="Folder for the trial's files.")
    ],
    variety: Annotated[
        list[str] | None, typer.Option("--variety", "-v", help="A variety; repeat for each.")
    ] = None,
    blocks: Annotated[int, opt.number(1, 200, help="Blocks, or replicates.")] = 4,
    layout: Annotated[LayoutName, typer.Option(help="How plots are randomised.")] = (
        LayoutName.BLOCKS
    ),
    together: Annotated[
        TogetherName, typer.Option(help="Line treatments up by planting day or by start day.")
    ] = TogetherName.PLANT,
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
    lot: Annotated[str, typer.Option(help="Seed lot.")] = "",
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
    from thermosprout.errors import InputError
    from thermosprout.trials.design import (
        ANSWERS,
        LAYOUT_WORDS,
        Layout,
        Plan,
        Together,
        calendar,
        in_the_morning,
        lay_out,
        lead_hours,
    )
    from thermosprout.trials.records.values import check_treatments, read_moment, zone

    own = check_treatments(treatment)
    found = opt.crop_or_like(crop, crop_season, seed_size) if crop else None
    depth = _depth(depth_cm, found)
    tz = zone(opt.records_zone(timezone, opt.season_here(season, say=False)))
    hours = _sprout_hours(sprout_h, found, room_c)
    records = out / "records.csv"
    if records.exists():
        raise InputError(
            f"{records} is there already and is not written over", hint="name another folder"
        )
    spots = lay_out(
        Layout(layout.value), variety or [""], treatment, blocks,
        np.random.default_rng(seed), days=len(planting),
    )  # fmt: skip
    soak, soak_notes = _soak_hours(soak_h, found, treatment)
    lead_h = lead_hours(treatment, soak, hours)
    plan = Plan(
        spots=spots,
        together=Together(together.value),
        planting=tuple(in_the_morning(read_moment(text, tz), lead_h, tz) for text in planting),
        lead_h=lead_h,
        stations=stations,
        seeds_per_station=seeds_per_station,
        sprout_share=_sprout_share(sprout_share, found, room_c, hours),
        depth_cm=depth,
        seed_lot=lot,
        timezone=tz,
    )
    tasks = calendar(plan)
    columns = -(-stations // rows)
    bed = {
        "plot_length_cm": columns * spacing_cm,
        "plot_width_cm": rows * row_spacing_cm,
        "gap_cm": gap_cm,
        "path_cm": path_cm,
    }
    warned = cautions([] if found is None else [found], treatment)
    files = _write(plan, tasks, out, bed, warned)
    chances = _chances(
        found, soil_c, depth, len(treatment), max(len(variety or []), 1),
        blocks * len(planting), plan.seeds, every_d, lost / 100.0, simulations,
        detect_days, detect_points / 100.0, seed,
    )  # fmt: skip
    document = {
        "layout": layout.value,
        "layout_words": LAYOUT_WORDS[Layout(layout.value)],
        "answers": ANSWERS[plan.together],
        "seed": seed,
        "plots": len(spots),
        "seeds_per_plot": plan.seeds,
        "depth_cm": depth,
        "bed": bed,
        "calendar": [{"when": t.when, "what": t.what, "plots": list(t.plots)} for t in tasks],
        "power": chances,
        "files": [str(path) for path in files],
        "notes": [*own, *soak_notes],
        "cautions": list(warned),
    }
    _tell(document, json)


def _depth(given: float | None, crop: Crop | None) -> float:
    """Depth asked for, or else the usual one of the crop, as in the other commands."""
    if given is not None:
        return given
    return USUAL_DEPTH_CM if crop is None else crop.usual_depth_cm


def _soak_hours(
    given: float | None, crop: Crop | None, treatments: list[str]
) -> tuple[float, list[str]]:
    """Hours of the soak, and a word where the crop hardly stands so many."""
    from thermosprout.crops.crop import USUAL_SOAK_H

    if given is None:
        return (USUAL_SOAK_H if crop is None else crop.usual_soak_h), []
    if crop is None or given <= crop.safe_soak_h or "soaked" not in treatments:
        return given, []
    told = (
        f"{crop.name} tolerates about {crop.safe_soak_h:g} h of soaking; {given:g} h is likely to "
        "kill some of the seed, and the trial will show that"
    )
    return given, [told]


def _sprout_hours(given: float, crop: Crop | None, room_C: float) -> float:
    from thermosprout.errors import InputError
    from thermosprout.trials.design import sprout_hours

    if given > 0:
        return given
    if crop is None:
        return 72.0
    hours = sprout_hours(crop, room_C)
    if hours is None:
        raise InputError(f"{crop.name} does not sprout at {room_C:g} °C")
    return hours


def _sprout_share(given: float, crop: Crop | None, room_C: float, hours: float) -> float:
    from thermosprout.trials.design import sprouting_share

    if given > 0:
        return given
    return _USUAL_SPROUT_SHARE if crop is None else max(sprouting_share(crop, room_C, hours), 0.05)


def _write(
    plan: Plan, tasks: list[Any], out: Path, bed: dict[str, float], warned: Iterable[str]
) -> list[Path]:
    from thermosprout.cli.output import check_output, picture_bytes, write_output
    from thermosprout.errors import InputError, Place
    from thermosprout.reports.trial_figures import BedSize, layout_figure
    from thermosprout.trials.records.file import format_table
    from thermosprout.trials.records.values import neutral

    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(f"cannot be made ({error.strerror})", place=Place(file=out)) from None
    figure = layout_figure(plan.spots, BedSize(**bed), "Trial bed, drawn to scale")
    rows = [[neutral(t.when), neutral(t.what), " ".join(t.plots)] for t in tasks]
    rows += [[rows[0][0], f"Caution: {text}", ""] for text in warned if rows]
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
    crop: Crop | None,
    soil_C: float,
    depth_cm: float,
    treatments: int,
    varieties: int,
    blocks: int,
    seeds: int,
    every_d: float,
    lost: float,
    simulations: int,
    days: float,
    points: float,
    seed: int,
) -> list[dict[str, Any]]:
    """Power to detect each difference, and the smallest trial with 80 % power."""
    if crop is None or blocks * varieties < 2:
        return []
    import numpy as np

    from thermosprout.cli.output import progress
    from thermosprout.trials.power import SEARCHED, Trial, power, smallest_trial, truths_of

    rng = np.random.default_rng([seed, 4])
    truths = truths_of(crop, soil_C, depth_cm=depth_cm, trials=simulations, seed=seed)
    quick = truths_of(crop, soil_C, depth_cm=depth_cm, trials=min(simulations, 300), seed=seed)
    trial = Trial(
        treatments=treatments, varieties=varieties, blocks=blocks, seeds=seeds, every_d=every_d,
        lost=lost,
    )  # fmt: skip
    targets = [("days", "later_d", days), ("points", "points", points)]
    targets = [item for item in targets if item[2]]
    chances = []
    with progress("Simulated trials", len(targets) * SEARCHED) as done:
        for unit, key, size in targets:
            here = power(trial, truths, rng, **{key: size})
            least = smallest_trial(trial, quick, rng, progress=done, **{key: size})
            chances.append(
                {
                    "difference": size if unit == "days" else 100.0 * size,
                    "unit": unit,
                    "varieties": varieties,
                    "lost_plots": lost,
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


def _tell(document: dict[str, Any], json: bool) -> None:
    from thermosprout.cli.output import note, print_json, say

    if json:
        print_json(document)
        return
    say(
        f"{document['plots']} plots of {document['seeds_per_plot']} seeds, "
        f"{document['depth_cm']:g} cm deep; "
        f"{document['layout_words']} (seed {document['seed']})."
    )
    say(document["answers"])
    say("")
    for task in document["calendar"]:
        plots = task["plots"]
        names = " ".join(plots[:8]) + (f" and {len(plots) - 8} more" if len(plots) > 8 else "")
        say(f"{task['when']}  {task['what']}\n    {names}")
    say("")
    for item in document["power"]:
        say(_chance_words(item))
    if not document["power"]:
        say("Name the crop (--crop) to see what this trial can show.")
    for caution in document["cautions"]:
        say(f"Caution: {caution}")
    for sentence in document["notes"]:
        note(f"{sentence}.")


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


class ClockOption(StrEnum):
    """Clock of the curves."""

    PLANTED = "planted"
    STARTED = "started"
    THERMAL = "thermal"


class Compare(StrEnum):
    """What an analysis compares."""

    TREATMENT = "treatment"
    VARIETY = "variety"
    SEED_LOT = "seed_lot"


def analyse(
    records: opt.RecordsFile = None,
    soil: Annotated[
        Path | None, typer.Option(help="Soil temperature (CSV); adds the thermal-time clock.")
    ] = None,
    crop: Annotated[
        str, typer.Option(help="Crop, for the thermal-time clock's base temperature.")
    ] = "",
    compare: Annotated[
        Compare | None, typer.Option(help="What to compare; treatments by default.")
    ] = None,
    clock: Annotated[
        ClockOption, typer.Option(help="Clock of the curves; thermal needs a temperature.")
    ] = ClockOption.PLANTED,
    plot: Annotated[
        Path | None, typer.Option(help="Write a picture of the curves: .png, .svg or .pdf.")
    ] = None,
    blocks_plot: Annotated[
        Path | None, typer.Option(help="Write a picture of the blocks side by side.")
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
    from thermosprout.cli.output import PICTURES, print_json, require_ending, say, write_figure
    from thermosprout.trials.analysis.analyse import analyse as run
    from thermosprout.trials.records.read import read_records

    for picture in filter(None, (plot, blocks_plot)):
        require_ending(picture, PICTURES)
    logger_zone = opt.records_zone(timezone, opt.season_here(season, say=False))
    records, timezone = opt.records_of(records, season, timezone)
    table = read_records(records, timezone=timezone)
    thermal, said = _thermal(table, soil, crop, logger_zone, json=json)
    result = run(
        table,
        thermal=thermal,
        compare=compare.value if compare else None,
        clock=clock.value,
        seed=seed,
    )
    document = result.to_dict()
    document["warnings"] = [*document["warnings"], *said]
    if json:
        print_json(document)
    else:
        from thermosprout.reports.crop_tables import trial_tables

        say(*trial_tables(document))
    if plot is not None:
        from thermosprout.reports.trial_figures import curves_figure

        write_figure(curves_figure(document), plot, force=force)
    if blocks_plot is not None:
        from thermosprout.reports.trial_figures import blocks_figure
        from thermosprout.trials.records.read import block_steps

        steps = block_steps(table, result.compared)
        write_figure(blocks_figure(steps), blocks_plot, force=force)


def _thermal(
    table: pd.DataFrame, soil: Path | None, crop: str, timezone: str, *, json: bool
) -> tuple[FloatArray | None, list[str]]:
    """Thermal time of every row where a temperature is known, and what was assumed for it."""
    from thermosprout.trials.analysis.timing import thermal_clock

    series = None
    if soil is not None:
        from thermosprout.cli.output import tell
        from thermosprout.soil.readers.logger import read_bridged

        series, sentences = read_bridged(soil, timezone=None if timezone == "UTC" else timezone)
        tell(sentences, json=json)
    return thermal_clock(table, crop, series)


app = typer.Typer(
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
