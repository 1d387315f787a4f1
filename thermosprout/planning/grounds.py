"""What a comparison rests on, and the trial that settles what hangs on an assumption."""

from __future__ import annotations

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.crops.handling_evidence import handling_evidence
from thermosprout.emergence.treatments import Treatment
from thermosprout.errors import InputError
from thermosprout.planning.compare import WORTH_DAYS, Comparison
from thermosprout.planning.evidence import handling_grounds

HANDLING_WORDS = {Treatment.SOAKED: "soaking", Treatment.PRESPROUTED: "sprouting"}

_SIMULATED = 150
_SURE = 0.9


def grounds(comparison: Comparison) -> tuple[str, ...]:
    """One line on what each handling rests on, and one on the trial that settles the choice."""
    crop = comparison.setting.crop
    treatments = dict.fromkeys(o.option.handling.treatment for o in comparison.outcomes)
    handlings = [HANDLING_WORDS[one] for one in treatments if one in HANDLING_WORDS]
    trial = settling_trial(comparison)
    return (*handling_grounds(crop, handlings), *([trial] if trial else []))


def settling_trial(comparison: Comparison) -> str | None:
    """Name the smallest trial that shows the difference at stake, where none was measured.

    The choice hangs on an assumption where the handling was not measured for the crop and the days
    that it gains may as well be worth acting on as not. The difference at stake is the gain in the
    middle, and at least what is worth acting on.
    """
    crop = comparison.setting.crop
    for index, outcome in enumerate(comparison.outcomes):
        treatment = outcome.option.handling.treatment
        handling = HANDLING_WORDS.get(treatment)
        if handling is None or handling_evidence(crop.name, handling).grade == "measured":
            continue
        gain = comparison.gains[index].emergence_d
        weights = outcome.row.weights[np.isfinite(gain)]
        gain = gain[np.isfinite(gain)]
        if gain.size < 10 or not _open(gain, weights):
            continue
        return _trial_sentence(comparison, treatment, max(WORTH_DAYS, float(np.median(gain))))
    return None


def _open(gain: FloatArray, weights: FloatArray) -> bool:
    """Whether the gain may as well be worth acting on as not."""
    worth = float(weights[gain >= WORTH_DAYS].sum() / weights.sum())
    return 1.0 - _SURE < worth < _SURE


def _trial_sentence(comparison: Comparison, treatment: Treatment, days: float) -> str | None:
    from thermosprout.trials.power import Trial, smallest_trial, truths_of

    setting, row = comparison.setting, comparison.outcomes[0].row
    soil_C = round(float(row.soil_mean_C()), 1)
    days = round(days, 1)
    try:
        truths = truths_of(setting.crop, soil_C, depth_cm=setting.depth_cm, trials=_SIMULATED)
    except InputError:
        return None
    smallest = smallest_trial(Trial(), truths, np.random.default_rng(1), later_d=-days)
    if smallest is None:
        return None
    trial = smallest.trial
    return (
        f"Whether {HANDLING_WORDS[treatment]} pays hangs on an assumption: a trial of "
        f"{trial.blocks} blocks, direct beside {treatment.value}, with {trial.seeds} seeds a plot "
        f"shows {days:g} d in 8 of 10 cases (`thermosprout trial design` plans it)."
    )
