"""Answers about one row as documents: what `--json` prints and what tables are made from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.forecast import STAGES
from thermosprout.emergence.quantiles import odds, weighted_quantile
from thermosprout.planning.advice import DEFER, SPROUTED_NOT_FOOD, advise, cautions
from thermosprout.planning.advice import selected_group_note as selected_note
from thermosprout.planning.compare import Comparison, Gain, Goal, harvest_is_seen
from thermosprout.planning.day_doubts import day_doubts
from thermosprout.planning.events import Event
from thermosprout.planning.options import Outcome
from thermosprout.planning.sow_again import SowAgain
from thermosprout.planning.sprouting import SproutingPlan
from thermosprout.season.schema import local

FloatArray = npt.NDArray[np.float64]
Document = dict[str, Any]
Odds = dict[str, float | None]

_NO_DATE_H = 2e6
"""Hours since 1970 past which nothing is a date any more (the year 2198)."""


def rounded(values: Mapping[str, float], places: int = 2) -> Odds:
    """Odds as they are printed; what is not finite is None."""
    return {
        name: round(float(value), places) if np.isfinite(value) else None
        for name, value in values.items()
    }


def stamps(values: Mapping[str, float], zone: ZoneInfo | None) -> dict[str, str | None] | None:
    """Hours as local instants; None where there is no calendar."""
    if zone is None:
        return None
    return {
        name: local(value, zone).isoformat() if abs(value) < _NO_DATE_H else None
        for name, value in values.items()
    }


def _days(hours: FloatArray, start: FloatArray | float, weights: FloatArray) -> Odds:
    return rounded(odds(np.asarray((hours - start) / 24.0), weights))


def compare_document(
    comparison: Comparison,
    goal: Goal,
    *,
    zone: ZoneInfo | None,
    lot: str | None = None,
    bed: str | None = None,
    constant_C: float | None = None,
    notes: tuple[str, ...] = (),
) -> Document:
    """Document of a comparison; ``zone`` is None at a constant temperature, without a calendar."""
    advice, reason = advise(comparison, goal)
    verdict = comparison.verdicts[goal]
    setting = comparison.setting
    said = [*notes, setting.water]
    if (selected := selected_note(comparison)) is not None:
        said.append(selected)
    if not harvest_is_seen(comparison.outcomes):
        said.append(
            "First harvest lies past the end of the temperatures in most cases: what matters most "
            "is weighed at half emergence."
        )
    if not comparison.harvest.need.published:
        said.append(
            f"No published days to harvest were found for {setting.crop.name}: first harvest "
            "stands on a generic span."
        )
    first = comparison.outcomes[0]
    return {
        "crop": setting.crop.name,
        "lot": lot,
        "bed": bed,
        "bed_free": _one(first.free_h, zone),
        "depth_cm": setting.depth_cm,
        "soil": {"source": setting.soil, "constant_C": constant_C},
        "harvest_on": comparison.harvest.growth.source,
        "plants_wanted": first.wanted,
        "seeds_planted": first.row.sowing.seeds_planted,
        "goal": goal.value,
        "options": [_option(comparison, index, zone) for index in range(len(comparison.outcomes))],
        "advised": comparison.outcomes[verdict.advised].option.name,
        "worth_acting_on": verdict.worth_acting_on,
        "advice": advice,
        "reason": reason,
        "cautions": [*day_doubts(comparison, goal), *cautions(comparison)],
        "notes": said,
    }


def _one(hour: float, zone: ZoneInfo | None) -> str | None:
    return local(hour, zone).isoformat() if zone is not None and np.isfinite(hour) else None


def _option(comparison: Comparison, index: int, zone: ZoneInfo | None) -> Document:
    outcome: Outcome = comparison.outcomes[index]
    row, handling = outcome.row, outcome.option.handling
    weights, planted = row.weights, row.sowing.planted_h
    found = {stage: row.hours[:, number] for number, stage in enumerate(STAGES)}
    gain: Gain = comparison.gains[index]
    return {
        "option": outcome.option.name,
        "treatment": handling.treatment.value,
        "soak_h": handling.soak_h or None,
        "water_C": handling.water_C if handling.soak_h else None,
        "room_C": handling.room_C if row.state.proven else None,
        "started": _one(outcome.started_h, zone),
        "planted": _one(planted, zone),
        "lead_d": rounded(odds(outcome.lead_h / 24.0, weights)),
        "stages": {stage: stamps(odds(hours, weights), zone) for stage, hours in found.items()},
        "days_since_planted": {
            stage: _days(hours, planted, weights) for stage, hours in found.items()
        },
        "days_since_started": {
            stage: _days(hours, planted - outcome.lead_h, weights) for stage, hours in found.items()
        },
        "stand_per_seed_planted": rounded(odds(row.share, weights), 3),
        "stand_per_seed_started": rounded(odds(row.stand_per_seed_started, weights), 3),
        "seeds_to_plant": outcome.seeds_to_plant,
        "seeds_to_start": outcome.seeds_to_start,
        "first_harvest": stamps(odds(outcome.harvest_h, weights), zone),
        "bed_days": {
            "to_emergence": _days(outcome.half_h, outcome.free_h, weights),
            "to_harvest": rounded(odds(outcome.bed_days, weights)),
            "per_full_row": rounded(odds(outcome.bed_days_per_full_row, weights)),
        },
        "gain": {
            "at_emergence_d": rounded(_known(gain.emergence_d, weights)),
            "degree_days_Cd": rounded(_known(gain.head_start_Cd, weights), 1),
            "at_harvest_d": rounded(_known(gain.harvest_d, weights)),
        },
        "minutes": outcome.option.minutes,
        "best_odds": {
            goal.value: round(verdict.best_odds[index], 3)
            for goal, verdict in comparison.verdicts.items()
        },
    }


def _known(values: FloatArray, weights: FloatArray) -> dict[str, float]:
    """Odds of what is known in most draws, NaN otherwise."""
    if 2 * np.isfinite(values).sum() <= values.size:
        return dict.fromkeys(("p10", "p50", "p90"), float("nan"))
    return odds(np.where(np.isfinite(values), values, np.nan), weights)


def presprout_document(
    plan: SproutingPlan,
    events: tuple[Event, ...],
    *,
    zone: ZoneInfo,
    crop: str,
    said: tuple[str, ...],
    lot: str | None = None,
    bed: str | None = None,
    notes: tuple[str, ...] = (),
) -> Document:
    """Document of a sprouting schedule; ``said`` are the crop's cautions."""

    def at(hour: float) -> str:
        return local(hour, zone).isoformat()

    return {
        "crop": crop,
        "lot": lot,
        "bed": bed,
        "room_C": plan.room_C,
        "start": at(plan.start_h),
        "first_look": at(plan.look_h),
        "plant": at(plan.plant_h),
        "bed_free_until": at(plan.plant_until_h),
        "fallback": at(plan.last_h),
        "days_until_ready": rounded(plan.ready_d),
        "days_plantable_in_the_room": rounded(plan.plantable_d),
        "ready_odds": round(plan.ready_odds, 3),
        "ready_odds_without_cold": round(plan.ready_odds_without_hold, 3),
        "too_short_odds": round(plan.too_short_odds, 3),
        "hold": asdict(plan.hold) if plan.hold.days else None,
        "plants_wanted": plan.wanted,
        "sprouted_share": round(plan.sprouted_share, 3),
        "seeds_to_plant": plan.seeds_to_plant,
        "seeds_to_start": plan.seeds_to_start,
        "events": [
            {
                "summary": event.summary,
                "start": event.start.isoformat(),
                "description": event.description,
            }
            for event in events
        ],
        "cautions": list(dict.fromkeys((*said, SPROUTED_NOT_FOOD, DEFER))),
        "notes": [*plan.notes, *notes],
    }


def sow_again_document(
    answer: SowAgain,
    *,
    zone: ZoneInfo,
    counted: int | None,
    harvest_on: str,
    notes: tuple[str, ...] = (),
) -> Document:
    """Document of "sow again?"."""
    row, weights = answer.row, answer.row.weights

    def day(hour: float) -> str:
        return local(hour, zone).date().isoformat()

    return {
        "row": row.sowing.row,
        "crop": row.draws.crop.name,
        "planted": local(row.sowing.planted_h, zone).isoformat(),
        "seeds_planted": row.sowing.seeds_planted,
        "plants_wanted": answer.wanted,
        "counted": counted,
        "harvest_on": harvest_on,
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
                "half_up": stamps(odds(way.half_h, weights), zone),
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
        "notes": list(notes),
    }
