"""Options and arguments that several commands share: each declared once, with one wording.

An option of a single command stands in the command's own file, made by :func:`number` or
:func:`day` where it takes a number or a date: both refuse what cannot be meant.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, fields
from datetime import date
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal, get_type_hints
from zoneinfo import ZoneInfo

import typer

from thermosprout.cli.output import PICTURES, answer, note, require_ending, tell
from thermosprout.dates import read_coordinates, read_day, read_days, read_moment
from thermosprout.errors import InputError
from thermosprout.files import read_text
from thermosprout.quantities import Units

if TYPE_CHECKING:
    import xarray as xr

    from thermosprout.crops.crop import Crop
    from thermosprout.season.context import Context
    from thermosprout.season.setting import Question

SEASON_HERE = Path("season.toml")
"""Season file that every command takes where it is run and none is named."""

Ground = Literal["bare", "grass"]
TreatmentName = Literal["direct", "soaked", "presprouted"]
SeasonKind = Literal["cool", "warm"]
SizeKind = Literal["small", "medium", "large"]


# --- numbers and dates ---------------------------------------------------------------------------


def number(low: float, high: float, *names: str, help: str) -> Any:
    """Option that takes a number from ``low`` to ``high``, and nothing that is no number."""
    whole = isinstance(low, int) and isinstance(high, int)
    bounds = f"{low} to {high}" if whole else f"{low:g} to {high:g}"
    convert: Callable[[Any], float] = int if whole else float

    def read(text: Any) -> float:
        with suppress(ValueError):
            if low <= (value := convert(text)) <= high:
                return value
        kind = "a whole number" if whole else "a number"
        raise typer.BadParameter(f"{str(text)!r} is not {kind} from {bounds}")

    return typer.Option(
        *names, parser=read, help=f"{help}  [{bounds}]", metavar="N" if whole else "NUMBER"
    )


def day(*names: str, help: str) -> Any:
    """Option that takes a date such as 2026-05-01."""
    return typer.Option(*names, help=help, metavar="DATE", callback=_refusing(read_day))


def days(*names: str, help: str) -> Any:
    """Option that takes a date, or a first and a last one: 2026-05-01/2026-05-08."""
    return typer.Option(*names, help=help, metavar="DATE[/DATE]", callback=_refusing(read_days))


def moment(*names: str, help: str) -> Any:
    """Option that takes a date, or a date and time with its offset from UTC."""
    read = partial(read_moment, zone=ZoneInfo("UTC"))
    return typer.Option(*names, help=help, metavar="DATE", callback=_refusing(read))


def place(*names: str, help: str) -> Any:
    """Option that takes latitude and longitude."""
    check = _refusing(lambda text, what: read_coordinates(text))
    return typer.Option(*names, help=help, metavar="PLACE", callback=check)


def folder(*names: str, help: str) -> Any:
    """Option that takes a folder."""
    return typer.Option(*names, help=help, metavar="DIR")


def output(*words: str, help: str) -> Any:
    """Option that takes a file to write: its endings and names; another ending is refused."""
    endings = tuple(word for word in words if word.startswith("."))

    def check(value: Path | None) -> Path | None:
        if value is not None:
            require_ending(value, endings)
        return value

    return typer.Option(*(word for word in words if word not in endings), help=help, callback=check)


def day_of(text: str) -> date | None:
    """Day of an option that took one, None where it was left empty."""
    return read_day(text) if text else None


def _refusing(read: Callable[..., Any]) -> Callable[[typer.CallbackParam, Any], Any]:
    """Callback that reads each text of an option and leaves it as it is: a fault is told early."""

    def check(param: typer.CallbackParam, value: Any) -> Any:
        for text in value if isinstance(value, list) else (value,):
            if text:
                read(text, what=param.opts[-1])
        return value

    return check


# --- what is asked about -------------------------------------------------------------------------

Season = Annotated[
    Path | None,
    typer.Argument(metavar="SEASON", help="Season file (TOML); season.toml here by default."),
]
SeasonOption = Annotated[
    Path | None, typer.Option("--season", help="Season file (TOML); season.toml here by default.")
]
CropName = Annotated[str, typer.Option("--crop", help="Crop, by any of its names.")]
CropSeason = Annotated[
    SeasonKind | None,
    typer.Option("--crop-season", help="Growing season of a crop the catalogue lacks."),
]
SeedSize = Annotated[
    SizeKind | None, typer.Option("--seed-size", help="Size of seed of a crop the catalogue lacks.")
]
Treatment = Annotated[TreatmentName, typer.Option("--treatment", help="How the seed is handled.")]
AtOrSeason = Annotated[
    str, place("--at", help='Place, such as "56.2, -3.1"; the season\'s by default.')
]
Elevation = Annotated[
    float | None, number(-450.0, 6000.0, "--elevation-m", help="Height above the sea [m].")
]
Zone = Annotated[
    str, typer.Option("--timezone", metavar="ZONE", help="IANA time zone, if no file gives it.")
]
RoomC = Annotated[float, number(0.0, 40.0, "--room-c", help="Temperature of the room [°C].")]
Plants = Annotated[int, number(1, 1_000_000, "--plants", help="Plants you want.")]


# --- how it is worked out and shown --------------------------------------------------------------

AsOf = Annotated[
    str, moment("--as-of", help="Day or time to take as now, such as 2026-05-01; now by default.")
]
Draws = Annotated[
    int, number(100, 100_000, "--draws", help="Outcomes to draw; more are steadier and slower.")
]
Seed = Annotated[
    int,
    number(
        0,
        2**32 - 1,
        "--seed",
        help="Start of the random numbers; the same one gives the same answer.",
    ),
]
Offline = Annotated[bool, typer.Option("--offline", help="Ask no service; use what is cached.")]

SeriesOut = Annotated[
    Path | None, output(".csv", help="Write hourly soil temperature here (.csv).")
]
Plot = Annotated[
    Path | None, output(*PICTURES, "--plot", help="Write a picture: .png, .svg or .pdf.")
]
Force = Annotated[bool, typer.Option("--force", help="Replace files that are there.")]
UnitsShown = Annotated[Units, typer.Option("--units", help="Units shown.")]
Json = Annotated[bool, typer.Option("--json", help="Print one JSON document.")]


# --- records -------------------------------------------------------------------------------------

RecordsFile = Annotated[
    Path | None,
    typer.Argument(metavar="RECORDS", help="Records file (CSV); the season's own by default."),
]
Timezone = Annotated[
    str,
    typer.Option(
        "--timezone",
        metavar="ZONE",
        help="IANA time zone of dates; the season's, the records' or UTC by default.",
    ),
]


def season_here(season: Path | None, *, say: bool = True) -> Path | None:
    """Season file that is named, else ``season.toml`` of the current folder, else None."""
    if season is not None or not SEASON_HERE.is_file():
        return season
    if say:
        note(f"Season: {SEASON_HERE}")
    return SEASON_HERE


def require_season(season: Path | None, *, say: bool = True) -> Path:
    """Season file that is named, or that is here; an error where there is none."""
    path = season_here(season, say=say)
    if path is None:
        raise InputError(
            "no season file is named and there is no season.toml here",
            hint="name one, or write one with `thermosprout start`",
        )
    return path


def place_of(at: str, season: Path | None) -> tuple[float, float]:
    """Latitude and longitude of ``--at``, else of the season; an error without both. [degrees]"""
    if at:
        return read_coordinates(at)
    path = season_here(season)
    if path is None:
        raise InputError("no place is named", hint='add --at "56.2, -3.1"')
    from thermosprout.season.load import load_season

    site = load_season(path).data.site
    return site.latitude, site.longitude


def like_crop(name: str, season: SeasonKind | None, seed_size: SizeKind | None) -> tuple[Crop, str]:
    """Crop like those of a growing season and seed size, and what it is like in words."""
    from thermosprout.crops.catalogue import generic_crop

    grown, size = season or "cool", seed_size or "medium"
    return generic_crop(name, season=grown, seed_size=size), f"{grown}-season crop with {size} seed"


def crop_or_like(name: str, season: SeasonKind | None, seed_size: SizeKind | None) -> Crop:
    """Crop of the catalogue, else one like those of a growing season and seed size, if named."""
    from thermosprout.crops.catalogue import find_crop

    try:
        return find_crop(name)
    except InputError as error:
        if season is None and seed_size is None:
            way = "--crop-season and --seed-size describe a crop the catalogue lacks"
            raise InputError(error.what, hint="; ".join(filter(None, (error.hint, way)))) from None
    crop, like = like_crop(name, season, seed_size)
    note(f"{name} is not in the catalogue: taken as a {like}.")
    return crop


def require_records(records: Path | None, season: Path | None) -> Path:
    """Records file that is named, or that the season names; an error where there is none."""
    path = records or (season_words(season)[1] if season is not None else None)
    if path is None:
        raise InputError("no records file is named", hint="name one, such as trial.csv")
    return path


def season_of_records(season: Path, files: Sequence[Path]) -> Path | None:
    """Return the season, if one of the files is the records file that it names."""
    own = season_words(season)[1]
    same = own is not None and any(path.resolve() == own.resolve() for path in files)
    return season if same else None


def season_words(season: Path) -> tuple[str, Path | None]:
    """Time zone of a season file and the records file it names, read without the science."""
    import tomllib

    try:
        document = tomllib.loads(read_text(season))
        zone, name = document["site"]["timezone"], document.get("records", {}).get("file")
        ZoneInfo(zone)
    except (KeyError, TypeError, AttributeError, ValueError, OSError):
        # What is wrong with the file is said by the one who reads it whole.
        from thermosprout.season.load import load_season

        data = load_season(season).data
        zone, name = data.site.timezone, data.records.file if data.records else None
    return zone, None if name is None else season.parent / name


def records_zone(timezone: str, season: Path | None, records: Path | None = None) -> str:
    """Time zone that is named, else that of the season, of the records' plantings, or UTC."""
    if timezone:
        return timezone
    if season is not None:
        return season_words(season)[0]
    from thermosprout.trials.records.read import records_timezone

    return "UTC" if records is None else records_timezone(records)


