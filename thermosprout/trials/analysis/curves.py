"""Emergence curves of treatments without a shape, with bands that know that plots differ.

The step curve is the non-parametric maximum likelihood of interval-censored times.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.errors import FitError, InputError
from thermosprout.quantities import FloatArray, IntArray
from thermosprout.trials.analysis.lognormal import fit_lognormal
from thermosprout.trials.analysis.measures import wilson
from thermosprout.trials.analysis.results import Curve, Shape
from thermosprout.trials.analysis.timing import ClockName, plot_intervals

if TYPE_CHECKING:
    import pandas as pd


@dataclass(frozen=True, kw_only=True)
class Npmle:
    """Where the data put their mass; inside an interval nothing is known of its place.

    Attributes
    ----------
    left, right : ndarray, shape (interval,)
        Innermost intervals, left end excluded, right end included; inf where open.
    mass : ndarray, shape (interval,)
        Share of the seeds in each.
    log_likelihood : float
    gap : float
        Bound on what the log-likelihood could still gain.
    iterations : int
    """

    left: FloatArray
    right: FloatArray
    mass: FloatArray
    log_likelihood: float
    gap: float
    iterations: int

    @property
    def never(self) -> float:
        """Share that was not seen: never emerged, or after the last inspection."""
        return float(self.mass[~np.isfinite(self.right)].sum())

    def cumulative(self, time: npt.ArrayLike) -> FloatArray:
        """Share surely emerged by each time: the lower edge of the curve.

        Parameters
        ----------
        time : array_like
            On the clock of the data.
        """
        total = np.r_[0.0, np.cumsum(self.mass)]
        return np.asarray(total[np.searchsorted(self.right, np.asarray(time), side="right")])

    def quantile(self, share: float) -> tuple[float, float]:
        """Interval in which the curve reaches a share; (inf, inf) where it does not."""
        finite = np.isfinite(self.right)
        total = np.cumsum(self.mass[finite])
        index = int(np.searchsorted(total, share - 1e-12))
        if index >= total.size:
            return np.inf, np.inf
        return float(self.left[finite][index]), float(self.right[finite][index])


def turnbull(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    seeds: npt.ArrayLike | None = None,
    *,
    tolerance: float = 1e-9,
    most_iterations: int = 20_000,
) -> Npmle:
    """Non-parametric maximum likelihood estimate from interval-censored times.

    Parameters
    ----------
    left, right : array_like, shape (interval,)
        Each time lies in ``left < t <= right``; equal ends mean an exact time, ``inf`` on the
        right means not seen.
    seeds : array_like, shape (interval,), optional
        How many each interval stands for; one by default.
    tolerance : float
        Largest gain in log-likelihood per seed that may be left.

    Raises
    ------
    InputError
        When there is nothing to fit or an interval ends before it begins.
    FitError
        When the tolerance is not reached.

    Notes
    -----
    Support after Turnbull (1976), J. R. Stat. Soc. B 38:290-295; maximum by alternating an
    expectation step with an iterative convex minorant step, Wellner & Zhan (1997), J. Am. Stat.
    Assoc. 92:945-959. The gap is the gradient bound of Gentleman & Geyer (1994), Biometrika
    81:618-623. Each observation covers a run of support intervals, so that both steps cost one
    pass over sums.
    """
    lower, upper = np.asarray(left, dtype=float), np.asarray(right, dtype=float)
    weight = np.ones(lower.shape) if seeds is None else np.asarray(seeds, dtype=float)
    keep = weight > 0
    lower, upper, weight = lower[keep], upper[keep], weight[keep]
    if lower.size == 0:
        raise InputError("there are no seeds to draw a curve from")
    if not (lower <= upper).all() or np.isnan(lower).any():
        raise InputError("an interval ends before it begins")
    inner_left, inner_right, first, last = _support(lower, upper)
    first, last, weight = _merge(first, last, weight, inner_left.size)
    mass, gap, done = _maximise(first, last, weight, inner_left.size, tolerance, most_iterations)
    if gap > tolerance * weight.sum():
        raise FitError(
            f"the emergence curve did not settle in {most_iterations} steps (gap {gap:.1e})"
        )
    running = np.r_[0.0, np.cumsum(mass)]
    likelihood = float(weight @ np.log(running[last + 1] - running[first]))
    return Npmle(
        left=inner_left,
        right=inner_right,
        mass=mass,
        log_likelihood=likelihood,
        gap=gap,
        iterations=done,
    )


def _support(
    lower: FloatArray, upper: FloatArray
) -> tuple[FloatArray, FloatArray, IntArray, IntArray]:
    """Innermost intervals, and the first and last of them that each observation covers."""
    values, rank = np.unique(np.r_[lower, upper], return_inverse=True)
    exact = lower == upper
    # On the line a closed start lies before an end at the same value, an open start after it.
    start = 3 * rank[: lower.size] + np.where(exact, 0, 2)
    end = 3 * rank[lower.size :] + 1
    points = np.unique(np.r_[start * 2, end * 2 + 1])  # odd = an end
    is_end = points % 2 == 1
    turn = np.flatnonzero(~is_end[:-1] & is_end[1:])
    inner_start, inner_end = points[turn] // 2, points[turn + 1] // 2
    first = np.searchsorted(inner_start, start, side="left")
    last = np.searchsorted(inner_end, end, side="right") - 1
    return values[inner_start // 3], values[inner_end // 3], first, last


def _merge(
    first: IntArray, last: IntArray, weight: FloatArray, size: int
) -> tuple[IntArray, IntArray, FloatArray]:
    key, index = np.unique(first * size + last, return_inverse=True)
    first, last = (key // size).astype(np.intp), (key % size).astype(np.intp)
    return first, last, np.bincount(index, weight).astype(float)


def _maximise(
    first: IntArray, last: IntArray, weight: FloatArray, size: int, tolerance: float, most: int
) -> tuple[FloatArray, float, int]:
    total = float(weight.sum())
    cover = np.bincount(first, weight, size) + np.bincount(last, weight, size)
    mass = (cover + 1e-3 * total / size) / (cover + 1e-3 * total / size).sum()
    gap = np.inf
    for step in range(1, most + 1):
        slope = _slope(mass, first, last, weight)
        gap = float(slope.max() - total)
        if gap <= tolerance * total:
            return mass, gap, step
        mass = mass * slope / total
        mass /= mass.sum()
        mass = _minorant_step(mass, first, last, weight)
    return mass, gap, most


def _slope(mass: FloatArray, first: IntArray, last: IntArray, weight: FloatArray) -> FloatArray:
    """Derivative of the log-likelihood with respect to each mass."""
    running = np.r_[0.0, np.cumsum(mass)]
    share = weight / (running[last + 1] - running[first])
    change = np.bincount(first, share, mass.size + 1) - np.bincount(last + 1, share, mass.size + 1)
    return np.asarray(np.cumsum(change)[:-1])


def _minorant_step(
    mass: FloatArray, first: IntArray, last: IntArray, weight: FloatArray
) -> FloatArray:
    """One safeguarded convex minorant step on the cumulative curve."""
    from scipy.optimize import isotonic_regression

    size = mass.size
    if size < 2:
        return mass

    def likelihood(curve: FloatArray) -> float:
        full = np.r_[0.0, curve, 1.0]
        share = full[last + 1] - full[first]
        return float(weight @ np.log(share)) if (share > 0).all() else -np.inf

    curve = np.cumsum(mass)[:-1]
    full = np.r_[0.0, curve, 1.0]
    share = full[last + 1] - full[first]
    rise, bend = weight / share, weight / share**2
    slope = (np.bincount(last + 1, rise, size + 1) - np.bincount(first, rise, size + 1))[1:size]
    curvature = (np.bincount(last + 1, bend, size + 1) + np.bincount(first, bend, size + 1))[1:size]
    curvature = np.maximum(curvature, 1e-12)
    target = np.clip(isotonic_regression(curve + slope / curvature, weights=curvature).x, 0.0, 1.0)
    now, way = likelihood(curve), target - curve
    gain = float(slope @ way)
    length = 1.0
    while length > 1e-10:
        if likelihood(curve + length * way) >= now + 0.1 * length * gain:
            break
        length *= 0.5
    else:
        return mass
    return np.asarray(np.maximum(np.diff(np.r_[0.0, curve + length * way, 1.0]), 0.0))


def emergence_curve(
    records: pd.DataFrame,
    *,
    clock: ClockName = "planted",
    thermal: FloatArray | None = None,
    correlation: float = 0.0,
    level: float = 0.9,
) -> Curve | None:
    """Curve of all seeds in the records, taken together; None where nothing was planted.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts of the plots of one treatment.
    thermal : ndarray, shape (row,), optional
        For the thermal clock. [C d]
    correlation : float
        Of the fates of two seeds in one plot; makes the band wider.
    level : float
        Of the band.
    """
    intervals = plot_intervals(records, clock, thermal)
    if intervals.empty:
        return None
    fit = turnbull(intervals["left"], intervals["right"], intervals["seeds"])
    shown = np.isfinite(fit.right) & (fit.mass > 1e-9)
    emerged = np.cumsum(fit.mass[shown])
    sizes = intervals.groupby("plot")["seeds"].sum().to_numpy(dtype=float)
    seeds = float(sizes.sum())
    # Seeds that share their luck count for less (Kish 1965, design effect).
    crowded = 1.0 + correlation * (float((sizes**2).sum()) / seeds - 1.0)
    worth = seeds / max(crowded, 1.0)
    band = [wilson(share * worth, worth, level) for share in np.clip(emerged, 0.0, 1.0)]
    return Curve(
        clock=clock,
        left=fit.left[shown].tolist(),
        right=fit.right[shown].tolist(),
        emerged=emerged.tolist(),
        low=[low for low, _ in band],
        high=[high for _, high in band],
    )


def emergence_shape(records: pd.DataFrame) -> Shape | None:
    """Log-normal fit to all seeds in the records, in days since planting; None without one."""
    intervals = plot_intervals(records, "planted")
    usable = intervals[intervals["right"] > intervals["left"]]
    try:
        fit = fit_lognormal(usable["left"], usable["right"], usable["seeds"])
    except (FitError, ValueError):
        return None
    return Shape(
        t50_d=float(np.exp(fit.mu[0])), sigma=float(fit.sigma[0]), final=float(fit.final[0])
    )


@dataclass(frozen=True, kw_only=True)
class PlotSteps:
    """Counts of one plot for its small picture: days since planting, share of seeds planted."""

    block: str
    label: str
    plot: str
    days: list[float]
    emerged: list[float]


def block_steps(records: pd.DataFrame, compared: str = "treatment") -> list[PlotSteps]:
    """Counts of every plot in the order of blocks, for small multiples.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts.
    compared : str
        Column that tells plots of a block apart.
    """
    counted = records[records["inspected"].notna() & (records["seeds_planted"] > 0)]
    waits = (counted["inspected"] - counted["planted"]).dt.total_seconds() / 86_400.0
    table = counted.assign(days=waits, share=counted["emerged"] / counted["seeds_planted"])
    several = counted["variety"].nunique() > 1 and compared != "variety"
    plots = []
    for plot, rows in table.sort_values("days").groupby("plot", sort=False):
        first = rows.iloc[0]
        block = f"{first['variety']}, block {first['block']}" if several else first["block"]
        plots.append(
            PlotSteps(
                block=str(block) or "all",
                label=str(first[compared]),
                plot=str(plot),
                days=[0.0, *rows["days"].tolist()],
                emerged=[0.0, *rows["share"].tolist()],
            )
        )
    return sorted(plots, key=lambda item: (item.block, item.plot))
