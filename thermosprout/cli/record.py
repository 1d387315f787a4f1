"""Records: ``record`` a count, and ``trial sheet``, ``check``, ``import`` and ``export``."""

from __future__ import annotations

import os
import sys
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from thermosprout.cli import options as opt

if TYPE_CHECKING:
    from thermosprout.trials.records.append import Appended

_SHOWN = 24


def record(
    records: Annotated[
        Path | None,
        typer.Argument(
            metavar="RECORDS.csv", help="Records file; the one the season names by default."
        ),
    ] = None,
    counts: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="PLOT=COUNT",
            help="Seedlings counted so far, as A1=5; plots alone for --harvest or --planted.",
        ),
    ] = None,
    on: Annotated[
        str, opt.moment("--on", help="Day of the inspection, as 2026-05-03; today by default.")
    ] = "",
    source: Annotated[
        Path | None,
        typer.Option("--from", help="Counts from a CSV file: plot, inspected, emerged."),
    ] = None,
    correct: Annotated[
        bool, typer.Option("--correct", help="Replace a count (the old one is kept).")
    ] = False,
    harvest: Annotated[
        bool, typer.Option("--harvest", help="These plots gave their first harvest that day.")
    ] = False,
    planted: Annotated[
        str, opt.moment("--planted", help="These plots were planted on this day, not as planned.")
    ] = "",
    started: Annotated[
        str, opt.moment("--started", help="Their seed was started on this day, not as planned.")
    ] = "",
    note: Annotated[str, typer.Option(help="A note for all counts.")] = "",
    observer: Annotated[str, typer.Option(help="Who counted.")] = "",
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    json: opt.Json = False,
) -> None:
    """Record counts: all seedlings that have come up so far, with those that died since.

    Nothing typed is overwritten: a correction is a new line. All counts of one call are written,
    or none; when the command says so, they are on the disk.

    The first count of a row takes the facts of the row from the season file.

    Example: thermosprout record trial.csv A1=40 A2=35 --on 2026-06-02
    """
    from thermosprout.cli.output import note as tell
    from thermosprout.trials.records.append import append_records
    from thermosprout.trials.records.notebook import filed_counts

    named = season is not None
    season = opt.season_here(season)
    words = counts or []
    if records is not None and records.suffix.lower() != ".csv" and not records.is_file():
        # No file is named: what stands first is a count, or a plot.
        words, records = [str(records), *words], None
    own = None if season is None else opt.season_words(season)[1]
    records = opt.require_records(records, season)
    timezone = opt.records_zone(timezone, season, records)
    linked = own is not None and own.absolute() == records.absolute()
    if not named and not linked:
        season = None  # the season here is not about these records
    day = _day(on, timezone)
    if harvest or planted or started:
        rows = _facts(words, day if harvest else "", planted, started, source)
    elif source is not None:
        rows = filed_counts(source, day if on else "")
        _nothing_typed(words)
    else:
        rows = _typed(words, day)
    rows, said = _begun(records, rows, season, own=linked)
    extra = {name: text for name, text in (("note", note), ("observer", observer)) if text}
    done = append_records(
        records, [{**row, **extra} for row in rows], timezone=timezone, correct=correct
    )
    try:
        _report(done, records, said, typed=source is None, json=json)
        sys.stdout.flush()
    except OSError as error:  # the counts are on the disk, whatever became of the screen
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        tell(f"Recorded, but it cannot be shown here ({error.strerror}).")


def _report(done: Appended, records: Path, said: list[str], *, typed: bool, json: bool) -> None:
    """Say what was recorded."""
    from dataclasses import asdict

    from thermosprout.cli.output import note as tell
    from thermosprout.cli.output import print_json, say

    if json:
        print_json(
            {
                "records": str(records),
                "recorded": [asdict(item) for item in done.added],
                "already_there": list(done.already),
                "set_aside": done.set_aside or None,
                "notes": said,
            }
        )
        return
    for sentence in said:
        tell(sentence)
    if done.set_aside:
        tell(f"An unfinished line of a stopped writer was moved to {records.name}.unfinished.")
    say(_summary(len(done.added), sum(item.corrects for item in done.added)))
    for item in done.added:
        if item.corrects:
            say(f"  {item.plot} on {item.inspected}: {item.before} -> {item.emerged}")
    for text in done.nothing_to_correct if typed else ():
        tell(f"There was no count of {text} to correct: recorded as a new one.")
    if done.already:
        tell(_already(done.already))


def _already(plots: tuple[str, ...]) -> str:
    """Counts that were there, told as their number and each plot once."""
    names = list(dict.fromkeys(plots))
    shown = ", ".join(names[:_SHOWN])
    more = f" and {len(names) - _SHOWN} more plots" if len(names) > _SHOWN else ""
    counts = "1 count" if len(plots) == 1 else f"{len(plots)} counts"
    return f"There already, not written again: {counts} of {shown}{more}."


