"""``thermosprout start``: a few questions, then a season file with notes in it."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from thermosprout.cli import options as opt

if TYPE_CHECKING:
    from thermosprout.season.write import NewRow, NewSeason

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

    from thermosprout.season.coordinates import read_coordinates
    from thermosprout.season.start_questions import read_name, read_row
    from thermosprout.season.write import NewSeason

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
    from thermosprout.dates import read_zone
    from thermosprout.errors import InputError
    from thermosprout.season.coordinates import nearest_zone

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
    from thermosprout.season.start_questions import SERVICES, read_soil

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
    from thermosprout.season.start_questions import read_depth, read_surface

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
    from thermosprout.season.start_questions import (
        read_crop,
        read_hours,
        read_treatment,
        usual_hours,
    )
    from thermosprout.season.write import NewRow

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
