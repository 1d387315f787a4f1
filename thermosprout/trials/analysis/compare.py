"""Treatments of one set of plots summed up and compared, two by two."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.trials.analysis.block_model import BlockedFit, fit_blocked, holm_adjusted
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
    back,
    difference,
)
from thermosprout.trials.analysis.permutation import permute_within_blocks
from thermosprout.trials.analysis.results import (
    Difference,
    Overall,
    PlotError,
    TreatmentSummary,
    Value,
)

if TYPE_CHECKING:
    import pandas as pd


IntArray = npt.NDArray[np.intp]

BY_PLOTS = "plots as replicates"
BY_PERMUTATION = "permutation within blocks"

_FLOOR = 0.02
_MOST_PAIRED = 12
_TIMES = (
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
    block : ndarray of int, shape (plot,)
        Blocks, one set per variety where varieties are compared together.
    variety : str or None
    """

    plots: pd.DataFrame
    rows: IntArray
    labels: list[str]
    treatment: IntArray
    block: IntArray
    variety: str | None = None


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
    """

    fit: BlockedFit
    scale: ScaleName
    score: FloatArray
    plain_variance: float


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
    known = np.isfinite(score)
    if not known.any():
        return None
    chance = scores.seed_variance[measure][group.rows]
    if measure in (STAND.name, STAND_STARTED.name):
        return _weighed(group, score, chance, known, level, "angle")
    logs = _weighed(group, score, chance, known, level, "ln")
    if logs.fit.df < 2:
        return logs
    times = scores.values[measure][group.rows]
    plain = _weighed(group, times, chance * times**2, known, level, "plain")
    # The logarithm times the geometric mean is on the scale of the times themselves.
    middle = float(np.exp(score[known].mean()))
    return plain if plain.plain_variance < logs.plain_variance * middle**2 else logs


def _weighed(
    group: Group,
    score: FloatArray,
    chance: FloatArray,
    known: npt.NDArray[np.bool_],
    level: float,
    scale: ScaleName,
) -> Fitted:
    """Fit plots by their weights: those with few seeds vary more."""
    luck = chance[known]
    parts = (score[known], group.treatment[known], group.block[known], len(group.labels))
    floor = max(_FLOOR * float(np.median(luck)), 1e-12)
    fit = first = fit_blocked(*parts, least_variance=floor, level=level)
    if first.df > 0 and luck.max() > 1.2 * luck.min():
        own = max(first.error_variance - float(np.median(luck)), 0.0)
        fit = fit_blocked(*parts, least_variance=floor, weights=1.0 / (own + luck), level=level)
    return Fitted(fit=fit, scale=scale, score=score, plain_variance=first.error_variance)


Fits = Mapping[str, Fitted | None]
"""Measure name to its comparison within one group."""


def fit_group(group: Group, scores: PlotScores, level: float) -> Fits:
    """Blocked comparison of every measure of a group; what is the same is fitted once."""
    same = {}
    if _same(group, "started", "planted"):
        same = dict(_STARTED_AS_PLANTED)
    if _same(group, "seeds_started", "seeds_planted"):
        same[STAND_STARTED.name] = STAND.name
    names = (STAND.name, STAND_STARTED.name, *_TIMES)
    fits = {n: fit_measure(group, scores, n, level) for n in names if n not in same}
    return {**fits, **{name: fits[other] for name, other in same.items()}}


def _same(group: Group, one: str, other: str) -> bool:
    return bool((group.plots[one].to_numpy() == group.plots[other].to_numpy()).all())


def summaries(
    group: Group, scores: PlotScores, fits: Fits, level: float
) -> tuple[TreatmentSummary, ...]:
    """Sum up every treatment of a group."""
    found = []
    for index, label in enumerate(group.labels):
        mine = group.treatment == index
        part = group.plots[mine]
        seedlings = scores.seedlings[group.rows][mine].sum()
        times = {
            name: _time(fits[name], scores, name, group.rows[mine], index, level) for name in _TIMES
        }
        found.append(
            TreatmentSummary(
                treatment=label,
                plots=len(part),
                seeds_started=int(part["seeds_started"].sum()),
                seeds_planted=int(part["seeds_planted"].sum()),
                emerged=int(seedlings),
                stand=_share(
                    fits[STAND.name], seedlings, part["seeds_planted"].sum(), index, level
                ),
                stand_per_started=_share(
                    fits[STAND_STARTED.name], seedlings, part["seeds_started"].sum(), index, level
                ),
                **times,  # type: ignore[arg-type]
            )
        )
    return tuple(found)


def _share(
    fitted: Fitted | None, seedlings: float, seeds: float, index: int, level: float
) -> Value:
    if seeds <= 0:
        return Value(estimate=float("nan"))
    fit = None if fitted is None else fitted.fit
    estimate = float(seedlings / seeds)
    half = np.nan if fit is None else float(fit.mean_half_width[index])
    if fit is None or not np.isfinite(half):
        low, high = wilson(seedlings, seeds, level)
        return Value(estimate=estimate, low=low, high=high)
    centre = float(fit.means[index])
    low, high = back("angle", centre - half), back("angle", centre + half)
    return Value(estimate=estimate, low=min(low, estimate), high=max(high, estimate))


def wilson(emerged: float, seeds: float, level: float = 0.9) -> tuple[float, float]:
    """Score interval of a share, Wilson (1927), J. Am. Stat. Assoc. 22:209-212.

    Parameters
    ----------
    emerged, seeds : float
        Seeds may be an effective number, smaller than counted, where seeds share their luck.
    """
    from scipy.special import ndtri

    z = float(ndtri(0.5 + level / 2.0))
    share = emerged / seeds
    centre = (share + z**2 / (2 * seeds)) / (1 + z**2 / seeds)
    half = z / (1 + z**2 / seeds) * np.sqrt(share * (1 - share) / seeds + z**2 / (4 * seeds**2))
    return max(0.0, float(centre - half)), min(1.0, float(centre + half))


def _time(
    fitted: Fitted | None,
    scores: PlotScores,
    name: str,
    rows: IntArray,
    index: int,
    level: float,
) -> Value | None:
    from scipy.special import ndtri

    if fitted is None or not np.isfinite(fitted.fit.means[index]):
        return None
    centre, half = float(fitted.fit.means[index]), float(fitted.fit.mean_half_width[index])
    if not np.isfinite(half):  # no replicates: only chance among the seeds is known
        variance = float(np.nanmean(scores.seed_variance[name][rows]))
        half = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(variance / rows.size))
    return Value(
        estimate=back(fitted.scale, centre),
        low=max(0.0, back(fitted.scale, centre - half)),
        high=back(fitted.scale, centre + half),
    )


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
    found: list[Difference] = []
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
        for a, b in pairs_of(group.labels):
            found += _compare(group, scores, measure, fitted, a, b, rng, resamples)
    return found, overall, errors


def _is_idle(measure: Measure, group: Group) -> bool:
    """Whether a measure says what another says already: nothing was started before planting."""
    if measure is STAND_STARTED:
        return _same(group, "seeds_started", "seeds_planted")
    return measure in (T50_STARTED, HARVEST_STARTED) and _same(group, "started", "planted")


def _compare(
    group: Group,
    scores: PlotScores,
    measure: Measure,
    fitted: Fitted,
    a: int,
    b: int,
    rng: np.random.Generator,
    resamples: int,
) -> list[Difference]:
    score, fit = fitted.score, fitted.fit
    known = np.isfinite(score) & np.isin(group.treatment, (a, b))
    is_a = group.treatment[known] == a
    if is_a.all() or not is_a.any():
        return []
    base = Difference(
        a=group.labels[a],
        b=group.labels[b],
        measure=measure.name,
        estimate=None,
        low=None,
        high=None,
        p_value=None,
        method=BY_PLOTS,
        variety=group.variety,
    )
    middle = 0.5 * float(fit.means[a] + fit.means[b])
    plain = float(fit.means[a] - fit.means[b])
    contrast = fit.contrast(a, b)
    gap = plain if contrast is None else contrast.estimate
    half = np.nan if contrast is None else contrast.half_width
    middle_half = 0.5 * float(fit.mean_half_width[a] + fit.mean_half_width[b])
    estimate, low, high = difference(fitted.scale, middle, gap, half, middle_half / np.sqrt(2.0))
    if fitted.scale == "angle":
        # Angles of plots average to a little more or less than their shares do.
        values = scores.values[measure.name][group.rows][known]
        weights = fit.weights[np.isin(group.treatment[np.isfinite(score)], (a, b))]
        raw = float(
            np.average(values[is_a], weights=weights[is_a])
            - np.average(values[~is_a], weights=weights[~is_a])
        )
        shift = raw - difference("angle", middle, plain, 0.0, 0.0)[0]
        estimate, low, high = (float(np.clip(x + shift, -1.0, 1.0)) for x in (estimate, low, high))
    found = [
        replace(
            base,
            estimate=estimate,
            low=low if contrast is not None else None,
            high=high if contrast is not None else None,
            p_value=None if contrast is None else contrast.p_value,
        )
    ]
    test = permute_within_blocks(
        score[known], is_a, group.block[known], rng=rng, resamples=resamples
    )
    if test is not None and test.arrangements > 1:
        found.append(
            replace(
                base,
                estimate=estimate,
                p_value=test.p_value,
                method=BY_PERMUTATION,
                mid_p=test.mid_p,
                smallest_p=test.smallest_p,
                arrangements=test.arrangements,
                exact=test.exact,
            )
        )
    return found


def holm(found: list[Difference]) -> list[Difference]:
    """Adjust p values for the number of comparisons of each measure and method."""
    families: dict[tuple[str, str], list[int]] = {}
    for index, item in enumerate(found):
        if item.p_value is not None:
            families.setdefault((item.measure, item.method), []).append(index)
    result = list(found)
    for members in families.values():
        adjusted = holm_adjusted([found[i].p_value or 0.0 for i in members])
        for index, p in zip(members, adjusted.tolist(), strict=True):
            result[index] = replace(found[index], p_adjusted=p, comparisons=len(members))
    return result


__all__ = [
    "BY_PERMUTATION",
    "BY_PLOTS",
    "Group",
    "differences",
    "fit_group",
    "fit_measure",
    "holm",
    "pairs_of",
    "summaries",
    "wilson",
]
