"""Records: ``record`` a count, and ``trial sheet``, ``check``, ``import`` and ``export``."""

from __future__ import annotations

import os
import sys
from dataclasses import asdict
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Literal

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.output import PAGES, print_json, say, write_output
from thermosprout.cli.output import note as tell
from thermosprout.errors import InputError, Place
from thermosprout.files import read_text
from thermosprout.season.counts import counted_before, require_there, with_facts
from thermosprout.trials.records import notebook
from thermosprout.trials.records.append import Appended, append_records
from thermosprout.trials.records.file import parse_table
from thermosprout.trials.records.read import load
from thermosprout.trials.records.values import read_moment, zone

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
            help="Seedlings up so far, such as A1=5; plots alone for --harvest or --planted.",
        ),
    ] = None,
    on: Annotated[
        str, opt.moment(help="Day of the inspection, such as 2026-05-03; today by default.")
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
        str, opt.moment(help="These plots were planted on this day, not as planned.")
    ] = "",
    started: Annotated[
        str, opt.moment(help="Their seed was started on this day, not as planned.")
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
    explicit = season is not None
    season = opt.season_here(season)
    words = counts or []
    if records is not None and records.suffix.lower() != ".csv" and not records.is_file():
        # No file is named: what stands first is a count, or a plot.
        words, records = [str(records), *words], None
    own = None if season is None else opt.season_words(season)[1]
    records = opt.require_records(records, season)
    timezone = opt.records_zone(timezone, season, records)
    linked = own is not None and own.absolute() == records.absolute()
    if not explicit and not linked:
        season = None  # the season here is not about these records
    day = _day(on, timezone)
    facts = {"first_harvest": day if harvest else "", "planted": planted, "started": started}
    if any(facts.values()):
        rows = _facts(words, facts, source)
    else:
        rows = _counts(words, day, source, filed_day=day if on else "")
    rows, remarks = _with_facts(records, rows, season, own=linked)
    extra = {name: text for name, text in (("note", note), ("observer", observer)) if text}
    outcome = append_records(
        records, [{**row, **extra} for row in rows], timezone=timezone, correct=correct
    )
    try:
        _report(outcome, records, remarks, by_hand=source is None, json=json)
        sys.stdout.flush()
    except OSError as error:  # the counts are on the disk, whatever became of the screen
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        tell(f"Recorded, but it cannot be shown here ({error.strerror}).")


def _report(
    outcome: Appended, records: Path, remarks: list[str], *, by_hand: bool, json: bool
) -> None:
    """Say what was recorded."""
    if json:
        print_json(
            {
                "records": str(records),
                "recorded": [asdict(item) for item in outcome.added],
                "already_there": list(outcome.already),
                "set_aside": outcome.set_aside or None,
                "notes": remarks,
            }
        )
        return
    for sentence in remarks:
        tell(sentence)
    if outcome.set_aside:
        tell(f"An unfinished line of a stopped writer was moved to {records.name}.unfinished.")
    corrected = [item for item in outcome.added if item.corrects]
    lines = f"{len(outcome.added)} line{'' if len(outcome.added) == 1 else 's'} recorded"
    say(f"{lines}, {len(corrected)} of them as corrections." if corrected else f"{lines}.")
    for item in corrected:
        say(f"  {item.plot} on {item.inspected}: {item.before} -> {item.emerged}")
    for text in outcome.nothing_to_correct if by_hand else ():
        tell(f"There was no count of {text} to correct: recorded as a new one.")
    if outcome.already:
        tell(_already(outcome.already))


def _already(plots: tuple[str, ...]) -> str:
    """Counts that were there, told as their number and each plot once."""
    names = list(dict.fromkeys(plots))
    listing = ", ".join(names[:_SHOWN])
    more = f" and {len(names) - _SHOWN} more plots" if len(names) > _SHOWN else ""
    counts = "1 count" if len(plots) == 1 else f"{len(plots)} counts"
    return f"There already, not written again: {counts} of {listing}{more}."


def _with_facts(
    records: Path, rows: list[dict[str, str]], season: Path | None, *, own: bool
) -> tuple[list[dict[str, str]], list[str]]:
    """Rows with the facts of the season's rows where they are counted first, and what to say.

    A count of a row that was counted before is written without reading the season: ``own`` says
    that the season names the records file.
    """
    if season is None:
        require_there(records, rows)
    elif not (own and counted_before(records, rows)):
        from thermosprout.season.load import load_season

        ready = with_facts(load_season(season), records, rows)
        return ready.rows, list(ready.notes)
    return rows, []


def _counts(
    words: list[str], day: str, source: Path | None, *, filed_day: str
) -> list[dict[str, str]]:
    """Counts that were typed, or those of a file."""
    if source is None:
        if not words:
            raise InputError(
                "nothing to record", hint="give counts, such as A1=5, or a file with --from"
            )
        return notebook.typed_counts(words, day)
    rows = notebook.filed_counts(source, filed_day)
    if words:
        raise InputError(f"give counts or a file, not both: found {words[0]!r} beside --from")
    return rows


def _facts(words: list[str], facts: dict[str, str], source: Path | None) -> list[dict[str, str]]:
    if source is not None or any("=" in word for word in words):
        raise InputError(
            "a harvest or a date of planting goes with names of plots, not with counts"
        )
    if not words:
        raise InputError("name the plots, such as A1 A2")
    return [{"plot": w, **{name: text for name, text in facts.items() if text}} for w in words]


def _day(text: str, timezone: str) -> str:
    """Day or instant of the option, checked; today where nothing is said."""
    tz = zone(timezone)
    now = datetime.now(UTC)
    if not text:
        return now.astimezone(tz).date().isoformat()
    moment = read_moment(text, tz)
    if moment.day > now.astimezone(tz).date() + timedelta(days=1):
        raise InputError(f"--on {text} lies ahead; counts are of today or of days before")
    return text


def sheet(
    records: opt.RecordsFile = None,
    out: Annotated[
        Path | None,
        opt.output(*PAGES, "--out", "-o", help="Page to write; beside the records by default."),
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
    from thermosprout.reports.pages import record_sheet, sheet_of

    records, timezone = opt.records_of(records, season, timezone)
    book = load(records, timezone=timezone)
    if not book.histories:
        raise InputError("there is no plot in the records", place=Place(file=records))
    target = out or records.with_name(f"{records.stem}-sheet.html")
    # A plan made by `trial design` lies in a folder that has the trial's name.
    own = records.resolve().parent.name if records.stem == "records" else records.stem
    page = record_sheet(sheet_of(book.histories, title=title or own, blind=blind))
    write_output(target, page, force=force)
    for sentence in book.notes:
        tell(sentence)
    if json:
        print_json({"page": str(target), "plots": len(book.histories), "bytes": len(page.encode())})


def check(
    records: opt.RecordsFile = None,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    json: opt.Json = False,
) -> None:
    """Check every line of the records and say what is there.

    Example: thermosprout trial check trial.csv
    """
    records, timezone = opt.records_of(records, season, timezone)
    book = load(records, timezone=timezone)
    histories = book.histories.values()
    counts = [count for history in histories for count in history.counts]
    days = sorted(count.inspected.day for count in counts if count.inspected)
    waiting = [plot for plot, history in book.histories.items() if not history.counts]
    summary = {
        "plots": len(book.histories),
        "treatments": sorted({h.facts.treatment for h in histories}),
        "varieties": sorted({h.facts.variety for h in histories}),
        "blocks": len({h.facts.block for h in histories}),
        "counts": len(counts),
        "corrected": sum(h.replaced for h in histories),
        "first_inspection": days[0] if days else None,
        "last_inspection": days[-1] if days else None,
        "not_counted_yet": waiting,
        "notes": list(book.notes),
    }
    if json:
        print_json(summary)
        return
    for sentence in book.notes:
        tell(sentence)
    span = f", {days[0]} to {days[-1]}" if days else ""
    say(
        f"{records}: in order. {summary['plots']} plots in {summary['blocks']} blocks, treatments "
        f"{', '.join(summary['treatments'])}; {len(counts)} counts{span}."  # type: ignore[arg-type]
    )
    if summary["corrected"]:
        say(f"{summary['corrected']} counts were replaced by corrections.")
    if waiting:
        say(f"Not counted yet: {', '.join(waiting[:12])}{' ...' if len(waiting) > 12 else ''}")


def import_table(
    table: Annotated[
        Path, typer.Argument(help="Notebook table (plots down, days across) or a line per count.")
    ],
    records: Annotated[
        Path | None, typer.Argument(metavar="RECORDS", help="Records file to add to, or to begin.")
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
    records, timezone = opt.records_of(records, season, timezone)
    by_line = "emerged" in parse_table(table, read_text(table)).header
    rows = (
        notebook.filed_counts(table)
        if by_line
        else notebook.read_notebook(table, timezone=timezone)
    )
    if not records.exists() and not all(row.get("treatment") for row in rows):
        raise InputError(
            f"{records} is not there, and this table lacks the treatment that a new one needs",
            place=Place(file=table),
            hint="`thermosprout trial design` lays out a trial and its records file",
        )
    if records.exists() and not by_line:
        rows = [row for row in rows if "emerged" in row]
    outcome = append_records(records, rows, timezone=timezone, correct=correct)
    if json:
        print_json(
            {
                "records": str(records),
                "added": len(outcome.added),
                "already_there": len(outcome.already),
            }
        )
        return
    say(f"{len(outcome.added)} lines added to {records}.")
    if outcome.already:
        tell(f"{len(outcome.already)} counts were there already.")


def export(
    records: opt.RecordsFile = None,
    form: Annotated[
        Literal["notebook", "lines"],
        typer.Option(help="notebook: plots down, days across; lines: a line per count."),
    ] = "notebook",
    out: Annotated[
        Path | None,
        opt.output(".csv", "--out", "-o", help="File to write; standard output by default."),
    ] = None,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    force: opt.Force = False,
) -> None:
    """Write the records as they stand after corrections, safe to open in a spreadsheet.

    Example: thermosprout trial export trial.csv --form notebook -o table.csv
    """
    records, timezone = opt.records_of(records, season, timezone)
    book = load(records, timezone=timezone)
    text = notebook.write_notebook(book) if form == "notebook" else notebook.write_lines(book)
    if out is None:
        sys.stdout.write(text)
        return
    write_output(out, text, force=force)
