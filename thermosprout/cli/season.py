"""The season's commands: demo, start, forecast, week, report, method."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass
from datetime import date as day
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, TypeVar

import typer

from thermosprout import __version__
from thermosprout.cli import options as opt
from thermosprout.cli.output import (
    PAGES,
    answer,
    can_ask,
    console,
    note,
    print_json,
    progress,
    say,
    tell,
    write_figure,
    write_output,
)
from thermosprout.dates import nearest_zone, read_coordinates, read_day, read_zone, today
from thermosprout.errors import InputError, Place
from thermosprout.files import demo_folder, write_atomic

if TYPE_CHECKING:
    from thermosprout.reports.season_page import TrialReport
    from thermosprout.season.forecast import SeasonForecast
    from thermosprout.season.write import NewRow


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
        str, opt.day(help="With --crop or --lot: day of planting; today by default.")
    ] = "",
    treatment: Annotated[
        opt.TreatmentName, typer.Option(help="With --crop or --lot: how the seed is handled.")
    ] = "direct",
    plot: opt.Plot = None,
) -> None:
    """When each row comes up, how full it will stand, and how long to wait for it.

    With --crop or --lot it forecasts that sowing alone, also where there is no season file.

    Example: thermosprout forecast season.toml --as-of 2026-05-08 --plot rows.png
    """
    if sowing.crop or sowing.lot:
        result = _one_row(sowing, date, treatment, row)
    else:
        # Facts of one sowing say nothing of the rows of a season.
        opt.refuse(
            {
                "--date": date, "--at": sowing.at, "--reading": sowing.reading,
                "--soil": sowing.soil, "--depth-cm": sowing.depth_cm,
                "--germination": sowing.germination, "--dry-bed": sowing.dry_bed or None,
            },
            "asks about one sowing", "add --crop, such as carrot",
        )  # fmt: skip
        result = _forecast(sowing, row or ())
    _show(result, plot, sowing)


def _show(result: SeasonForecast, plot: Path | None, sowing: opt.Sowing) -> None:
    """Print a forecast, and draw it where a picture is named."""
    from thermosprout.reports.forecast_tables import forecast_tables

    document = result.to_dict()
    answer(document, forecast_tables(document, sowing.units), json=sowing.json)
    if plot is not None:
        from thermosprout.reports.forecast_figures import forecast_figure
        from thermosprout.season.forecast import emergence_curves

        figure = forecast_figure(emergence_curves(result), sowing.units)
        write_figure(figure, plot, force=sowing.force)


def _one_row(
    sowing: opt.Sowing, date: str, treatment: str, rows: Sequence[str] | None
) -> SeasonForecast:
    """Forecast of one sowing that the options name."""
    from thermosprout.season.forecast import forecast_rows
    from thermosprout.season.load import load_season
    from thermosprout.season.write import usual_hours

    if rows:
        raise InputError("--row is of a season file and --crop or --lot of a sowing by itself")
    facts: dict[str, Any] = {
        "planted": read_day(date, what="--date") if date else day.today(),
        "treatment": treatment,
    }
    handled = {"soaked": "soak_h", "presprouted": "sprout_h"}.get(treatment)
    if handled:
        season = opt.season_here(sowing.season, say=False)
        of_lot = load_season(season).lot(sowing.lot).crop if season and not sowing.crop else ""
        if sown := sowing.crop or of_lot:
            facts[handled] = usual_hours(sown, treatment)
    context, _ = sowing.open(row=facts)
    result = forecast_rows(context)
    tell(result.notes, result.context.doubts, json=sowing.json)
    return result


def _forecast(sowing: opt.Sowing, rows: Sequence[str] = ()) -> SeasonForecast:
    """Forecast of a season, with what is to be said of its files on standard error."""
    from thermosprout.season.forecast import forecast_season
    from thermosprout.season.load import load_season

    season = load_season(opt.require_season(sowing.season))
    for name in rows:
        season.require_row(name)
    with progress("Rows", len(rows or season.data.rows)) as tick:
        result = forecast_season(
            season, as_of=today(sowing.as_of, season.data.site.zone), size=sowing.draws,
            seed=sowing.seed, offline=sowing.offline, only=frozenset(rows) or None, tick=tick,
        )  # fmt: skip
    tell(result.notes, result.context.doubts, json=sowing.json)
    return result


DEMO_DAY = "2026-05-20"
"""Day taken as today in the invented season."""

DEMO_TRIALS = ("trial.csv", "trial_beetroot.csv", "trial_corn.csv")

_LEFT_OUT = {
    "make_demo.py", "make_trial.py", "model_trial.py", "make_pictures.py", "pictures",
    "__pycache__",
}  # fmt: skip


def demo(
    folder: Annotated[
        Path, typer.Argument(metavar="DIR", help="Folder for the invented season; made if absent.")
    ] = Path("thermosprout-demo"),
    plot: Annotated[bool, typer.Option("--plot/--no-plot", help="Draw rows.png as well.")] = True,
) -> None:
    """Write an invented season into a folder and forecast it, without a network.

    Example: thermosprout demo
    """
    write_demo(folder)
    note(f"Wrote the invented season to {folder} (invented place, weather, rows and counts).")
    page, picture = folder / "season.html", folder / "rows.png" if plot else None
    sowing = opt.Sowing(season=folder / "season.toml", as_of=DEMO_DAY, offline=True)
    result = _forecast(sowing)
    _show(result, picture, sowing)
    _write_page(result, page, [folder / name for name in DEMO_TRIALS], sowing)
    say(
        "",
        "That was an invented season: when each row shows, is half up and fully up.",
        f"Open {page} in a browser: what to do this week, every row, three trials.",
        f"Next, in the folder {folder}:",
        "  thermosprout compare season.toml --lot PAR25 --bed north --date 2026-04-18",
        "  thermosprout trial analyse trial.csv",
    )


def write_demo(folder: Path) -> None:
    """Copy the demo's files into a folder; one that is there is left, and must be the same."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError(
            f"the folder cannot be made ({error.strerror})", place=Place(file=folder)
        ) from None
    for source in sorted(demo_folder().iterdir()):
        if source.name in _LEFT_OUT:
            continue
        content, target = source.read_bytes(), folder / source.name
        if not target.exists():
            write_atomic(target, content)
        elif target.read_bytes() != content:
            raise InputError(
                "this file is there already and differs from the demo's",
                place=Place(file=target),
                hint="name another folder",
            )


