"""A poor row of a season: its forecast with the counts so far, and what to do about it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.crops.cautions import cautions
from thermosprout.emergence.forecast import RowForecast
from thermosprout.emergence.quantiles import odds, weighted_quantile
from thermosprout.planning.options import harvest_of
from thermosprout.planning.sow_again import SowAgain, Way, sow_again
from thermosprout.season.context import Context
from thermosprout.season.forecast import forecast_rows
from thermosprout.season.json_values import Document, rounded, stamps
from thermosprout.season.schema import local
from thermosprout.season.setting import Case, Question


@dataclass(frozen=True, kw_only=True)
class PoorRow:
    """What to do about a poor row, and what that stands on."""

    answer: SowAgain
    counted: int | None
    harvest_on: str
    zone: ZoneInfo
    notes: tuple[str, ...]
    cautions: tuple[str, ...] = ()

    def to_dict(self) -> Document:
        """Return the JSON document."""
        answer, zone = self.answer, self.zone
        row, weights = answer.row, answer.row.weights

        def day(hour: float) -> str:
            return local(hour, zone).date().isoformat()

        return {
            "row": row.sowing.row,
            "crop": row.draws.crop.name,
            "planted": local(row.sowing.planted_h, zone).isoformat(),
            "seeds_planted": row.sowing.seeds_planted,
            "plants_wanted": answer.wanted,
            "counted": self.counted,
            "harvest_on": self.harvest_on,
            "bed_days_until": answer.until,
            "days": [
                {
                    "day": day(ahead.hour),
                    "plants": rounded(ahead.plants, 1),
                    "still_to_come": round(ahead.still_to_come, 3),
                    "enough_odds": round(ahead.enough_odds, 3),
                }
                for ahead in answer.days
            ],
            "ways": [
                {
                    "way": way.name,
                    "plants": rounded(odds(way.plants, weights), 1),
                    "half_up": stamps(odds(_if_any(way), weights), zone),
                    "first_harvest": stamps(odds(way.harvest_h, weights), zone),
                    "bed_days_per_full_row": rounded(
                        {
                            "mean": float(weights @ way.bed_days),
                            "p50": float(weighted_quantile(way.bed_days, weights, [0.5])[0]),
                        }
                    ),
                    "more_seeds": way.seeds,
                }
                for way in answer.ways
            ],
            "advised": answer.ways[answer.advised].name,
            "advice": answer.advice,
            "reason": answer.reason,
            "cautions": list(self.cautions),
            "notes": list(self.notes),
        }


def weigh_poor_row(
    context: Context,
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
    context : Context
        Of a season file.
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
    season = context.require_season()
    season.require_row(row_id)
    entry = next(row for row in season.data.rows if row.id == row_id)
    result = forecast_rows(context, only=frozenset({row_id}))
    answer = result.rows[0]
    forecast = answer.forecast
    case = context.of_row(entry)
    harvest = harvest_of(context, case)
    notes = [*answer.notes, context.water_sentence()]
    if new_lot:
        case = context.case(
            Question(crop=answer.crop, lot=new_lot, bed=entry.bed or "", depth_cm=case.depth_cm)
        )
        viability, shift = context.lot_draws(case, context.today)
    else:
        viability, shift = left_over_seed(context, case, forecast, context.today)
    if wanted is None:
        typical = float(np.median(forecast.viability)) * 0.7 * entry.seeds
        wanted = entry.stations or max(round(typical), 1)
        notes.append(
            f"Plants wanted: {wanted}, "
            + ("one for each station." if entry.stations else "about what the seeds should give.")
        )
    if case.dressed:
        notes.append("The lot is dressed: gaps are filled with dry seed.")
    answer_now = sow_again(
        forecast,
        now_h=context.now_h,
        wanted=wanted,
        harvest=harvest,
        ahead_d=ahead_d,
        room_C=room_C,
        viability=viability,
        ln_shift=shift,
        dressed=case.dressed,
        seed=context.seed,
    )
    counted = answer.counts[-1].emerged if answer.counts else None
    return PoorRow(
        answer=answer_now,
        counted=counted,
        harvest_on=harvest.growth.source,
        zone=context.zone,
        notes=tuple(dict.fromkeys(notes)),
        cautions=cautions(
            [case.crop], ["direct" if case.dressed else "presprouted"], dressed=case.dressed or None
        ),
    )


def _if_any(way: Way) -> FloatArray:
    """Hour of half emergence; NaN where nothing comes up, as a forecast has it."""
    return np.where(way.plants > 0, way.half_h, np.nan)


def left_over_seed(
    context: Context, case: Case, forecast: RowForecast, on: date
) -> tuple[FloatArray, FloatArray]:
    """Viability and shift of seed left over from a row's sowing, aged up to a day.

    What the counts say of the lot is kept: each draw of the row takes the age of the draw of the
    lot that was as much alive when the row was sown.
    """
    if case.lot is None:
        return forecast.viability, forecast.ln_shift
    size = forecast.viability.size
    sown = local(forecast.sowing.planted_h, context.zone).date()
    then, slow_then = context.lot_draws(case, sown)
    now, slow_now = context.lot_draws(case, max(on, sown))
    order = np.argsort(then, kind="stable")
    place = order[np.clip(np.searchsorted(then[order], forecast.viability), 0, size - 1)]
    left = now[place] / np.maximum(then[place], 1e-9)
    return (
        np.clip(forecast.viability * left, 0.0, 1.0),
        forecast.ln_shift + slow_now[place] - slow_then[place],
    )
