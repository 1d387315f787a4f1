"""``thermosprout lot``: how much of a seed lot is alive, how quick it is, how long it keeps."""

from __future__ import annotations

from enum import StrEnum
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.cli import options as opt

if TYPE_CHECKING:
    from thermosprout.calibration.lot_report import LotReport
    from thermosprout.crops.germination_test import GerminationTest


class Store(StrEnum):
    """Where seed is kept."""

    DRAWER = "kitchen drawer"
    CELLAR = "cool cellar"
    FRIDGE = "fridge with desiccant"


def lot(
    crop: Annotated[str, typer.Argument(help="Crop by any of its names.")],
    counts: Annotated[str, typer.Option(help="Germinated up to each day, as 2:3,3:20,5:41.")] = "",
    tested: Annotated[int | None, typer.Option(min=1, help="Seeds in the test.")] = None,
    germinated: Annotated[int | None, typer.Option(min=0, help="Seeds that germinated.")] = None,
    replicate: Annotated[
        list[str] | None, typer.Option(help="Germinated/tested of a replicate; can be repeated.")
    ] = None,
    germination: Annotated[float | None, typer.Option(help="Share on the packet, as 0.85.")] = None,
    at: Annotated[float, typer.Option(help="Temperature of the test [degC].")] = 20.0,
    year: Annotated[int | None, typer.Option(help="Year of harvest or packing.")] = None,
    tested_on: Annotated[str, typer.Option(help="Day of the test, as 2026-02-01.")] = "",
    storage: Annotated[Store | None, typer.Option(help="Where it is kept.")] = None,
    storage_c: Annotated[float | None, typer.Option(help="Store temperature [degC].")] = None,
    moisture_pct: Annotated[float | None, typer.Option(help="Seed moisture [%].")] = None,
    dressed: Annotated[bool, typer.Option(help="The seed is dressed (treated).")] = False,
    on: Annotated[str, typer.Option(help="Day asked for; today by default.")] = "",
    seed: opt.Seed = 0,
    json: opt.Json = False,
) -> None:
    """Read a germination test, a packet or a year: what is alive now and in years to come.

    Example: thermosprout lot onion --counts 3:12,4:60,6:82,10:86 --tested 100
    """
    import numpy as np

    from thermosprout.calibration.lot_report import check_lot
    from thermosprout.cli.output import console, note, print_json
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.seed_lots import SeedLot
    from thermosprout.errors import InputError
    from thermosprout.reports.crop_table import lot_tables

    found = find_crop(crop)
    germinated = _of_share(germination, tested, germinated, counts, replicate)
    test = _test(counts, tested, germinated)
    day = _day(on, "--on") if on else _today()
    for option, value, late in (
        ("--year", year, year is not None and year > day.year),
        ("--tested-on", tested_on, bool(tested_on) and _day(tested_on, "--tested-on") > day),
    ):
        if late:
            raise InputError(f"{option} {value} lies after {day.isoformat()}, the day asked for")
    made = SeedLot(
        id=found.name,
        crop=found.name,
        germination=germination,
        seeds_tested=tested if test is None and germinated is not None else None,
        seeds_germinated=germinated if test is None else None,
        replicates=tuple(_replicate(text) for text in replicate or ()),
        year=year,
        tested_on=_day(tested_on, "--tested-on") if tested_on else None,
        storage=storage.value if storage else None,
        storage_C=storage_c,
        moisture_pct=moisture_pct,
        dressed=dressed,
    )
    report = check_lot(
        made,
        found,
        np.random.default_rng(seed),
        on=day,
        test=test,
        temperature_C=at,
    )
    document = _document(report)
    if json:
        print_json(document)
    else:
        for item in lot_tables(document):
            console().print(item)
    for sentence in report.warnings:
        note(f"{sentence[0].upper()}{sentence[1:]}.")


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


def _test(counts: str, tested: int | None, germinated: int | None) -> GerminationTest | None:
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


def _day(text: str, option: str) -> Any:
    from datetime import date

    from thermosprout.errors import InputError

    try:
        return date.fromisoformat(text)
    except ValueError:
        raise InputError(f"{option} is {text!r}, expected a day as 2026-02-01") from None


def _today() -> Any:
    from datetime import date

    return date.today()
