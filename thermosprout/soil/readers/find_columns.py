"""Which columns of a table hold what: from a column's name to its numbers.

A name says quantity, unit and depth (:func:`understand`), in our own words or those that makers of
loggers use; cells become numbers (:func:`to_numbers`); and the columns of time and soil temperature
are chosen (:func:`time_columns`, :func:`choose_column`), or asked for where several fit.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from thermosprout.errors import InputError, Place
from thermosprout.quantities import FloatArray
from thermosprout.soil.readers.table import Table, listed
from thermosprout.soil.readers.times import (
    StampReading,
    is_clock_time,
    looks_like_stamp,
    read_stamps,
)

_UNITS: tuple[tuple[str, str], ...] = (
    (r"(?:°|º|deg(?:rees?)?[ _.]*|\bgrad[ _]*)c(?![a-z])|celsius|centigrade", "degC"),
    (r"(?:°|º|deg(?:rees?)?[ _.]*)f(?![a-z])|fahrenheit", "degF"),
    (r"\bkelvin\b|\bdeg(?:rees?)?[ _]*k\b|[(\[] ?k ?[)\]]|_k$", "K"),
    (r"[(\[] ?c ?[)\]]|[_ ,]c$|^c$", "degC"),
    (r"[(\[] ?f ?[)\]]|[_ ,]f$|^f$", "degF"),
)
_DEPTH = re.compile(r"(\d+(?:[.,]\d+)?)[ _]*(cm|mm|inches|inch|in|\"|″)(?![a-z])")
_PLAIN_DEPTH = re.compile(r"^soil_temp_(\d+)(?:_|$)")
_DEEPEST_CM = 100.0
"""A temperature at a depth is that of soil; one higher or deeper than this is that of air. [cm]"""
_TO_CM = {"cm": 1.0, "mm": 0.1, "in": 2.54, "inch": 2.54, "inches": 2.54, '"': 2.54, "″": 2.54}
_TEMPERATURE = (
    r"temp|°|º|celsius|fahrenheit|tsoil|t_soil|tair|deg_?[cf]\b|(?:^|[_ ])t(?:_?(?:c|f))?$"
)
_SOIL = r"(?:soil|ground|boden|erdreich|\bsol\b|suelo|bodem|suolo|seedbed)"
_AIR = r"(?:air|temp|luft|^t(?:[ _]?(?:2m|a))?(?![a-z0-9]))"
_UNIT_COLUMN = r"(?:units?|einheit|unité|unidad)"
_MIN = r"(?:min(?!ut)|lowest|coldest|(?<![a-z])low?(?![a-z]| ?tunnel))"
_MAX = r"(?:max|highest|warmest|(?<![a-z])hi(?:gh)?(?![a-z]| ?tunnel))"
EXTREME = rf"{_MIN}|{_MAX}"
_QUANTITIES: tuple[tuple[str, str], ...] = (
    (r"moist|vwc|swc|water[ _]content|feucht", "soil_moisture"),
    (r"dew|wet.?bulb|heat.?index|wind.?chill|feels|taupunkt", "other"),
    (r"humid|\brh\b|^rh|relhum|feuchte", "relative_humidity"),
    (r"wind|wdsp|gust", "wind_speed"),
    (r"ghi_mj|mj[ _/]*m|mj/", "ghi_daily_sum"),
    (r"ghi|solar|glorad|shortwave|radiation|solrad|pyran", "ghi"),
    (r"precip|rain|regen|niederschlag", "precipitation"),
    (r"batt|volt|signal|rssi|serial", "other"),
    (r"surface_temp|skin|sur_temp", "surface_temperature"),
    (rf"{_SOIL}(?:.*(?<![a-z]))?t?[_ ]?(?:{EXTREME})", "soil extreme"),
    (rf"(?<![a-z])t?(?:{EXTREME}).*{_SOIL}|^ts[_ ]?(?:{EXTREME})", "soil extreme"),
    (rf"(?=.*{_SOIL})(?=.*(?:{_TEMPERATURE}))", "soil"),
    (rf"tsoil|t_soil|^{_SOIL}$|^ts_?\d|{_SOIL}[ _]*\d", "soil"),
    (rf"grass.*{_MIN}|{_MIN}.*grass|^gmin", "surface_temperature"),
    (r"indoor|inside", "other"),
    (rf"{_AIR}.*{_MIN}|^t{_MIN}|{_MIN}.*{_AIR}|^mintp", "air_tmin"),
    (rf"{_AIR}.*{_MAX}|^t{_MAX}|{_MAX}.*{_AIR}|^maxtp", "air_tmax"),
    (r"^(?:#|no\.?|nr\.?|n°|id|index|line|row|record|count|lfd\.? nr\.?)$", "counter"),
    (r"^depth(?:[_ (].*)?$|^tiefe", "depth"),
    (rf"^{_UNIT_COLUMN}$", "unit"),
    (rf"(?=.*(?:air|luft|outdoor|ambient|2m))(?=.*(?:{_TEMPERATURE}))|^tair|\bt avg\b", "air"),
    (_TEMPERATURE, "temperature"),
    (r"^[ ]?(?:°|º)?(?:deg)?[ _]?[cf]$", "temperature"),
)
_TIME = re.compile(
    r"time|date|stamp|datum|zeit|uhr|^utc|^day$|period|epoch|fecha|hora|heure|^ts$", re.IGNORECASE
)
_NOT_TIME = ("temperature", "air_tmin", "air_tmax", "soil extreme", "counter", "depth", "unit")
"""Less than a name that says time: "time (local standard)" is none of these."""
_ZONE = re.compile(
    r"(?<![a-z])(?:utc|gmt|zulu)(?![a-z])[ ]?([+\-−][ ]?\d{1,2}(?::?\d{2})?)?", re.IGNORECASE
)


@dataclass(frozen=True, kw_only=True)
class Meaning:
    """What a column holds; ``unit`` and ``depth_cm`` are None when its name does not say."""

    name: str
    index: int
    quantity: str
    unit: str | None
    depth_cm: float | None
    unit_row: str = ""


def temperature_unit(text: str) -> str | None:
    """Unit of temperature named in a text, or None."""
    lowered = text.strip().lower()
    for pattern, unit in _UNITS:
        if re.search(pattern, lowered):
            return unit
    return None


def understand(name: str, index: int, unit_row: str = "") -> Meaning:
    """Work out what a column holds from its name and the units row, where there is one."""
    lowered = name.strip().lower()
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name).lower()
    quantity = "time" if _TIME.search(lowered) else "other"
    for pattern, meaning in _QUANTITIES:
        text = words if meaning == "soil extreme" else lowered
        if re.search(pattern, text) and not (quantity == "time" and meaning in _NOT_TIME):
            quantity = meaning
            break
    if (
        quantity == "other"
        and len(unit_row) < 12
        and temperature_unit(unit_row) in ("degC", "degF")
    ):
        quantity = "temperature"
    depth = _DEPTH.search(lowered) or _DEPTH.search(unit_row.lower())
    depth_cm = float(depth.group(1).replace(",", ".")) * _TO_CM[depth.group(2)] if depth else None
    if depth is None and quantity == "soil" and (plain := _PLAIN_DEPTH.search(lowered)):
        depth_cm = float(plain.group(1))
    of_air = re.search("air|luft", lowered) or (depth_cm or np.inf) > _DEEPEST_CM
    if quantity == "soil extreme" or (quantity in ("air_tmin", "air_tmax") and not of_air):
        quantity = "soil_tmin" if re.search(_MIN, words) else "soil_tmax"
    return Meaning(
        unit_row=unit_row,
        name=name,
        index=index,
        quantity=quantity,
        unit=temperature_unit(unit_row) or temperature_unit(name),
        depth_cm=depth_cm,
    )


def understand_all(table: Table) -> list[Meaning]:
    """Work out all columns; a heading line ``name: what it is`` above the table counts too."""
    legend: dict[str, str] = {}
    for line in table.preamble:
        key, mark, text = line.partition(":")
        if mark:
            legend.setdefault(key.strip().lower(), text)
    return [
        understand(name, index, unit or legend.get(name.strip().lower(), ""))
        for index, (name, unit) in enumerate(zip(table.names, table.units, strict=True))
    ]


def zone_in(text: str) -> str | None:
    """Time zone written in a column's name or a heading line, as ``UTC`` or ``UTC+02:00``."""
    match = _ZONE.search(text.replace("_", " "))
    if not match:
        return None
    offset = (match.group(1) or "").replace(" ", "").replace("−", "-")
    return f"UTC{offset}" if offset else "UTC"


