"""``calibrate``: fit a crop's parameters to a grower's own records."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.output import note, print_json, progress, say, tell
from thermosprout.errors import FitError, InputError

if TYPE_CHECKING:
    import xarray as xr

    from thermosprout.calibration.plots import Plot
    from thermosprout.calibration.result import Calibration
    from thermosprout.calibration.scores import LeftOut, Score
    from thermosprout.crops.crop import Crop
_SAVING_FOLDS = 5
"""Refits that look whether an estimate is worth saving."""


def calibrate(
    crop: opt.CropName,
    records: Annotated[
        list[Path] | None,
        typer.Argument(
            metavar="RECORDS",
            help="Records files (CSV), several years together; the season's own by default.",
        ),
    ] = None,
    soil: Annotated[
        list[Path] | None,
        typer.Option(help="Soil temperature at seed depth (CSV); repeat for several."),
    ] = None,
    variety: Annotated[str, typer.Option(help="Report this variety.")] = "",
    lot: Annotated[str, typer.Option(help="Report this seed lot.")] = "",
    germination: Annotated[
        float | None, opt.number(0.01, 1.0, help="Share of the lot that germinates, such as 0.85.")
    ] = None,
    no_prior: Annotated[
        bool, typer.Option("--no-prior", help="Use the records alone (maximum likelihood).")
    ] = False,
    crop_season: opt.CropSeason = None,
    seed_size: opt.SeedSize = None,
    check: Annotated[
        Literal["plot", "date", "season"] | None,
        typer.Option(help="Cross-validate: leave out each plot, date or season in turn."),
    ] = None,
    packet_days: Annotated[
        float | None, opt.number(0.5, 365.0, help="Days to emergence on the seed packet.")
    ] = None,
    save: Annotated[Path | None, opt.folder(help="Folder to keep the estimates in.")] = None,
    save_anyway: Annotated[
        bool, typer.Option("--save-anyway", help="Save even where forecasts get worse with it.")
    ] = False,
    undo: Annotated[
        bool, typer.Option("--undo", help="Take back the last estimate in the --save folder.")
    ] = False,
    timezone: opt.Timezone = "",
    season: opt.SeasonOption = None,
    seed: opt.Seed = 0,
    json: opt.Json = False,
) -> None:
    """Fit a crop's parameters to your own records and show what changed.

    The fit starts from the catalogue's figures; records narrow or shift them. Records are counts
    (see trial sheet), or a file with the columns planted and emergence_date where you noted a
    date alone.

    Example: thermosprout calibrate trial.csv --soil soil.csv --crop carrot --save own
    """
    if undo:
        _undo(crop, variety or None, lot or None, save, json=json)
        return
    explicit = season
    season = opt.season_here(season)
    files = records or [opt.require_records(None, season)]
    if save is not None and no_prior:
        raise InputError(
            "a fit without a prior is no estimate that forecasts could use",
            hint="leave out --no-prior to save",
        )
    if check is not None and no_prior:
        raise InputError("--check scores calibrations with a prior", hint="leave out --no-prior")
    from thermosprout.calibration.result import calibrate as run
    from thermosprout.calibration.result import calibration_document, save_calibration
    from thermosprout.calibration.scores import LeftOut, widest_left_out
    from thermosprout.calibration.scores import check as score
    from thermosprout.soil.readers.logger import join_series

    zone = opt.records_zone(timezone, season)
    kind, prior, notes = _crop(crop, crop_season, seed_size, no_prior=no_prior)
    # A season that is merely here tells of its own rows, not of another trial's plots.
    here = season
    if season is not None and records and not explicit:
        here = opt.season_of_records(season, files)
    plots = _plots(files, kind, variety, lot, germination, timezone, here, notes)
    loggers = [opt.logger_series(path, zone, json=json) for path in soil or ()]
    doubts = [doubt for _, own in loggers for doubt in own]
    series = join_series([series for series, _ in loggers])
    series = series or _season_soil(season, plots, doubts, json=json)
    with progress("Calibrating", 4) as tick:
        result = run(
            kind, plots, series, variety=variety or None, seed_lot=lot or None,
            with_prior=not no_prior, seed=seed, tick=tick,
        )  # fmt: skip
    left_out = LeftOut(check) if check is not None else None
    folds = None
    if save is not None and not save_anyway and left_out is None:
        left_out, folds = widest_left_out(plots, zone), _SAVING_FOLDS
    scores: tuple[Score, ...] = ()
    if left_out is not None:
        with progress(f"Leaving out each {left_out}", _parts(plots, left_out, folds)) as tick:
            scores = score(
                kind, plots, series, left_out=left_out, packet_d=packet_days,
                timezone=zone, folds=folds, seed=seed, tick=tick,
            )  # fmt: skip
    refusal: FitError | None = None
    saved: tuple[Path, ...] = ()
    if save is not None:
        refusal = None if save_anyway else _reason_not_to_save(result, scores, doubts)
        if refusal is None:
            saved = save_calibration(result, save, files, prior=prior)
    document = calibration_document(
        result, files=files, prior=prior, scores=scores, left_out=left_out or "",
        saved=saved, more_warnings=notes,
    )  # fmt: skip
    if json and refusal is None:
        print_json(document)
        return
    if not json:
        from thermosprout.reports.crop_tables import calibration_tables

        say(*calibration_tables(document))
    if refusal is not None:
        raise refusal
    for path in saved:
        note(f"Saved {path}")


def _reason_not_to_save(
    fit: Calibration, scores: tuple[Score, ...], doubts: list[str]
) -> FitError | None:
    """Why an estimate would not serve forecasts."""
    from thermosprout.calibration.fit_checks import misfit
    from thermosprout.calibration.scores import worse_forecasts

    worse = worse_forecasts(scores) if scores else None
    flushes = misfit(fit.checks)
    reason = next(iter(doubts), None) or worse or (flushes.sentence if flushes else None)
    if reason is None:
        return None
    return FitError(f"not saved: {reason}", hint="--save-anyway saves it all the same")


def _undo(
    crop: str, variety: str | None, lot: str | None, folder: Path | None, *, json: bool
) -> None:
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.saved_estimates import undo_estimate

    if folder is None:
        raise InputError("--undo needs the folder of the estimates", hint="add --save DIR")
    try:
        name = find_crop(crop).name
    except InputError:
        name = crop
    backup, now = undo_estimate(folder, name, variety, lot)
    if json:
        print_json({"undone": str(backup), "in_force": str(now) if now else None})
        return
    say(f"The last estimate was taken back; it is kept as {backup}.")
    say(f"In force now: {now if now else 'the catalogue'}.")


def _season_soil(
    season: Path | None, plots: tuple[Plot, ...], doubts: list[str], *, json: bool
) -> list[xr.DataArray]:
    """Soil temperature of the season at the depth of most of the seed; none without a season."""
    if season is None or all(plot.constant_C is not None for plot in plots):
        return []
    from statistics import median

    from thermosprout.season.context import season_context
    from thermosprout.season.load import load_season

    supply = season_context(load_season(season)).supply
    series = supply.at(median(plot.depth_cm for plot in plots))
    doubts += tell(supply.notes, supply.doubts, json=json)
    return [series]


def _crop(
    name: str, season: opt.SeasonKind | None, seed_size: opt.SizeKind | None, *, no_prior: bool
) -> tuple[Crop, str, list[str]]:
    """Crop, what its figures start from, and notes for the user."""
    from dataclasses import replace

    from thermosprout.crops.catalogue import find_crop

    try:
        entry = find_crop(name)
        return entry, f"catalogue: {entry.name}", []
    except InputError as error:
        if season is None and not no_prior and "did you mean" in error.what:
            hint = "give --crop-season cool or warm for a crop it lacks"
            raise InputError(error.what, hint=hint) from None
    generic, like = opt.like_crop(name, season, seed_size)
    prior = f"generic {like}"
    notes = [f"{name} is not in the catalogue: it starts from a {prior}, with wide spreads"]
    if season is None or seed_size is None:
        notes[0] += " (--crop-season and --seed-size change that)"
    if no_prior:
        # Without a prior nothing holds a curve in place; thermal time is the plain reading.
        generic = replace(generic, response="linear")
    return generic, prior, notes


def _plots(
    paths: list[Path], crop: Crop, variety: str, lot: str, germination: float | None,
    timezone: str, season: Path | None, notes: list[str],
) -> tuple[Plot, ...]:  # fmt: skip
    """Plots of all files; names the variety and lot where the records name none."""
    from thermosprout.calibration.plots import gather_plots, is_dates_file, read_dates
    from thermosprout.season.load import load_season
    from thermosprout.trials.records.read import read_records

    sources = [
        (
            str(path),
            read_dates(path, crop, timezone=opt.records_zone(timezone, season))
            if is_dates_file(path)
            else read_records(path, timezone=opt.records_zone(timezone, season, path)),
        )
        for path in paths
    ]
    collection = gather_plots(
        sources, crop, variety=variety, lot=lot, germination=germination,
        season=load_season(season) if season is not None else None,
    )  # fmt: skip
    for text in collection.notes:
        note(text)
    notes.extend(collection.warnings)
    return collection.plots


def _parts(plots: tuple[Plot, ...], left_out: LeftOut, folds: int | None) -> int:
    """Refits of a check, for the progress."""
    if left_out == "plot":
        return len(plots)
    span = 24.0 if left_out == "date" else 24.0 * 365.25
    parts = len({int(plot.planted_h // span) for plot in plots})
    return min(parts, folds) if folds else parts
