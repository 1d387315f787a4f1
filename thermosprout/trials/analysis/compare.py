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
    Contrast,
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
from thermosprout.trials.analysis.pairs import Cells, compare_pairs, permute_within_blocks
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
    """Plots that are compared together, with what their order in the scores is.

    Attributes
    ----------
    plots : pandas.DataFrame
        One row per plot.
    rows : ndarray of int, shape (plot,)
        Where the plots stand in the scores.
    labels : list of str
        Treatments in the order they are told; the first is the one others are held against.
    treatment : ndarray of int, shape (plot,)
    block, stratum : ndarray of int, shape (plot,)
        Blocks, one set per variety where varieties are compared together; and that set.
    variety : str or None
    """

    plots: pd.DataFrame
    rows: IntArray
    labels: list[str]
    treatment: IntArray
    block: IntArray
    stratum: IntArray
    variety: str | None = None

    def plots_of(self, label: int, size: int) -> BoolArray:
        """Which of all ``size`` scored plots hold a treatment."""
        mine = np.zeros(size, dtype=bool)
        mine[self.rows[self.treatment == label]] = True
        return mine


@dataclass(frozen=True, kw_only=True)
class Fitted:
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


def fit_measure(group: Group, scores: PlotScores, measure: str, level: float) -> Fitted | None:
    """Blocked comparison of one measure, or None where no plot has it.

    Notes
    -----
    Plots of a slow treatment may vary more in days than those of a fast one (what slows a plot
    slows it in proportion) or as much (a head start is taken off alike from all). Times are
    compared as they are or as logarithms, whichever Box & Cox (1964), J. R. Stat. Soc. B
    26:211-252, find the likelier.
    """
    if measure not in scores.scores:
        return None
    score = scores.scores[measure][group.rows]
    if measure in _SEEDLING_TIMES:
        score = np.where(_timed(group, scores), score, np.nan)
    finite = np.isfinite(score)
    if not finite.any():
        return None
    chance = scores.seed_variance[measure][group.rows]
    if measure in (STAND.name, STAND_STARTED.name):
        return _weighed(group, score, chance, finite, level, "angle")
    logs = _weighed(group, score, chance, finite, level, "ln")
    if logs.fit.df < 2:
        return logs
    times = np.where(finite, scores.values[measure][group.rows], np.nan)
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
) -> Fitted:
    """Fit plots by their weights: those with few seeds vary more."""
    luck = chance[finite]
    parts = (score[finite], group.treatment[finite], group.block[finite], len(group.labels))
    floor = max(_FLOOR * float(np.median(luck)), 1e-12)
    fit = first = fit_blocked(*parts, least_variance=floor, level=level)
    if first.df > 0 and luck.max() > 1.2 * luck.min():
        own = max(first.error_variance - float(np.median(luck)), 0.0)
        fit = fit_blocked(*parts, least_variance=floor, weights=1.0 / (own + luck), level=level)
    return Fitted(
        fit=fit, scale=scale, score=score, plain_variance=first.error_variance, floor=floor
    )


def _timed(group: Group, scores: PlotScores) -> BoolArray:
    """Plots of treatments whose half emergence lies between looks, shape (plot,).

    Half of a stand that is not known yet is not known either.
    """
    timing = scores.timing
    masks = [group.plots_of(i, scores.seedlings.size) for i in range(len(group.labels))]
    timed = [timing.timed(mask) and not timing.unfinished(mask) for mask in masks]
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


def still_to_come(group: Group, scores: PlotScores, seeds: str) -> StillToCome:
    """What may still come up after the last look, of ``seeds_planted`` or ``seeds_started``."""
    labels = len(group.labels)
    if (scores.timing.looks[group.rows] < 2).all():
        return StillToCome(share=np.zeros(labels), unfinished=np.zeros(labels, dtype=bool))
    masks = [group.plots_of(i, scores.seedlings.size) for i in range(labels)]
    sown = np.bincount(group.treatment, group.plots[seeds].to_numpy(dtype=float), labels)
    late = np.array([scores.timing.still_to_come(mask) for mask in masks])
    return StillToCome(
        share=late / np.maximum(sown, 1.0),
        unfinished=np.array([scores.timing.unfinished(mask) for mask in masks]),
    )


Fits = Mapping[str, Fitted | None]
"""Measure name to its comparison within one group."""


