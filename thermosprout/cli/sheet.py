"""``thermosprout trial sheet``: the record sheet of a trial, for a phone and for pencil."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.trial_options import RecordsFile, SeasonFile, Timezone, zone_of


def sheet(
    records: RecordsFile,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Page to write; beside the records by default."),
    ] = None,
    title: Annotated[
        str, typer.Option(help="Name of the trial; the file's or folder's by default.")
    ] = "",
    blind: Annotated[
        bool, typer.Option("--blind", help="Leave treatments and varieties out of sight.")
    ] = False,
    timezone: Timezone = "",
    season: SeasonFile = None,
    json: opt.Json = False,
) -> None:
    """Make a trial's record sheet: buttons to tap on a phone without signal, a table on paper.

    Send the page to the phone and open it there; it keeps the counts until they are exported as
    a CSV file, which `record --from` adds to the records. Printed, it is a sheet for pencil.

    Example: thermosprout trial sheet trial.csv -o sheet.html
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.errors import InputError, Place
    from thermosprout.files import write_atomic
    from thermosprout.reports.record_sheet import record_sheet, sheet_of
    from thermosprout.trials.records.read import load

    loaded = load(records, timezone=zone_of(timezone, season, records))
    if not loaded.histories:
        raise InputError("there is no plot in the records", place=Place(file=records))
    target = out or records.with_name(f"{records.stem}-sheet.html")
    if target.suffix.lower() not in {".html", ".htm"}:
        raise InputError(f"a page ends in .html, found {target.name!r}")
    # A plan made by `trial design` lies in a folder that has the trial's name.
    own = records.resolve().parent.name if records.stem == "records" else records.stem
    page = record_sheet(sheet_of(loaded.histories, title=title or own, blind=blind))
    write_atomic(target, page)
    for sentence in loaded.notes:
        note(sentence)
    if json:
        print_json(
            {"page": str(target), "plots": len(loaded.histories), "bytes": len(page.encode())}
        )
    else:
        note(f"Wrote {target}: {len(loaded.histories)} plots.")
