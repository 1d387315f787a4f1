"""When a comparison answers for a day on which hardly anybody would sow at all."""

from __future__ import annotations

import numpy as np

from thermosprout.planning.advice import surely
from thermosprout.planning.compare import Comparison, Goal
from thermosprout.planning.sensible_days import IN_TIME_ODDS
from thermosprout.planning.window import usual_within_d

MANY_FOR_ONE = 10
"""More seeds than this for one plant say something about the day (common practice, no source)."""


def day_doubts(comparison: Comparison, goal: Goal) -> tuple[str, ...]:
    """Cautions on the day itself, which no handling mends.

    Parameters
    ----------
    comparison : Comparison
    goal : Goal
        Whose advice is looked at.

    Returns
    -------
    tuple of str
        Empty where the day would do.
    """
    said = []
    crop = comparison.setting.crop
    within_d = usual_within_d(crop)
    in_time = max(
        float(np.mean(outcome.half_h - outcome.row.sowing.planted_h <= 24.0 * within_d))
        for outcome in comparison.outcomes
    )
    if in_time < IN_TIME_ODDS:
        said.append(
            f"A row of {crop.name} should be half up within {within_d:g} days; on this day the "
            f"odds of it are {surely(in_time)} at best: `thermosprout window` looks for a better "
            "day."
        )
    advised = comparison.outcomes[comparison.verdicts[goal].advised]
    seeds = advised.seeds_to_start
    if seeds is None:
        said.append(
            f"No sensible number of seeds started this way is sure to give {advised.wanted} "
            "plants: test the lot, or sow another."
        )
    elif seeds > MANY_FOR_ONE * advised.wanted:
        said.append(
            f"This takes {seeds / advised.wanted:.0f} seeds for each plant: another day or a "
            "stronger lot would take far fewer."
        )
    return tuple(said)
