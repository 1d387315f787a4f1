"""Each treatment summed up: its stand and its times, with intervals from how its plots differ."""

from __future__ import annotations

import numpy as np

from thermosprout.arrays import FloatArray, IntArray
from thermosprout.trials.analysis.compare import (
    TIMES,
    WIDEST,
    Fits,
    Fitted,
    Group,
    reach_of,
    still_to_come,
)
from thermosprout.trials.analysis.measures import STAND, STAND_STARTED, PlotScores, back
from thermosprout.trials.analysis.results import PlotStands, TreatmentSummary, Value


def summaries(
    group: Group, scores: PlotScores, fits: Fits, level: float
) -> tuple[TreatmentSummary, ...]:
    """Sum up every treatment of a group."""
    rest = still_to_come(group, scores, "seeds_planted")
    result = []
    for index, label in enumerate(group.labels):
        mine = group.treatment == index
        part = group.plots[mine]
        seedlings = scores.seedlings[group.rows][mine]
        planted = part["seeds_planted"].to_numpy(dtype=float)
        times = {
            name: _time(fits[name], scores, name, group.rows[mine], index, level) for name in TIMES
        }
        shares = seedlings[planted > 0] / planted[planted > 0]
        result.append(
            TreatmentSummary(
                treatment=label,
                plots=len(part),
                seeds_started=int(part["seeds_started"].sum()),
                seeds_planted=int(part["seeds_planted"].sum()),
                emerged=int(seedlings.sum()),
                stand=_share(fits[STAND.name], seedlings.sum(), planted.sum(), index, level),
                stand_per_started=_share(
                    fits[STAND_STARTED.name],
                    seedlings.sum(),
                    part["seeds_started"].sum(),
                    index,
                    level,
                ),
                still_to_come=float(rest.share[index]),
                plot_stands=PlotStands(
                    lowest=float(shares.min()) if shares.size else np.nan,
                    highest=float(shares.max()) if shares.size else np.nan,
                    scatter_p=scatter_p(seedlings, planted),
                ),
                **times,  # type: ignore[arg-type]
            )
        )
    return tuple(result)


def scatter_p(emerged: FloatArray, seeds: FloatArray) -> float | None:
    """Whether plots of one treatment differ by more than chance among seeds: chi-square, p."""
    from scipy.special import chdtrc

    emerged, seeds = emerged[seeds > 0], seeds[seeds > 0]
    if emerged.size < 2 or not 0 < emerged.sum() < seeds.sum():
        return None
    expected = seeds * emerged.sum() / seeds.sum()
    square = (emerged - expected) ** 2 / (expected * (1.0 - expected / seeds))
    return float(chdtrc(emerged.size - 1, square.sum()))


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
    estimate = back(fitted.scale, centre)
    low, high = back(fitted.scale, centre - half), back(fitted.scale, centre + half)
    reach = reach_of(name, scores, rows)
    if reach is None:
        if fitted.scale == "ln" and half > WIDEST:
            return Value(estimate=estimate)
        return Value(estimate=estimate, low=max(0.0, low), high=high)
    return Value(estimate=estimate, low=max(0.0, low), high=max(min(high, reach), estimate))
