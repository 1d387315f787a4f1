"""Treatments of one set of plots compared, two by two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.quantities import BoolArray, FloatArray, IntArray
from thermosprout.trials.analysis.block_model import (
    BlockedFit,
    fit_blocked,
    holm_adjusted,
)
from thermosprout.trials.analysis.measures import (
    BED_DAYS,
    COMPARED,
    HARVEST_STARTED,
    STAND,
    STAND_STARTED,
    T50_PLANTED,
    T50_STARTED,
    Measure,
    PlotScores,
    ScaleName,
    difference,
)
from thermosprout.trials.analysis.pairs import (
    Cells,
    Contrasts,
    compare_pairs,
    permute_within_blocks,
)
from thermosprout.trials.analysis.results import (
    Difference,
    Overall,
    PlotError,
)

if TYPE_CHECKING:
    import pandas as pd


LEVEL = 0.05
"""Of the tests: a difference is shown when its adjusted p is not above it."""

BY_PLOTS = "plots as replicates"
BY_PERMUTATION = "permutation within blocks"

_FLOOR = 0.02
WIDEST = float(np.log(10.0))
_MOST_PAIRED = 12
_MOST_VARIETIES = 30
TIMES = (
    "t50_since_planted_d",
    "t50_since_started_d",
    "thermal_time_50_Cd",
    "first_since_planted_d",
    "first_since_started_d",
    "full_since_planted_d",
    "full_since_started_d",
    "spread_d",
    BED_DAYS.name,
    HARVEST_STARTED.name,
)
_SEEDLING_TIMES = frozenset(TIMES) - {BED_DAYS.name, HARVEST_STARTED.name}
_STARTED_AS_PLANTED = {
    T50_STARTED.name: T50_PLANTED.name,
    "first_since_started_d": "first_since_planted_d",
    "full_since_started_d": "full_since_planted_d",
    HARVEST_STARTED.name: BED_DAYS.name,
}
"""Clocks that agree when no seed was started before it was planted."""


@dataclass(frozen=True, kw_only=True)
class Group:
    """Plots that are compared together.

    Attributes
    ----------
    plots : pandas.DataFrame
        One row per plot.
    scores : PlotScores
        Of these plots.
    labels : list of str
        Treatments in the order of the report; the others are compared with the first.
    treatment : ndarray of int, shape (plot,)
    block, stratum : ndarray of int, shape (plot,)
        Blocks, one set per variety where varieties are compared together; and that set.
    variety : str or None
    """

    plots: pd.DataFrame
    scores: PlotScores
    labels: list[str]
    treatment: IntArray
    block: IntArray
    stratum: IntArray
    variety: str | None = None

    @property
    def members(self) -> list[BoolArray]:
        """Which plots hold each treatment."""
        return [self.treatment == label for label in range(len(self.labels))]


@dataclass(frozen=True, kw_only=True)
class Comparison:
    """One measure of a group, compared on the scale on which its plots vary alike.

    Attributes
    ----------
    fit : BlockedFit
    scale : {"angle", "ln", "plain"}
    score : ndarray, shape (plot,)
        On that scale; NaN where a plot has none.
    plain_variance : float
        Error variance of plots without their weights.
    floor : float
        Least error variance, of plots that happen to be all alike.
    """

    fit: BlockedFit
    scale: ScaleName
    score: FloatArray
    plain_variance: float
    floor: float


def fit_measure(group: Group, measure: str, level: float) -> Comparison | None:
    """Blocked comparison of one measure, or None where no plot has it.

    Notes
    -----
    Plots of a slow treatment may vary more in days than those of a fast one (what slows a plot
    slows it in proportion) or as much (a head start is taken off alike from all). Times are
    compared as they are or as logarithms, whichever Box & Cox (1964), J. R. Stat. Soc. B
    26:211-252, find the likelier.
    """
    if measure not in group.scores.scores:
        return None
    score = group.scores.scores[measure]
    if measure in _SEEDLING_TIMES:
        score = np.where(_timed(group), score, np.nan)
    finite = np.isfinite(score)
    if not finite.any():
        return None
    chance = group.scores.seed_variance[measure]
    if measure in (STAND.name, STAND_STARTED.name):
        return _weighed(group, score, chance, finite, level, "angle")
    logs = _weighed(group, score, chance, finite, level, "ln")
    if logs.fit.df < 2:
        return logs
    times = np.where(finite, group.scores.values[measure], np.nan)
    plain = _weighed(group, times, chance * times**2, finite, level, "plain")
    # The logarithm times the geometric mean is on the scale of the times themselves.
    middle = float(np.exp(score[finite].mean()))
    return plain if plain.plain_variance < logs.plain_variance * middle**2 else logs


def _weighed(
    group: Group,
    score: FloatArray,
    chance: FloatArray,
    finite: BoolArray,
    level: float,
    scale: ScaleName,
) -> Comparison:
    """Fit plots by their weights: those with few seeds vary more."""
    luck = chance[finite]
    parts = (score[finite], group.treatment[finite], group.block[finite], len(group.labels))
    floor = max(_FLOOR * float(np.median(luck)), 1e-12)
    fit = first = fit_blocked(*parts, least_variance=floor, level=level)
    if first.df > 0 and luck.max() > 1.2 * luck.min():
        own = max(first.error_variance - float(np.median(luck)), 0.0)
        fit = fit_blocked(*parts, least_variance=floor, weights=1.0 / (own + luck), level=level)
    return Comparison(
        fit=fit, scale=scale, score=score, plain_variance=first.error_variance, floor=floor
    )


def _timed(group: Group) -> BoolArray:
    """Plots of treatments whose half emergence lies between looks, shape (plot,).

    Half of a stand that is not known yet is not known either.
    """
    timing = group.scores.timing
    timed = [timing.timed(plots) and not timing.unfinished(plots) for plots in group.members]
    return np.array(timed)[group.treatment]


@dataclass(frozen=True, kw_only=True)
class StillToCome:
    """Share of the seeds planted that may still come up in each treatment, shape (treatment,).

    Attributes
    ----------
    share : ndarray
        By the rate of coming; infinite where that sets no bound, zero where all plots were
        counted once: their stand is that of the day they were counted.
    unfinished : ndarray of bool
        Where so much may come that the stand is not compared.
    """

    share: FloatArray
    unfinished: BoolArray


def still_to_come(group: Group, seeds: str) -> StillToCome:
    """What may still come up after the last look, of ``seeds_planted`` or ``seeds_started``."""
    labels = len(group.labels)
    if (group.scores.timing.looks < 2).all():
        return StillToCome(share=np.zeros(labels), unfinished=np.zeros(labels, dtype=bool))
    members = group.members
    sown = np.bincount(group.treatment, group.plots[seeds].to_numpy(dtype=float), labels)
    late = np.array([group.scores.timing.still_to_come(plots) for plots in members])
    return StillToCome(
        share=late / np.maximum(sown, 1.0),
        unfinished=np.array([group.scores.timing.unfinished(plots) for plots in members]),
    )


Fits = Mapping[str, Comparison | None]
"""Measure name to its comparison within one group."""


def fit_group(group: Group, level: float) -> Fits:
    """Blocked comparison of every measure of a group; what is the same is fitted once."""
    same = _same_measures(group)
    names = (STAND.name, STAND_STARTED.name, *TIMES)
    fits = {n: fit_measure(group, n, level) for n in names if n not in same}
    return {**fits, **{name: fits[other] for name, other in same.items()}}


def _same_measures(group: Group) -> dict[str, str]:
    """Measures that say what another says already, since nothing was started before planting."""
    plots, same = group.plots, {}
    if (plots["started"] == plots["planted"]).all():
        same = dict(_STARTED_AS_PLANTED)
    if (plots["seeds_started"] == plots["seeds_planted"]).all():
        same[STAND_STARTED.name] = STAND.name
    return same


def reach_of(group: Group, measure: str, plots: BoolArray) -> float | None:
    """Latest that seedlings of these plots were looked for, on the clock of a measure."""
    if measure not in group.scores.reach:
        return None
    latest = group.scores.reach[measure][plots]
    return float(np.nanmax(latest)) if np.isfinite(latest).any() else None


def pairs_of(labels: Sequence[object]) -> list[tuple[int, int]]:
    """Pairs (a, b) to compare, a minus b: all of them, or all against the first when many."""
    size = len(labels)
    if size > _MOST_PAIRED:
        return [(a, 0) for a in range(1, size)]
    return [(a, b) for b, a in combinations(range(size), 2)]


def differences(
    group: Group,
    fits: Fits,
    rng: np.random.Generator,
    resamples: int,
) -> tuple[list[Difference], list[Overall], dict[str, PlotError]]:
    """Compare all pairs in all measures; also the overall tests and error variances."""
    result: list[Difference] = []
    overall: list[Overall] = []
    errors: dict[str, PlotError] = {}
    same = _same_measures(group)
    for measure in COMPARED:
        comparison = fits[measure.name]
        if comparison is None or measure.name in same:
            continue
        fit = comparison.fit
        if fit.df > 0:
            errors[measure.name] = PlotError(
                variance=fit.error_variance, df=fit.df, scale=comparison.scale
            )
        if len(group.labels) > 2 and np.isfinite(fit.overall_p):
            overall.append(
                Overall(measure=measure.name, p_value=fit.overall_p, method=f"{BY_PLOTS}, F test")
            )
        result += _compare_all(group, measure, comparison, rng, resamples)
    return result, overall, errors


def _compare_all(
    group: Group,
    measure: Measure,
    comparison: Comparison,
    rng: np.random.Generator,
    resamples: int,
) -> list[Difference]:
    """Compare all pairs of treatments in one measure."""
    there = np.isfinite(comparison.score)
    score, treatment, fit = comparison.score[there], group.treatment[there], comparison.fit
    pairs = [(a, b) for a, b in pairs_of(group.labels) if {a, b} <= set(treatment.tolist())]
    if not pairs:
        return []
    block = group.block[there] if fit.blocked else np.zeros(score.size, dtype=np.intp)
    cells = Cells.of_plots(
        score, treatment, block, len(group.labels), fit.weights,
        group.stratum[there] if fit.blocked else None,
    )  # fmt: skip
    contrasts = compare_pairs(cells, pairs, least_variance=comparison.floor)
    rest = None
    if measure in (STAND, STAND_STARTED):
        column = "seeds_planted" if measure is STAND else "seeds_started"
        rest = still_to_come(group, column)
    result: list[Difference] = []
    for index, (a, b) in enumerate(pairs):
        contrast = contrasts.pair(index)
        if not np.isfinite(contrast.standard_error):  # they hardly meet in a block
            plain = replace(contrast, estimate=fit.means[a] - fit.means[b])
            contrast = fit.contrast(a, b) or plain
        both = np.isin(treatment, (a, b))
        estimate, low, high = _in_units(group, measure, comparison, contrast, a, b)
        base = Difference(
            a=group.labels[a], b=group.labels[b], measure=measure.name, estimate=estimate,
            low=None, high=None, p_value=None, method=BY_PLOTS, variety=group.variety,
        )  # fmt: skip
        if rest is not None and rest.unfinished[[a, b]].any():
            result.append(base)
            continue
        if np.isfinite(contrast.standard_error):
            distance = abs(float(contrast.estimate))
            if rest is not None:
                # Whichever is behind may still catch up by what the rate of coming allows.
                behind = a if contrast.estimate < 0 else b
                low, high = max(low - rest.share[b], -1.0), min(high + rest.share[a], 1.0)
                distance = max(distance - _as_angle(fit.means[behind], rest.share[behind]), 0.0)
            base = replace(
                base, p_value=float(replace(contrast, estimate=np.asarray(distance)).p_value)
            )
            reach = reach_of(group, measure.name, np.isin(group.treatment, (a, b)))
            if reach is not None:
                low, high = max(low, -reach), min(high, reach)
            if (
                comparison.scale != "ln"
                or reach is not None
                or contrast.half_width(fit.level) <= WIDEST
            ):
                base = replace(base, low=low, high=high)
        result.append(base)
        test = permute_within_blocks(
            score[both], treatment[both] == a, group.block[there][both],
            rng=rng, resamples=resamples,
        )  # fmt: skip
        if test is not None and test.arrangements > 1:
            result.append(
                replace(
                    base, low=None, high=None, p_value=test.p_value, method=BY_PERMUTATION,
                    mid_p=test.mid_p, smallest_p=test.smallest_p, arrangements=test.arrangements,
                    exact=test.exact,
                )
            )  # fmt: skip
    return result


def _in_units(
    group: Group,
    measure: Measure,
    comparison: Comparison,
    contrast: Contrasts,
    a: int,
    b: int,
) -> tuple[float, float, float]:
    """Difference of two treatments with its interval, in the unit of the measure."""
    fit = comparison.fit
    half = float(contrast.half_width(fit.level))
    middle = 0.5 * float(fit.means[a] + fit.means[b])
    middle_half = 0.5 * float(fit.mean_half_width[a] + fit.mean_half_width[b])
    if not np.isfinite(middle_half):  # a treatment of one plot has no interval of its own
        middle_half = half
    ends = difference(
        comparison.scale, middle, float(contrast.estimate), half, middle_half / np.sqrt(2.0)
    )
    if comparison.scale != "angle":
        return ends
    # Angles of plots average to a little more or less than their shares do.
    there = np.isfinite(comparison.score)
    values, treatment = group.scores.values[measure.name][there], group.treatment[there]
    share_a, share_b = (
        np.average(values[treatment == t], weights=fit.weights[treatment == t]) for t in (a, b)
    )
    plain = difference("angle", middle, float(fit.means[a] - fit.means[b]), 0.0, 0.0)[0]
    estimate, low, high = np.clip(np.array(ends) + share_a - share_b - plain, -1.0, 1.0).tolist()
    return estimate, low, high


def _as_angle(mean: float, more: float) -> float:
    """Rise of an angle when its share rises by ``more``."""
    share = float(np.sin(np.clip(mean, 0.0, np.pi / 2)) ** 2)
    return float(np.arcsin(np.sqrt(min(share + more, 1.0))) - np.arcsin(np.sqrt(share)))


def interaction_p(group: Group, comparison: Comparison) -> float | None:
    """F test that treatments do the same in every variety; p, or None where it cannot be made.

    Notes
    -----
    Weighted least squares on blocks within varieties and treatments, against the same with
    treatments of each variety.
    """
    from thermosprout.special import fdtrc

    finite = np.isfinite(comparison.score)
    sets = np.unique(group.stratum[finite])
    if not 2 <= sets.size <= _MOST_VARIETIES:
        return None
    root = np.sqrt(comparison.fit.weights)[:, None]
    blocks = np.unique(group.block[finite], return_inverse=True)[1]
    each = group.treatment[finite] + len(group.labels) * group.stratum[finite]
    left, ranks = [], []
    for column in (group.treatment[finite], np.unique(each, return_inverse=True)[1]):
        design = np.hstack([np.eye(int(c.max()) + 1)[c] for c in (blocks, column)])
        best, _, rank, _ = np.linalg.lstsq(
            root * design, root[:, 0] * comparison.score[finite], rcond=None
        )
        left.append(float(((root[:, 0] * (comparison.score[finite] - design @ best)) ** 2).sum()))
        ranks.append(int(rank))
    more, free = ranks[1] - ranks[0], int(finite.sum()) - ranks[1]
    if more < 1 or free < 1:
        return None
    error = max(left[1] / free, comparison.floor)
    return float(fdtrc(more, free, max(left[0] - left[1], 0.0) / more / error))


def holm(items: list[Difference]) -> list[Difference]:
    """Adjust p values for the number of comparisons of each measure and method."""
    families: dict[tuple[str, str], list[int]] = {}
    for index, item in enumerate(items):
        if item.p_value is not None:
            families.setdefault((item.measure, item.method), []).append(index)
    result = list(items)
    for members in families.values():
        adjusted = holm_adjusted([items[i].p_value or 0.0 for i in members])
        for index, p in zip(members, adjusted.tolist(), strict=True):
            result[index] = replace(
                items[index], p_adjusted=p, comparisons=len(members), shown=p <= LEVEL
            )
    return result
