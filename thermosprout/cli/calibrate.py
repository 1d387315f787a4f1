"""`thermosprout calibrate`: a grower's own records move the parameters of a crop."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt

if TYPE_CHECKING:
    import xarray as xr

    from thermosprout.calibration.plots import Plot
    from thermosprout.crops.crop import Crop

_HELP = """Move a crop's parameters by your own records, and say what they can and cannot tell.

The crop's figures in the catalogue are where it starts from; records narrow or shift them.
Records are counts (see trial sheet), or a file with the columns planted and emergence_date where
only a date was noted.

Example: thermosprout calibrate trial.csv --soil soil.csv --crop carrot --save own
"""


class Season(StrEnum):
    """Season of a crop the catalogue lacks."""

    COOL = "cool"
    WARM = "warm"


class SeedSize(StrEnum):
    """Seed size of a crop the catalogue lacks."""

    SMALL = "small"
    MEDIUM = "medium"
    LARGE = "large"


class Check(StrEnum):
    """What is left out in turn."""

    PLOT = "plot"
    DATE = "date"
    SEASON = "season"


def calibrate(
    crop: opt.CropName,
    records: Annotated[
        list[Path] | None, typer.Argument(help="Records files (CSV); several years together.")
    ] = None,
    soil: Annotated[
        list[Path] | None,
        typer.Option("--soil", help="Soil temperature (CSV) at seed depth; may be repeated."),
    ] = None,
    variety: Annotated[str, typer.Option("--variety", help="Report this variety.")] = "",
    lot: Annotated[str, typer.Option("--lot", help="Report this seed lot.")] = "",
    germination: Annotated[
        float | None,
        typer.Option("--germination", min=0.01, max=1.0, help="Share of the lot that germinates."),
    ] = None,
    no_prior: Annotated[
        bool, typer.Option("--no-prior", help="Use the records alone (maximum likelihood).")
    ] = False,
    season: Annotated[
        Season | None, typer.Option("--season", help="For a crop the catalogue lacks.")
    ] = None,
    seed_size: Annotated[
        SeedSize | None, typer.Option("--seed-size", help="For a crop the catalogue lacks.")
    ] = None,
    season_file: Annotated[
        Path | None,
        typer.Option("--season-file", help="Season whose rows were counted: other crops left out."),
    ] = None,
    check: Annotated[
        Check | None, typer.Option("--check", help="Score forecasts of what is left out in turn.")
    ] = None,
    packet_days: Annotated[
        float | None,
        typer.Option("--packet-days", min=0.5, help="Days to emergence on the seed packet."),
    ] = None,
    save: Annotated[
        Path | None, typer.Option("--save", help="Folder to keep the estimates in.")
    ] = None,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the last estimate in the --save folder.")
    ] = False,
    timezone: Annotated[
        str, typer.Option("--timezone", help="IANA time zone of dates without one.")
    ] = "UTC",
    seed: opt.Seed = 0,
    json: opt.Json = False,
) -> None:
    """See the module's help text."""
    from thermosprout.errors import InputError

    if undo:
        _undo(crop, variety or None, lot or None, save, json=json)
        return
    if not records:
        raise InputError("no records file is named", hint="thermosprout calibrate trial.csv ...")
    if save is not None and no_prior:
        raise InputError(
            "a fit without prior holds no estimate that forecasts could use",
            hint="leave out --no-prior to save",
        )
    if check is not None and no_prior:
        raise InputError("--check scores calibrations with a prior", hint="leave out --no-prior")
    from thermosprout.calibration.document import calibration_document, save_calibration
    from thermosprout.calibration.result import calibrate as run
    from thermosprout.calibration.scores import LeftOut
    from thermosprout.calibration.scores import check as score
    from thermosprout.cli.output import console, note, print_json, progress

    series = [_soil(path, timezone) for path in soil or ()]
    chosen, prior, told = _crop(crop, season, seed_size, no_prior=no_prior)
    plots = _plots(records, chosen, variety, lot, germination, timezone, season_file, told)
    with progress("Calibrating", 4) as tick:
        found = run(
            chosen, plots, series, variety=variety or None, seed_lot=lot or None,
            with_prior=not no_prior, seed=seed, tick=tick,
        )  # fmt: skip
    scores: tuple[Any, ...] = ()
    if check is not None:
        with progress(f"Leaving out each {check}", _parts(plots, check)) as tick:
            scores = score(
                chosen, plots, series, left_out=LeftOut(check.value), packet_d=packet_days,
                timezone=timezone, seed=seed, tick=tick,
            )  # fmt: skip
    saved = save_calibration(found, save, records, prior=prior) if save is not None else ()
    document = calibration_document(
        found, files=records, prior=prior, scores=scores, left_out=check.value if check else "",
        saved=saved, more_warnings=told,
    )  # fmt: skip
    if json:
        print_json(document)
        return
    from thermosprout.reports.crop_tables import calibration_tables

    out = console()
    for item in calibration_tables(document):
        out.print(item)
    for path in saved:
        note(f"Saved {path}")


