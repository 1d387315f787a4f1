"""Dry, soaked and pre-sprouted side by side: what each brings, and whether to act on it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from thermosprout.crops.crop import cautions
from thermosprout.emergence.harvest import Growth
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Treatment
from thermosprout.emergence.weighted_draws import odds
from thermosprout.planning.options import (
    Option,
    Outcome,
    late_sprouts,
    seeds_for_stand,
    weigh,
)
from thermosprout.quantities import FloatArray, percent
from thermosprout.season.setting import Setting


class Goal(StrEnum):
    """What the grower wants most."""

    HARVEST = "harvest"
    BED_DAYS = "bed-days"
    SEED = "seed"
    WORK = "work"


GOAL_WORDS = {
    Goal.HARVEST: "earliest harvest",
    Goal.BED_DAYS: "fewest bed-days",
    Goal.SEED: "least seed",
    Goal.WORK: "least work",
}

WORTH_DAYS = 1.0
"""Fewer days than this at first harvest are not worth more handling (assumption). [d]"""

MINUTES_FOR_A_DAY = 20.0
"""More work than this for each day gained is not worth it either (assumption). [min/d]"""

WORTH_SHARE = 0.10
"""Nor is less than this share of the seed saved (assumption)."""

WORTH_ODDS = 0.6
"""Nor is a gain that comes in fewer cases than this (assumption)."""

GIVEN_UP = 3.0
"""A row that takes so many times as long as usual is given up (assumption)."""

_FAILED_FILL = 0.5
_FAILED_ODDS = 0.2
_LATE_D = 30.0
_SEEN_SHARE = 0.5
_NO_SEED_IS_ENOUGH = 1000.0


@dataclass(frozen=True, kw_only=True)
class Gain:
    """What an option wins over the plainest one; arrays of shape (draw,), positive is better.

    Attributes
    ----------
    emergence_d, harvest_d : ndarray
        Days gained at half emergence and left of them at first harvest.
    head_start_Cd : ndarray
        Degree-days of growth between the two emergences; negative when later. [C d]
    """

    emergence_d: FloatArray
    harvest_d: FloatArray
    head_start_Cd: FloatArray


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """The option advised for one goal.

    Attributes
    ----------
    best_odds : tuple of float
        Odds of each option that it is the best for the goal; ties share.
    gain : float
        Mean gain of the advised or leading option over the plainest, in days or share of seed.
    gain_odds : float
        Odds that it gains at all.
    leader : int
        Option with the best mean; it is advised when the gain is worth acting on.
    """

    goal: Goal
    advised: int
    leader: int
    worth_acting_on: bool
    gain: float
    gain_odds: float
    best_odds: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """All options of one setting; the first is the plainest (sown dry)."""

    setting: Setting
    growth: Growth
    outcomes: tuple[Outcome, ...]
    gains: tuple[Gain, ...]
    verdicts: dict[Goal, Verdict]

    @property
    def horizon(self) -> str:
        """Up to when rows are looked at, in words."""
        constant = isinstance(self.setting.clock, ConstantClock)
        return "at this temperature" if constant else "before the temperature record ends"

    @property
    def cautions(self) -> tuple[str, ...]:
        """Cautions on the ways of sowing compared."""
        treatments = [outcome.option.handling.treatment for outcome in self.outcomes]
        return cautions([self.setting.crop], treatments, dressed=self.setting.dressed or None)


def compare(
    setting: Setting,
    options: Sequence[Option],
    *,
    growth: Growth,
    free_h: float,
    target: int = 100,
    seeds: int | None = None,
    earliest_start_h: float | None = None,
) -> Comparison:
    """Weigh the options for a bed against each other.

    Parameters
    ----------
    setting : Setting
        Crop, lot and bed; its draws are shared, so differences are paired.
    options : sequence of Option
        The plainest first.
    growth : Growth
        From emergence to first harvest.
    free_h : float
        Hour at which the bed can be planted.
    target, seeds : int
        Plants wanted, and seeds planted for them; the number the plainest option needs when
        absent.
    earliest_start_h : float, optional
        Seed cannot be wetted before.

    Raises
    ------
    CoverageError
        When the soil temperature does not hold the day of planting.
    """
    bed: dict[str, Any] = {"growth": growth, "free_h": free_h, "target": target}
    if seeds is None:
        plain = weigh(setting, options[0], seeds=target, **bed)
        seeds = plain.seeds_to_plant or 2 * target
    outcomes = tuple(
        weigh(setting, option, seeds=seeds, earliest_start_h=earliest_start_h, **bed)
        for option in options
    )
    return Comparison(
        setting=setting,
        growth=growth,
        outcomes=outcomes,
        gains=tuple(_gain_over(growth, outcomes[0], outcome) for outcome in outcomes),
        verdicts={goal: judge(outcomes, goal) for goal in Goal},
    )


def _gain_over(growth: Growth, plain: Outcome, other: Outcome) -> Gain:
    """Days and degree-days that an option wins over the plainest one; NaN past the horizon."""
    with np.errstate(invalid="ignore"):
        emergence = (plain.half_h - other.half_h) / 24.0
        ready = (plain.harvest_h - other.harvest_h) / 24.0
    return Gain(
        emergence_d=np.where(np.isfinite(emergence), emergence, np.nan),
        harvest_d=np.where(np.isfinite(ready), ready, np.nan),
        head_start_Cd=growth.between(other.half_h, plain.half_h),
    )


def cost(outcomes: Sequence[Outcome], goal: Goal) -> FloatArray:
    """What each option costs for a goal, shape (option, draw): less is better.

    A harvest past the horizon counts as a month after the last one seen; where most are past it,
    half emergence stands in for first harvest.
    """
    if goal is Goal.WORK:
        return np.stack([np.full(o.half_h.shape, o.option.minutes) for o in outcomes])
    if goal is Goal.SEED:
        per_plant = np.stack([outcome.seeds_per_plant for outcome in outcomes])
        return np.asarray(np.minimum(per_plant, _NO_SEED_IS_ENOUGH))
    harvest = harvest_is_seen(one.harvest_h for one in outcomes)
    ends = np.stack([one.harvest_h if harvest else one.half_h for one in outcomes])
    finite = np.isfinite(ends)
    latest = ends[finite].max() if finite.any() else outcomes[0].free_h
    days = (np.where(finite, ends, latest + 24.0 * _LATE_D) - outcomes[0].free_h) / 24.0
    # A row that takes far longer than usual is given up, so no outcome costs more than that.
    days = np.minimum(days, GIVEN_UP * float(np.median(days[0])))
    if goal is Goal.HARVEST:
        return np.asarray(days)
    return np.asarray(days / np.stack([outcome.filled for outcome in outcomes]))


def harvest_is_seen(harvests_h: Iterable[FloatArray]) -> bool:
    """Whether first harvest lies within the horizon in most draws of every way of sowing."""
    return all(float(np.isfinite(hours).mean()) >= _SEEN_SHARE for hours in harvests_h)


def judge(outcomes: Sequence[Outcome], goal: Goal) -> Verdict:
    """Choose for one goal: the best mean, unless what it wins is not worth acting on."""
    costs = cost(outcomes, goal)
    weights = outcomes[0].row.weights
    # What is likely to fail is set aside where something else is much less so, and what no number
    # of seeds is enough for where there is a way with one.
    failing = np.array([float(o.row.weights[o.filled < _FAILED_FILL].sum()) for o in outcomes])
    usable = failing <= max(_FAILED_ODDS, float(failing.min()) + 0.1)
    enough = np.array([outcome.seeds_to_start is not None for outcome in outcomes])
    usable &= enough | ~(usable & enough).any()
    means = np.where(usable, costs @ weights, np.inf)
    plain, leader = int(np.argmax(usable)), int(np.argmin(means))
    best = np.isclose(costs, costs.min(axis=0), rtol=1e-9, atol=1e-6)
    shared = (best / best.sum(axis=0)) @ weights
    won = costs[plain] - costs[leader]
    gain = float(weights @ won)
    if goal in (Goal.SEED, Goal.WORK):
        gain /= max(float(weights @ costs[plain]), 1e-9)
    gain_odds = float(weights[won > 0].sum())
    least = WORTH_SHARE
    if goal in (Goal.HARVEST, Goal.BED_DAYS):
        more = outcomes[leader].option.minutes - outcomes[plain].option.minutes
        least = max(WORTH_DAYS, more / MINUTES_FOR_A_DAY)
    worth = leader != plain and gain >= least and gain_odds >= WORTH_ODDS
    return Verdict(
        goal=goal,
        advised=leader if worth else plain,
        leader=leader,
        worth_acting_on=worth,
        gain=gain,
        gain_odds=gain_odds,
        best_odds=tuple(float(odds) for odds in shared),
    )


_HOPELESS = 0.1


def advise(comparison: Comparison, goal: Goal) -> tuple[str, str]:
    """What to do for a goal, and the reason."""
    verdict = comparison.verdicts[goal]
    outcomes = comparison.outcomes
    if max(median_of_most(outcome.row.share) for outcome in outcomes) < _HOPELESS:
        return "Do not sow on this day.", (
            "Fewer than 1 seed in 10 is expected to come up, whatever the method."
        )
    if not any(np.isfinite(median_of_most(outcome.half_h)) for outcome in outcomes):
        return "No advice for this day.", (
            f"Whatever the method, the row is unlikely to be up {comparison.horizon}."
        )
    order = f"{_words(outcomes[verdict.advised])[0]}."
    if len(outcomes) == 1:
        return order, "Only one method is possible, so there is nothing to compare."
    return order, _reason(comparison, verdict)


def _reason(comparison: Comparison, verdict: Verdict) -> str:
    outcomes = comparison.outcomes
    leader = outcomes[verdict.leader]
    name = _words(leader)[1]
    harvest_d = median_of_most(comparison.gains[verdict.leader].harvest_d)
    emergence_d = median_of_most(comparison.gains[verdict.leader].emergence_d)
    words = GOAL_WORDS[verdict.goal]
    if verdict.leader == verdict.advised and not verdict.worth_acting_on:
        if verdict.leader == 0:
            return f"No method does better for the {words}{_runner_up(comparison)}."
        return f"Sowing dry is likely to fail here; {name} is the simplest method that should work."
    if verdict.goal is Goal.SEED:
        gain = f"{name} takes {percent(verdict.gain)} less seed for each plant"
    elif verdict.goal is Goal.WORK:
        gain = f"{name} takes {percent(verdict.gain)} less work"
    elif verdict.goal is Goal.BED_DAYS:
        harvest = harvest_is_seen(one.harvest_h for one in outcomes)
        until = "first harvest" if harvest else "half emergence"
        gain = f"{name} saves {verdict.gain:.1f} bed-days per full row by {until}"
    elif not np.isfinite(emergence_d):
        gain = f"{name} is up in time more often"
    else:
        verb, where = ("brings", "forward") if emergence_d >= 0 else ("puts", "back")
        gain = f"{name} {verb} emergence {where} by {abs(emergence_d):.1f} days"
        if np.isfinite(harvest_d):
            gain += f", {_left(harvest_d)}"
    cases = f"it gains in {odds_words(verdict.gain_odds)} of cases"
    if verdict.worth_acting_on:
        return f"{capitalise(gain)}; {cases}.{_takes(outcomes[0], leader)}"
    return f"{capitalise(gain)} ({cases}): the difference is not worth acting on."


def _takes(plain: Outcome, choice: Outcome) -> str:
    """What the chosen way takes in seed and work beyond the plain one."""
    parts: list[str] = []
    seeds, before = choice.seeds_to_start, plain.seeds_to_start
    if seeds is not None and before is not None and seeds > 1.05 * before:
        parts.append(f"{seeds} seeds instead of {before}")
    more = choice.option.minutes - plain.option.minutes
    if more > 0:
        parts.append(f"{more:.0f} minutes more work")
    return f" It takes {' and '.join(parts)}." if parts else ""


def _runner_up(comparison: Comparison) -> str:
    """How little the best handling would bring at emergence, where that is known."""
    gains = [median_of_most(gain.emergence_d) for gain in comparison.gains[1:]]
    if not gains or not np.isfinite(gains).any():
        return ""
    index = int(np.nanargmax(gains)) + 1
    if gains[index - 1] <= 0:
        return ""
    return (
        f"; {_words(comparison.outcomes[index])[1]} would bring emergence forward by "
        f"{gains[index - 1]:.1f} days at its cost in seed and work"
    )


def _words(outcome: Outcome) -> tuple[str, str]:
    """What to do, as an order and as a gerund."""
    handling = outcome.option.handling
    if handling.treatment is Treatment.DIRECT:
        return "Sow dry", "sowing dry"
    if handling.treatment is Treatment.SOAKED:
        return f"Soak for {handling.soak_h:g} h, then sow", f"soaking for {handling.soak_h:g} h"
    return "Sprout indoors and plant sprouted seed", "pre-sprouting"


def _left(days: float) -> str:
    if abs(days) < 0.05:
        return "but the gain is gone by first harvest"
    if days < 0:
        return f"and first harvest comes {-days:.1f} days later"
    return f"of which {days:.1f} days remain at first harvest"


def median_of_most(values: FloatArray) -> float:
    """Median of what is finite; NaN where that is half of the draws or less."""
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if 2 * finite.size > values.size else float("nan")


def odds_words(odds_of: float) -> str:
    """Odds in per cent; nothing is quite sure."""
    if odds_of > 0.99:
        return "more than 99 %"
    if odds_of < 0.01:
        return "less than 1 %"
    return percent(odds_of)


def capitalise(text: str) -> str:
    """Sentence with a capital at its start."""
    return text[0].upper() + text[1:]


def selected_group_note(comparison: Comparison) -> str | None:
    """Sentence on sprouted seed being a selected group, where it is compared."""
    sprouted = next((one for one in comparison.outcomes if one.row.state.proven), None)
    if sprouted is None:
        return None
    row = sprouted.row
    started = odds(row.stand_per_seed_started, row.weights)["p50"]
    planted = odds(row.stand, row.weights)["p50"]
    rho = row.draws.values["plot_stand_rho"]
    in_turn = seeds_for_stand(row.share * row.viability, rho, sprouted.target)
    batch = late_sprouts(float(np.median(row.state.sprouted)), sprouted.seeds_to_start, in_turn)
    return (
        f"Only seed that sprouted is planted: its stand is {percent(planted)} of the seeds planted "
        f"but {percent(started)} of the seeds started. {batch}"
    )