@opt.asks("season", "as_of", "draws", "seed", "offline", "force", "units", "json")
def report(
    sowing: opt.Sowing,
    out: Annotated[Path, opt.output(*PAGES, "--out", "-o", help="Page to write (.html).")] = Path(
        "season.html"
    ),
    trial: Annotated[
        list[Path] | None,
        typer.Option(help="Records of a trial to show with its result; repeat for several."),
    ] = None,
) -> None:
    """Make the season page: what to do this week, every row with its picture, the trials.

    The page is one file that works without a network, on a phone and on paper.

    Example: thermosprout report season.toml --as-of 2026-05-08 -o season.html
    """
    _write_page(_forecast(sowing), out, trial or (), sowing)


def _write_page(
    result: SeasonForecast, out: Path, trials: Sequence[Path], sowing: opt.Sowing
) -> None:
    """Write the season page of a forecast."""
    from thermosprout.planning.evidence import evidence_name, lot_words, season_evidence
    from thermosprout.planning.this_week import this_week
    from thermosprout.reports.season_page import SeasonReport, season_page
    from thermosprout.season.forecast import emergence_curves

    season = result.season
    week = this_week(result)
    page = season_page(
        SeasonReport(
            title=season.data.title or season.data.site.name,
            document=_without_folder(result),
            curves=emergence_curves(result),
            week=week,
            evidence=season_evidence(result),
            row_evidence=[evidence_name(answer) for answer in result.rows],
            row_lots=[lot_words(season.row_lot(answer.row)) for answer in result.rows],
            trials=[_trial(path, season.data.site.timezone) for path in trials],
            imprint=f"Made by thermosprout {__version__} from {season.path.name}.",
            units=sowing.units,
        )
    )
    write_output(out, page, force=sowing.force)
    if sowing.json:
        print_json({"page": str(out), "bytes": len(page.encode()), **week.to_dict()})


