"""The answer of ``compare``: the options side by side, the advice, and doubts about the day."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from zoneinfo import ZoneInfo

import numpy as np

from thermosprout.dates import noon
from thermosprout.emergence.forecast import STAGES
from thermosprout.emergence.weighted_draws import odds
from thermosprout.planning.compare import (
    Comparison,
    Goal,
    advise,
    compare,
    harvest_is_seen,
    odds_words,
    selected_group_note,
)
from thermosprout.planning.evidence import grounds
from thermosprout.planning.options import growth_of, minutes_of, usual_options
from thermosprout.planning.window import IN_TIME_ODDS, usual_within_d
from thermosprout.quantities import FloatArray
from thermosprout.season.context import Context
from thermosprout.season.schema import Document, Odds, hours, rounded, stamp, stamps
from thermosprout.season.setting import Question

MANY_FOR_ONE = 10
"""More seeds than this for one plant say something about the day (common practice, no source)."""


@dataclass(frozen=True, kw_only=True)
class CompareAnswer:
    """A comparison with what it was asked for.

    Attributes
    ----------
    zone : ZoneInfo or None
        None at a constant temperature, without a calendar.
    lot, bed : str or None
        As they were named.
    constant_C : float or None
        Constant soil temperature. [degC]
    """

    comparison: Comparison
    goal: Goal
    zone: ZoneInfo | None
    lot: str | None = None
    bed: str | None = None
    constant_C: float | None = None

    @property
    def notes(self) -> tuple[str, ...]:
        """Plain sentences on what the figures stand on."""
        comparison, setting = self.comparison, self.comparison.setting
        notes = [setting.water, *grounds(comparison)]
        if (selected := selected_group_note(comparison)) is not None:
            notes.append(selected)
        if not harvest_is_seen(one.harvest_h for one in comparison.outcomes):
            notes.append(
                f"In most runs first harvest does not come {comparison.horizon}, so methods are "
                "compared at half emergence."
            )
        if not comparison.growth.need.published:
            notes.append(
                f"No published days to harvest were found for {setting.crop.common_name}: first "
                "harvest stands on a generic span."
            )
        return tuple(notes)

    def to_dict(self) -> Document:
        """Return the JSON document."""
        comparison, goal, zone = self.comparison, self.goal, self.zone
        setting, first = comparison.setting, comparison.outcomes[0]
        advice, reason = advise(comparison, goal)
        verdict = comparison.verdicts[goal]
        return {
            "crop": setting.crop.name,
            "called": setting.crop.common_name,
            "lot": self.lot,
            "bed": self.bed,
            "bed_free": stamp(first.free_h, zone),
            "depth_cm": setting.depth_cm,
            "soil": {"source": setting.soil, "constant_C": self.constant_C},
            "harvest_on": comparison.growth.source,
            "plants_wanted": first.target,
            "seeds_planted": first.row.sowing.seeds_planted,
            "goal": goal.value,
            "options": [
                _option(comparison, index, zone) for index in range(len(comparison.outcomes))
            ],
            "advised": comparison.outcomes[verdict.advised].option.name,
            "worth_acting_on": verdict.worth_acting_on,
            "advice": advice,
            "reason": reason,
            "cautions": [*_unsuitable_day(comparison, goal), *comparison.cautions],
            "notes": list(self.notes),
        }


def compare_ways(
    context: Context,
    question: Question,
    *,
    planted: date | None = None,
    goal: Goal = Goal.HARVEST,
    soaks_h: Sequence[float] = (),
    water_C: float = 20.0,
    room_C: float = 20.0,
    sprout_h: float | None = None,
    earliest: date | None = None,
    plants: int = 100,
    seeds: int | None = None,
) -> CompareAnswer:
    """Compare dry, soaked and sprouted seed for one sowing.

    Parameters
    ----------
    planted : date, optional
        Day of planting; the day the bed is free when absent, else today.
    goal : Goal
        What matters most.
    soaks_h : sequence of float
        Soaks to weigh; the usual ones when empty. [h]
    water_C, room_C : float
        Where seed is soaked and sprouted. [degC]
    sprout_h : float, optional
        Hours of sprouting; until radicles are ready when absent. [h]
    earliest : date, optional
        Seed cannot be wetted before this day.
    plants, seeds : int
        Plants wanted, and seeds planted: as many as dry seed needs when absent.

    Raises
    ------
    InputError
        When something is named that is not known.
    CoverageError
        When the soil temperature does not hold the day of planting.
    """
    case = context.case(question)
    free_h = context.planting_h(planted, question.bed)
    options = usual_options(
        case.crop, soaks_h=tuple(soaks_h), water_C=water_C, room_C=room_C, sprout_h=sprout_h,
        minutes=minutes_of(context.season), dressed=case.dressed,
    )  # fmt: skip
    comparison = compare(
        context.setting(case, free_h),
        options,
        growth=growth_of(context, case),
        free_h=free_h,
        target=plants,
        seeds=seeds,
        earliest_start_h=None if earliest is None else hours(noon(earliest, context.zone)),
    )
    return CompareAnswer(
        comparison=comparison,
        goal=goal,
        zone=context.zone if context.constant_C is None else None,
        lot=question.lot_name,
        bed=question.bed or None,
        constant_C=context.constant_C,
    )


def _unsuitable_day(comparison: Comparison, goal: Goal) -> tuple[str, ...]:
    """Cautions on the day itself, which no handling mends; none where the day would do."""
    sentences = []
    crop = comparison.setting.crop
    within_d = usual_within_d(crop)
    in_time = max(
        float(np.mean(outcome.half_h - outcome.row.sowing.planted_h <= 24.0 * within_d))
        for outcome in comparison.outcomes
    )
    if in_time < IN_TIME_ODDS:
        sentences.append(
            f"A row of {crop.common_name} should be half up within {within_d:g} days; on this day "
            f"the odds of it are {odds_words(in_time)} at best: `thermosprout window` looks for a "
            "better day."
        )
    advised = comparison.outcomes[comparison.verdicts[goal].advised]
    seeds = advised.seeds_to_start
    if seeds is None:
        sentences.append(
            f"No sensible number of seeds started this way is sure to give {advised.target} "
            "plants: test the lot, or sow another."
        )
    elif seeds > MANY_FOR_ONE * advised.target:
        sentences.append(
            f"This takes {seeds / advised.target:.0f} seeds for each plant: another day or a "
            "stronger lot would take far fewer."
        )
    return tuple(sentences)


def _option(comparison: Comparison, index: int, zone: ZoneInfo | None) -> Document:
    outcome, gain = comparison.outcomes[index], comparison.gains[index]
    row, handling = outcome.row, outcome.option.handling
    weights, planted = row.weights, row.sowing.planted_h
    stages = {stage: row.hours[:, number] for number, stage in enumerate(STAGES)}
    sprouted = rounded(odds(row.state.sprouted, weights), 3) if row.state.proven else None

    def days_since(start_h: FloatArray | float) -> dict[str, Odds]:
        return {stage: _days(hours, start_h, weights) for stage, hours in stages.items()}

    return {
        "option": outcome.option.name,
        "treatment": handling.treatment.value,
        "soak_h": handling.soak_h or None,
        "water_C": handling.water_C if handling.soak_h else None,
        "room_C": handling.room_C if row.state.proven else None,
        "started": stamp(outcome.started_h, zone),
        "planted": stamp(planted, zone),
        "lead_d": rounded(odds(outcome.lead_h / 24.0, weights)),
        "stages": {stage: stamps(odds(hours, weights), zone) for stage, hours in stages.items()},
        "days_since_planted": days_since(planted),
        "days_since_started": days_since(planted - outcome.lead_h),
        "stand_per_seed_planted": rounded(odds(row.stand, weights), 3),
        "stand_per_seed_started": rounded(odds(row.stand_per_seed_started, weights), 3),
        "sprouted_share": sprouted,
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
    finite = np.where(np.isfinite(values), values, np.nan)
    mostly = 2 * np.isfinite(values).sum() > values.size
    return odds(finite if mostly else np.full(values.shape, np.nan), weights)


def _days(hours: FloatArray, start: FloatArray | float, weights: FloatArray) -> Odds:
    return rounded(odds(np.asarray((hours - start) / 24.0), weights))