MISSING_WORDS = frozenset(
    ("na", "nan", "n/a", "null", "none", "nil", "-", "--", "---", ".", "?", "*", "err", "error",
     "fail", "fault", "open", "short", "ol", "lost", "#n/a", "#value!", "#div/0!", "no-data",
     "nodata", "missing", "invalid", "m")
)  # fmt: skip
MISSING_CODES = (-9999.0, -999.0, -999.9, -99.0, -99.9, -99.99, 999.0, 999.9, 9999.0, -6999.0,
                 6999.0, -7999.0, 7999.0, -99999.0, -127.0)  # fmt: skip
"""Numbers that stand for a missing value; all of them are impossible as a soil temperature."""
_SUFFIX = re.compile(r"\s*(°\s*[CFcf]|deg\s*[CFcf]|[CF]|K|℃|℉)$")
_POINT = r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?"
_COMMA = r"[+-]?\d+,\d+"
_NUMBER = rf"{_POINT}|{_COMMA}"


_UNIT_OF = {"C": "degC", "F": "degF", "K": "K", "℃": "degC", "℉": "degF"}


def unit_in_cells(cells: Sequence[str]) -> str | None:
    """Unit that is written behind the numbers, where it is."""
    for cell in cells[:50]:
        match = _SUFFIX.search(cell)
        if match and any(character.isdigit() for character in cell):
            return _UNIT_OF[match.group(1)[-1].upper()]
    return None


