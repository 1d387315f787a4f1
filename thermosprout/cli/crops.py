"""``crops`` and ``lot``: the catalogue, one crop with its sources, one seed lot."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.output import PICTURES, answer, note, write_figure
from thermosprout.dates import read_day
from thermosprout.errors import InputError
from thermosprout.quantities import TABLE_DEPTH_CM, Units

if TYPE_CHECKING:
    from matplotlib.figure import Figure

    from thermosprout.calibration.crop_curve import LotReport
    from thermosprout.crops.crop import Crop
    from thermosprout.crops.germination_test import GerminationTest
    from thermosprout.crops.seed_lots import SeedLot


_DRAWS = 8000
"""Enough for a median that another seed moves by less than one part in a hundred."""

_NEVER_D = 365.0
"""Days past which seed is not waited for: no seed of these crops lasts a year in wet soil."""


def crops(
    name: Annotated[
        str, typer.Argument(metavar="CROP", help="Crop, by any of its names; all if none.")
    ] = "",
    search: Annotated[str, typer.Option(help="List crops with this in a name.")] = "",
    constant: Annotated[
        float | None, opt.number(-10.0, 60.0, help="Days at this constant soil temperature [°C].")
    ] = None,
    depth_cm: Annotated[
        float, opt.number(0.2, 30.0, help="Sowing depth [cm]; the published table's is 1.27.")
    ] = TABLE_DEPTH_CM,
    treatment: opt.Treatment = "direct",
    soak_h: Annotated[
        float, opt.number(0.0, 240.0, help="Soaked: hours in water at 20 °C.")
    ] = 12.0,
    radicle_mm: Annotated[
        float, opt.number(0.0, 60.0, help="Pre-sprouted: length of the roots when planted [mm].")
    ] = 3.0,
    plot: Annotated[
        Path | None,
        opt.output(*PICTURES, help="Draw days against temperature: .png, .svg or .pdf."),
    ] = None,
    estimates: Annotated[
        Path | None, opt.folder(help="Folder of estimates from your own records, to use.")
    ] = None,
    seed: opt.Seed = 0,
    force: opt.Force = False,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """List the crops, show one with its sources, or its days at a constant temperature.

    Example: thermosprout crops "sweet corn" --constant 15 --depth-cm 3
    """
    from thermosprout.reports import crop_tables as tables

    if not name:
        if constant is not None or plot is not None:
            raise InputError(
                "--constant and --plot need the name of a crop",
                hint="`thermosprout crops` lists them",
            )
        _list(search, estimates, units, json=json)
        return
    crop = _crop(name, estimates)
    if estimates is not None:
        from thermosprout.crops.saved_estimates import best_estimate

        crop = replace(crop, estimate=best_estimate(crop, None, None, estimates))
        for entry in _own(estimates, crop.name):
            note(entry["what"])
    if constant is None:
        document = _full(crop)
        screen = tables.crop_tables(document, units)
    else:
        document = _constant(crop, constant, depth_cm, treatment, soak_h, radicle_mm, seed)
        screen = tables.constant_tables(document, units)
    answer(document, screen, json=json)
    if plot is not None:
        write_figure(_figure(crop, units, seed), plot, force=force)


def _list(search: str, estimates: Path | None, units: Units, *, json: bool) -> None:
    """Show all crops, or those with a word in a name, and the grower's own estimates."""
    from thermosprout.crops.catalogue import catalogue, search_crops
    from thermosprout.reports.crop_tables import list_table

    crops = search_crops(search) if search else tuple(catalogue().values())
    if not crops:
        raise InputError(f"no crop has {search!r} in a name")
    rows, own = [_brief(crop) for crop in crops], _own(estimates)
    document: dict[str, Any] = {"crops": rows} | ({"own_estimates": own} if estimates else {})
    answer(document, [list_table(rows, units), *(entry["what"] for entry in own)], json=json)


def _crop(name: str, estimates: Path | None) -> Crop:
    """Crop of the catalogue, or one that only a saved estimate knows."""
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.saved_estimates import saved_crop

    try:
        return find_crop(name)
    except InputError as error:
        crop = saved_crop(name, estimates) if estimates is not None else None
        if crop is None:
            raise InputError(
                error.what,
                hint=error.hint or "--estimates DIR finds a crop you calibrated yourself",
            ) from None
        return crop


