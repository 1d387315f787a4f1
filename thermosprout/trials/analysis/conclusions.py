"""How many plots a trial needs, from how much plots differ.

The outcome of a trial in sentences: what is shown, what is not, how big it could still be.

What to keep in mind when reading a trial: each caution is one sentence.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import chdtri, nctdtr, stdtr, stdtrit

from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.analysis.compare import BY_PLOTS, pairs_of
from thermosprout.trials.analysis.intervals import plot_intervals
from thermosprout.trials.analysis.measures import (
    BED_DAYS,
    COMPARED,
    HARVEST_STARTED,
    LEAST_SEEDLINGS,
    STAND,
    STAND_STARTED,
    T50_PLANTED,
    T50_STARTED,
    THERMAL_50,
    Measure,
    PlotScores,
)
from thermosprout.trials.analysis.permutation import blocks_for_p
from thermosprout.trials.analysis.results import Difference, TrialResult

if TYPE_CHECKING:
    import pandas as pd

    from thermosprout.trials.analysis.compare import Group
    from thermosprout.trials.analysis.results import Difference


_MOST = 60
_DRAWS = 20_000


def power_of_t(
    difference: float, error_variance: float, plots: int, df: int, level: float
) -> float:
    """Chance that a two-sided t test shows a difference.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance : float
        Of one plot within its block.
    plots : int
        Of each treatment.
    df : int
        Of the error.
    level : float
        Of the test, such as 0.05.
    """
    if df < 1 or plots < 1:
        return 0.0
    critical = float(stdtrit(df, 1.0 - level / 2.0))
    away = abs(difference) / float(np.sqrt(2.0 * error_variance / plots))
    if away > 30.0:
        return 1.0
    # Far from zero the library has no number for the other tail, which is below 1e-17 there.
    other_way = float(np.nan_to_num(nctdtr(df, away, -critical)))
    return float(1.0 - nctdtr(df, away, critical)) + other_way


def power_of_pairs(
    difference: float, error_variance: float, treatments: int, blocks: int, level: float
) -> float:
    """Chance that one treatment that differs from all others is shown to differ from a given one.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance : float
        Of one plot within its block.
    treatments : int
        All of them are compared, and p is adjusted for the number of pairs (Holm).
    blocks : int
        Of one plot a treatment.
    level : float
        Of the test, such as 0.05.

    Notes
    -----
    Student's t by the noncentral t where there is one pair; else 20 000 sets of treatment means
    and error variances, the same for all sizes of trial (simulation error 0.3 points).
    """
    df = (treatments - 1) * (blocks - 1)
    if treatments == 2 or df < 1:
        return power_of_t(difference, error_variance, blocks, df, level)
    away = abs(difference) / float(np.sqrt(error_variance / blocks))
    rng = np.random.default_rng(treatments)
    means = rng.standard_normal((_DRAWS, treatments))
    means[:, 1] += away
    error = np.sqrt(2.0 * chdtri(df, rng.random(_DRAWS)) / df)
    a, b = np.array(pairs_of(range(treatments))).T
    t = np.abs(means[:, a] - means[:, b]) / error[:, None]
    shown = holm_adjusted(2.0 * stdtr(df, -t))[:, 0] <= level
    return float(shown.mean())


def blocks_needed(
    difference: float,
    error_variance: float,
    treatments: int,
    *,
    power: float = 0.8,
    level: float = 0.05,
) -> int | None:
    """Fewest blocks of one plot a treatment that show a difference with the power asked for.

    Returns
    -------
    int or None
        None where even 60 blocks would not do.
    """
    low, high = 1, _MOST + 1
    while high - low > 1:  # more blocks never hurt
        blocks = (low + high) // 2
        if power_of_pairs(difference, error_variance, treatments, blocks, level) >= power:
            high = blocks
        else:
            low = blocks
    return high if high <= _MOST else None


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


_STILL_COMING = 0.1


def cautions(
    records: pd.DataFrame, group: Group, scores: PlotScores, found: list[Difference]
) -> tuple[str, ...]:
    """All cautions that apply to a trial.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts.
    group : Group
        All plots.
    scores : PlotScores
    found : list of Difference
        All comparisons.
    """
    parts = (
        _replicates(group),
        _permutations(found),
        _selected(group),
        _days(group),
        _mixed_up(group),
        _gaps(records),
        _unfinished(records, group),
        _left_out(group, scores),
    )
    return tuple(sentence for part in parts for sentence in part)


def _replicates(group: Group) -> Iterator[str]:
    plots = np.bincount(group.treatment, minlength=len(group.labels))
    single = [label for label, n in zip(group.labels, plots, strict=True) if n == 1]
    if len(group.labels) > 1 and single:
        yield (
            f"{_list(single)} {'has' if len(single) == 1 else 'have'} a single plot: what belongs "
            "to the treatment and what to that plot cannot be told apart. Repeat each treatment "
            "in several blocks"
        )
    table = np.zeros((len(group.labels), int(group.block.max()) + 1), dtype=int)
    np.add.at(table, (group.treatment, group.block), 1)
    together = ((table > 0).sum(axis=0) > 1).sum()
    if len(group.labels) > 1 and not together:
        yield (
            "no block holds more than one treatment, so that treatments were compared as if "
            "their plots had been placed at random; a slope in the ground would look like an effect"
        )
    elif len(group.labels) > 1 and (table == 0).any():
        yield "not every block holds every treatment; blocks without one tell less about it"


def _permutations(found: list[Difference]) -> Iterator[str]:
    worst, comparisons = _smallest_p(found)
    if worst <= _LEVEL:
        return
    of = f", adjusted for {comparisons} comparisons," if comparisons > 1 else ""
    why = (
        f"with so few blocks (its smallest p{of} is {worst:.2g}; "
        f"{blocks_for_p(_LEVEL, comparisons)} blocks of one plot per treatment would do)"
    )
    if any(is_shown(item) for item in found if item.method == BY_PLOTS):
        yield (
            "what is called shown rests on how plots differ within their blocks (Student's t); the "
            f"check by permutation, which assumes less, cannot confirm it at 5 % {why}"
        )
    else:
        yield f"the check by permutation cannot reach 5 % {why}"


def _smallest_p(found: list[Difference]) -> tuple[float, int]:
    """Largest of the smallest p values by permutation after adjustment; comparisons it is of."""
    families: dict[str, list[float]] = {}
    for item in found:
        if item.smallest_p is not None:
            families.setdefault(item.measure, []).append(item.smallest_p)
    # A comparison is adjusted least where all others are at their smallest too.
    return max(
        ((float(holm_adjusted(family).max()), len(family)) for family in families.values()),
        default=(0.0, 1),
    )


def _selected(group: Group) -> Iterator[str]:
    plots = group.plots
    chosen = plots["treatment"].str.casefold() == "presprouted"
    if (
        chosen.any()
        and (plots.loc[chosen, "seeds_planted"] < plots.loc[chosen, "seeds_started"]).any()
    ):
        yield (
            "pre-sprouted seed is a selected group: only seed that sprouted was planted, so that "
            "its stand per seed planted is no fair comparison; use the stand per seed started"
        )
    elif chosen.any():
        yield (
            "pre-sprouted seed is a selected group when only sprouted seed is planted; the records "
            "say that every seed started was planted"
        )


def _days(group: Group) -> Iterator[str]:
    plots = group.plots
    days = plots["planted"].dt.floor("D")
    if days.nunique() < 2 or len(group.labels) < 2:
        return
    by_treatment = [frozenset(days[group.treatment == i]) for i in range(len(group.labels))]
    if len(set(by_treatment)) > 1:
        yield (
            "treatments were planted on different days and met different weather; days since "
            "planting mix the two, the thermal-time clock (with a soil temperature) takes the "
            "weather out"
        )
    else:
        yield "plots were planted on different days; each treatment has plots of every day"


def _mixed_up(group: Group) -> Iterator[str]:
    plots = group.plots
    for column, words in (("seed_lot", "seed lot"), ("variety", "variety"), ("depth_cm", "depth")):
        values = plots[column].astype(str)
        if values.nunique() < 2:
            continue
        sets = [frozenset(values[group.treatment == i]) for i in range(len(group.labels))]
        if len(set(sets)) > 1 and not any(a & b for a in sets for b in sets if a is not b):
            yield (
                f"every treatment has its own {words}, so that an effect of the one cannot be told "
                "from an effect of the other"
            )


def _gaps(records: pd.DataFrame) -> Iterator[str]:
    intervals = plot_intervals(records, "planted")
    came = intervals[np.isfinite(intervals["right"])]
    if came.empty:
        return
    gap = float(
        np.average((came["right"] - came["left"]).to_numpy(), weights=came["seeds"].to_numpy())
    )
    if gap > 1.5:
        yield (
            f"when the seedlings came, the plots were looked at about every {gap:.1f} days: the "
            f"day of a single plot is not known better than that, and differences of less than "
            f"about {gap / 2:.1f} days are hard to see; look every day while they come"
        )


def _unfinished(records: pd.DataFrame, group: Group) -> Iterator[str]:
    ordered = records.sort_values(["plot", "inspected"], kind="stable")
    # A plot that was counted once came up at one look for want of others.
    twice = ordered.groupby("plot", sort=False).filter(lambda rows: len(rows) > 1)
    if twice.empty:
        yield "plots were counted once only: the stand can be compared, the time cannot"
        return
    emerged = twice.groupby("plot", sort=False)["emerged"]
    total = float(emerged.nth(-1).to_numpy(dtype=float).sum())
    before = float(emerged.nth(-2).to_numpy(dtype=float).sum())
    if total > 0 and (total - before) / total > _STILL_COMING:
        yield (
            "seedlings were still coming at the last inspection, so that the final stand is not "
            "known yet and times to half of it may be too early"
        )


def _left_out(group: Group, scores: PlotScores) -> Iterator[str]:
    few = scores.seedlings[group.rows] < LEAST_SEEDLINGS
    if few.any():
        names = list(group.plots.loc[few, "plot"])
        yield (
            f"{_list(names)} had fewer than {LEAST_SEEDLINGS} seedlings and "
            f"{'is' if len(names) == 1 else 'are'} left out of the times (not of the stand)"
        )


def _list(names: list[str]) -> str:
    shown = names[:6] + ([f"{len(names) - 6} more"] if len(names) > 6 else [])
    return shown[0] if len(shown) == 1 else ", ".join(shown[:-1]) + " and " + shown[-1]
