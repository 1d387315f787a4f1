"""``thermosprout trial``: plan a side-by-side trial, keep its records, read its outcome."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.help import Sentences
from thermosprout.cli.options import RecordsFile, Timezone, ZoneSeason, zone_of
from thermosprout.cli.record import sheet
from thermosprout.cli.trial_design import DesignCommand, design

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.arrays import FloatArray

app = typer.Typer(
    cls=Sentences,
    no_args_is_help=True,
    rich_markup_mode=None,
    help="Plan a side-by-side trial, check its records, and read what it shows.",
)
app.command(cls=DesignCommand)(design)
app.command()(sheet)


class Form(StrEnum):
    """Form of an exported table."""

    WIDE = "wide"
    TIDY = "tidy"


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
    records: RecordsFile, timezone: Timezone = "", season: ZoneSeason = None, json: opt.Json = False
) -> None:
    """Check every line of the records and say what is there.

    Example: thermosprout trial check trial.csv
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.trials.records.read import load

    loaded = load(records, timezone=zone_of(timezone, season, records))
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
    typer.echo(
        f"{records}: in order. {found['plots']} plots in {found['blocks']} blocks, treatments "
        f"{', '.join(found['treatments'])}; {len(counts)} counts{span}."  # type: ignore[arg-type]
    )
    if found["corrected"]:
        typer.echo(f"{found['corrected']} counts were replaced by corrections.")
    if waiting:
        typer.echo(
            f"Not counted yet: {', '.join(waiting[:12])}{' ...' if len(waiting) > 12 else ''}"
        )


@app.command("import")
def import_table(
    table: Annotated[
        Path, typer.Argument(help="Notebook table: plots down, days across; or tidy.")
    ],
    records: Annotated[Path, typer.Argument(help="Records file to add to, or to begin.")],
    correct: Annotated[
        bool, typer.Option("--correct", help="Replace counts that are there (they are kept).")
    ] = False,
    timezone: Timezone = "",
    season: ZoneSeason = None,
    json: opt.Json = False,
) -> None:
    """Take counts from a notebook table or another tidy file into the records.

    A new records file is begun where the table also holds the facts of the plots.

    Example: thermosprout trial import notebook.csv trial.csv
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.files import read_text
    from thermosprout.trials.records.append import append_records, filed_counts
    from thermosprout.trials.records.file import parse_table
    from thermosprout.trials.records.notebook import read_notebook

    timezone = zone_of(timezone, season, records)
    tidy = "emerged" in parse_table(table, read_text(table)).header
    rows = filed_counts(table) if tidy else read_notebook(table, timezone=timezone)
    if records.exists() and not tidy:
        rows = [row for row in rows if "emerged" in row]
    done = append_records(records, rows, timezone=timezone, correct=correct)
    if json:
        print_json(
            {"records": str(records), "added": len(done.added), "already_there": len(done.already)}
        )
        return
    typer.echo(f"{len(done.added)} lines added to {records}.")
    if done.already:
        note(f"{len(done.already)} counts were there already.")


@app.command()
def export(
    records: RecordsFile,
    form: Annotated[
        Form, typer.Option(help="wide: plots down, days across; tidy: line by line.")
    ] = (Form.WIDE),
    out: Annotated[
        Path | None, typer.Option("--out", "-o", help="File to write; standard output by default.")
    ] = None,
    timezone: Timezone = "",
    season: ZoneSeason = None,
) -> None:
    """Write the records as they stand after corrections; no cell runs in a spreadsheet.

    Example: thermosprout trial export trial.csv --form wide -o wide.csv
    """
    from thermosprout.cli.output import note
    from thermosprout.errors import InputError
    from thermosprout.files import write_atomic
    from thermosprout.trials.records.notebook import write_notebook, write_tidy
    from thermosprout.trials.records.read import load

    loaded = load(records, timezone=zone_of(timezone, season, records))
    text = write_notebook(loaded) if form is Form.WIDE else write_tidy(loaded)
    if out is None:
        typer.echo(text, nl=False)
        return
    if out.exists() and out.samefile(records):
        raise InputError("the records themselves are not written over; give another file")
    write_atomic(out, text)
    note(f"Wrote {out}.")


@app.command()
def analyse(
    records: RecordsFile,
    soil: Annotated[
        Path | None, typer.Option(help="Soil temperature (CSV); adds the thermal-time clock.")
    ] = None,
    crop: Annotated[
        str, typer.Option(help="Crop, for its base temperature on the thermal-time clock.")
    ] = "",
    compare: Annotated[
        Compare | None, typer.Option(help="What is compared; treatments by default.")
    ] = None,
    clock: Annotated[
        ClockOption, typer.Option(help="Clock of the curves; thermal needs a temperature.")
    ] = ClockOption.PLANTED,
    plot: Annotated[
        Path | None, typer.Option(help="Write a picture of the curves: .png, .svg or .pdf.")
    ] = None,
    blocks_plot: Annotated[
        Path | None, typer.Option(help="Write a picture of every block beside the others.")
    ] = None,
    timezone: Timezone = "",
    season: ZoneSeason = None,
    seed: Annotated[int, typer.Option(min=0, help="Seed of the random permutations.")] = 1,
    json: opt.Json = False,
) -> None:
    """What the trial shows, what it does not, and how big a difference could still be.

    Times are told on both clocks: since the seed was planted and since it was started.

    Example: thermosprout trial analyse trial.csv --soil soil.csv --plot curves.png
    """
    from thermosprout.cli.output import console, note, print_json
    from thermosprout.trials.analysis.analyse import analyse as run
    from thermosprout.trials.records.read import read_records

    table = read_records(records, timezone=zone_of(timezone, season, records))
    timezone = zone_of(timezone, season)  # of a logger, whose clock is not that of the plots
    thermal, said = _thermal(table, soil, crop, timezone)
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

        out = console()
        for item in trial_tables(document):
            out.print(item)
    if plot is not None or blocks_plot is not None:
        from thermosprout.reports.style import save_figure
        from thermosprout.reports.trial_figures import blocks_figure, curves_figure
        from thermosprout.trials.analysis.curves import block_steps

        if plot is not None:
            save_figure(curves_figure(document), plot)
            note(f"Wrote {plot}")
        if blocks_plot is not None:
            save_figure(blocks_figure(block_steps(table, result.compared)), blocks_plot)
            note(f"Wrote {blocks_plot}")


def _thermal(
    table: pd.DataFrame, soil: Path | None, crop: str, timezone: str
) -> tuple[FloatArray | None, list[str]]:
    """Thermal time of every row where a temperature is known, and what was assumed for it."""
    from thermosprout.trials.analysis.intervals import thermal_clock

    series = None
    if soil is not None:
        from thermosprout.cli.output import note
        from thermosprout.soil.readers.logger import read_bridged

        series, sentences = read_bridged(soil, timezone=None if timezone == "UTC" else timezone)
        for sentence in sentences:
            note(sentence)
    return thermal_clock(table, crop, series)