_OTHER_UNIT = "export the file again in one unit"


def unit_column(table: Table) -> str | None:
    """Unit that a column of its own gives for every line, where there is one.

    Raises
    ------
    InputError
        When the unit changes within the file.
    """
    names = [name.strip().lower() for name in table.names]
    index = next((i for i, name in enumerate(names) if re.fullmatch(_UNIT_COLUMN, name)), None)
    if index is None:
        return None
    cells = pd.Series(table.column(index), dtype="object")
    letters = cells.str.strip().str.lstrip("°º").str.upper()
    if not letters.isin(["C", "F", "K"]).all():
        return None
    for row in np.flatnonzero(letters != letters[0])[:1]:
        raise InputError(
            f"{cells[row]!r} is another unit than in the lines above",
            place=table.place(int(row), table.names[index]),
            hint=_OTHER_UNIT,
        )
    return _UNIT_OF[letters[0]]


_PLAIN_COLUMN = re.compile(r"(?:-?[0-9]+(?:\.[0-9]+)?\n)+")
"""A column of nothing but numbers with decimal points, which needs no further look."""


def to_numbers(table: Table, meaning: Meaning, decimal: str | None) -> tuple[FloatArray, str]:
    """Numbers of one column and the decimal mark in words.

    Raises
    ------
    InputError
        For a cell that is no number, or points and commas mixed so that both can be decimals.
    """
    texts = table.column(meaning.index)
    if decimal != "," and _PLAIN_COLUMN.fullmatch("".join(f"{text}\n" for text in texts)):
        return _without_codes(np.array(texts, dtype=float)), "point"
    cells = pd.Series(texts, dtype="object").str.strip().str.replace("−", "-", regex=False)

    def refuse(wrong: pd.Series, text: str, hint: str) -> None:
        for row in np.flatnonzero(wrong)[:1]:
            cell = repr(cells.iloc[row][:40])
            place = table.place(int(row), meaning.name)
            raise InputError(text.format(cell), place=place, hint=hint)

    letters = cells.str.extract(_SUFFIX.pattern)[0].str[-1].str.upper()
    if letters.notna().any():
        first = letters.dropna().iloc[0]
        other = letters.notna() & (letters != first)
        refuse(other, "{} is in another unit than the lines above", _OTHER_UNIT)
        cells = cells.str.replace(_SUFFIX.pattern, "", regex=True)
    missing = (cells == "") | cells.str.lower().isin(MISSING_WORDS)
    point = cells.str.fullmatch(_POINT).astype(bool)
    comma = cells.str.fullmatch(_COMMA).astype(bool)
    refuse(
        ~(missing | point | comma),
        "{} is not a number",
        "mend the line, or leave the cell empty where the value is missing",
    )
    pointed = point & cells.str.contains(".", regex=False)
    if decimal is None and comma.any() and pointed.any():
        refuse(
            comma if comma.sum() < pointed.sum() else pointed,
            "{} has another decimal mark than other lines",
            "write all decimals alike, or set --decimal",
        )
    if decimal is not None:
        wrong = comma if decimal == "." else pointed
        refuse(wrong, f"{{}} does not fit --decimal {decimal}", "leave --decimal out")
    numbers = cells.where(~missing).str.replace(",", ".", regex=False).to_numpy(dtype=float)
    return _without_codes(numbers), "comma" if comma.any() else "point"