def _begun(
    records: Path, rows: list[dict[str, str]], season: Path | None, *, own: bool
) -> tuple[list[dict[str, str]], list[str]]:
    """Rows with the facts of the season's rows where they are counted first, and what was said.

    A count of a row that was counted before is written without reading the season: ``own`` says
    that the season names the records file.
    """
    from thermosprout.season.counts import counted_before, require_there, with_facts

    if season is None:
        require_there(records, rows)
        return rows, []
    if own and counted_before(records, rows):
        return rows, []
    from thermosprout.season.load import load_season

    ready = with_facts(load_season(season), records, rows)
    return ready.rows, list(ready.notes)


def _summary(added: int, corrected: int) -> str:
    lines = f"{added} line{'' if added == 1 else 's'} recorded"
    return f"{lines}, {corrected} of them as corrections." if corrected else f"{lines}."


def _typed(words: list[str], day: str) -> list[dict[str, str]]:
    from thermosprout.errors import InputError
    from thermosprout.trials.records.notebook import typed_counts

    if not words:
        raise InputError(
            "nothing to record", hint="give counts, such as A1=5, or a file with --from"
        )
    return typed_counts(words, day)


def _nothing_typed(words: list[str]) -> None:
    from thermosprout.errors import InputError

    if words:
        raise InputError(f"give counts or a file, not both: found {words[0]!r} beside --from")


def _facts(
    words: list[str], harvest: str, planted: str, started: str, source: Path | None
) -> list[dict[str, str]]:
    from thermosprout.errors import InputError

    if source is not None or any("=" in word for word in words):
        raise InputError(
            "a harvest or a date of planting goes with names of plots, not with counts"
        )
    if not words:
        raise InputError("name the plots, such as A1 A2")
    told = {"first_harvest": harvest, "planted": planted, "started": started}
    return [{"plot": w, **{name: text for name, text in told.items() if text}} for w in words]


def _day(text: str, timezone: str) -> str:
    """Day or instant of the option, checked; today where nothing is said."""
    from datetime import UTC, datetime, timedelta

    from thermosprout.errors import InputError
    from thermosprout.trials.records.values import read_moment, zone

    tz = zone(timezone)
    now = datetime.now(UTC)
    if not text:
        return now.astimezone(tz).date().isoformat()
    moment = read_moment(text, tz)
    if moment.day > now.astimezone(tz).date() + timedelta(days=1):
        raise InputError(f"{text} lies ahead, and nothing can be counted before it is there")
    return text


def sheet(
    records: opt.RecordsFile = None,
    out: Annotated[
        Path | None,
        typer.Option("--out", "-o", help="Page to write; beside the records by default."),
    ] = None,
    title: Annotated[
        str, typer.Option(help="Name of the trial; the file's or folder's by default.")
    ] = "",
    blind: Annotated[bool, typer.Option("--blind", help="Hide treatments and varieties.")] = False,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    force: opt.Force = False,
    json: opt.Json = False,
) -> None:
    """Make a trial's record sheet: buttons to tap on a phone without signal, a table on paper.

    Send the page to the phone and open it there; it keeps the counts until they are exported as
    a CSV file, which `record --from` adds to the records. Printed, it is a sheet for pencil.

    Example: thermosprout trial sheet trial.csv -o sheet.html
    """
    from thermosprout.cli.output import PAGES, note, print_json, require_ending, write_output
    from thermosprout.errors import InputError, Place
    from thermosprout.reports.pages import record_sheet, sheet_of
    from thermosprout.trials.records.read import load

    records, timezone = opt.records_of(records, season, timezone)
    loaded = load(records, timezone=timezone)
    if not loaded.histories:
        raise InputError("there is no plot in the records", place=Place(file=records))
    target = out or records.with_name(f"{records.stem}-sheet.html")
    require_ending(target, PAGES)
    # A plan made by `trial design` lies in a folder that has the trial's name.
    own = records.resolve().parent.name if records.stem == "records" else records.stem
    page = record_sheet(sheet_of(loaded.histories, title=title or own, blind=blind))
    write_output(target, page, force=force)
    for sentence in loaded.notes:
        note(sentence)
    if json:
        print_json(
            {"page": str(target), "plots": len(loaded.histories), "bytes": len(page.encode())}
        )


class Form(StrEnum):
    """Form of an exported table."""

    NOTEBOOK = "notebook"
    LINES = "lines"


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
    from thermosprout.errors import InputError, Place
    from thermosprout.files import read_text
    from thermosprout.trials.records.append import append_records
    from thermosprout.trials.records.file import parse_table
    from thermosprout.trials.records.notebook import filed_counts, read_notebook

    records, timezone = opt.records_of(records, season, timezone)
    by_line = "emerged" in parse_table(table, read_text(table)).header
    rows = filed_counts(table) if by_line else read_notebook(table, timezone=timezone)
    if not records.exists() and not all(row.get("treatment") for row in rows):
        raise InputError(
            f"{records} is not there, and this table lacks the treatment that a new one needs",
            place=Place(file=table),
            hint="`thermosprout trial design` lays out a trial and its records file",
        )
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
    """Write the records as they stand after corrections, safe to open in a spreadsheet.

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
