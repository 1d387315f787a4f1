"""Options and arguments that several commands share: one wording for each."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from thermosprout.quantities import Units

if TYPE_CHECKING:
    from thermosprout.season.context import Context
    from thermosprout.season.setting import Question


Season = Annotated[Path, typer.Argument(help="The season file (TOML).")]
SeasonOrOptions = Annotated[
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
Cover = Annotated[str, typer.Option("--cover", help="Cover on the bed, such as fleece.")]
SoakH = Annotated[
    list[float] | None, typer.Option("--soak-h", help="Soak to weigh [h]; can be repeated.")
]


def handling_c(help: str) -> Any:
    """Option of a temperature at which seed is handled indoors. [degC]"""
    return typer.Option(min=0.0, max=40.0, help=help)


RoomC = Annotated[float, handling_c("Temperature of the room [°C].")]
Plants = Annotated[int, typer.Option("--plants", min=1, help="Plants wanted.")]

AsOf = Annotated[
    str,
    typer.Option("--as-of", help="Day or instant taken as today, as 2026-05-01; now by default."),
]
AsOfDay = Annotated[str, typer.Option("--as-of", help="Day taken as today, as 2026-05-01.")]
Draws = Annotated[
    int,
    typer.Option(
        "--draws", min=100, max=100_000, help="Outcomes drawn; more are steadier and slower."
    ),
]
Seed = Annotated[int, typer.Option("--seed", min=0, help="Seed of the random numbers.")]
Offline = Annotated[bool, typer.Option("--offline", help="Ask no service; use what is cached.")]

SeriesOut = Annotated[Path | None, typer.Option("--out", help="Write time_utc,soil_temp_C here.")]
Plot = Annotated[Path | None, typer.Option("--plot", help="Write a picture: .png, .svg or .pdf.")]
UnitsShown = Annotated[Units, typer.Option("--units", help="Units shown.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


RecordsFile = Annotated[Path, typer.Argument(help="The trial's records file (CSV).")]
Timezone = Annotated[
    str,
    typer.Option(
        help="IANA time zone of dates that stand alone; the offset of the plots' planting, or UTC, "
        "by default."
    ),
]
ZoneSeason = Annotated[
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


def ask(
    *,
    crop: str = "",
    lot: str = "",
    bed: str = "",
    cover: str = "",
    depth_cm: float | None = None,
    germination: float | None = None,
    seeds_tested: int | None = None,
    **sources: Any,
) -> tuple[Context, Question]:
    """Open what the options name; a lot that is not of the season is one of their figures."""
    from thermosprout.crops.seed_lots import SeedLot
    from thermosprout.season.open_context import open_context
    from thermosprout.season.setting import Question

    seed: str | SeedLot = lot
    if not lot and germination is not None:
        germinated = None if seeds_tested is None else round(germination * seeds_tested)
        seed = SeedLot(
            id="as given",
            crop=crop,
            germination=germination,
            seeds_tested=seeds_tested,
            seeds_germinated=germinated,
        )
    question = Question(crop=crop, lot=seed, bed=bed, cover=cover, depth_cm=depth_cm)
    return open_context(**sources), question


def show(document: dict[str, Any], tables: list[Any], context: Context, *, json: bool) -> None:
    """Print the answer; how files were read goes to standard error."""
    from thermosprout.cli.output import console, note, print_json

    for sentence in context.notes:
        note(sentence)
    if json:
        print_json(document)
        return
    out = console()
    for item in tables:
        out.print(item)