def _own(folder: Path | None, crop: str = "") -> list[dict[str, Any]]:
    """Estimates from own records in a folder, of all crops or of one."""
    if folder is None:
        return []
    from thermosprout.crops.saved_estimates import load_saved

    entries = []
    for saved in load_saved(folder).values():
        if crop and saved.estimate.crop != crop:
            continue
        origin = saved.origin
        entries.append(
            {
                **{key: getattr(saved.estimate, key) for key in ("crop", "variety", "seed_lot")},
                "made": saved.made,
                "plots": origin.plots,
                "seeds": origin.seeds,
                "files": list(origin.files),
                "what": f"Own estimate of {saved.title}: {origin.plots} plots, {origin.seeds} "
                f"seeds, {origin.first_planted} to {origin.last_inspected}, made "
                f"{saved.made.date().isoformat()} from {', '.join(origin.files)}.",
            }
        )
    return entries


def _brief(crop: Crop) -> dict[str, Any]:
    """Name and first figures of a crop."""
    centre = crop.estimate.centre()
    optimum = centre["t_base_C"] + centre["opt_gap_C"]
    return {
        "name": crop.name,
        "latin_name": crop.latin_name,
        "aliases": list(crop.aliases),
        "season": crop.season,
        "t_base_C": centre["t_base_C"],
        "t_opt_C": optimum,
        "t_ceiling_C": optimum + centre["ceiling_gap_C"],
        "thermal_time_50_Cd": centre["thermal_time_50_Cd"],
        "response": crop.response,
    }


def _full(crop: Crop) -> dict[str, Any]:
    """Everything the catalogue holds of a crop, with its sources."""
    from dataclasses import asdict

    from thermosprout.calibration import crop_curve
    from thermosprout.crops.crop import WET, cautions
    from thermosprout.crops.estimate import PARAMETERS
    from thermosprout.planning.evidence import handling_grounds

    centre = crop.estimate.centre()
    parameters: dict[str, dict[str, Any]] = {}
    for name, parameter in PARAMETERS.items():
        low, high = crop.estimate.interval(name)
        parameters[name] = {"estimate": centre[name], "low": low, "high": high}
        parameters[name]["meaning"] = parameter.meaning
    cells, cited = crop_curve.published_days(crop), crop_curve.short_citations()
    predicted = crop_curve.days_to_half(crop, [cell.temperature for cell in cells])
    ends = ("low_C", "low_width_C", "high_C", "high_width_C")
    facts = ("chilling_sensitive", "harmed_by_soaking", "safe_soak_h", "tender", "seed_size")
    return _brief(crop) | {
        "response_reason": crop.response_reason,
        "interval": 0.9,
        "parameters": parameters,
        "stand": {end: getattr(crop, f"stand_{end}") for end in ends},
        **{fact: getattr(crop, fact) for fact in facts},
        "chilling_limit_C": crop.chilling_limit_C if crop.chilling_sensitive else None,
        "practice": asdict(crop.practice),
        "cautions": list(cautions([crop], WET)),
        "handling_rests_on": list(handling_grounds(crop, ("soaking", "sprouting"))),
        "straight_line": asdict(crop_curve.straight_line(crop)),
        "published_bases": [
            {
                "base_C": base.value,
                "stage": base.stage,
                "source": cited[base.source],
                "verified": base.verified,
            }
            for base in crop_curve.published_bases(crop)
        ],
        "published_days": [
            {
                "temperature_C": cell.temperature,
                "days_low": cell.low,
                "days_high": cell.high,
                "days_decimal": cell.decimal,
                "fitted_days": float(fitted),
                "source": cited[cell.source],
                "verified": cell.verified,
            }
            for cell, fitted in zip(cells, predicted, strict=True)
        ],
        "provenance": [asdict(item) for item in crop.estimate.provenance],
    }


