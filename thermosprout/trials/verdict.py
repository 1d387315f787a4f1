"""The outcome of a trial in sentences: what is shown, what is not, how big it could still be."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator

import numpy as np

from thermosprout.trials.comparing import BY_PLOTS
from thermosprout.trials.measures import (
    BED_DAYS,
    COMPARED,
    HARVEST_STARTED,
    STAND,
    STAND_STARTED,
    T50_PLANTED,
    T50_STARTED,
    THERMAL_50,
    Measure,
)
from thermosprout.trials.results import Difference, TrialResult
from thermosprout.trials.size import blocks_needed

_LEVEL = 0.05
_MOST_SENTENCES = 8
_SMALL = {
    STAND.name: 0.05,
    STAND_STARTED.name: 0.05,
    T50_PLANTED.name: 0.5,
    T50_STARTED.name: 0.5,
    BED_DAYS.name: 1.0,
    HARVEST_STARTED.name: 1.0,
}
"""Differences below which nobody would change what they do (our judgement)."""


_SENTENCES = {
    STAND.name: "{a} gives {amount} {way} stand than {b} per seed planted",
    STAND_STARTED.name: "{a} gives {amount} {way} stand than {b} per seed started",
    T50_PLANTED.name: "{a} is half up {amount} {way} than {b}, counted from planting",
    T50_STARTED.name: "{a} is half up {amount} {way} than {b}, counted from starting the seed",
    THERMAL_50.name: "{a} needs {amount} {way} than {b} from planting to half emergence",
    BED_DAYS.name: "{a} gives its first harvest {amount} {way} than {b}, counted from planting",
    HARVEST_STARTED.name: "{a} gives its first harvest {amount} {way} than {b}, counted from "
    "starting the seed",
}


def verdict(result: TrialResult) -> tuple[str, ...]:
    """Sentences on all comparisons, those that are shown first."""
    if len(result.treatments) < 2:
        return ("There is one treatment, so that there is nothing to compare",)
    shown: list[str] = []
    found: list[str] = []
    for measure in COMPARED:
        mine = [
            item
            for item in result.differences
            if item.measure == measure.name and item.method == BY_PLOTS
        ]
        shown += _told(measure, [item for item in mine if is_shown(item)], _shown, "shown")
        found += _told(
            measure, [item for item in mine if not is_shown(item)], _not_shown, "not shown"
        )
    found = [*shown, *found]
    found += list(_next_trial(result))
    if result.comparisons > 1:
        found.append(
            f"Ranges are {100 * result.interval:.0f} % intervals. {result.comparisons} tests were "
            "made in all; p is adjusted for the number of comparisons of a measure (Holm)"
        )
    return tuple(found)


def _told(
    measure: Measure,
    items: list[Difference],
    tell: Callable[[Measure, Difference], str],
    state: str,
) -> Iterator[str]:
    for item in items[:_MOST_SENTENCES]:
        yield tell(measure, item)
    if len(items) > _MOST_SENTENCES:
        yield f"{len(items) - _MOST_SENTENCES} more pairs in {measure.words}: {state}"


def is_shown(item: Difference) -> bool:
    """Whether a difference stands at 5 % after adjustment for the number of comparisons."""
    return item.p_adjusted is not None and item.p_adjusted <= _LEVEL


def amount(measure: Measure, size: float) -> str:
    """Size of a difference with its unit, without its sign."""
    if measure.kind == "share":
        points = f"{abs(size) * 100:.0f}"
        return f"{points} point{'' if points == '1' else 's'}"
    if measure is THERMAL_50:
        return f"{abs(size):.0f} °C d"
    return f"{abs(size):.1f} days"


def _span(measure: Measure, near: float, far: float) -> str:
    """Two sizes with their unit said once, as 0.4 to 1.2 days."""
    return f"{amount(measure, near).split(' ')[0]} to {amount(measure, far)}"


def _way(measure: Measure, size: float) -> str:
    if measure.kind == "share":
        return "higher" if size > 0 else "lower"
    if measure is THERMAL_50:
        return "more" if size > 0 else "less"
    return "later" if size > 0 else "sooner"


def _p(item: Difference) -> str:
    p = item.p_adjusted
    if p is None:
        return ""
    return "p < 0.001" if p < 0.001 else f"p = {p:.2f}" if p >= 0.095 else f"p = {p:.2g}"


def _shown(measure: Measure, item: Difference) -> str:
    estimate = item.estimate or 0.0
    near, far = sorted((item.low or 0.0, item.high or 0.0), key=abs)
    sentence = _SENTENCES[measure.name].format(
        a=item.a, b=item.b, amount=amount(measure, estimate), way=_way(measure, estimate)
    )
    # Adjusted for many comparisons p may stand while the plain interval is wider than zero.
    return f"Shown: {sentence} ({_span(measure, near, far)}; {_p(item)})"


def _not_shown(measure: Measure, item: Difference) -> str:
    head = f"Not shown: a difference between {item.a} and {item.b} in {measure.words}"
    if item.low is None or item.high is None:
        return f"{head}; without replicates nothing can be said of it"
    small = _SMALL.get(measure.name)
    if small is not None and max(abs(item.low), abs(item.high)) < small:
        return (
            f"{head}; if there is one, it is under {amount(measure, small)}, too little to act on"
        )
    p = _p(item)
    tail = f" ({p})" if p else ""
    if item.low < 0 < item.high:
        return (
            f"{head}; {item.a} could be anything from {amount(measure, item.low)} "
            f"{_way(measure, item.low)} to {amount(measure, item.high)} "
            f"{_way(measure, item.high)}{tail}"
        )
    near, far = sorted((item.low, item.high), key=abs)
    return (
        f"{head}; {item.a} looks {_span(measure, near, far)} {_way(measure, far)}, but chance is "
        f"not ruled out{tail}"
    )


def _next_trial(result: TrialResult) -> Iterator[str]:
    """What a next trial like this one would need to show a difference worth knowing."""
    treatments = len(result.treatments)
    parts = []
    for measure, size, words in ((T50_PLANTED, 1.0, "1 day"), (STAND, 0.1, "10 points of stand")):
        if measure.name not in result.variation.error:
            continue
        error = result.variation.error[measure.name]
        if error.df < 2:
            continue
        gap = score_gap(measure, error.scale, size, result)
        if gap is None:
            continue
        needed = blocks_needed(gap, error.variance, treatments)
        parts.append(
            f"{words}: {needed} plots of each treatment"
            if needed is not None
            else f"{words}: more than 60 plots of each treatment, so larger plots or a steadier bed"
        )
    if parts:
        yield (
            "A next trial with plots as these would show, 8 times in 10 at 5 %, " + "; ".join(parts)
        )


def score_gap(measure: Measure, scale: str, size: float, result: TrialResult) -> float | None:
    """Difference of scores that a difference in the measure's unit comes to in this trial."""
    if scale == "plain":
        return size
    values = [getattr(summary, measure.name) for summary in result.treatments]
    centres = [value.estimate for value in values if value is not None]
    centres = [c for c in centres if math.isfinite(c)]
    if not centres:
        return None
    if measure.kind == "share":
        middle = float(np.mean([np.arcsin(np.sqrt(np.clip(c, 0.0, 1.0))) for c in centres]))
        return float(np.arcsin(min(1.0, size / max(np.sin(2.0 * middle), 0.2))))
    middle = float(np.exp(np.mean(np.log(centres))))
    return float(2.0 * np.arcsinh(size / (2.0 * middle)))
