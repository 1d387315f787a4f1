"""``thermosprout sow-again``: wait for a poor row, fill its gaps, or start anew."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.cli.plan_sources import ask, show
from thermosprout.quantities import Units


def sow_again(
    season: Annotated[Path, typer.Argument(help="A season file (TOML).")],
    row: Annotated[str, typer.Option(help="Row of the season file.")],
    plants: Annotated[
        int | None, typer.Option(min=1, help="Plants wanted; one for each station by default.")
    ] = None,
    ahead: Annotated[int, typer.Option(min=1, max=60, help="Days to look ahead.")] = 14,
    new_lot: Annotated[str, typer.Option(help="Lot of a new sowing; the old one by default.")] = "",
    weather: opt.WeatherFile = None,
    air_c: opt.AirC = None,
    room_c: Annotated[float, opt.handling_c("Where gap seed would sprout [°C].")] = 20.0,
    as_of: opt.AsOfDay = "",
    offline: opt.Offline = False,
    seed: opt.Seed = 0,
    units: opt.UnitsShown = Units.METRIC,
    json: opt.Json = False,
) -> None:
    """A row is late or gappy: wait, fill the gaps with sprouted seed, or sow again?

    Example: thermosprout sow-again season.toml --row N4 --as-of 2026-05-08
    """
    from thermosprout.planning.poor_row import weigh_poor_row
    from thermosprout.reports.plan_tables import sow_again_tables

    context, _ = ask(
        season=season, weather=weather, air_C=air_c, as_of=as_of, offline=offline, seed=seed
    )
    document = weigh_poor_row(
        context, row, wanted=plants, ahead_d=ahead, room_C=room_c, new_lot=new_lot
    ).to_dict()
    show(document, sow_again_tables(document, units), context, json=json)