def records_of(records: Path | None, season: Path | None, timezone: str) -> tuple[Path, str]:
    """Records file and time zone that a command on records is about."""
    season = season_here(season)
    path = require_records(records, season)
    return path, records_zone(timezone, season, path)


def refuse(options: Mapping[str, Any], why: str, hint: str) -> None:
    """Refuse the first option that is used here, where it would have no effect."""
    for option, value in options.items():
        if value not in (None, ""):
            raise InputError(f"{option} {why}", hint=hint)


def logger_series(path: Path, timezone: str, *, json: bool) -> tuple[xr.DataArray, list[str]]:
    """Soil temperature of a file, with the doubts that the user has not accepted yet."""
    from thermosprout.soil.readers.logger import read_bridged

    series, sentences = read_bridged(path, timezone=None if timezone == "UTC" else timezone)
    return series, tell(sentences, series.attrs["doubts"], json=json)


# --- one question about a sowing -----------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Sowing:
    """Options that the planning commands share; each command takes those it names."""

    season: Season = None
    crop: CropName = ""
    lot: Annotated[str, typer.Option("--lot", help="Seed lot of the season file.")] = ""
    crop_season: CropSeason = None
    seed_size: SeedSize = None
    bed: Annotated[str, typer.Option("--bed", help="Bed of the season file.")] = ""
    constant: Annotated[
        float | None, number(-5.0, 60.0, "--constant", help="Constant soil temperature [°C].")
    ] = None
    reading: Annotated[
        float | None,
        number(
            -5.0,
            60.0,
            "--reading",
            help="Soil thermometer's reading of this week [°C], for a rough answer.",
        ),
    ] = None
    soil: Annotated[
        Path | None, typer.Option("--soil", help="Soil temperature at seed depth (CSV).")
    ] = None
    weather: Annotated[
        Path | None,
        typer.Option("--weather", help="Weather (CSV): air, rain, frost, effect of covers."),
    ] = None
    air_c: Annotated[
        float | None,
        number(-20.0, 60.0, "--air-c", help="Constant air temperature for growth [°C]."),
    ] = None
    at: Annotated[
        str, place("--at", help='Place, where no season file gives it, such as "56.2, -3.1".')
    ] = ""
    timezone: Zone = ""
    surface: Annotated[
        Ground, typer.Option("--surface", help="Ground for soil modelled from weather.")
    ] = "bare"
    cover: Annotated[str, typer.Option("--cover", help="Cover on the bed, such as fleece.")] = ""
    depth_cm: Annotated[
        float | None, number(0.2, 30.0, "--depth-cm", help="Sowing depth [cm].")
    ] = None
    dry_bed: Annotated[
        bool, typer.Option("--dry-bed", help="The bed is dry when the seed goes in.")
    ] = False
    germination: Annotated[
        float | None,
        number(0.0, 1.0, "--germination", help="Share of the lot that germinates, such as 0.85."),
    ] = None
    seeds_tested: Annotated[
        int | None, number(1, 100_000, "--seeds-tested", help="Seeds in the germination test.")
    ] = None
    soak_h: Annotated[
        list[float] | None,
        number(0.0, 240.0, "--soak-h", help="Soak to compare [h]; repeat for several."),
    ] = None
    room_c: RoomC = 20.0
    as_of: AsOf = ""
    offline: Offline = False
    draws: Draws = 1000
    seed: Seed = 0
    force: Force = False
    units: UnitsShown = Units.METRIC
    json: Json = False

    def open(
        self,
        *,
        crop: str = "",
        constant_C: float | None = None,
        row: Mapping[str, Any] | None = None,
        planted: str = "",
    ) -> tuple[Context, Question]:
        """Open what the options name; a lot that is not of the season is one of their figures.

        ``crop`` is that of a command with an option of its own for it, ``constant_C`` the constant
        temperature [degC] to take where there is no season file, ``row`` the facts of one row that
        is asked about beside its crop, lot, depth and bed, and ``planted`` its day.
        """
        from thermosprout.crops.seed_lots import lot_or_test
        from thermosprout.season.open_context import open_context
        from thermosprout.season.setting import Question

        name = crop or self.crop
        lot = lot_or_test(self.lot, name, self.germination, self.seeds_tested)
        season = self.season if self.at else season_here(self.season)
        kind: str | Crop = name
        if name and (season is None or self.crop_season or self.seed_size):
            kind = crop_or_like(name, self.crop_season, self.seed_size)
        if row is not None:
            row = {
                "crop": kind, "lot": lot, "depth_cm": self.depth_cm, "dry_bed": self.dry_bed, **row
            }  # fmt: skip
        latitude, longitude = read_coordinates(self.at) if self.at else (None, None)
        context = open_context(
            season=season, soil=self.soil, weather=self.weather,
            constant_C=constant_C if self.constant is None and season is None else self.constant,
            reading_C=self.reading, row=row, planted=day_of(planted),
            air_C=self.air_c, latitude=latitude, longitude=longitude, timezone=self.timezone,
            surface=self.surface, as_of=self.as_of, offline=self.offline, size=self.draws,
            seed=self.seed,
        )  # fmt: skip
        question = Question(
            crop=kind, lot=lot, bed=self.bed, cover=self.cover, depth_cm=self.depth_cm,
            dry_bed=self.dry_bed,
        )  # fmt: skip
        return context, question

    def show(self, document: dict[str, Any], tables: list[Any], context: Context) -> None:
        """Print the answer; how files were read, where it does not say it, to standard error."""
        notes = [text for text in context.notes if text not in document["notes"]]
        tell(notes, context.doubts, json=self.json)
        answer(document, tables, json=self.json)


