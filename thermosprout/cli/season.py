"""The season's commands: demo, start, forecast, week, report, method."""

from __future__ import annotations

import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, TypeVar

import typer

from thermosprout.cli import options as opt
from thermosprout.quantities import Units

if TYPE_CHECKING:
    from thermosprout.reports.season_page import TrialReport
    from thermosprout.season.forecast import SeasonForecast
    from thermosprout.season.write import NewRow, NewSeason


@opt.asks(
    "season", "crop", "lot", "reading", "soil", "at", "timezone", "surface", "depth_cm", "dry_bed",
    "germination", "seeds_tested", "as_of", "offline", "draws", "seed", "force", "units", "json",
)  # fmt: skip
def forecast(
    sowing: opt.Sowing,
    row: Annotated[
        list[str] | None, typer.Option(help="Only this row; repeat for several.")
    ] = None,
    date: Annotated[
        str, opt.day("--date", help="With --crop or --lot: day of planting; today by default.")
    ] = "",
    treatment: Annotated[
        opt.TreatmentName, typer.Option(help="With --crop or --lot: how the seed is handled.")
    ] = opt.TreatmentName.DIRECT,
    plot: opt.Plot = None,
) -> None:
    """When each row comes up, how full it will stand, and how long to wait for it.

    With --crop or --lot it forecasts that sowing alone, also where there is no season file.

    Example: thermosprout forecast season.toml --as-of 2026-05-08 --plot rows.png
    """
    from thermosprout.cli.output import PICTURES, console, print_json, require_ending, write_figure

    if plot is not None:
        require_ending(plot, PICTURES)
    if sowing.crop or sowing.lot:
        result = _one_row(sowing, date, treatment.value, row)
    else:
        _refuse_facts(sowing, date)
        result = _forecast(
            sowing.season, sowing.as_of, sowing.draws, sowing.seed, offline=sowing.offline,
            rows=row or (), json=sowing.json,
        )  # fmt: skip
    document = result.to_dict()
    if sowing.json:
        print_json(document)
    else:
        from thermosprout.reports.forecast_tables import forecast_tables

        out = console()
        for item in forecast_tables(document, sowing.units, out.width):
            out.print(item)
    if plot is not None:
        from thermosprout.reports.forecast_figures import forecast_figure
        from thermosprout.season.forecast import emergence_curves

        figure = forecast_figure(emergence_curves(result), sowing.units)
        write_figure(figure, plot, force=sowing.force)


def _one_row(
    sowing: opt.Sowing, date: str, treatment: str, rows: Sequence[str] | None
) -> SeasonForecast:
    """Forecast of one sowing that the options name."""
    from datetime import date as day

    from thermosprout.cli.output import tell
    from thermosprout.dates import read_day
    from thermosprout.errors import InputError
    from thermosprout.season.forecast import forecast_rows
    from thermosprout.season.write import usual_hours

    if rows:
        raise InputError("--row is of a season file and --crop or --lot of a sowing by itself")
    handled = {"soaked": "soak_h", "presprouted": "sprout_h"}.get(treatment)
    facts: dict[str, Any] = {
        "planted": read_day(date, what="--date") if date else day.today(),
        "treatment": treatment,
    }
    if handled and sowing.crop:
        facts[handled] = usual_hours(sowing.crop, treatment)
    context, _ = sowing.open(row=facts)
    result = forecast_rows(context)
    tell(result.notes, json=sowing.json)
    return result


def _refuse_facts(sowing: opt.Sowing, date: str) -> None:
    """Facts of one sowing say nothing of the rows of a season."""
    from thermosprout.errors import InputError

    for option, value in (
        ("--date", date), ("--at", sowing.at), ("--reading", sowing.reading),
        ("--soil", sowing.soil), ("--depth-cm", sowing.depth_cm),
        ("--dry-bed", sowing.dry_bed or None), ("--germination", sowing.germination),
    ):  # fmt: skip
        if value not in (None, ""):
            raise InputError(f"{option} asks about one sowing", hint="add --crop, such as carrot")


