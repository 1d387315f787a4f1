"""Options that the planning commands share, and how they become a question."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.quantities import Units

if TYPE_CHECKING:
    from thermosprout.planning.sources import Sources

SeasonFile = Annotated[
    Path | None, typer.Argument(help="A season file (TOML); or say it with the options.")
]
CropName = Annotated[str, typer.Option("--crop", help="Crop by any of its names.")]
LotName = Annotated[str, typer.Option("--lot", help="Seed lot of the season file.")]
BedName = Annotated[str, typer.Option("--bed", help="Bed of the season file.")]
Constant = Annotated[
    float | None, typer.Option("--constant", metavar="C", help="Constant soil temperature [°C].")
]
SoilFile = Annotated[
    Path | None, typer.Option("--soil", help="Soil temperature series (CSV) at seed depth.")
]
WeatherFile = Annotated[
    Path | None, typer.Option("--weather", help="Weather table (CSV): air, covers, frosts.")
]
AirC = Annotated[
    float | None, typer.Option("--air-c", help="Constant air temperature for growth [°C].")
]
Latitude = Annotated[float | None, typer.Option("--lat", help="Latitude, degrees north.")]
Longitude = Annotated[float | None, typer.Option("--lon", help="Longitude, degrees east.")]
Zone = Annotated[str, typer.Option("--timezone", help="IANA zone, where no season file names it.")]
Surface = Annotated[
    str, typer.Option("--surface", help="Ground for soil modelled from weather: bare or grass.")
]
DepthCm = Annotated[float | None, typer.Option("--depth-cm", help="Sowing depth [cm].")]
Germination = Annotated[
    float | None, typer.Option("--germination", help="Share of the lot that germinates, as 0.85.")
]
SeedsTested = Annotated[
    int | None, typer.Option("--seeds-tested", help="Seeds in the germination test.")
]
AsOf = Annotated[str, typer.Option("--as-of", help="Day taken as today, as 2026-05-01.")]
Offline = Annotated[bool, typer.Option("--offline", help="Ask no service; use what is cached.")]
Seed = Annotated[int, typer.Option(min=0, help="Seed of the random numbers.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]
UnitsOption = Annotated[Units, typer.Option("--units", help="Units shown.")]


def sources_of(*, as_of: str = "", timezone: str = "", **named: Any) -> Sources:
    """Open what the options name; a day given as today is its local evening."""
    from datetime import datetime, time
    from zoneinfo import ZoneInfo

    from thermosprout.errors import InputError
    from thermosprout.planning.sources import Asked, Sources

    sources = Sources(Asked(timezone=timezone, **named))
    if not as_of:
        return sources
    try:
        day = datetime.fromisoformat(as_of)
    except ValueError:
        raise InputError(f"{as_of!r} is no day; write it as 2026-05-01") from None
    if day.tzinfo is None:
        clock = time(20) if len(as_of) <= 10 else day.time()
        day = datetime.combine(day.date(), clock, tzinfo=ZoneInfo(str(sources.zone)))
    from dataclasses import replace

    sources.asked = replace(sources.asked, as_of=day)
    return sources


def show(document: dict[str, Any], tables: list[Any], sources: Sources, *, json: bool) -> None:
    """Print the answer; how files were read goes to standard error."""
    from thermosprout.cli.output import console, note, print_json

    for sentence in dict.fromkeys(sources.notes):
        note(sentence)
    if json:
        print_json(document)
        return
    out = console()
    for item in tables:
        out.print(item)
