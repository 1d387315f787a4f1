"""``thermosprout map``: days to emergence on a grid of soil temperature."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.output import note, print_json, progress, say
from thermosprout.dates import read_day
from thermosprout.errors import InputError, ServiceError
from thermosprout.quantities import TABLE_DEPTH_CM, percent
from thermosprout.reports.words import number, plain_table

SECONDS_TO_ANSWER = 5.0
"""How long a scheduler may take to answer. [s]"""


def map_grid(
    soil: Annotated[
        Path,
        typer.Argument(help="Soil temperature at seed depth on a grid: CF NetCDF, or Zarr folder."),
    ],
    crop: Annotated[list[str], typer.Option(help="Crop of the catalogue; repeat for several.")],
    sow: Annotated[list[str], opt.day(help="Day of planting (2026-05-01); repeat for several.")],
    out: Annotated[Path, typer.Option(help="Map to write: NAME.nc for NetCDF, else Zarr.")],
    every: Annotated[
        int, opt.number(1, 366, help="With --until: days from one planting to the next.")
    ] = 7,
    until: Annotated[str, opt.day(help="Repeat the only --sow day up to this day.")] = "",
    treatment: Annotated[
        list[str] | None,
        typer.Option(help="direct (default), soaked or presprouted; repeat for several."),
    ] = None,
    soak_h: Annotated[float | None, opt.number(0.0, 240.0, help="Hours of soaking.")] = None,
    sprout_h: Annotated[
        float | None, opt.number(0.0, 2400.0, help="Hours of sprouting indoors.")
    ] = None,
    depth_cm: Annotated[float, opt.number(0.2, 30.0, help="Sowing depth [cm].")] = TABLE_DEPTH_CM,
    seeds: Annotated[int, opt.number(1, 1_000_000, help="Seeds planted in a row.")] = 100,
    variable: Annotated[str, typer.Option(help="Name of the hourly variable.")] = "",
    minimum: Annotated[str, typer.Option(help="Name of the daily minimum.")] = "",
    maximum: Annotated[str, typer.Option(help="Name of the daily maximum.")] = "",
    threads: Annotated[int, opt.number(1, 256, help="Tiles at once.")] = 2,
    memory_gb: Annotated[float, opt.number(0.3, 10_000.0, help="Memory for all tiles [GB].")] = 1.0,
    tile_cells: Annotated[
        int | None, opt.number(1, 10**9, help="Cells of a tile; as many as fit by default.")
    ] = None,
    scheduler: Annotated[
        str, typer.Option(metavar="URL", help="Dask scheduler to use, tcp://HOST:8786.")
    ] = "",
    restart: Annotated[
        bool, typer.Option("--restart", help="Forget what an interrupted run has done.")
    ] = False,
    force: Annotated[bool, typer.Option("--force", help="Replace a map that is there.")] = False,
    seed: opt.Seed = 0,
    json: opt.Json = False,
) -> None:
    """Days to emergence for every cell of a grid: crops, treatments and planting days.

    The grid may be larger than memory. An interrupted map goes on where it stopped when
    the same command is given again.

    Example: thermosprout map grid.nc --crop carrot --sow 2026-03-01 --until 2026-05-31 --out map.nc
    """
    days = sowing_days(sow, every, until)
    ways = treatment or ["direct"]
    try:
        import dask  # noqa: F401
        import zarr  # noqa: F401
    except ImportError:
        raise InputError(
            "maps need dask and zarr", hint="install them with pip install 'thermosprout[scale]'"
        ) from None

    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.crop import cautions
    from thermosprout.emergence.forecast import STAGES
    from thermosprout.maps.files import open_grid, tiles, write_map
    from thermosprout.maps.map import emergence_map, map_summary

    grid, reads = open_grid(
        soil, variable=variable or None, minimum=minimum or None, maximum=maximum or None,
        values_per_cell=len(crop) * len(ways) * len(days) * len(STAGES) * 3,
        threads=threads, memory_gb=memory_gb, tile_cells=tile_cells,
    )  # fmt: skip
    if reads > 4:
        note(
            f"The file is stored in pieces so large that each is read {reads} times; store it in "
            "chunks of all times and few cells, or allow more --memory-gb, to be quicker."
        )
    result = emergence_map(
        grid, crop, sowings=days, treatments=ways, depth_cm=depth_cm, seeds=seeds, soak_h=soak_h,
        sprout_h=sprout_h, seed=seed,
    )  # fmt: skip
    if set(ways) != {"direct"}:
        for caution in cautions(map(find_crop, crop), ways):
            note(f"Caution: {caution}")
    steps: list[int] = []
    with _cluster(scheduler) as client, progress("Tiles", len(tiles(result))) as advance:

        def report(count: int, total: int) -> None:
            if not steps and count:
                note(f"Going on with an interrupted map: {count} of {total} tiles are done.")
            advance(count - (steps[-1] if steps else 0))
            steps.append(count)

        try:
            write_map(
                result, out, threads=threads, client=client, restart=restart, overwrite=force,
                progress=report,
            )  # fmt: skip
        except KeyboardInterrupt:
            note("The same command goes on from here.")
            raise
    rows = map_summary(out)
    if json:
        print_json({"out": str(out), "tiles": steps[-1], "tiles_before": steps[0], "rows": rows})
        return
    say(
        plain_table(
            "Days from planting to half emergence, over the cells of the map",
            rows,
            ("crop", lambda row: row["crop"]),
            ("treatment", lambda row: row["treatment"]),
            ("planted", lambda row: row["planted"][:10]),
            ("started", lambda row: _lead(row["days_before_planting"])),
            (
                ">reached",
                lambda row: "no soil" if row["reached"] is None else percent(row["reached"]),
            ),
            (">soonest", lambda row: number(row["days_since_planted"]["soonest"], 1)),
            (">mean", lambda row: number(row["days_since_planted"]["mean"], 1)),
            (">latest", lambda row: number(row["days_since_planted"]["latest"], 1)),
        )
    )
    note(f"Wrote {out}")


def sowing_days(sow: list[str], every: int, until: str) -> list[date]:
    """Days of planting of the options; --until must fit them."""
    days = [read_day(text, what="--sow") for text in sow]
    if not until:
        return sorted(set(days))
    last = read_day(until, what="--until")
    if len(days) != 1:
        raise InputError(f"--until goes on from one --sow day, found {len(days)}")
    if last < days[0]:
        raise InputError(f"--until {last} lies before --sow {days[0]}")
    steps = (last - days[0]).days // every
    return [days[0] + timedelta(days=every * step) for step in range(steps + 1)]


@contextmanager
def _cluster(address: str) -> Iterator[Any]:
    """Client of the scheduler at an address, None without one."""
    if not address:
        yield None
        return
    from distributed import Client

    try:
        client = Client(address, timeout=SECONDS_TO_ANSWER)  # type: ignore[no-untyped-call]
    except (OSError, TimeoutError, ValueError) as error:
        raise ServiceError(
            f"no dask scheduler answers at {address} ({type(error).__name__})",
            hint="start one with `dask scheduler`, and `dask worker ADDRESS` beside it",
        ) from None
    with client:
        yield client


def _lead(days: float) -> str:
    return f"{days:.1f} d before" if days else ""