def _forecast(
    path: Path | None,
    as_of: str,
    draws: int,
    seed: int,
    *,
    offline: bool,
    json: bool,
    rows: Sequence[str] = (),
) -> SeasonForecast:
    """Forecast of a season, with what is to be said of its files on standard error."""
    from thermosprout.cli.output import progress, tell
    from thermosprout.dates import today
    from thermosprout.season.forecast import forecast_season
    from thermosprout.season.load import load_season

    season = load_season(opt.require_season(path))
    for name in rows:
        season.require_row(name)
    now = today(as_of, season.data.site.zone)
    with progress("Rows", len(rows or season.data.rows)) as tick:
        result = forecast_season(
            season, as_of=now, size=draws, seed=seed, offline=offline,
            only=frozenset(rows) or None, tick=tick,
        )  # fmt: skip
    tell(result.notes, json=json)
    return result


DEMO_DAY = "2026-05-20"
DEMO_TRIALS = ("trial.csv", "trial_beetroot.csv", "trial_corn.csv")
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
        Path,
        typer.Argument(metavar="DIR", help="Folder for the invented season; made if absent."),
    ] = Path("thermosprout-demo"),
    plot: Annotated[bool, typer.Option("--plot/--no-plot", help="Draw rows.png as well.")] = True,
) -> None:
    """Write an invented season into a folder and forecast it, without a network.

    Example: thermosprout demo
    """
    from thermosprout.cli.output import note, say

    write_demo(folder)
    note(f"Wrote the invented season to {folder} (invented place, weather, rows and counts).")
    forecast(
        season=folder / "season.toml",
        as_of=DEMO_DAY,
        plot=folder / "rows.png" if plot else None,
        offline=True,
    )
    page = folder / "season.html"
    report(
        season=folder / "season.toml",
        out=page,
        as_of=DEMO_DAY,
        trial=[folder / name for name in DEMO_TRIALS],
        offline=True,
    )
    say(
        f"""
That was an invented season: when each row shows, is half up and fully up, with 80 % ranges.
Open {page} in a browser: what to do this week, every row, three trials.
Next, in the folder {folder}:
  thermosprout compare season.toml --lot PAR25 --bed north --date 2026-04-18
  thermosprout trial analyse trial.csv"""
    )


def write_demo(folder: Path) -> None:
    """Copy the demo's files into a folder; a file that is there already is left as it is.

    Raises
    ------
    InputError
        When a file of that name and other content is there, or the folder cannot be made.
    """
    from thermosprout.errors import InputError, Place
    from thermosprout.files import demo_folder, write_atomic

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
    season: opt.Season = None,
    out: Annotated[Path, typer.Option("--out", "-o", help="Page to write (.html).")] = Path(
        "season.html"
    ),
    as_of: opt.AsOf = "",
    trial: Annotated[
        list[Path] | None,
        typer.Option(help="Records of a trial to show with its result; repeat for several."),
    ] = None,
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    offline: opt.Offline = False,
    force: opt.Force = False,
    units: Annotated[Units, typer.Option(help="Units shown first.")] = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """Make the season page: what to do this week, every row with its picture, the trials.

    The page is one file that works without a network, on a phone and on paper.

    Example: thermosprout report season.toml --as-of 2026-05-08 -o season.html
    """
    from thermosprout import __version__
    from thermosprout.cli.output import PAGES, print_json, require_ending, write_output
    from thermosprout.planning.evidence import evidence_name, lot_words, season_evidence
    from thermosprout.planning.this_week import this_week
    from thermosprout.reports.season_page import SeasonReport, season_page
    from thermosprout.season.forecast import emergence_curves

    require_ending(out, PAGES)
    result = _forecast(season, as_of, draws, seed, offline=offline, json=json)
    loaded = result.season
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
            made=f"Made by thermosprout {__version__} from {loaded.path.name}.",
            units=units,
        )
    )
    write_output(out, page, force=force)
    if json:
        print_json({"page": str(out), "bytes": len(page.encode()), **week.to_dict()})


