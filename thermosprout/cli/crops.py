"""``crops`` and ``lot``: the catalogue, one crop with its sources, one seed lot."""

from __future__ import annotations

from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt
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
    treatment: Annotated[
        opt.TreatmentName, typer.Option(help="How the seed is handled.")
    ] = opt.TreatmentName.DIRECT,
    soak_h: Annotated[
        float, opt.number(0.0, 240.0, help="Soaked: hours in water at 20 °C.")
    ] = 12.0,
    radicle_mm: Annotated[
        float, opt.number(0.0, 60.0, help="Pre-sprouted: length of the roots when planted [mm].")
    ] = 3.0,
    plot: Annotated[
        Path | None, typer.Option(help="Draw days against temperature: .png, .svg or .pdf.")
    ] = None,
    estimates: Annotated[
        Path | None,
        opt.folder("--estimates", help="Folder of estimates from your own records, to use."),
    ] = None,
    seed: opt.Seed = 0,
    force: opt.Force = False,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """List the crops, show one with its sources, or its days at a constant temperature.

    Example: thermosprout crops "sweet corn" --constant 15 --depth-cm 3
    """
    from thermosprout.cli.output import (
        PICTURES,
        note,
        print_json,
        require_ending,
        say,
        write_figure,
    )
    from thermosprout.crops.catalogue import catalogue, search_crops
    from thermosprout.errors import InputError
    from thermosprout.reports import crop_tables as tables

    if plot is not None:
        require_ending(plot, PICTURES)
    if not name:
        if constant is not None or plot is not None:
            raise InputError(
                "--constant and --plot need the name of a crop",
                hint="`thermosprout crops` lists them",
            )
        listed = search_crops(search) if search else tuple(catalogue().values())
        if not listed:
            raise InputError(f"no crop has {search!r} in a name")
        own = _own(estimates)
        if json:
            document: dict[str, Any] = {"crops": [_brief(crop) for crop in listed]}
            print_json(document | ({"own_estimates": own} if estimates else {}))
        else:
            say(tables.list_table([_brief(crop) for crop in listed], units))
            say(*(entry["what"] for entry in own))
        return
    crop = _named(name, estimates)
    if estimates is not None:
        from thermosprout.crops.saved_estimates import with_best_estimate

        crop = with_best_estimate(crop, None, None, estimates)
        for entry in _own(estimates, crop.name):
            note(entry["what"])
    if constant is not None:
        answer = _constant(crop, constant, depth_cm, treatment, soak_h, radicle_mm, seed)
        cautions = answer.pop("cautions")
        if json:
            print_json(answer)
        else:
            say(tables.constant_table(answer, units))
        for caution in cautions:
            note(f"Caution: {caution}")
    else:
        document = _full(crop)
        if json:
            print_json(document)
        else:
            say(*tables.crop_tables(document, units))
    if plot is not None:
        write_figure(_figure(crop, units, seed), plot, force=force)


