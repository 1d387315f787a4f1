"""The season's commands: demo, start, forecast, week, report, method."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt
from thermosprout.quantities import Units

if TYPE_CHECKING:
    from thermosprout.reports.season_page import TrialReport


def forecast(
    season: opt.Season,
    as_of: opt.AsOf = "",
    row: Annotated[list[str] | None, typer.Option(help="Only this row; can be repeated.")] = None,
    plot: opt.Plot = None,
    units: opt.UnitsShown = Units.METRIC,
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """When each row shows, how full it stands, and until when to wait.

    Example: thermosprout forecast season.toml --as-of 2026-05-08 --plot rows.png
    """
    from thermosprout.cli.output import console, note, print_json, progress
    from thermosprout.dates import today
    from thermosprout.season.forecast import forecast_season
    from thermosprout.season.load import load_season

    loaded = load_season(season)
    for name in row or ():
        loaded.require_row(name)
    as_seen = today(as_of, loaded.data.site.zone)
    with progress("Forecasting rows", len(row or loaded.data.rows)) as tick:
        result = forecast_season(
            loaded, as_of=as_seen, size=draws, seed=seed, offline=offline,
            only=frozenset(row) if row else None, tick=tick,
        )  # fmt: skip
    document = result.to_dict()
    for sentence in result.notes:
        note(sentence)
    if json:
        print_json(document)
    else:
        from thermosprout.reports.forecast_tables import forecast_tables

        out = console()
        for item in forecast_tables(document, units, out.width):
            out.print(item)
    if plot is not None:
        from thermosprout.reports.forecast_figures import forecast_figure
        from thermosprout.reports.style import save_figure
        from thermosprout.season.curves import emergence_curves

        save_figure(forecast_figure(emergence_curves(result), units), plot)
        note(f"Wrote {plot}")


DEMO_DAY = "2026-05-20"
"""Day taken as today in the invented season."""

_LEFT_OUT = {
    "make_demo.py",
    "make_trial.py",
    "model_trial.py",
    "make_pictures.py",
    "pictures",
    "__pycache__",
}


def demo(
    folder: Annotated[
        Path, typer.Argument(help="Folder to write the invented season to; made if absent.")
    ] = Path("thermosprout-demo"),
    plot: Annotated[bool, typer.Option(help="Draw the picture rows.png as well.")] = True,
) -> None:
    """Write an invented season into a folder and forecast it, without a network.

    Example: thermosprout demo
    """
    from thermosprout.cli.output import note
    from thermosprout.quantities import Units

    write_demo(folder)
    note(f"Wrote the invented season to {folder} (invented place, weather, rows and counts).")
    forecast(
        season=folder / "season.toml",
        as_of=DEMO_DAY,
        row=None,
        plot=folder / "rows.png" if plot else None,
        units=Units.METRIC,
        draws=1000,
        seed=0,
        offline=True,
        json=False,
    )


def write_demo(folder: Path) -> None:
    """Copy the demo's files into a folder; a file that is there already is left as it is.

    Raises
    ------
    InputError
        When a file of that name and other content is there, or the folder cannot be made.
    """
    from thermosprout.errors import InputError, Place
    from thermosprout.files import write_atomic
    from thermosprout.reference import demo_folder

    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", place=Place(file=folder)
        ) from None
    for source in sorted(demo_folder().iterdir()):
        if source.name in _LEFT_OUT:
            continue
        content = source.read_bytes()
        target = folder / source.name
        if target.exists():
            if target.read_bytes() != content:
                raise InputError(
                    "this file is there already and differs from the demo's",
                    place=Place(file=target),
                    hint="name another folder",
                )
            continue
        write_atomic(target, content)


def report(
    season: opt.Season,
    out: Annotated[Path, typer.Option("--out", "-o", help="Page to write (HTML).")] = Path(
        "season.html"
    ),
    as_of: opt.AsOf = "",
    trial: Annotated[
        list[Path] | None,
        typer.Option(help="Records of a trial to show with its verdict; can be repeated."),
    ] = None,
    units: Annotated[Units, typer.Option(help="Units shown first.")] = Units.METRIC,
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """Make the season page: what to do this week, every row with its picture, the trials.

    The page is one file that works without a network, on a phone and on paper.

    Example: thermosprout report season.toml --as-of 2026-05-08 -o season.html
    """
    from thermosprout import __version__
    from thermosprout.cli.output import note, print_json, progress
    from thermosprout.dates import today
    from thermosprout.errors import InputError
    from thermosprout.files import write_atomic
    from thermosprout.planning.evidence import evidence_name, lot_words, season_evidence
    from thermosprout.planning.this_week import this_week
    from thermosprout.reports.season_page import SeasonReport, season_page
    from thermosprout.season.curves import emergence_curves
    from thermosprout.season.forecast import forecast_season
    from thermosprout.season.load import load_season

    if out.suffix.lower() not in {".html", ".htm"}:
        raise InputError(f"a page ends in .html, found {out.name!r}")
    loaded = load_season(season)
    as_seen = today(as_of, loaded.data.site.zone)
    with progress("Forecasting rows", len(loaded.data.rows)) as tick:
        result = forecast_season(
            loaded, as_of=as_seen, size=draws, seed=seed, offline=offline, tick=tick
        )
    week = this_week(result)
    page = season_page(
        SeasonReport(
            title=loaded.data.title or loaded.data.site.name,
            document=_without_folder(result.to_dict(), loaded.path),
            curves=emergence_curves(result),
            week=week,
            evidence=season_evidence(result),
            row_evidence=[evidence_name(answer) for answer in result.rows],
            row_lots=[lot_words(loaded.row_lot(answer.row)) for answer in result.rows],
            trials=_trials(tuple(trial or ()), loaded.data.site.timezone),
            made=f"Made by thermosprout {__version__} from {season.name}.",
            units=units,
        )
    )
    write_atomic(out, page)
    for sentence in result.notes:
        note(sentence)
    if json:
        print_json({"page": str(out), "bytes": len(page.encode()), **week.to_dict()})
    else:
        note(f"Wrote {out}: {len(result.rows)} rows, {len(page.encode()) / 1e6:.2f} MB.")


def week(
    season: opt.Season,
    as_of: opt.AsOf = "",
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """Tell what to do this week: start soaking, look at sprouts, plant, expect, stop waiting.

    Example: thermosprout week season.toml --as-of 2026-05-12
    """
    from thermosprout.cli.output import console, note, print_json, progress
    from thermosprout.dates import today
    from thermosprout.planning.this_week import this_week
    from thermosprout.reports.forecast_tables import week_table
    from thermosprout.season.forecast import forecast_season
    from thermosprout.season.load import load_season

    loaded = load_season(season)
    as_seen = today(as_of, loaded.data.site.zone)
    with progress("Forecasting rows", len(loaded.data.rows)) as tick:
        result = forecast_season(
            loaded, as_of=as_seen, size=draws, seed=seed, offline=offline, tick=tick
        )
    for sentence in result.notes:
        note(sentence)
    found = this_week(result)
    if json:
        print_json(found.to_dict())
        return
    out = console()
    for item in week_table(found):
        out.print(item)


def method() -> None:
    """Tell why the dates are what they are, with sources.

    Example: thermosprout method
    """
    from rich.markdown import Markdown

    from thermosprout.cli.output import console
    from thermosprout.reports.html import method_text

    out = console()
    out.print(Markdown(method_text()), width=min(out.width, 88))


def _without_folder(document: dict[str, Any], season: Path) -> dict[str, Any]:
    """Name files as the season does: where they lie is nobody's business who gets the page."""
    folders = {f"{season.parent}/", f"{season.resolve().parent}/"} - {"./", "/"}
    notes = [str(text) for text in document["notes"]]
    for folder in sorted(folders, key=len, reverse=True):
        notes = [text.replace(folder, "") for text in notes]
    return {**document, "notes": notes}


def _trials(paths: tuple[Path, ...], timezone: str) -> list[TrialReport]:
    """Analyse each trial on its own."""
    from thermosprout.reports.season_page import TrialReport
    from thermosprout.trials.analysis.analyse import analyse
    from thermosprout.trials.records.read import read_records

    return [
        TrialReport(
            title=path.stem, result=analyse(read_records(path, timezone=timezone)).to_dict()
        )
        for path in paths
    ]
