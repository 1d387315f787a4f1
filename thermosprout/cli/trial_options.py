"""Options that the commands on records share."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

RecordsFile = Annotated[Path, typer.Argument(help="The trial's records file (CSV).")]
Timezone = Annotated[
    str, typer.Option(help="IANA time zone of dates that stand alone; UTC by default.")
]
SeasonFile = Annotated[
    Path | None, typer.Option("--season", help="Season file (TOML), for its time zone.")
]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


def zone_of(timezone: str, season: Path | None) -> str:
    """Time zone asked for, or else that of the season, or else UTC.

    Raises
    ------
    InputError
        When the season file is at fault.
    """
    if timezone or season is None:
        return timezone or "UTC"
    from thermosprout.season.load import load_season

    return load_season(season).data.site.timezone