def fit_group(group: Group, scores: PlotScores, level: float) -> Fits:
    """Blocked comparison of every measure of a group; what is the same is fitted once."""
    same = {}
    if _same(group, "started", "planted"):
        same = dict(_STARTED_AS_PLANTED)
    if _same(group, "seeds_started", "seeds_planted"):
        same[STAND_STARTED.name] = STAND.name
    names = (STAND.name, STAND_STARTED.name, *TIMES)
    fits = {n: fit_measure(group, scores, n, level) for n in names if n not in same}
    return {**fits, **{name: fits[other] for name, other in same.items()}}


def _same(group: Group, one: str, other: str) -> bool:
    return bool((group.plots[one].to_numpy() == group.plots[other].to_numpy()).all())


def reach_of(measure: str, scores: PlotScores, rows: IntArray) -> float | None:
    """Latest that seedlings of these plots were looked for, on the clock of a measure."""
    if measure not in scores.reach:
        return None
    latest = scores.reach[measure][rows]
    return float(np.nanmax(latest)) if np.isfinite(latest).any() else None


def pairs_of(labels: Sequence[object]) -> list[tuple[int, int]]:
    """Pairs (a, b) to compare, a minus b: all of them, or all against the first when many."""
    size = len(labels)
    if size > _MOST_PAIRED:
        return [(a, 0) for a in range(1, size)]
    return [(a, b) for b, a in combinations(range(size), 2)]


def differences(
    group: Group,
    scores: PlotScores,
    fits: Fits,
    rng: np.random.Generator,
    resamples: int,
) -> tuple[list[Difference], list[Overall], dict[str, PlotError]]:
    """Compare all pairs in all measures; also the overall tests and error variances."""
    result: list[Difference] = []
    overall: list[Overall] = []
    errors: dict[str, PlotError] = {}
    for measure in COMPARED:
        if _is_idle(measure, group):
            continue
        fitted = fits[measure.name]
        if fitted is None:
            continue
        fit = fitted.fit
        if fit.df > 0:
            errors[measure.name] = PlotError(
                variance=fit.error_variance, df=fit.df, scale=fitted.scale
            )
        if len(group.labels) > 2 and np.isfinite(fit.overall_p):
            overall.append(
                Overall(measure=measure.name, p_value=fit.overall_p, method=f"{BY_PLOTS}, F test")
            )
        result += _compare_all(group, scores, measure, fitted, rng, resamples)
    return result, overall, errors


def _is_idle(measure: Measure, group: Group) -> bool:
    """Whether a measure says what another says already: nothing was started before planting."""
    if measure is STAND_STARTED:
        return _same(group, "seeds_started", "seeds_planted")
    return measure in (T50_STARTED, HARVEST_STARTED) and _same(group, "started", "planted")


def _compare_all(
    group: Group,
    scores: PlotScores,
    measure: Measure,
    fitted: Fitted,
    rng: np.random.Generator,
    resamples: int,
) -> list[Difference]:
    """Compare all pairs of treatments in one measure."""
    finite = np.isfinite(fitted.score)
    pairs = pairs_of(group.labels)
    present = np.bincount(group.treatment[finite], minlength=len(group.labels)) > 0
    pairs = [(a, b) for a, b in pairs if present[a] and present[b]]
    if not pairs:
        return []
    block = (
        group.block[finite] if fitted.fit.blocked else np.zeros(int(finite.sum()), dtype=np.intp)
    )
    cells = Cells.of_plots(
        fitted.score[finite], group.treatment[finite], block, len(group.labels), fitted.fit.weights,
        group.stratum[finite] if fitted.fit.blocked else None,
    )  # fmt: skip
    fits = compare_pairs(cells, pairs, least_variance=fitted.floor)
    half = fits.half_width(fitted.fit.level)
    rest = None
    if measure in (STAND, STAND_STARTED):
        column = "seeds_planted" if measure is STAND else "seeds_started"
        rest = still_to_come(group, scores, column)
    result: list[Difference] = []
    for index, (a, b) in enumerate(pairs):
        gap = Contrast(
            estimate=float(fits.gap[index]),
            standard_error=float(fits.standard_error[index]),
            df=float(fits.df[index]),
            half_width=float(half[index]),
        )
        if not np.isfinite(gap.standard_error):  # they hardly meet in a block
            plain = float(fitted.fit.means[a] - fitted.fit.means[b])
            gap = fitted.fit.contrast(a, b) or Contrast(estimate=plain)
        result += _compare(group, scores, measure, fitted, a, b, gap, rest, rng, resamples)
    return result


