"""``thermosprout trial``: plan a side-by-side trial, keep its records, read its outcome."""

from __future__ import annotations

import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.help import Sentences
from thermosprout.cli.record import sheet
from thermosprout.cli.trial_design import design

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.arrays import FloatArray

app = typer.Typer(
    cls=Sentences,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Plan a side-by-side trial, check its records, and read what it shows.",
)
app.command()(design)
app.command()(sheet)


class Form(StrEnum):
    """Form of an exported table."""

    NOTEBOOK = "notebook"
    LINES = "lines"


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


@app.command()
def check(
    records: opt.RecordsFile = None,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    json: opt.Json = False,
) -> None:
    """Check every line of the records and say what is there.

    Example: thermosprout trial check trial.csv
    """
    from thermosprout.cli.output import note, print_json, say
    from thermosprout.trials.records.read import load

    records, timezone = opt.records_of(records, season, timezone)
    loaded = load(records, timezone=timezone)
    histories = loaded.histories.values()
    counts = [count for history in histories for count in history.counts]
    days = sorted(count.inspected.day for count in counts if count.inspected)
    waiting = [plot for plot, history in loaded.histories.items() if not history.counts]
    found = {
        "plots": len(loaded.histories),
        "treatments": sorted({h.facts.treatment for h in histories}),
        "varieties": sorted({h.facts.variety for h in histories}),
        "blocks": len({h.facts.block for h in histories}),
        "counts": len(counts),
        "corrected": sum(h.replaced for h in histories),
        "first_inspection": days[0] if days else None,
        "last_inspection": days[-1] if days else None,
        "not_counted_yet": waiting,
        "notes": list(loaded.notes),
    }
    if json:
        print_json(found)
        return
    for sentence in loaded.notes:
        note(sentence)
    span = f", {days[0]} to {days[-1]}" if days else ""
    say(
        f"{records}: in order. {found['plots']} plots in {found['blocks']} blocks, treatments "
        f"{', '.join(found['treatments'])}; {len(counts)} counts{span}."  # type: ignore[arg-type]
    )
    if found["corrected"]:
        say(f"{found['corrected']} counts were replaced by corrections.")
    if waiting:
        say(f"Not counted yet: {', '.join(waiting[:12])}{' ...' if len(waiting) > 12 else ''}")


@app.command("import")
def import_table(
    table: Annotated[
        Path, typer.Argument(help="Notebook table (plots down, days across) or a line per count.")
    ],
    records: Annotated[
        Path | None,
        typer.Argument(metavar="RECORDS", help="Records file to add to, or to begin."),
    ] = None,
    correct: Annotated[
        bool, typer.Option("--correct", help="Replace counts that are there (they are kept).")
    ] = False,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    json: opt.Json = False,
) -> None:
    """Take counts from a notebook table or another records file into the records.

    A new records file is begun where the table also holds the facts of the plots.

    Example: thermosprout trial import notebook.csv trial.csv
    """
    from thermosprout.cli.output import note, print_json, say
    from thermosprout.files import read_text
    from thermosprout.trials.records.append import append_records
    from thermosprout.trials.records.file import parse_table
    from thermosprout.trials.records.notebook import filed_counts, read_notebook

    records, timezone = opt.records_of(records, season, timezone)
    by_line = "emerged" in parse_table(table, read_text(table)).header
    rows = filed_counts(table) if by_line else read_notebook(table, timezone=timezone)
    if records.exists() and not by_line:
        rows = [row for row in rows if "emerged" in row]
    done = append_records(records, rows, timezone=timezone, correct=correct)
    if json:
        print_json(
            {"records": str(records), "added": len(done.added), "already_there": len(done.already)}
        )
        return
    say(f"{len(done.added)} lines added to {records}.")
    if done.already:
        note(f"{len(done.already)} counts were there already.")


@app.command()
def export(
    records: opt.RecordsFile = None,
    form: Annotated[
        Form, typer.Option(help="notebook: plots down, days across; lines: a line per count.")
    ] = (Form.NOTEBOOK),
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File to write; standard output by default.")
    ] = None,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    force: opt.Force = False,
) -> None:
    """Write the records as they stand after corrections; no cell runs in a spreadsheet.

    Example: thermosprout trial export trial.csv --form notebook -o table.csv
    """
    from thermosprout.cli.output import write_output
    from thermosprout.trials.records.notebook import write_lines, write_notebook
    from thermosprout.trials.records.read import load

    records, timezone = opt.records_of(records, season, timezone)
    loaded = load(records, timezone=timezone)
    text = write_notebook(loaded) if form is Form.NOTEBOOK else write_lines(loaded)
    if out is None:
        sys.stdout.write(text)
        return
    write_output(out, text, endings=[".csv"], force=force)


@app.command()
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

    Times are told on both clocks: since the seed was planted and since it was started.

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
    thermal, said = _thermal(table, soil, crop, logger_zone)
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
        from thermosprout.reports.trial_tables import trial_tables

        say(*trial_tables(document))
    if plot is not None:
        from thermosprout.reports.trial_figures import curves_figure

        write_figure(curves_figure(document), plot, force=force)
    if blocks_plot is not None:
        from thermosprout.reports.trial_figures import blocks_figure
        from thermosprout.trials.analysis.curves import block_steps

        steps = block_steps(table, result.compared)
        write_figure(blocks_figure(steps), blocks_plot, force=force)


def _thermal(
    table: pd.DataFrame, soil: Path | None, crop: str, timezone: str
) -> tuple[FloatArray | None, list[str]]:
    """Thermal time of every row where a temperature is known, and what was assumed for it."""
    from thermosprout.trials.analysis.timing import thermal_clock

    series = None
    if soil is not None:
        from thermosprout.cli.output import note
        from thermosprout.soil.readers.logger import read_bridged

        series, sentences = read_bridged(soil, timezone=None if timezone == "UTC" else timezone)
        for sentence in sentences:
            note(sentence)
    return thermal_clock(table, crop, series)