_FIRST = ("season", "crop", "crop_season", "seed_size", "lot", "bed")


def asks(*names: str) -> Callable[[Callable[..., None]], Callable[..., None]]:
    """Give a command the options of :class:`Sowing` that it names, beside its own.

    The command takes a ``Sowing`` first and its own options after it. With the crop come the two
    options that describe one the catalogue lacks.
    """
    if "crop" in names:
        names = (*names, "crop_season", "seed_size")
    annotations = get_type_hints(Sowing, include_extras=True)
    shared = {
        field.name: inspect.Parameter(
            field.name,
            inspect.Parameter.KEYWORD_ONLY,
            default=field.default,
            annotation=annotations[field.name],
        )
        for field in fields(Sowing)
        if field.name in names
    }

    def wrap(command: Callable[..., None]) -> Callable[..., None]:
        own = [
            parameter.replace(kind=inspect.Parameter.KEYWORD_ONLY)
            for parameter in inspect.signature(command, eval_str=True).parameters.values()
        ][1:]

        def run(**values: Any) -> None:
            sowing = Sowing(**{name: values.pop(name) for name in shared if name in values})
            command(sowing, **values)

        parameters = [
            *(shared[name] for name in _FIRST if name in shared),
            *own,
            *(item for name, item in shared.items() if name not in _FIRST),
        ]
        run.__name__, run.__qualname__ = command.__name__, command.__qualname__
        run.__doc__, run.__module__ = command.__doc__, command.__module__
        run.__signature__ = inspect.Signature(parameters)  # type: ignore[attr-defined]
        run.__annotations__ = {item.name: item.annotation for item in parameters}
        return run

    return wrap
