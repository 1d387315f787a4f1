"""A first season file, written with notes on everything else it may hold."""

from __future__ import annotations

import difflib
from dataclasses import dataclass
from datetime import date
from pathlib import Path

from thermosprout.crops.catalogue import find_crop
from thermosprout.dates import read_day
from thermosprout.errors import InputError, Place
from thermosprout.files import toml_string
from thermosprout.trials.design import sprout_hours

TREATMENTS = ("direct", "soaked", "presprouted")


@dataclass(frozen=True, kw_only=True)
class NewRow:
    """One row of a new file; ``hours`` of soaking or of sprouting indoors."""

    crop: str
    treatment: str
    planted: date
    hours: float | None = None


@dataclass(frozen=True, kw_only=True)
class NewSeason:
    """The few answers a season file needs: a soil file, or a weather service."""

    place: str
    latitude: float
    longitude: float
    timezone: str
    rows: tuple[NewRow, ...]
    service: str | None = None
    soil_file: str | None = None
    soil_depth_cm: float = 5.0
    surface: str = "unknown"


def season_text(new: NewSeason) -> str:
    """Text of the file: format 1, with what else it may hold as notes behind ``#``."""
    parts = [_HEAD, _site(new), _soil(new), _OFFERS]
    parts += [_row(index, row) for index, row in enumerate(new.rows, 1)]
    return "\n".join(parts) + _ROW_OFFERS


_HEAD = """\
# A season, read by thermosprout. Lines behind # are notes: take the # away to use one.
# A date alone stands for that day on your own clock.
format = 1
"""

_OFFERS = """\
# --- seed lots: what is known of the seed in the packet --------------------------------------
# [[lots]]
# id = "PACKET1"
# crop = "parsnip"
# variety = "name on the packet"
# germination = 0.74               # share that came up in a germination test
# seeds_tested = 100
# year = 2025                      # year of harvest
# storage = "cool cellar"          # or "kitchen drawer", "fridge with desiccant"
# dressed = false                  # true for treated seed: not soaked or sprouted at home

# --- beds --------------------------------------------------------------------------------------
# [[beds]]
# id = "north"
# length_m = 8
# width_m = 1.2
# free_from = 2026-05-26

# --- counts of what came up, added by `thermosprout record` ------------------------------------
# [records]
# file = "counts.csv"

# --- rows ----------------------------------------------------------------------------------------
"""

_ROW_OFFERS = """
# More about a row, where it is known:
# lot = "PACKET1"                  # instead of crop
# bed = "north"
# started = 2026-04-03             # the day the seed was wetted, for soaked and presprouted rows
# depth_cm = 1.5                   # the usual depth of the crop otherwise
# stations = 40
# seeds_per_station = 3
# note = ""
"""


def _site(new: NewSeason) -> str:
    return (
        "[site]\n"
        f"name = {toml_string(new.place)}\n"
        f"latitude = {new.latitude!r}            # north is positive\n"
        f"longitude = {new.longitude!r}           # east is positive\n"
        f"timezone = {toml_string(new.timezone)}\n"
        "# elevation_m = 60\n"
        '# texture = "sandy loam"          # of the soil; loam otherwise\n'
    )


def _soil(new: NewSeason) -> str:
    lines = ["[soil]                           # where soil temperature comes from"]
    if new.soil_file is not None:
        lines.append(f"file = {toml_string(new.soil_file)}")
    else:
        lines.append(f"service = {toml_string(str(new.service))}")
    lines += [
        f"depth_cm = {new.soil_depth_cm!r}",
        f'surface = {toml_string(new.surface)}    # "bare" or "grass" ground over the sensor',
    ]
    if new.soil_file is not None:
        lines += [
            '# file_timezone = "UTC+1"          # where the logger keeps other clocks',
            '# service = "open-meteo"           # goes on where the file ends, over the network',
            '# past_years_file = "years.csv"    # or past seasons of the same spot do',
        ]
    return "\n".join(lines) + "\n"