@opt.asks("season", "as_of", "draws", "seed", "offline", "json")
def week(sowing: opt.Sowing) -> None:
    """What to do this week: start soaking, look at sprouts, plant, expect, stop waiting.

    Example: thermosprout week season.toml --as-of 2026-05-12
    """
    from thermosprout.planning.this_week import this_week
    from thermosprout.reports.forecast_tables import week_table

    tasks = this_week(_forecast(sowing))
    answer(tasks.to_dict(), week_table(tasks), json=sowing.json)


def method() -> None:
    """How the forecast works, with sources.

    Example: thermosprout method
    """
    from rich.markdown import Markdown

    from thermosprout.reports.pages import method_text

    out = console()
    out.print(Markdown(method_text()), width=min(out.width, 88))


def _without_folder(result: SeasonForecast) -> dict[str, Any]:
    """Document whose notes name files as the season does: where they lie is nobody's business."""
    season = result.season.path
    folders = {f"{season.parent}/", f"{season.resolve().parent}/"} - {"./", "/"}

    def plain(text: str) -> str:
        for folder in sorted(folders, key=len, reverse=True):
            text = text.replace(folder, "")
        return text

    notes, doubts = map(plain, result.notes), map(plain, result.context.doubts)
    return {**result.to_dict(), "notes": list(notes), "soil_checks": list(doubts)}


def _trial(path: Path, timezone: str) -> TrialReport:
    from thermosprout.reports.season_page import TrialReport
    from thermosprout.trials.analysis.analyse import analyse
    from thermosprout.trials.records.read import read_records

    result = analyse(read_records(path, timezone=timezone))
    return TrialReport(title=path.name, result=result.to_dict())


T = TypeVar("T")