def _constant(
    crop: Crop, temperature: float, depth_cm: float, treatment: opt.TreatmentName, soak_h: float,
    radicle_mm: float, seed: int,
) -> dict[str, Any]:  # fmt: skip
    """Forecast at a constant temperature for a lot of which nothing is known."""
    from thermosprout.crops.seed_lots import SeedLot, viability_draws
    from thermosprout.emergence.forecast import STAGES, forecast_constant, generator
    from thermosprout.emergence.treatments import Handling, Treatment

    sprouted = treatment == "presprouted"
    handling = Handling(
        treatment=Treatment(treatment),
        soak_h=soak_h if treatment == "soaked" else 0.0,
        radicle_mm=radicle_mm if sprouted else None,
        sorted=sprouted,
    )
    lot = SeedLot(id="unknown", crop=crop.name)
    viability = viability_draws(lot, crop, _DRAWS, generator(seed, "viability", crop.name))
    row = forecast_constant(
        crop, temperature, depth_cm=depth_cm, handling=handling, viability=viability, size=_DRAWS,
        seed=seed,
    )  # fmt: skip
    names, chances = ("p10", "p50", "p90"), (0.1, 0.5, 0.9)

    def quantiles(values: Any) -> dict[str, float | None]:
        pairs = zip(names, values, strict=True)
        return {key: float(value) if value <= _NEVER_D else None for key, value in pairs}

    return {
        "crop": crop.name,
        "temperature_C": temperature,
        "depth_cm": depth_cm,
        "treatment": treatment,
        "days_since_planted": {
            stage: quantiles(row.stage_quantile(stage, chances) / 24.0) for stage in STAGES
        },
        "stand": quantiles(row.stand_quantile(chances)),
        "cautions": _cautions(crop, treatment, soak_h),
    }


def _cautions(crop: Crop, treatment: opt.TreatmentName, soak_h: float) -> list[str]:
    """Cautions where seed is wetted, and the one on soaks that are too long."""
    from thermosprout.crops.crop import cautions

    if treatment == "direct":
        return []
    texts = list(cautions([crop], [treatment]))
    if treatment == "soaked" and soak_h > crop.safe_soak_h:
        texts.insert(0, f"{crop.long_soak(soak_h)}.")
    return texts


def _figure(crop: Crop, units: Units, seed: int) -> Figure:
    """Days against temperature with the published points."""
    import numpy as np

    from thermosprout.calibration import crop_curve
    from thermosprout.emergence.forecast import generator
    from thermosprout.reports.forecast_figures import CropCurve, crop_figure

    temperature = np.linspace(-2.0, 42.0, 177)
    low, high = crop_curve.days_band(
        crop, temperature, (0.1, 0.9), generator(seed, "plot", crop.name)
    )
    curve = CropCurve(
        title=f"{crop.name}, {crop.latin_name}",
        temperature_C=temperature,
        days=crop_curve.days_to_half(crop, temperature),
        low=low,
        high=high,
        points=crop_curve.published_days(crop),
        citations=crop_curve.short_citations(),
        base_C=crop.estimate.centre()["t_base_C"],
        stand=crop.stand_response(temperature),
    )
    return crop_figure(curve, units)


Store = Literal["kitchen drawer", "cool cellar", "fridge with desiccant"]


def lot(
    crop: Annotated[
        str,
        typer.Argument(metavar="CROP|LOT", help="Crop, by any of its names, or lot of the season."),
    ],
    counts: Annotated[
        str,
        typer.Option(
            metavar="DAY:COUNT,...", help="Germinated by each day, such as 2:3,3:20,5:41."
        ),
    ] = "",
    tested: Annotated[int | None, opt.number(1, 100_000, help="Seeds in the test.")] = None,
    germinated: Annotated[int | None, opt.number(0, 100_000, help="Seeds that germinated.")] = None,
    replicate: Annotated[
        list[str] | None,
        typer.Option(metavar="COUNT/SEEDS", help="Result of one replicate; repeat for each."),
    ] = None,
    germination: Annotated[
        float | None, opt.number(0.0, 1.0, help="Share on the packet, such as 0.85.")
    ] = None,
    test_c: Annotated[float, opt.number(0.0, 45.0, help="Temperature of the test [°C].")] = 20.0,
    year: Annotated[int | None, opt.number(1900, 2100, help="Year of harvest or packing.")] = None,
    tested_on: Annotated[str, opt.day(help="Day of the test, such as 2026-02-01.")] = "",
    storage: Annotated[
        Store | None, typer.Option(help='Where it is kept, such as "cool cellar".')
    ] = None,
    storage_c: Annotated[
        float | None, opt.number(-30.0, 60.0, help="Temperature of the store [°C].")
    ] = None,
    moisture_pct: Annotated[
        float | None, opt.number(1.0, 60.0, help="Moisture of the seed [%].")
    ] = None,
    dressed: Annotated[
        bool, typer.Option("--dressed", help="The seed is dressed (treated).")
    ] = False,
    on: Annotated[str, opt.day(help="Day to report on; today by default.")] = "",
    crop_season: opt.CropSeason = None,
    seed_size: opt.SeedSize = None,
    season: opt.SeasonOption = None,
    seed: opt.Seed = 0,
    json: opt.Json = False,
) -> None:
    """Read a germination test, a packet or a year: what is alive now and in years to come.

    Example: thermosprout lot onion --counts 3:12,4:60,6:82,10:86 --tested 100
    """
    from dataclasses import replace

    import numpy as np

    from thermosprout.calibration.crop_curve import check_lot
    from thermosprout.crops.seed_lots import SeedLot
    from thermosprout.reports.crop_tables import lot_tables
    from thermosprout.reports.words import sentence

    seed_lot, kind = _season_lot(crop, opt.season_here(season, say=False))
    kind = kind or opt.crop_or_like(crop, crop_season, seed_size)
    germinated = _of_share(germination, tested, germinated, counts=counts, replicate=replicate)
    test = _test_counts(counts, tested, germinated)
    day = read_day(on, what="--on") if on else date.today()
    test_day = read_day(tested_on, what="--tested-on") if tested_on else None
    for option, value, late in (
        ("--year", year, year is not None and year > day.year),
        ("--tested-on", tested_on, test_day is not None and test_day > day),
    ):
        if late:
            raise InputError(f"{option} {value} lies after {day.isoformat()}, the day asked for")
    facts: dict[str, Any] = {
        "germination": germination,
        "seeds_tested": tested if test is None and germinated is not None else None,
        "seeds_germinated": germinated if test is None else None,
        "replicates": tuple(_replicate(text) for text in replicate or ()),
        "year": year,
        "tested_on": test_day,
        "storage": storage,
        "storage_C": storage_c,
        "moisture_pct": moisture_pct,
        "dressed": dressed,
    }
    facts = {name: value for name, value in facts.items() if value not in (None, (), False)}
    if seed_lot is None:
        seed_lot = SeedLot(id=kind.name, crop=kind.name, **facts)
    report = check_lot(
        replace(seed_lot, **facts), kind, np.random.default_rng(seed), on=day, test=test,
        temperature_C=test_c,
    )  # fmt: skip
    document = _document(report)
    answer(document, lot_tables(document), json=json)
    for text in report.warnings:
        note(sentence(text))