def week(
    season: opt.Season = None,
    as_of: opt.AsOf = "",
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """What to do this week: start soaking, look at sprouts, plant, expect, stop waiting.

    Example: thermosprout week season.toml --as-of 2026-05-12
    """
    from thermosprout.cli.output import print_json, say
    from thermosprout.planning.this_week import this_week
    from thermosprout.reports.forecast_tables import week_table

    tasks = this_week(_forecast(season, as_of, draws, seed, offline=offline, json=json))
    if json:
        print_json(tasks.to_dict())
    else:
        say(*week_table(tasks))


def method() -> None:
    """How the forecast works, with sources.

    Example: thermosprout method
    """
    from rich.markdown import Markdown

    from thermosprout.cli.output import console
    from thermosprout.reports.pages import method_text

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


T = TypeVar("T")


def start(
    season: Annotated[Path, typer.Argument(metavar="SEASON", help="Season file to write.")] = Path(
        "season.toml"
    ),
    place: Annotated[str, typer.Option(help="What the place is called.")] = "",
    at: Annotated[str, opt.place("--at", help='Latitude and longitude, as "56.2, -3.1".')] = "",
    timezone: Annotated[
        str,
        typer.Option(
            metavar="ZONE", help="IANA time zone, as Europe/London; the nearest if that is clear."
        ),
    ] = "",
    soil: Annotated[
        str,
        typer.Option(
            help="Where soil temperature comes from: a CSV file, open-meteo or nasa-power."
        ),
    ] = "",
    depth_cm: Annotated[
        float | None, opt.number(0.0, 300.0, help="Depth of the file's sensor [cm].")
    ] = None,
    surface: Annotated[
        str, typer.Option(help="Ground over the sensor: bare, grass, unknown.")
    ] = "",
    row: Annotated[
        list[str] | None,
        typer.Option(
            metavar="CROP/TREATMENT/DATE", help="A row, at least its crop; repeat for several."
        ),
    ] = None,
    json: opt.Json = False,
) -> None:
    """Write a first season file from a few questions; every answer can be an option too.

    A file that is there is never overwritten.

    Example: thermosprout start my-season.toml --place Garden --at "56.2, -3.1"
    --soil soil.csv --depth-cm 5 --surface bare --row parsnip --row pea/soaked/2026-04-20
    """
    from thermosprout.cli.output import note, print_json
    from thermosprout.errors import InputError, Place
    from thermosprout.season.write import season_text

    if season.exists():
        raise InputError(
            "the file is there already and is not overwritten",
            place=Place(file=season),
            hint="give another name, or edit it",
        )
    if not season.absolute().parent.is_dir():
        raise InputError("there is no such folder", place=Place(file=season.parent))
    asked = _can_ask()
    answers = _answers(
        season, asked, place, at, timezone, soil, depth_cm, surface, tuple(row or ())
    )
    _write(season, season_text(answers))
    if json:
        print_json({"season": str(season), "rows": len(answers.rows)})
        return
    note(f"Wrote {season}, rows: {len(answers.rows)}. Next: thermosprout forecast {season}")


def _can_ask() -> bool:
    """Whether a person sits at the other end."""
    return sys.stdin.isatty()


def _answers(
    season: Path,
    asked: bool,
    place: str,
    at: str,
    timezone: str,
    soil: str,
    depth_cm: float | None,
    surface: str,
    row: tuple[str, ...],
) -> NewSeason:
    """Answers of the options; what they leave open is asked, or refused where nobody can be."""
    from datetime import date

    from thermosprout.dates import read_coordinates
    from thermosprout.season.write import NewSeason, read_name, read_row

    name = _need(place, "--place", "What is the place called?", read_name, "Garden", asked)
    latitude, longitude = _need(
        at, "--at", "Latitude and longitude, as 56.2, -3.1", read_coordinates, "", asked
    )
    zone = _zone(timezone, latitude, longitude, asked)
    service, soil_file = _soil(soil, season, asked)
    depth, ground = 5.0, "unknown"
    if soil_file is not None:
        depth, ground = _sensor(depth_cm, surface, asked)
    rows = [read_row(text, date.today()) for text in row] if row or not asked else _ask_rows()
    return NewSeason(
        place=name,
        latitude=latitude,
        longitude=longitude,
        timezone=zone,
        rows=tuple(rows),
        service=service,
        soil_file=soil_file,
        soil_depth_cm=depth,
        surface=ground,
    )


def _zone(timezone: str, latitude: float, longitude: float, asked: bool) -> str:
    """Time zone given, or the nearest where the coordinates settle it."""
    from thermosprout.cli.output import note
    from thermosprout.dates import nearest_zone, read_zone
    from thermosprout.errors import InputError

    guess, sure = nearest_zone(latitude, longitude)
    if not timezone and not asked:
        if not sure:
            raise InputError(
                f"the coordinates do not settle the time zone ({guess} is the nearest, and "
                "another with other clocks is not far)",
                hint=f"add --timezone, for example --timezone {guess}",
            )
        note(f"Time zone: {guess}, the nearest; --timezone names another.")
        timezone = guess
    zone = _need(timezone, "--timezone", f"Time zone, such as {guess}", read_zone, guess, asked)
    return str(zone)


def _soil(soil: str, season: Path, asked: bool) -> tuple[str | None, str | None]:
    """Service or file that soil temperature comes from; the other of the two is None."""
    from thermosprout.cli.output import note
    from thermosprout.season.write import SERVICES, read_soil

    source = _need(
        soil,
        "--soil",
        "Soil temperature from a CSV file (its name), open-meteo or nasa-power",
        lambda text: read_soil(text, season),
        "open-meteo",
        asked,
    )
    if source in SERVICES:
        return source, None
    if not (season.absolute().parent / source).exists():
        note(f"{source} is not there yet: put it beside the season file before a forecast.")
    return None, source


def _sensor(depth_cm: float | None, surface: str, asked: bool) -> tuple[float, str]:
    """Depth of a soil file's sensor [cm], and the ground over it."""
    from thermosprout.season.write import read_depth, read_surface

    known = "" if depth_cm is None else f"{depth_cm:g}"
    if not asked:
        # Neither is worth refusing a season for: what nobody said is taken as usual.
        known, surface = known or "5", surface or "unknown"
    question = "How deep does its sensor lie, in cm?"
    depth = _need(known, "--depth-cm", question, read_depth, "5", asked)
    question = "What ground lies over it: bare, grass or unknown?"
    return depth, _need(surface, "--surface", question, read_surface, "bare", asked)


def _need(
    given: str, option: str, question: str, read: Callable[[str], T], default: str, asked: bool
) -> T:
    """Return the option's answer, or ask until one is given that can be used."""
    from thermosprout.errors import InputError

    if given:
        return read(given)
    if not asked:
        raise InputError(f"{question.rstrip('?')}: no answer given", hint=f"add {option}")
    while True:
        text = typer.prompt(question, default=default or None, err=True)
        try:
            return read(text)
        except InputError as error:
            typer.echo(str(error), err=True)


def _ask_rows() -> list[NewRow]:
    from datetime import date

    from thermosprout.dates import read_day
    from thermosprout.season.write import (
        NewRow,
        read_crop,
        read_hours,
        read_treatment,
        usual_hours,
    )

    rows: list[NewRow] = []
    while True:
        crop = _need("", "", "What is sown? A crop", read_crop, "", True)
        treatment = _need(
            "", "", "Sown direct, soaked or presprouted?", read_treatment, "direct", True
        )
        day = _need("", "", "Day it is sown or planted", read_day, date.today().isoformat(), True)
        hours = usual_hours(crop, treatment)
        if hours is not None:
            verb = "soaked" if treatment == "soaked" else "sprouted indoors"
            hours = _need("", "", f"Hours {verb}", read_hours, f"{hours:g}", True)
        rows.append(NewRow(crop=crop, treatment=treatment, planted=day, hours=hours))
        if not typer.confirm("Another row?", default=False, err=True):
            return rows


def _write(season: Path, text: str) -> None:
    """Check the text as a season before it takes its name, and never replace a file."""
    import contextlib
    import os
    import tempfile

    from thermosprout.errors import InputError, Place
    from thermosprout.files import write_atomic
    from thermosprout.season.load import load_season

    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder) / season.name
        write_atomic(trial, text)
        load_season(trial)
    try:
        # Taking the name first means that of two writers one is told.
        os.close(os.open(season, os.O_CREAT | os.O_EXCL | os.O_WRONLY, 0o666))
    except FileExistsError:
        raise InputError("the file is there already", place=Place(file=season)) from None
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", place=Place(file=season)
        ) from None
    try:
        write_atomic(season, text)
    except InputError:
        with contextlib.suppress(OSError):
            season.unlink()
        raise