def start(
    season: Annotated[Path, typer.Argument(metavar="SEASON", help="Season file to write.")] = Path(
        "season.toml"
    ),
    place: Annotated[str, typer.Option(help="What the place is called.")] = "",
    at: Annotated[str, opt.place(help='Latitude and longitude, such as "56.2, -3.1".')] = "",
    timezone: Annotated[
        str,
        typer.Option(
            metavar="ZONE", help="IANA time zone, such as Europe/London; the nearest if clear."
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
        Literal["bare", "grass", "unknown"] | None, typer.Option(help="Ground over the sensor.")
    ] = None,
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
    from thermosprout.season import write

    if season.exists():
        raise InputError(
            "the file is there already and is not overwritten",
            place=Place(file=season),
            hint="give another name, or edit it",
        )
    if not season.absolute().parent.is_dir():
        raise InputError("there is no such folder", place=Place(file=season.parent))
    need = Interview(can_ask())
    name = need(place, "--place", "What is the place called?", write.read_name, "Garden")
    latitude, longitude = need(
        at, "--at", "Latitude and longitude, as 56.2, -3.1", read_coordinates
    )
    zone = _zone(timezone, latitude, longitude, need)
    source = need(
        soil, "--soil", "Soil temperature from a CSV file (its name), open-meteo or nasa-power",
        lambda text: write.read_soil(text, season), "open-meteo",
    )  # fmt: skip
    service = source in write.SERVICES
    if not service and not (season.absolute().parent / source).exists():
        note(f"{source} is not there yet: put it beside the season file before a forecast.")
    depth, ground = 5.0, "unknown"
    if not service:
        # Neither is worth refusing a season for: what nobody said is taken as usual.
        typed = "" if depth_cm is None else f"{depth_cm:g}"
        depth = need(
            typed, "--depth-cm", "How deep does its sensor lie, in cm?", write.read_depth, "5", "5"
        )
        ground = need(
            surface or "", "--surface", "What ground lies over it: bare, grass or unknown?",
            write.read_surface, "bare", "unknown",
        )  # fmt: skip
    rows = [write.read_row(text, day.today()) for text in row or ()]
    if need.person and not rows:
        rows = _ask_rows(need)
    answers = write.NewSeason(
        place=name,
        latitude=latitude,
        longitude=longitude,
        timezone=zone,
        rows=tuple(rows),
        service=source if service else None,
        soil_file=None if service else source,
        soil_depth_cm=depth,
        surface=ground,
    )
    _write(season, write.season_text(answers))
    if json:
        print_json({"season": str(season), "rows": len(rows)})
        return
    note(f"Wrote {season}, rows: {len(rows)}. Next: thermosprout forecast {season}")


@dataclass(frozen=True)
class Interview:
    """Answers of the options; what they leave open is asked, or refused where nobody can be."""

    person: bool

    def __call__(
        self, typed: str, option: str, question: str, read: Callable[[str], T],
        default: str = "", usual: str = "",
    ) -> T:  # fmt: skip
        """Read the option's answer, or ask until one can be read; ``usual`` if nobody answers."""
        typed = typed or ("" if self.person else usual)
        if typed:
            return read(typed)
        if not self.person:
            raise InputError(f"{question.rstrip('?')}? No answer is given", hint=f"add {option}")
        while True:
            text = typer.prompt(question, default=default or None, err=True)
            try:
                return read(text)
            except InputError as error:
                typer.echo(str(error), err=True)


def _zone(timezone: str, latitude: float, longitude: float, need: Interview) -> str:
    """Time zone of the option, or the nearest where the coordinates settle it."""
    guess, sure = nearest_zone(latitude, longitude)
    if not timezone and not need.person:
        if not sure:
            raise InputError(
                f"the coordinates do not settle the time zone ({guess} is the nearest, and "
                "another with other clocks is not far)",
                hint=f"add --timezone, for example --timezone {guess}",
            )
        note(f"Time zone: {guess}, the nearest; --timezone names another.")
    return str(need(timezone, "--timezone", f"Time zone, such as {guess}", read_zone, guess, guess))


def _ask_rows(need: Interview) -> list[NewRow]:
    from thermosprout.season import write

    rows: list[NewRow] = []
    while True:
        crop = need("", "", "What is sown? A crop", write.read_crop)
        treatment = need(
            "", "", "Sown direct, soaked or presprouted?", write.read_treatment, "direct"
        )
        planted = need("", "", "Day it is sown or planted", read_day, day.today().isoformat())
        hours = write.usual_hours(crop, treatment)
        if hours is not None:
            verb = "soaked" if treatment == "soaked" else "sprouted indoors"
            hours = need("", "", f"Hours {verb}", write.read_hours, f"{hours:g}")
        rows.append(write.NewRow(crop=crop, treatment=treatment, planted=planted, hours=hours))
        if not typer.confirm("Another row?", default=False, err=True):
            return rows


def _write(season: Path, text: str) -> None:
    """Check the text as a season before it takes its name, and never replace a file."""
    from thermosprout.season.load import load_season

    with tempfile.TemporaryDirectory() as folder:
        draft = Path(folder) / season.name
        write_atomic(draft, text)
        load_season(draft)
    try:
        # Taking the name first means that of two writers one is told.
        season.touch(exist_ok=False)
    except FileExistsError:
        raise InputError("the file is there already", place=Place(file=season)) from None
    except OSError as error:
        raise InputError(
            f"cannot be written ({error.strerror})", place=Place(file=season)
        ) from None
    try:
        write_atomic(season, text)
    except InputError:
        with suppress(OSError):
            season.unlink()
        raise