def _without_codes(numbers: FloatArray) -> FloatArray:
    """Numbers with NaN where loggers write a code for a missing value."""
    return np.where(np.isin(numbers, MISSING_CODES), np.nan, numbers)


_CF_UNITS = {
    "degC": "degc deg_c c °c degree_c degrees_c celsius degree_celsius degrees_celsius",
    "K": "k kelvin degk deg_k degree_k degrees_k degree_kelvin degrees_kelvin",
    "degF": "degf deg_f f °f degree_f degrees_f fahrenheit degree_fahrenheit degrees_fahrenheit",
}


def cf_unit(text: object) -> str | None:
    """Return degC, K or degF for the ``units`` attribute of an array, None for any other."""
    name = "_".join(str(text).lower().split())
    return next((unit for unit, names in _CF_UNITS.items() if name in names.split()), None)


def to_celsius(values: FloatArray, unit: str) -> FloatArray:
    """Temperature in degC from degC, degF or K."""
    if unit == "degF":
        return np.asarray((values - 32.0) / 1.8)
    return np.asarray(values - 273.15) if unit == "K" else values


def one_depth(
    table: Table, meanings: Sequence[Meaning], depth_cm: float | None
) -> tuple[Table, list[str]]:
    """Keep the rows of one depth where depth is a column."""
    named = [m for m in meanings if m.name.strip().lower() in ("depth_cm", "depth", "depth (cm)")]
    column = to_numbers(table, named[0], None)[0] if named else np.zeros(0)
    depths = np.unique(column[np.isfinite(column)]).tolist()
    if not depths:
        return table, []
    there = ", ".join(f"{depth:g}" for depth in depths)
    if depth_cm is None and len(depths) > 1:
        raise InputError(
            f"the file holds depths of {there} cm",
            place=Place(file=table.path, line=table.lines[0], column=named[0].name),
            hint="say which with --depth-cm",
        )
    target = depth_cm if depth_cm is not None else depths[0]
    keep = np.flatnonzero(column == target).tolist()
    if not keep:
        raise InputError(
            f"no line has a depth of {target:g} cm",
            place=Place(file=table.path, column=named[0].name),
            hint=f"depths there: {there}",
        )
    picked = replace(
        table, rows=[table.rows[row] for row in keep], lines=[table.lines[row] for row in keep]
    )
    return picked, [f"{len(keep)} lines of {target:g} cm were taken."]


def time_columns(table: Table, meanings: Sequence[Meaning]) -> tuple[int, int | None]:
    """Find the column of stamps, and one of clock times where the date stands alone."""

    def all_cells(index: int, test: Callable[[str], bool]) -> bool:
        return all(test(row[index]) for row in table.rows[:50])

    dated = [m for m in meanings if all_cells(m.index, looks_like_stamp)]
    if not dated:
        raise InputError(
            "no column holds a date and time in every line",
            place=Place(file=table.path, line=table.lines[0]),
            hint="expected a column such as time_utc",
        )
    clocks = [
        m
        for m in meanings
        if m not in dated
        and all_cells(m.index, is_clock_time)
        and (m.quantity == "time" or all_cells(m.index, lambda cell: ":" in cell))
    ]

    def rank(meaning: Meaning) -> tuple[int, int, int]:
        has_clock = ":" in table.rows[0][meaning.index]
        zoned = zone_in(meaning.name) is not None
        return (int(meaning.quantity != "time"), int(not (has_clock or zoned)), int(not zoned))

    best = min(dated, key=rank)
    if clocks and ":" not in table.rows[0][best.index]:
        return best.index, clocks[0].index
    return best.index, None


def stamps_of(
    table: Table,
    time_index: int,
    clock_index: int | None,
    day_first: bool | None,
    timezone: str | None,
) -> StampReading:
    """Times of the table in UTC, by the zone in the cells, the heading, above it, or given."""
    cells = table.column(time_index)
    name = table.names[time_index]
    if clock_index is not None:
        cells = [
            f"{day} {clock}" for day, clock in zip(cells, table.column(clock_index), strict=True)
        ]
    zones = [name, table.units[time_index]]
    if clock_index is not None:
        zones.append(table.names[clock_index])
    zones += [line for line in table.preamble if re.search("time|zone|date", line.lower())]
    named = next(filter(None, map(zone_in, zones)), None)
    return read_stamps(
        cells, table.lines, path=table.path, column=name,
        day_first=day_first, timezone=timezone, named_zone=named,
    )  # fmt: skip