def _compare(
    group: Group,
    scores: PlotScores,
    measure: Measure,
    fitted: Fitted,
    a: int,
    b: int,
    gap: Contrast,
    rest: StillToCome | None,
    rng: np.random.Generator,
    resamples: int,
) -> list[Difference]:
    score, fit = fitted.score, fitted.fit
    finite = np.isfinite(score) & np.isin(group.treatment, (a, b))
    is_a = group.treatment[finite] == a
    middle = 0.5 * float(fit.means[a] + fit.means[b])
    plain = float(fit.means[a] - fit.means[b])
    middle_half = 0.5 * float(fit.mean_half_width[a] + fit.mean_half_width[b])
    if not np.isfinite(middle_half):  # a treatment of one plot has no interval of its own
        middle_half = gap.half_width
    estimate, low, high = difference(
        fitted.scale, middle, gap.estimate, gap.half_width, middle_half / np.sqrt(2.0)
    )
    if fitted.scale == "angle":
        # Angles of plots average to a little more or less than their shares do.
        values = scores.values[measure.name][group.rows][finite]
        weights = fit.weights[np.isin(group.treatment[np.isfinite(score)], (a, b))]
        raw = float(
            np.average(values[is_a], weights=weights[is_a])
            - np.average(values[~is_a], weights=weights[~is_a])
        )
        shift = raw - difference("angle", middle, plain, 0.0, 0.0)[0]
        estimate, low, high = (float(np.clip(x + shift, -1.0, 1.0)) for x in (estimate, low, high))
    base = Difference(
        a=group.labels[a],
        b=group.labels[b],
        measure=measure.name,
        estimate=estimate,
        low=None,
        high=None,
        p_value=None,
        method=BY_PLOTS,
        variety=group.variety,
    )
    if rest is not None and rest.unfinished[[a, b]].any():
        return [base]
    result = [base]
    if np.isfinite(gap.standard_error):
        distance = abs(gap.estimate)
        if rest is not None:
            # Whichever is behind may still catch up by what the rate of coming allows.
            behind = a if gap.estimate < 0 else b
            low, high = max(low - rest.share[b], -1.0), min(high + rest.share[a], 1.0)
            distance = max(distance - _as_angle(fit.means[behind], rest.share[behind]), 0.0)
        rows = np.concatenate([group.rows[group.treatment == t] for t in (a, b)])
        reach = reach_of(measure.name, scores, rows)
        if reach is not None:
            low, high = max(low, -reach), min(high, reach)
        too_wide = fitted.scale == "ln" and reach is None and gap.half_width > WIDEST
        p_value = replace(gap, estimate=distance).p_value
        result = [
            replace(
                base,
                low=None if too_wide else low,
                high=None if too_wide else high,
                p_value=p_value,
            )
        ]
    test = permute_within_blocks(
        score[finite], is_a, group.block[finite], rng=rng, resamples=resamples
    )
    if test is not None and test.arrangements > 1:
        result.append(
            replace(
                base,
                p_value=test.p_value,
                method=BY_PERMUTATION,
                mid_p=test.mid_p,
                smallest_p=test.smallest_p,
                arrangements=test.arrangements,
                exact=test.exact,
            )
        )
    return result


def _as_angle(mean: float, more: float) -> float:
    """Rise of an angle when its share rises by ``more``."""
    share = float(np.sin(np.clip(mean, 0.0, np.pi / 2)) ** 2)
    return float(np.arcsin(np.sqrt(min(share + more, 1.0))) - np.arcsin(np.sqrt(share)))


def interaction_p(group: Group, fitted: Fitted) -> float | None:
    """F test that treatments do the same in every variety; p, or None where it cannot be made.

    Notes
    -----
    Weighted least squares on blocks within varieties and treatments, against the same with
    treatments of each variety.
    """
    from thermosprout.special import fdtrc

    finite = np.isfinite(fitted.score)
    sets = np.unique(group.stratum[finite])
    if not 2 <= sets.size <= _MOST_VARIETIES:
        return None
    root = np.sqrt(fitted.fit.weights)[:, None]
    blocks = np.unique(group.block[finite], return_inverse=True)[1]
    each = group.treatment[finite] + len(group.labels) * group.stratum[finite]
    left, ranks = [], []
    for column in (group.treatment[finite], np.unique(each, return_inverse=True)[1]):
        design = np.hstack([np.eye(int(c.max()) + 1)[c] for c in (blocks, column)])
        best, _, rank, _ = np.linalg.lstsq(
            root * design, root[:, 0] * fitted.score[finite], rcond=None
        )
        left.append(float(((root[:, 0] * (fitted.score[finite] - design @ best)) ** 2).sum()))
        ranks.append(int(rank))
    more, free = ranks[1] - ranks[0], int(finite.sum()) - ranks[1]
    if more < 1 or free < 1:
        return None
    error = max(left[1] / free, fitted.floor)
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
