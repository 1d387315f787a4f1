"""Options that the commands on records share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

RecordsFile = Annotated[Path, typer.Argument(help="The trial's records file (CSV).")]
Timezone = Annotated[
    str,
    typer.Option(
        help="IANA time zone of dates that stand alone; the offset of the plots' planting, or UTC, "
        "by default."
    ),
]
SeasonFile = Annotated[
    Path | None, typer.Option("--season", help="Season file (TOML), for its time zone.")
]


def zone_of(timezone: str, season: Path | None, records: Path | None = None) -> str:
    """Time zone asked for, or else that of the season, of the records' plantings, or UTC.

    Raises
    ------
    InputError
        When the season file is at fault.
    """
    if timezone:
        return timezone
    if season is None:
        from thermosprout.trials.records.append import own_clock

        return "UTC" if records is None else own_clock(records)
    from thermosprout.season.load import load_season

    return load_season(season).data.site.timezone
