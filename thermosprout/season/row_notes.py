"""What a season file says of a row that a grower would want to be asked about."""

from __future__ import annotations

import numpy as np

from thermosprout.crops.crop import Crop
from thermosprout.crops.seed_lots import DRESSED
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.season.load import Season
from thermosprout.season.schema import Row

_TOO_DEEP = 3.0
"""Times the usual depth from which on a stand is not to be trusted; common practice, no source."""

_TOO_LONG_MM = 20.0
"""Radicles that nobody plants whole, four times the longest that is meant. [mm]"""

_DROWNED = 0.85
"""Share of the seed left by its soak under which the loss is told."""


def typed_notes(row: Row, crop: Crop, forecast: RowForecast, season: Season) -> list[str]:
    """Plain sentences on what was typed for a row and is hardly meant.

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
    told = (
        f"{depth_cm:g} cm is more than {_TOO_DEEP:g} times as deep as {crop.name} is usually sown "
        f"({usual:g} cm): the dates count the longer way up, but the stand does not count "
        "seedlings that never reach the light."
    )
    return [told]


def _handling_notes(row: Row, crop: Crop, forecast: RowForecast, season: Season) -> list[str]:
    handling = forecast.sowing.handling
    if handling.treatment is Treatment.DIRECT:
        return []
    notes = []
    if row.lot is not None and season.seed_lots[row.lot].dressed:
        notes.append(f"Lot {row.lot} is dressed. {DRESSED}")
    state = forecast.state
    kept = float(np.median(state.survival))
    if handling.treatment is Treatment.SOAKED and kept < _DROWNED:
        notes.append(
            f"{crop.name} stands about {crop.safe_soak_h:g} h under water: a soak of "
            f"{handling.soak_h:g} h costs about {1.0 - kept:.0%} of the seed."
        )
    length = float(np.median(state.radicle_mm))
    if handling.treatment is Treatment.PRESPROUTED and length > _TOO_LONG_MM:
        notes.append(_long_radicles(handling, length))
    return notes


def _long_radicles(handling: Handling, length_mm: float) -> str:
    meant = "where 2 to 5 mm are meant: few are planted whole."
    if handling.radicle_mm is not None:
        return f"Radicles of {handling.radicle_mm:g} mm {meant}"
    return (
        f"After {handling.sprout_h:g} h at {handling.room_C:g} °C radicles are about "
        f"{_round(length_mm)} mm long {meant}"
    )


def _round(length_mm: float) -> str:
    """Length as told: nobody measures radicles to the millimetre."""
    return f"{10 * round(length_mm / 10):d}"
