"""Notes on what is likely to be a mistake: odd rows, files that do not exist, undated tests."""

from __future__ import annotations

from datetime import datetime

import numpy as np

from thermosprout.crops.crop import DRESSED, Crop
from thermosprout.crops.seed_lots import SeedLot
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.quantities import percent
from thermosprout.season.load import Season
from thermosprout.season.schema import Row
from thermosprout.season.setting import DRY_AT_SOWING

_TOO_DEEP = 3.0
"""Times the usual depth from which on a stand is not to be trusted; common practice, no source."""

_TOO_LONG_MM = 20.0
"""Radicles that nobody plants whole, four times the longest that is meant. [mm]"""

_DROWNED = 0.85
"""Share of the seed left by its soak under which a note gives the loss."""


def row_notes(row: Row, crop: Crop, forecast: RowForecast, season: Season) -> list[str]:
    """Sentences on what looks like a slip in a row.

    Parameters
    ----------
    row : Row
        As the season file has it.
    crop : Crop
        Of the row.
    forecast : RowForecast
        Its forecast before any count.
    season : Season
        For its lots.
    """
    return [
        *depth_notes(crop, forecast.sowing.depth_cm),
        *_handling_notes(row, crop, forecast, season),
    ]


def depth_notes(crop: Crop, depth_cm: float) -> list[str]:
    """Say where seed lies far deeper than its crop is sown, which the stand does not know of."""
    usual = crop.practice.depth_high_cm or crop.practice.depth_cm
    if usual is None or depth_cm <= _TOO_DEEP * usual:
        return []
    sentence = (
        f"{depth_cm:g} cm is more than {_TOO_DEEP:g} times as deep as {crop.common_name} is "
        f"usually sown ({usual:g} cm): the dates count the longer way up, but the stand does not "
        "count seedlings that never reach the light."
    )
    return [sentence]


def _handling_notes(row: Row, crop: Crop, forecast: RowForecast, season: Season) -> list[str]:
    handling = forecast.sowing.handling
    if handling.treatment is Treatment.DIRECT:
        return []
    notes = []
    if row.lot is not None and season.seed_lots[row.lot].dressed:
        notes.append(f"Lot {row.lot} is dressed. {DRESSED}")
    state = forecast.state
    alive = float(np.median(state.survival))
    if handling.treatment is Treatment.SOAKED and alive < _DROWNED:
        loss = f"about {percent(1.0 - alive)}"
        notes.append(f"{crop.long_soak(handling.soak_h, loss)}.")
    if handling.dry_bed:
        notes.append(DRY_AT_SOWING)
    length = float(np.median(state.radicle_mm))
    if handling.treatment is Treatment.PRESPROUTED and length > _TOO_LONG_MM:
        notes.append(_long_radicles(handling, length))
    return notes


def _long_radicles(handling: Handling, length_mm: float) -> str:
    fate = "too long: 2 to 5 mm is right, and few this long are planted whole."
    if handling.radicle_mm is not None:
        return f"Roots of {handling.radicle_mm:g} mm are {fate}"
    return (
        f"After {handling.sprout_h:g} h at {handling.room_C:g} °C roots are about "
        f"{_round(length_mm)} mm long, {fate}"
    )


def _round(length_mm: float) -> str:
    """Length in words: nobody measures roots to the millimetre."""
    return f"{10 * round(length_mm / 10):d}"


def absent_notes(season: Season) -> list[str]:
    """Files that the season names and that do not exist yet."""
    notes = []
    records = season.data.records
    if records is not None and not season.resolve(records.file, "records", "file").exists():
        notes.append(f"No counts yet: {records.file} does not exist.")
    folder = season.data.estimates_folder
    if folder is not None and not season.resolve(folder, "estimates_folder").is_dir():
        notes.append(f"No saved estimates yet: {folder} does not exist.")
    return notes


def undated_tests(season: Season, as_of: datetime) -> list[str]:
    """Germination tests of lots that are sown here and have aged because no day was given."""
    lots = {row.lot for row in season.data.rows}
    notes = (undated_test(season.seed_lots[lot.id], as_of) for lot in season.data.lots
             if lot.id in lots)  # fmt: skip
    return [note for note in notes if note]


def undated_test(lot: SeedLot, as_of: datetime) -> str | None:
    """Say that a lot is taken as aged since its harvest, for want of the day of its test."""
    tested = lot.germination is not None or lot.seeds_germinated is not None
    if not tested or lot.tested_on is not None or lot.year is None or as_of.year <= lot.year + 1:
        return None
    return (
        f"Lot {lot.id}: the day of its germination test is not known (tested_on), so that it is "
        f"taken as made by the end of {lot.year} and the lot as aged since."
    )
