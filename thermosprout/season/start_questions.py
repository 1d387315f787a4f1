"""Answers of a person who begins a season, read one by one; each fault names the next step."""

from __future__ import annotations

import difflib
from datetime import date
from pathlib import Path

from thermosprout.crops.catalogue import find_crop
from thermosprout.dates import read_day
from thermosprout.errors import InputError, Place
from thermosprout.season.write import TREATMENTS, NewRow
from thermosprout.trials.design import sprout_hours

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
    try:
        value = float(text.replace(",", ".").removesuffix("cm"))
    except ValueError:
        value = -1.0
    if not 0.2 <= value <= 30:
        raise InputError(f"{text!r} is not a depth; expected 0.2 to 30 cm")
    return value


def read_hours(text: str) -> float:
    """Hours of soaking or sprouting. [h]"""
    try:
        value = float(text.replace(",", ".").removesuffix("h"))
    except ValueError:
        value = -1.0
    if not 0 < value <= 2400:
        raise InputError(f"{text!r} is not a number of hours")
    return value


def read_surface(text: str) -> str:
    """Ground over a sensor."""
    return _one_of(text, SURFACES, "ground")


def read_treatment(text: str) -> str:
    """Treatment of a row, also under its other usual names."""
    return _one_of({"pre-sprouted": "presprouted", "dry": "direct"}.get(text, text), TREATMENTS,
                   "treatment")  # fmt: skip


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