def _season_lot(name: str, season: Path | None) -> tuple[SeedLot | None, Crop | None]:
    """Seed lot of the season by its name, with its crop; nothing where there is none."""
    if season is None:
        return None, None
    from thermosprout.season.load import load_season

    data = load_season(season)
    seed_lot = data.seed_lots.get(name)
    if seed_lot is None:
        return None, None
    note(f"Lot {name}: as {season} has it.")
    return seed_lot, next(one for one in data.crops.values() if one.name == seed_lot.crop)


def _document(report: LotReport) -> dict[str, Any]:
    slower = report.slower_pct
    return {
        "crop": report.lot.crop,
        "interval": report.probability,
        "viability": [
            dict(zip(("on", "low", "estimate", "high"), year, strict=True))
            for year in report.viability
        ],
        "slower_pct": slower and dict(zip(("low", "estimate", "high"), slower, strict=True)),
        "warnings": list(report.warnings),
    }


def _of_share(
    share: float | None, tested: int | None, germinated: int | None, **others: Any
) -> int | None:
    """Seeds that germinated, from the share and the number tested where those were typed."""
    if share is None:
        return germinated
    for option, value in {"germinated": germinated, **others}.items():
        if value not in (None, "", []):
            raise InputError(
                f"--germination and --{option} both tell what germinated", hint="give one of them"
            )
    return None if tested is None else round(share * tested)


def _test_counts(counts: str, tested: int | None, germinated: int | None) -> GerminationTest | None:
    """Counts by day, or nothing where only a total was given."""
    from thermosprout.crops.germination_test import GerminationTest

    if not counts:
        if (tested is None) != (germinated is None):
            raise InputError("--tested and --germinated belong together")
        return None
    if tested is None:
        raise InputError("--counts needs --tested, the number of seeds in the test")
    if germinated is not None:
        raise InputError("give either --counts or --germinated, not both")
    days, seeds = [], []
    for text in counts.split(","):
        day, _, count = text.partition(":")
        try:
            days.append(float(day))
            seeds.append(int(count))
        except ValueError:
            raise InputError(
                f"--counts has {text!r}, expected day:count", hint="as in 3:12,4:60"
            ) from None
    return GerminationTest(days=tuple(days), germinated=tuple(seeds), tested=tested)


def _replicate(text: str) -> tuple[int, int]:

    germinated, _, tested = text.partition("/")
    try:
        return int(germinated), int(tested)
    except ValueError:
        raise InputError(f"--replicate is {text!r}, expected germinated/tested as 22/25") from None
