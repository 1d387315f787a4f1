"""What a column's name says: quantity, unit and depth, in our own names or a logger's."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

_UNITS: tuple[tuple[str, str], ...] = (
    (r"(?:°|º|deg(?:rees?)?[ _.]*|\bgrad[ _]*)c(?![a-z])|celsius|centigrade", "degC"),
    (r"(?:°|º|deg(?:rees?)?[ _.]*)f(?![a-z])|fahrenheit", "degF"),
    (r"\bkelvin\b|\bdeg(?:rees?)?[ _]*k\b|[(\[] ?k ?[)\]]|_k$", "K"),
    (r"[(\[] ?c ?[)\]]|[_ ,]c$|^c$", "degC"),
    (r"[(\[] ?f ?[)\]]|[_ ,]f$|^f$", "degF"),
)
_DEPTH = re.compile(r"(\d+(?:[.,]\d+)?)[ _]*(cm|mm|inches|inch|in|\"|″)(?![a-z])")
_PLAIN_DEPTH = re.compile(r"^soil_temp_(\d+)(?:_|$)")
_TO_CM = {"cm": 1.0, "mm": 0.1, "in": 2.54, "inch": 2.54, "inches": 2.54, '"': 2.54, "″": 2.54}
_TEMPERATURE = (
    r"temp|°|º|celsius|fahrenheit|tsoil|t_soil|tair|deg_?[cf]\b|(?:^|[_ ])t(?:_?(?:c|f))?$"
)
_QUANTITIES: tuple[tuple[str, str], ...] = (
    (r"moist|vwc|swc|water[ _]content|feucht", "soil_moisture"),
    (r"dew|wet.?bulb|heat.?index|wind.?chill|feels|taupunkt", "other"),
    (r"humid|\brh\b|^rh|relhum|feuchte", "relative_humidity"),
    (r"wind|wdsp|gust", "wind_speed"),
    (r"ghi_mj|mj[ _/]*m|mj/", "ghi_daily_sum"),
    (r"ghi|solar|glorad|shortwave|radiation|solrad|pyran", "ghi"),
    (r"precip|rain|regen|niederschlag", "precipitation"),
    (r"batt|volt|signal|rssi|serial no|host|coupler|attached|stopped|end of file", "other"),
    (r"surface_temp|skin|sur_temp", "surface_temperature"),
    (r"(?!.*soil)(?:air.?tmin|air.*min|tmin|t[_ ]min|mintp|min.*air)", "air_tmin"),
    (r"(?!.*soil)(?:air.?tmax|air.*max|tmax|t[_ ]max|maxtp|max.*air)", "air_tmax"),
    (rf"(?=.*(?:soil|ground|boden|erdreich|\bsol\b|suelo))(?=.*(?:{_TEMPERATURE}))", "soil"),
    (r"tsoil|t_soil|^soil$|^ts_?\d|(?:soil|boden)[ _]*\d", "soil"),
    (rf"(?=.*(?:air|luft|outdoor|ambient|2m))(?=.*(?:{_TEMPERATURE}))|^tair|\bt avg\b", "air"),
    (_TEMPERATURE, "temperature"),
    (r"^[ ]?(?:°|º)?(?:deg)?[ _]?[cf]$", "temperature"),
)
_TIME = re.compile(
    r"time|date|stamp|datum|zeit|uhr|^utc|^day$|period|epoch|fecha|hora|heure|^ts$", re.IGNORECASE
)
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
    said: str = ""


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
    quantity = "time" if _TIME.search(lowered) else "other"
    for pattern, found in _QUANTITIES:
        if re.search(pattern, lowered) and not (quantity == "time" and found == "temperature"):
            quantity = found
            break
    if (
        quantity == "other"
        and len(unit_row) < 12
        and temperature_unit(unit_row) in ("degC", "degF")
    ):
        quantity = "temperature"
    if quantity == "soil" and (extreme := re.search(r"(?:[ _]|^)(min|max)(?![a-z])", lowered)):
        quantity = f"soil_t{extreme.group(1)}"
    depth = _DEPTH.search(lowered) or _DEPTH.search(unit_row.lower())
    depth_cm = float(depth.group(1).replace(",", ".")) * _TO_CM[depth.group(2)] if depth else None
    if depth is None and quantity == "soil" and (plain := _PLAIN_DEPTH.search(lowered)):
        depth_cm = float(plain.group(1))
    return Meaning(
        said=unit_row,
        name=name,
        index=index,
        quantity=quantity,
        unit=temperature_unit(unit_row) or temperature_unit(name),
        depth_cm=depth_cm,
    )


def understand_all(
    names: Sequence[str], units: Sequence[str], preamble: Sequence[str] = ()
) -> list[Meaning]:
    """Work out all columns; a heading line ``name: what it is`` above the table counts too."""
    said: dict[str, str] = {}
    for line in preamble:
        key, mark, text = line.partition(":")
        if mark:
            said.setdefault(key.strip().lower(), text)
    return [
        understand(name, index, unit or said.get(name.strip().lower(), ""))
        for index, (name, unit) in enumerate(zip(names, units, strict=True))
    ]


def zone_in(text: str) -> str | None:
    """Time zone written in a column's name or a heading line, as ``UTC`` or ``UTC+02:00``."""
    match = _ZONE.search(text.replace("_", " "))
    if not match:
        return None
    offset = (match.group(1) or "").replace(" ", "").replace("−", "-")
    return f"UTC{offset}" if offset else "UTC"