def _row(index: int, row: NewRow) -> str:
    lines = [
        "[[rows]]",
        f"id = {toml_string(f'row {index}')}",
        f"crop = {toml_string(row.crop)}",
        f"treatment = {toml_string(row.treatment)}",
        f"planted = {row.planted.isoformat()}",
    ]
    if row.treatment == "soaked":
        lines.append(f"soak_h = {row.hours!r}")
    elif row.treatment == "presprouted":
        lines.append(f"sprout_h = {row.hours!r}   # indoors, from wetting to planting")
        lines.append("# room_C = 20")
    return "\n".join(lines) + "\n"


SERVICES = ("open-meteo", "nasa-power")
SURFACES = ("bare", "grass", "unknown")
_ROOM_C = 20.0


def read_row(text: str, today: date) -> NewRow:
    """Row from CROP/TREATMENT/DAY, of which the crop alone is needed."""
    parts = [part.strip() for part in text.split("/")]
    if len(parts) > 3:
        raise InputError(f"the row {text!r} has too many parts", hint="write CROP/TREATMENT/DAY")
    crop = read_crop(parts[0])
    treatment = read_treatment(parts[1]) if len(parts) > 1 and parts[1] else "direct"
    day = read_day(parts[2]) if len(parts) > 2 else today
    return NewRow(crop=crop, treatment=treatment, planted=day, hours=usual_hours(crop, treatment))


def usual_hours(crop: str, treatment: str) -> float | None:
    """Hours to begin with: half a day's soak or what the crop stands, sprouting to 2 or 3 mm."""
    if treatment == "soaked":
        return find_crop(crop).usual_soak_h
    if treatment == "presprouted":
        return sprout_hours(find_crop(crop), _ROOM_C) or 72.0
    return None


def read_name(text: str) -> str:
    """Name of a place."""
    plain = " ".join(text.split())
    if not plain or len(plain) > 120 or not plain.isprintable():
        raise InputError(f"{text[:40]!r} is not a name; a name has 1 to 120 characters")
    return plain


def read_soil(text: str, season: Path) -> str:
    """Weather service, or a file in the season's folder, as the season names it."""
    if text in SERVICES:
        return text
    folder = season.absolute().parent.resolve()
    path = (folder / text).resolve()
    if not path.is_relative_to(folder):
        raise InputError(
            "the file lies outside the folder of the season",
            place=Place(file=text),
            hint="copy it there",
        )
    if path.is_dir() or not path.suffix:
        raise InputError(
            f"{text!r} is neither a CSV file nor a weather service",
            hint=f"the services are {' and '.join(SERVICES)}",
        )
    return path.relative_to(folder).as_posix()


def read_depth(text: str) -> float:
    """Depth of a sensor. [cm]"""
    value = _number(text, "cm")
    if not 0.2 <= value <= 30:
        raise InputError(f"{text!r} is not a depth; expected 0.2 to 30 cm")
    return value


def read_hours(text: str) -> float:
    """Hours of soaking or sprouting. [h]"""
    value = _number(text, "h")
    if not 0 < value <= 2400:
        raise InputError(f"{text!r} is not a number of hours")
    return value


def _number(text: str, unit: str) -> float:
    """Number with or without its unit, also with a decimal comma; NaN where it is none."""
    try:
        return float(text.replace(",", ".").removesuffix(unit))
    except ValueError:
        return float("nan")


def read_surface(text: str) -> str:
    """Ground over a sensor."""
    return _one_of(text, SURFACES, "ground")


def read_treatment(text: str) -> str:
    """Treatment of a row, also under its other usual names."""
    usual = {"pre-sprouted": "presprouted", "dry": "direct"}.get(text, text)
    return _one_of(usual, TREATMENTS, "treatment")


def _one_of(text: str, choices: tuple[str, ...], what: str) -> str:
    plain = text.strip().lower()
    if plain in choices:
        return plain
    near = difflib.get_close_matches(plain, choices, n=1)
    hint = f"did you mean {near[0]}?" if near else f"known are {', '.join(choices)}"
    raise InputError(f"{text!r} is not a {what}", hint=hint)


def read_crop(text: str) -> str:
    """Name of a crop, in the grower's own word, that the catalogue knows."""
    find_crop(text)
    return " ".join(text.split())