def choose_column(
    table: Table,
    meanings: Sequence[Meaning],
    time_index: int,
    column: str | None,
    depth_cm: float | None,
) -> Meaning:
    """Pick the one temperature column, or ask."""
    place = Place(file=table.path, line=table.lines[0])
    there = listed(table.names)
    if column is not None:
        named = [m for m in meanings if m.name.strip().lower() == column.strip().lower()]
        if len(named) == 1:
            return named[0]
        count = f"there are {len(named)} columns" if named else "there is no column"
        raise InputError(f"{count} {column!r}", place=place, hint=f"columns there: {there}")
    candidates = _candidates(table, [m for m in meanings if m.index != time_index])
    if depth_cm is not None and len(candidates) > 1:
        candidates = [m for m in candidates if m.depth_cm == depth_cm] or candidates
    if len(candidates) == 1:
        return candidates[0]
    if candidates:
        names = ", ".join(repr(m.name) for m in candidates)
        depths = {m.depth_cm for m in candidates}
        hint = "say which with --column"
        if len(depths) == len(candidates) and None not in depths:
            hint += " or --depth-cm"
        if (
            table.separator == ","
            and table.names[0].startswith("column ")
            and all(table.rows[0][m.index].lstrip("+-").isdigit() for m in candidates)
        ):
            hint += ", or --decimal , where the comma parts decimals"
        raise InputError(f"several columns hold a temperature: {names}", place=place, hint=hint)
    ends = [m.name for m in meanings if m.quantity in ("soil_tmin", "soil_tmax")]
    if ends:
        raise InputError(
            f"{' and '.join(map(repr, ends))} hold extremes of the soil, and no column its course "
            "or its mean",
            place=place,
            hint="name one with --column, or add a column such as soil_temp_5cm_C",
        )
    if any(m.quantity in ("air", "surface_temperature") for m in meanings):
        raise InputError(
            "no column holds a soil temperature, only that of the air",
            place=place,
            hint="model the soil from the air with soil model, or name the column with --column",
        )
    raise InputError(
        "no column holds a soil temperature",
        place=place,
        hint=f"name the column with --column; there: {there}",
    )


def _candidates(table: Table, meanings: Sequence[Meaning]) -> list[Meaning]:
    """Columns that may hold the temperature: by their names, their numbers or their units."""
    for quantity in ("soil", "temperature"):
        if named := [m for m in meanings if m.quantity == quantity]:
            return named
    if table.names[0].startswith("column "):
        numeric = [m for m in meanings if re.fullmatch(_NUMBER, table.rows[0][m.index].strip())]
        if numeric:
            return numeric
    if marked := [m for m in meanings if unit_in_cells(table.column(m.index)) is not None]:
        return marked
    if unit_column(table) is None:
        return []
    return [m for m in meanings if re.search("value|reading|wert|mesure|valor", m.name.lower())]


def left_out(
    table: Table, meanings: Sequence[Meaning], used: Collection[int | None]
) -> tuple[str, ...]:
    """Names of the columns that play no part; counters, units, depths and empty ones have none."""
    return tuple(
        meaning.name
        for meaning in meanings
        if meaning.index not in used
        and meaning.quantity not in ("counter", "depth", "unit")
        and any(row[meaning.index] for row in table.rows)
    )


def unit_of(table: Table, chosen: Meaning, numbers: FloatArray, unit: str | None = None) -> str:
    """Unit of temperatures: of the user, the heading or the cells, else by their size, or asked."""
    if unit is not None:
        letter = unit.upper().removeprefix("DEG")
        if letter not in ("C", "F", "K"):
            raise InputError(f"the unit {unit!r} is not known", hint="write C, F or K")
        return _UNIT_OF[letter]
    above = (
        understand(line, 0).unit for line in table.preamble if re.search("unit|temp", line.lower())
    )
    named = (
        chosen.unit
        or unit_in_cells(table.column(chosen.index))
        or unit_column(table)
        or next(filter(None, above), None)
    )
    if named is not None:
        return named
    present = numbers[np.isfinite(numbers)]
    low, high = np.percentile(present, [2, 98]) if present.size else (0.0, 0.0)
    if low < 5.0:
        return "degC"
    if high > 45.0:
        return "degF"
    raise InputError(
        f"values from {low:.1f} to {high:.1f} can be °C or °F, and nothing says which",
        place=Place(file=table.path, line=table.lines[0], column=chosen.name),
        hint="set --unit C or --unit F in soil read, or write it into the column's name: temp_C",
    )