calibrate.__doc__ = _HELP


def _undo(
    crop: str, variety: str | None, lot: str | None, folder: Path | None, *, json: bool
) -> None:
    from thermosprout.cli.output import print_json
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.saved_estimates import undo_estimate
    from thermosprout.errors import InputError

    if folder is None:
        raise InputError("--undo needs the folder of the estimates", hint="add --save FOLDER")
    try:
        name = find_crop(crop).name
    except InputError:
        name = crop
    kept, now = undo_estimate(folder, name, variety, lot)
    if json:
        print_json({"undone": str(kept), "in_force": str(now) if now else None})
        return
    typer.echo(f"The last estimate was taken back; it is kept as {kept}.")
    typer.echo(f"In force now: {now if now else 'the catalogue'}.")


def _soil(path: Path, timezone: str) -> xr.DataArray:
    from thermosprout.cli.output import note
    from thermosprout.soil.readers.logger import read_bridged

    series, said = read_bridged(path, timezone=None if timezone == "UTC" else timezone)
    for sentence in said:
        note(sentence)
    return series


def _crop(
    name: str, season: Season | None, seed_size: SeedSize | None, *, no_prior: bool
) -> tuple[Crop, str, list[str]]:
    """Return the crop, what is known of it in words, and what the user must be told."""
    from dataclasses import replace

    from thermosprout.crops.catalogue import find_crop, generic_crop
    from thermosprout.errors import InputError

    try:
        found = find_crop(name)
    except InputError as error:
        if season is None and not no_prior and "did you mean" in error.what:
            raise InputError(
                error.what, hint="give --season cool or --season warm for a crop it lacks"
            ) from None
    else:
        return found, f"catalogue: {found.name}", []
    like = (season or Season.COOL).value
    size = (seed_size or SeedSize.MEDIUM).value
    prior = f"generic {like}-season crop with {size} seed"
    told = [f"{name} is not in the catalogue: it starts from a {prior}, known only roughly"]
    if season is None or seed_size is None:
        told[0] += " (say --season and --seed-size to change that)"
    generic = generic_crop(name, season=like, seed_size=size)  # type: ignore[arg-type]
    if no_prior:
        # Without a prior nothing holds a curve in place; thermal time is the plain reading.
        generic = replace(generic, response="linear")
    return generic, prior, told


def _plots(
    paths: list[Path], crop: Crop, variety: str, lot: str, germination: float | None,
    timezone: str, season_file: Path | None, told: list[str],
) -> tuple[Plot, ...]:  # fmt: skip
    """Plots of all files; names the variety and lot where the records name none."""
    from dataclasses import replace

    from thermosprout.calibration.plots import (
        is_dates_file,
        mixed_lots_note,
        of_crop,
        plots_of_records,
        read_dates,
    )
    from thermosprout.cli.output import note
    from thermosprout.crops.seed_lots import typical_viability
    from thermosprout.season.load import load_season
    from thermosprout.trials.records.append import own_clock
    from thermosprout.trials.records.read import read_records

    viability = typical_viability(crop.name) if germination is None else germination
    rows = load_season(season_file) if season_file is not None else None
    plots: list[Plot] = []
    for path in paths:
        if is_dates_file(path):
            here = read_dates(path, crop, timezone=timezone, viability=viability)
        else:
            clock = own_clock(path) if timezone == "UTC" else timezone
            table = read_records(path, timezone=clock)
            for text in table.attrs.get("notes", ()):
                note(text)
            if rows is not None:
                table, left_out = of_crop(table, crop, rows)
                for text in left_out:
                    note(text)
            elif mixed := mixed_lots_note(table, crop):
                told.append(mixed)
            here = plots_of_records(table, crop, viability=viability)
        prefix = f"{path.stem} " if len(paths) > 1 else ""
        plots += [replace(plot, name=f"{prefix}{plot.name}") for plot in here]
    if variety and not any(plot.variety for plot in plots):
        plots = [replace(plot, variety=variety) for plot in plots]
    if lot and not any(plot.seed_lot for plot in plots):
        plots = [replace(plot, seed_lot=lot) for plot in plots]
    return tuple(plots)


def _parts(plots: tuple[Plot, ...], check: Check) -> int:
    if check is Check.PLOT:
        return len(plots)
    span = 24.0 if check is Check.DATE else 24.0 * 365.25
    return len({int(plot.planted_h // span) for plot in plots})