def _named(name: str, estimates: Path | None) -> Crop:
    """Crop of the catalogue, or one that only a saved estimate knows."""
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.saved_estimates import saved_crop
    from thermosprout.errors import InputError

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

    found = []
    for saved in load_saved(folder).values():
        if crop and saved.estimate.crop != crop:
            continue
        origin = saved.origin
        found.append(
            {
                "crop": saved.estimate.crop,
                "variety": saved.estimate.variety,
                "seed_lot": saved.estimate.seed_lot,
                "made": saved.made,
                "plots": origin.plots,
                "seeds": origin.seeds,
                "files": list(origin.files),
                "what": f"Own estimate of {saved.title}: {origin.plots} plots, {origin.seeds} "
                f"seeds, {origin.first_planted} to {origin.last_inspected}, made "
                f"{saved.made.date().isoformat()} from {', '.join(origin.files)}.",
            }
        )
    return found


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

    from thermosprout.calibration.crop_curve import (
        days_to_half,
        published_bases,
        published_days,
        short_citations,
        straight_line,
    )
    from thermosprout.crops.crop import WET, cautions
    from thermosprout.crops.estimate import PARAMETERS
    from thermosprout.planning.evidence import handling_grounds

    centre = crop.estimate.centre()
    parameters = {}
    for name, parameter in PARAMETERS.items():
        low, high = crop.estimate.interval(name)
        parameters[name] = {
            "estimate": centre[name],
            "low": low,
            "high": high,
            "meaning": parameter.meaning,
        }
    cells, cited = published_days(crop), short_citations()
    predicted = days_to_half(crop, [cell.temperature for cell in cells])
    return _brief(crop) | {
        "response_reason": crop.response_reason,
        "interval": 0.9,
        "parameters": parameters,
        "stand": {
            "low_C": crop.stand_low_C,
            "low_width_C": crop.stand_low_width_C,
            "high_C": crop.stand_high_C,
            "high_width_C": crop.stand_high_width_C,
        },
        "chilling_sensitive": crop.chilling_sensitive,
        "chilling_limit_C": crop.chilling_limit_C if crop.chilling_sensitive else None,
        "harmed_by_soaking": crop.harmed_by_soaking,
        "safe_soak_h": crop.safe_soak_h,
        "tender": crop.tender,
        "seed_size": crop.seed_size,
        "practice": asdict(crop.practice),
        "cautions": list(cautions([crop], WET)),
        "handling_rests_on": list(handling_grounds(crop, ("soaking", "sprouting"))),
        "straight_line": asdict(straight_line(crop)),
        "published_bases": [
            {
                "base_C": base.value,
                "stage": base.stage,
                "source": cited[base.source],
                "verified": base.verified,
            }
            for base in published_bases(crop)
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
    crop: Crop,
    temperature: float,
    depth_cm: float,
    treatment: opt.TreatmentName,
    soak_h: float,
    radicle_mm: float,
    seed: int,
) -> dict[str, Any]:
    """Forecast at a constant temperature for a lot of which nothing is known."""
    from thermosprout.crops.seed_lots import SeedLot, viability_draws
    from thermosprout.emergence.forecast import STAGES, forecast_constant, generator
    from thermosprout.emergence.treatments import Handling, Treatment

    handlings = {
        opt.TreatmentName.DIRECT: Handling(),
        opt.TreatmentName.SOAKED: Handling(treatment=Treatment.SOAKED, soak_h=soak_h),
        opt.TreatmentName.PRESPROUTED: Handling(
            treatment=Treatment.PRESPROUTED, radicle_mm=radicle_mm, sorted=True
        ),
    }
    lot = SeedLot(id="unknown", crop=crop.name)
    row = forecast_constant(
        crop,
        temperature,
        depth_cm=depth_cm,
        handling=handlings[treatment],
        viability=viability_draws(lot, crop, _DRAWS, generator(seed, "viability", crop.name)),
        size=_DRAWS,
        seed=seed,
    )
    names, chances = ("p10", "p50", "p90"), (0.1, 0.5, 0.9)

    def quantiles(values: Any) -> dict[str, float | None]:
        pairs = zip(names, values, strict=True)
        return {key: float(value) if value <= _NEVER_D else None for key, value in pairs}

    return {
        "crop": crop.name,
        "temperature_C": temperature,
        "depth_cm": depth_cm,
        "treatment": str(treatment),
        "days_since_planted": {
            stage: quantiles(row.stage_quantile(stage, chances) / 24.0) for stage in STAGES
        },
        "stand": quantiles(row.stand_quantile(chances)),
        "cautions": _cautions(crop, treatment, soak_h),
    }


def _cautions(crop: Crop, treatment: opt.TreatmentName, soak_h: float) -> list[str]:
    """Cautions where seed is wetted, and the one on soaks that are too long."""
    from thermosprout.crops.crop import cautions

    if treatment is opt.TreatmentName.DIRECT:
        return []
    texts = list(cautions([crop], [treatment.value]))
    if treatment is opt.TreatmentName.SOAKED and soak_h > crop.safe_soak_h:
        texts.insert(
            0,
            f"{crop.name} tolerates about {crop.safe_soak_h:g} h of soaking; {soak_h:g} h may kill "
            "some of the seed.",
        )
    return texts


def _figure(crop: Crop, units: Units, seed: int) -> Figure:
    """Days against temperature with the published points."""
    import numpy as np

    from thermosprout.calibration.crop_curve import (
        days_band,
        days_to_half,
        published_days,
        short_citations,
    )
    from thermosprout.emergence.forecast import generator
    from thermosprout.reports.forecast_figures import CropCurve, PublishedPoint, crop_figure

    temperature = np.linspace(-2.0, 42.0, 177)
    band = days_band(crop, temperature, (0.1, 0.9), generator(seed, "plot", crop.name))
    cited = short_citations()
    points = tuple(
        PublishedPoint(
            temperature_C=cell.temperature,
            low_d=cell.low,
            high_d=cell.high,
            label=cited[cell.source],
        )
        for cell in published_days(crop)
    )
    curve = CropCurve(
        title=f"{crop.name}, {crop.latin_name}",
        temperature_C=temperature,
        days=days_to_half(crop, temperature),
        low=band[0],
        high=band[1],
        points=points,
        base_C=crop.estimate.centre()["t_base_C"],
        stand=crop.stand_response(temperature),
    )
    return crop_figure(curve, units)


class Store(StrEnum):
    """Where seed is kept."""

    DRAWER = "kitchen drawer"
    CELLAR = "cool cellar"
    FRIDGE = "fridge with desiccant"


def lot(
    crop: Annotated[
        str,
        typer.Argument(metavar="CROP|LOT", help="Crop, by any of its names, or lot of the season."),
    ],
    counts: Annotated[
        str, typer.Option(metavar="DAY:COUNT,...", help="Germinated by each day, as 2:3,3:20,5:41.")
    ] = "",
    tested: Annotated[int | None, opt.number(1, 100_000, help="Seeds in the test.")] = None,
    germinated: Annotated[int | None, opt.number(0, 100_000, help="Seeds that germinated.")] = None,
    replicate: Annotated[
        list[str] | None,
        typer.Option(metavar="COUNT/SEEDS", help="Result of one replicate; repeat for each."),
    ] = None,
    germination: Annotated[
        float | None, opt.number(0.0, 1.0, help="Share on the packet, as 0.85.")
    ] = None,
    test_c: Annotated[float, opt.number(0.0, 45.0, help="Temperature of the test [°C].")] = 20.0,
    year: Annotated[int | None, opt.number(1900, 2100, help="Year of harvest or packing.")] = None,
    tested_on: Annotated[str, opt.day("--tested-on", help="Day of the test, as 2026-02-01.")] = "",
    storage: Annotated[Store | None, typer.Option(help="Where it is kept.")] = None,
    storage_c: Annotated[
        float | None, opt.number(-30.0, 60.0, help="Temperature of the store [°C].")
    ] = None,
    moisture_pct: Annotated[
        float | None, opt.number(1.0, 60.0, help="Moisture of the seed [%].")
    ] = None,
    dressed: Annotated[
        bool, typer.Option("--dressed", help="The seed is dressed (treated).")
    ] = False,
    on: Annotated[str, opt.day("--on", help="Day to report on; today by default.")] = "",
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
    from datetime import date

    import numpy as np

    from thermosprout.calibration.crop_curve import check_lot
    from thermosprout.cli.output import note, print_json, say
    from thermosprout.crops.seed_lots import SeedLot
    from thermosprout.dates import read_day
    from thermosprout.errors import InputError
    from thermosprout.reports.crop_tables import lot_tables

    seed_lot, kind = _season_lot(crop, opt.season_here(season, say=False))
    kind = kind or opt.crop_or_like(crop, crop_season, seed_size)
    germinated = _of_share(germination, tested, germinated, counts, replicate)
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
        "storage": storage.value if storage else None,
        "storage_C": storage_c,
        "moisture_pct": moisture_pct,
        "dressed": dressed,
    }
    facts = {name: value for name, value in facts.items() if value not in (None, (), False)}
    if seed_lot is None:
        seed_lot = SeedLot(id=kind.name, crop=kind.name, **facts)
    report = check_lot(
        replace(seed_lot, **facts),
        kind,
        np.random.default_rng(seed),
        on=day,
        test=test,
        temperature_C=test_c,
    )
    document = _document(report)
    if json:
        print_json(document)
    else:
        say(*lot_tables(document))
    for sentence in report.warnings:
        note(f"{sentence[0].upper()}{sentence[1:]}.")


def _season_lot(name: str, season: Path | None) -> tuple[SeedLot | None, Crop | None]:
    """Seed lot of the season by its name, with its crop; nothing where there is none."""
    if season is None:
        return None, None
    from thermosprout.season.load import load_season

    loaded = load_season(season)
    seed_lot = loaded.seed_lots.get(name)
    if seed_lot is None:
        return None, None
    from thermosprout.cli.output import note

    note(f"Lot {name}: as {season} has it.")
    return seed_lot, next(one for one in loaded.crops.values() if one.name == seed_lot.crop)


def _document(report: LotReport) -> dict[str, Any]:
    names = ("low", "estimate", "high")
    slower = report.slower_pct
    return {
        "crop": report.lot.crop,
        "interval": report.probability,
        "viability": [
            {"on": day, "low": low, "estimate": middle, "high": high}
            for day, low, middle, high in report.viability
        ],
        "slower_pct": None if slower is None else dict(zip(names, slower, strict=True)),
        "warnings": list(report.warnings),
    }


def _of_share(
    share: float | None,
    tested: int | None,
    germinated: int | None,
    counts: str,
    replicates: list[str] | None,
) -> int | None:
    """Seeds that germinated, from the share and the number tested where those were given."""
    from thermosprout.errors import InputError

    for option, there in (
        ("--germinated", germinated is not None),
        ("--counts", bool(counts)),
        ("--replicate", bool(replicates)),
    ):
        if share is not None and there:
            raise InputError(
                f"--germination and {option} both tell what germinated", hint="give one of them"
            )
    if share is None or tested is None or not 0 <= share <= 1:
        return germinated
    return round(share * tested)


def _test_counts(counts: str, tested: int | None, germinated: int | None) -> GerminationTest | None:
    """Counts by day, or nothing where only a total was given."""
    from thermosprout.crops.germination_test import GerminationTest
    from thermosprout.errors import InputError

    if not counts:
        if (tested is None) != (germinated is None):
            raise InputError("--tested and --germinated belong together")
        return None
    if tested is None:
        raise InputError("--counts needs --tested, the number of seeds in the test")
    if germinated is not None:
        raise InputError("give either --counts or --germinated, not both")
    pairs = []
    for text in counts.split(","):
        day, _, count = text.partition(":")
        try:
            pairs.append((float(day), int(count)))
        except ValueError:
            raise InputError(
                f"--counts has {text!r}, expected day:count", hint="as in 3:12,4:60"
            ) from None
    return GerminationTest(
        days=tuple(day for day, _ in pairs),
        germinated=tuple(count for _, count in pairs),
        tested=tested,
    )


def _replicate(text: str) -> tuple[int, int]:
    from thermosprout.errors import InputError

    germinated, _, tested = text.partition("/")
    try:
        return int(germinated), int(tested)
    except ValueError:
        raise InputError(f"--replicate is {text!r}, expected germinated/tested as 22/25") from None
