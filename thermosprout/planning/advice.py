"""The sentence that a comparison ends with: what to do, and why."""

from __future__ import annotations

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.crops.cautions import cautions
from thermosprout.emergence.quantiles import odds
from thermosprout.emergence.treatments import Treatment
from thermosprout.planning.compare import GOAL_WORDS, Comparison, Goal, Verdict, harvest_is_seen
from thermosprout.planning.options import Outcome
from thermosprout.quantities import percent

_HOPELESS = 0.1


def advise(comparison: Comparison, goal: Goal) -> tuple[str, str]:
    """What to do for a goal, and the reason, one sentence each."""
    verdict = comparison.verdicts[goal]
    outcomes = comparison.outcomes
    advised = outcomes[verdict.advised]
    if max(_middle(outcome.row.share) for outcome in outcomes) < _HOPELESS:
        return "Do not sow on this day.", (
            "Fewer than 1 seed in 10 is expected to come up, whatever the method."
        )
    if not any(np.isfinite(_middle(outcome.half_h)) for outcome in outcomes):
        return "No advice for this day.", (
            "Whatever the method, the row is unlikely to be up before the temperature record ends."
        )
    if len(outcomes) == 1:
        return f"{_order(advised)}.", "Only one method is possible, so there is nothing to compare."
    return f"{_order(advised)}.", _reason(comparison, verdict)


def _order(outcome: Outcome) -> str:
    handling = outcome.option.handling
    if handling.treatment is Treatment.DIRECT:
        return "Sow dry"
    if handling.treatment is Treatment.SOAKED:
        return f"Soak for {handling.soak_h:g} h, then sow"
    return "Sprout indoors and plant sprouted seed"


def _reason(comparison: Comparison, verdict: Verdict) -> str:
    outcomes = comparison.outcomes
    leader = outcomes[verdict.leader]
    name = _gerund(leader)
    left = _middle(comparison.gains[verdict.leader].harvest_d)
    early = _middle(comparison.gains[verdict.leader].emergence_d)
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
        gain = f"{name} saves {verdict.gain:.1f} bed-days per full row by {_until(comparison)}"
    elif not np.isfinite(early):
        gain = f"{name} is up in time more often"
    elif np.isfinite(left):
        gain = f"{name} {_shift(early)} emergence by {abs(early):.1f} d, {_left(left)}"
    else:
        gain = f"{name} {_shift(early)} emergence by {abs(early):.1f} d"
    if verdict.worth_acting_on:
        takes = _takes(outcomes[0], leader)
        return f"{capital(gain)}; it gains in {surely(verdict.gain_odds)} of cases{takes}."
    return (
        f"{capital(gain)} (it gains in {surely(verdict.gain_odds)} of cases): "
        "the difference is not worth acting on."
    )


def _until(comparison: Comparison) -> str:
    return "first harvest" if harvest_is_seen(comparison.outcomes) else "half emergence"


def _takes(plain: Outcome, chosen: Outcome) -> str:
    """What the chosen way takes in seed and work beyond the plain one."""
    parts: list[str] = []
    seeds, before = chosen.seeds_to_start, plain.seeds_to_start
    if seeds is not None and before is not None and seeds > 1.05 * before:
        parts.append(f"{seeds} seeds started instead of {before}")
    more = chosen.option.minutes - plain.option.minutes
    if more > 0:
        parts.append(f"{more:.0f} minutes more work")
    return f", and takes {' and '.join(parts)}" if parts else ""


def _runner_up(comparison: Comparison) -> str:
    """How little the best handling would bring at emergence, where that is known."""
    gains = [_middle(gain.emergence_d) for gain in comparison.gains[1:]]
    if not gains or not np.isfinite(gains).any():
        return ""
    index = int(np.nanargmax(gains)) + 1
    if gains[index - 1] <= 0:
        return ""
    return (
        f"; {_gerund(comparison.outcomes[index])} would bring emergence forward by "
        f"{gains[index - 1]:.1f} d at its cost in seed and work"
    )


def _gerund(outcome: Outcome) -> str:
    handling = outcome.option.handling
    if handling.treatment is Treatment.DIRECT:
        return "sowing dry"
    if handling.treatment is Treatment.SOAKED:
        return f"soaking for {handling.soak_h:g} h"
    return "pre-sprouting"


def _shift(days: float) -> str:
    return "brings forward" if days >= 0 else "puts back"


def _left(days: float) -> str:
    if abs(days) < 0.05:
        return "but the gain is gone by first harvest"
    if days < 0:
        return f"and first harvest comes {-days:.1f} d later"
    return f"of which {days:.1f} d remain at first harvest"


def _middle(values: FloatArray) -> float:
    finite = values[np.isfinite(values)]
    return float(np.median(finite)) if 2 * finite.size > values.size else float("nan")


def surely(odds_of: float) -> str:
    """Odds in per cent; nothing is quite sure."""
    if odds_of > 0.99:
        return "more than 99 %"
    if odds_of < 0.01:
        return "less than 1 %"
    return f"{percent(odds_of)}"


def capital(text: str) -> str:
    """Sentence with a capital at its start."""
    return text[0].upper() + text[1:]


def comparison_cautions(comparison: Comparison) -> tuple[str, ...]:
    """Cautions on the ways of sowing compared."""
    setting = comparison.setting
    treatments = [str(outcome.option.handling.treatment) for outcome in comparison.outcomes]
    return cautions([setting.crop], treatments, dressed=setting.dressed or None)


def selected_group_note(comparison: Comparison) -> str | None:
    """Say that sprouted seed is a selected group where it is compared."""
    for outcome in comparison.outcomes:
        if outcome.row.state.proven:
            started = odds(outcome.row.stand_per_seed_started, outcome.row.weights)["p50"]
            planted = odds(outcome.row.share, outcome.row.weights)["p50"]
            return (
                "Only seed that sprouted is planted: its stand is "
                f"{percent(planted)} of the seeds planted but {percent(started)} of the seeds "
                "started."
            )
    return None
