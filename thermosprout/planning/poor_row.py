"""A poor row of a season: its forecast with the counts so far, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt

from thermosprout.crops.seed_lots import SeedLot, ln_time_shift_draws, viability_draws
from thermosprout.emergence.forecast import generator
from thermosprout.errors import InputError
from thermosprout.planning.harvest import HarvestNeed
from thermosprout.planning.sources import Sources
from thermosprout.planning.sow_again import SowAgain, sow_again
from thermosprout.season.forecast import RowAnswer, forecast_season
from thermosprout.season.schema import hours, local

FloatArray = npt.NDArray[np.float64]


@dataclass(frozen=True, kw_only=True)
class PoorRow:
    """The answer and what it stands on."""

    answer: SowAgain
    counted: int | None
    harvest_on: str
    notes: tuple[str, ...]


def weigh_poor_row(
    sources: Sources,
    row_id: str,
    *,
    wanted: int | None = None,
    ahead_d: int = 14,
    room_C: float = 20.0,
    new_lot: str = "",
) -> PoorRow:
    """Forecast one row of a season with its counts and weigh what can be done.

    Parameters
    ----------
    sources : Sources
        With a season file.
    row_id : str
        Row of the season.
    wanted : int, optional
        Plants wanted; one for each station when absent, else what the seeds should have given.
    ahead_d : int
        Days to look ahead.
    room_C : float
        Where seed for filling gaps would sprout. [degC]
    new_lot : str
        Lot of a new sowing; the old one when empty.

    Raises
    ------
    InputError
        When there is no such row or lot, or the row is not planted yet.
    CoverageError
        When the soil temperature does not reach today.
    """
    season = sources.season
    if season is None:
        raise InputError("sowing again needs a season file")
    rows = {row.id: row for row in season.data.rows}
    if row_id not in rows:
        raise InputError(f"the season has no row {row_id!r}; its rows: {', '.join(rows)}")
    if new_lot and new_lot not in season.seed_lots:
        raise InputError(f"there is no seed lot {new_lot!r}; {', '.join(season.seed_lots)}")
    entry = rows[row_id]
    result = forecast_season(
        season,
        as_of=sources.now,
        seed=sources.asked.seed,
        offline=sources.asked.offline,
        only=frozenset({row_id}),
    )
    answer = result.rows[0]
    forecast = answer.forecast
    size = forecast.share.size
    need = HarvestNeed.of(answer.crop, size, sources.asked.seed)
    series = sources.soil(forecast.sowing.depth_cm)
    growth = sources.growth(need, series)
    viability, shift = forecast.viability, forecast.ln_shift
    lot = season.seed_lots[new_lot] if new_lot else season.row_lot(entry)
    sources.notes.extend(result.notes)
    notes = list(answer.notes)
    if new_lot:
        assert lot is not None  # noqa: S101  (its name was found above)
        rng = generator(sources.asked.seed, "lot", answer.crop.name, lot.id)
        on = sources.now.date()
        viability = viability_draws(lot, answer.crop, size, rng, on)
        shift = ln_time_shift_draws(lot, answer.crop, size, rng, on)
    elif entry.lot is not None and lot is not None:
        viability, shift = _left_over(
            answer,
            lot,
            sown=local(forecast.sowing.started_h, sources.zone).date(),
            on=sources.now.date(),
            seed=sources.asked.seed,
        )
    if wanted is None:
        typical = float(np.median(forecast.viability)) * 0.7 * entry.seeds
        wanted = entry.stations or max(round(typical), 1)
        notes.append(
            f"Plants wanted: {wanted}, "
            + ("one for each station." if entry.stations else "about what the seeds should give.")
        )
    if lot is not None and lot.dressed:
        notes.append("The lot is dressed: gaps are filled with dry seed.")
    found = sow_again(
        forecast,
        now_h=hours(sources.now),
        wanted=wanted,
        need=need,
        growth=growth,
        ahead_d=ahead_d,
        room_C=room_C,
        viability=viability,
        ln_shift=shift,
        dressed=lot is not None and lot.dressed,
        seed=sources.asked.seed,
    )
    counted = answer.counts[-1].emerged if answer.counts else None
    return PoorRow(
        answer=found, counted=counted, harvest_on=growth.source, notes=tuple(dict.fromkeys(notes))
    )


def _left_over(
    answer: RowAnswer, lot: SeedLot, *, sown: date, on: date, seed: int
) -> tuple[FloatArray, FloatArray]:
    """Viability and shift of seed left over from a row's sowing, aged up to a day.

    What the counts say of the lot is kept: each draw of the row takes the age of the draw of the
    lot that was as much alive when the row was sown.
    """
    forecast = answer.forecast
    size = forecast.viability.size

    def drawn(day: date) -> tuple[FloatArray, FloatArray]:
        rng = generator(seed, "lot", answer.crop.name, lot.id)
        return (
            viability_draws(lot, answer.crop, size, rng, day),
            ln_time_shift_draws(lot, answer.crop, size, rng, day),
        )

    (then, slow_then), (now, slow_now) = drawn(sown), drawn(max(on, sown))
    order = np.argsort(then, kind="stable")
    place = order[np.clip(np.searchsorted(then[order], forecast.viability), 0, size - 1)]
    left = now[place] / np.maximum(then[place], 1e-9)
    return (
        np.clip(forecast.viability * left, 0.0, 1.0),
        forecast.ln_shift + slow_now[place] - slow_then[place],
    )
