"""A season of one row made of objects in memory, so that it is forecast as a row of a file is."""

from __future__ import annotations

from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

from pydantic import ValidationError

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.errors import InputError
from thermosprout.season.load import Season, schema_fault
from thermosprout.season.schema import Lot, Row, SeasonFile, Site, Soil

ROW = "row"
"""Name of the one row."""


def one_row_season(
    crop: str | Crop,
    *,
    lot: str | SeedLot,
    zone: ZoneInfo,
    place: tuple[float, float] | None = None,
    **row: Any,
) -> Season:
    """Season that holds one row and nothing else.

    Parameters
    ----------
    crop : str or Crop
        The lot's when empty.
    lot : str or SeedLot
        Empty where nothing is known of the seed.
    place : (float, float), optional
        Latitude and longitude; of no weight where the soil temperature is given.
    **row
        As :class:`thermosprout.season.schema.Row` takes them; what is None is left out.

    Raises
    ------
    InputError
        When a value is not one that a season file may hold.
    """
    seed = lot if isinstance(lot, SeedLot) else None
    named: str | Crop = crop or (seed.crop if seed is not None else "")
    if not named:
        raise InputError("no crop was given", hint='give crop="carrot"')
    sown = named if isinstance(named, Crop) else find_crop(named)
    latitude, longitude = place or (0.0, 0.0)
    try:
        entry = Row.model_validate(
            {"id": ROW, "crop": sown.name, "lot": seed.id if seed is not None else None}
            | {key: value for key, value in row.items() if value is not None}
        )
        data = SeasonFile(
            format=1,
            site=Site(name=sown.name, latitude=latitude, longitude=longitude, timezone=str(zone)),
            soil=Soil(file="in memory"),
            lots=() if seed is None else (Lot(id=seed.id, crop=sown.name, variety=seed.variety),),
            rows=(entry,),
        )
    except ValidationError as error:
        raise InputError(schema_fault(error)[0]) from None
    return Season(
        path=Path("in memory"),
        data=data,
        crops={sown.name: sown},
        seed_lots={} if seed is None else {seed.id: seed},
        places={},
    )
