"""How long sprouted seed keeps in the cold when the bed is late."""

from __future__ import annotations

import csv
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from types import MappingProxyType

from thermosprout.crops.crop import Crop
from thermosprout.reference import reference_file

HOLDING_FILE = "holding.csv"


@dataclass(frozen=True, kw_only=True)
class Hold:
    """Days that germinated seed kept its life in the cold, and who found it.

    ``days`` is zero, ``source`` empty, where nothing was published for the crop.
    """

    days: float
    temperature_C: float
    source: str
    verified: str


NO_HOLD = Hold(days=0.0, temperature_C=1.0, source="", verified="none")


@cache
def holding_table() -> Mapping[str, Hold]:
    """Published holding times by crop name."""
    text = reference_file(HOLDING_FILE).read_text(encoding="utf-8")
    return MappingProxyType(
        {
            row["crop"]: Hold(
                days=float(row["days"]),
                temperature_C=float(row["temperature_C"]),
                source=row["source"],
                verified=row["verified"],
            )
            for row in csv.DictReader(text.splitlines())
        }
    )


def hold_of(crop: Crop) -> Hold:
    """Holding time of a crop by its name or an alias; none for crops that chilling harms."""
    table = holding_table()
    for name in (crop.name, *crop.aliases):
        if name in table:
            return table[name]
    return NO_HOLD
