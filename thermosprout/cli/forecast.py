"""``thermosprout forecast``: dated odds of emergence for every row of a season."""

from __future__ import annotations

from typing import Annotated

import typer

from thermosprout.cli import options as opt
from thermosprout.quantities import Units


def forecast(
    season: opt.Season,
    as_of: opt.AsOf = "",
    row: Annotated[list[str] | None, typer.Option(help="Only this row; can be repeated.")] = None,
    plot: opt.Plot = None,
    units: opt.UnitsShown = Units.METRIC,
    draws: opt.Draws = 1000,
    seed: opt.Seed = 0,
    offline: opt.Offline = False,
    json: opt.Json = False,
) -> None:
    """When each row shows, how full it stands, and until when to wait.

    Example: thermosprout forecast season.toml --as-of 2026-05-08 --plot rows.png
    """
    from thermosprout.cli.output import console, note, print_json, progress
    from thermosprout.dates import today
    from thermosprout.season.forecast import forecast_season
    from thermosprout.season.load import load_season

    loaded = load_season(season)
    for name in row or ():
        loaded.require_row(name)
    as_seen = today(as_of, loaded.data.site.zone)
    with progress("Forecasting rows", len(row or loaded.data.rows)) as tick:
        result = forecast_season(
            loaded, as_of=as_seen, size=draws, seed=seed, offline=offline,
            only=frozenset(row) if row else None, tick=tick,
        )  # fmt: skip
    document = result.to_dict()
    for sentence in result.notes:
        note(sentence)
    if json:
        print_json(document)
    else:
        from thermosprout.reports.forecast_table import forecast_tables

        out = console()
        for item in forecast_tables(document, units, out.width):
            out.print(item)
    if plot is not None:
        from thermosprout.reports.forecast_plot import forecast_figure
        from thermosprout.reports.style import save_figure
        from thermosprout.season.curves import emergence_curves

        save_figure(forecast_figure(emergence_curves(result), units), plot)
        note(f"Wrote {plot}")
