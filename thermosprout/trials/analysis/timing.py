"""What the counts can say of time: which plots can be timed, what is still to come, what fits.

Half emergence is read from a log-normal fit to each plot where that fits, and else from the counts
themselves: the step curve, which knows no shape.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import chdtrc, ndtr

from thermosprout.arrays import BoolArray, FloatArray
from thermosprout.trials.analysis.lognormal import LogNormalFits

EARLY_SHARE = 0.75
"""A treatment of which more than this was up by the first look cannot be timed."""

LATE_SHARE = 0.1
"""Share of a stand that may still come, by the rate of coming, before it counts as unfinished."""

_MISFIT_P = 0.01
_EXPECTED = 3.0
_FALLING = 0.8
_FEW_LATE = 0.05
_LULL = 0.7


@dataclass(frozen=True, kw_only=True)
class PlotTiming:
    """What the looks at each plot say of time; arrays of shape (plot,).

    Attributes
    ----------
    looks : ndarray
        Inspections.
    came, early, late, before_late : ndarray
        Seedlings in all, by the first look, in the last quarter of the time from the first
        seedling to the last look, and in the quarter before that.
    """

    looks: FloatArray
    came: FloatArray
    early: FloatArray
    late: FloatArray
    before_late: FloatArray

    def timed(self, plots: BoolArray) -> bool:
        """Whether half emergence of these plots lies between looks, most of it after the first."""
        looked = plots & (self.looks > 1) & (self.came > 0)
        return bool(looked.any()) and (
            self.early[looked].sum() <= EARLY_SHARE * self.came[looked].sum()
        )

    def still_to_come(self, plots: BoolArray) -> float:
        """Seedlings that may still come in these plots, by the rate at which they last came.

        Notes
        -----
        A falling rate is taken to fall on at the same ratio from quarter to quarter: what came
        last, times q / (1 - q). Infinite where the rate hardly falls, as after a single look.
        """
        late, before = float(self.late[plots].sum()), float(self.before_late[plots].sum())
        if late <= 1e-9:
            return 0.0
        ratio = late / before if before > 0 else np.inf
        onward = ratio / (1.0 - ratio) if ratio < _FALLING else np.inf
        if late <= _FEW_LATE * self.came[plots].sum():  # a straggler or two
            onward = min(onward, 2.0)
        return late * onward

    def unfinished(self, plots: BoolArray) -> bool:
        """Whether too much may still come for the stand to be known."""
        return self.still_to_come(plots) > LATE_SHARE * float(self.came[plots].sum())


def plot_timing(
    left: FloatArray, right: FloatArray, seeds: FloatArray, looks: FloatArray, last: FloatArray
) -> PlotTiming:
    """Read the looks at each plot.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        Intervals in which seedlings came, in order of time; NaN where a plot has fewer.
    looks, last : ndarray, shape (plot,)
        Number of inspections, and day of the last one. [d]
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0)
    start = np.min(np.where(came > 0, left, np.inf), axis=1)
    quarter = np.where(np.isfinite(start), (last - start) / 4.0, 0.0)

    def between(begin: FloatArray, end: FloatArray) -> FloatArray:
        """Seedlings of a span, those of one interval spread evenly over it."""
        with np.errstate(invalid="ignore"):
            part = np.minimum(right, end[:, None]) - np.maximum(left, begin[:, None])
            return np.asarray(np.nansum(came * np.clip(part / (right - left), 0.0, 1.0), axis=1))

    return PlotTiming(
        looks=looks,
        came=came.sum(axis=1),
        early=np.where(left <= 0, came, 0.0).sum(axis=1),
        late=between(last - quarter, last),
        before_late=between(last - 2.0 * quarter, last - quarter),
    )


@dataclass(frozen=True, kw_only=True)
class ShapeCheck:
    """Whether the log-normal fits the counts.

    Attributes
    ----------
    p_value : float
        Of all plots together.
    plot_p : ndarray, shape (plot,)
        Of each plot alone; NaN where its counts are too few to say.
    """

    p_value: float
    plot_p: FloatArray

    @property
    def fits(self) -> bool:
        """Whether the log-normal may be used."""
        return not self.p_value < _MISFIT_P


def check_shape(
    left: FloatArray, right: FloatArray, seeds: FloatArray, fits: LogNormalFits
) -> ShapeCheck:
    """Hold every plot's fit against its step curve.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        NaN where a plot has fewer intervals.
    fits : LogNormalFits

    Notes
    -----
    Pearson's chi-square over the looks, neighbours joined until about three seedlings are
    expected; of the seedlings that came, so that the final share is not judged. Two parameters a
    plot count as fitted.
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0)
    size, width = left.shape
    # Looks at which nothing new was seen lie between the intervals that hold seedlings.
    edges = np.zeros((size, 2 * width + 1))
    reach = np.where(came > 0, right, np.nan)
    edges[:, 1::2], edges[:, 2::2] = np.where(came > 0, left, np.nan), reach
    edges = np.fmax.accumulate(np.nan_to_num(edges), axis=1)
    last = np.nanmax(np.where(np.isfinite(left), left, np.nan), axis=1, initial=0.0)
    edges = np.concatenate([edges, np.maximum(edges[:, -1:], last[:, None])], axis=1)
    with np.errstate(divide="ignore"):
        below = ndtr((np.log(edges) - fits.mu[:, None]) / fits.sigma[:, None])
    total = came.sum(axis=1)
    top = np.maximum(below[:, -1:], 1e-12)
    expected = total[:, None] * np.diff(below, axis=1) / top
    observed = np.zeros(expected.shape)
    observed[:, 1:-1:2] = came
    group = np.floor((np.cumsum(expected, axis=1) - 0.5 * expected) / _EXPECTED).astype(int)
    most = int(group.max(initial=0)) + 1
    where = (np.arange(size)[:, None] * most + np.clip(group, 0, most - 1)).ravel()
    joined_e = np.bincount(where, expected.ravel(), size * most).reshape(size, most)
    joined_o = np.bincount(where, observed.ravel(), size * most).reshape(size, most)
    used = joined_e > 0.5
    with np.errstate(divide="ignore", invalid="ignore"):
        square = np.where(used, (joined_o - joined_e) ** 2 / joined_e, 0.0).sum(axis=1)
    free = used.sum(axis=1) - 2
    told = free >= 1
    plot_p = np.where(told, chdtrc(np.maximum(free, 1), square), np.nan)
    whole = float(chdtrc(free[told].sum(), square[told].sum())) if told.any() else np.nan
    return ShapeCheck(p_value=whole, plot_p=plot_p)


def step_quantile(
    left: FloatArray, right: FloatArray, seeds: FloatArray, share: float
) -> FloatArray:
    """Time by which a share of the seedlings counted was up, straight within an interval.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        In order of time; NaN where a plot has fewer.
    share : float

    Returns
    -------
    ndarray, shape (plot,)
        NaN where nothing came.
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0)
    running = np.cumsum(came, axis=1)
    total = running[:, -1]
    target = share * total
    index = np.argmax(running >= target[:, None] - 1e-9, axis=1)
    rows = np.arange(len(came))
    step = came[rows, index]
    with np.errstate(invalid="ignore", divide="ignore"):
        part = (target - (running[rows, index] - step)) / step
        time = left[rows, index] + part * (right[rows, index] - left[rows, index])
    return np.where(total > 0, time, np.nan)


def step_variance(left: FloatArray, right: FloatArray, seeds: FloatArray) -> FloatArray:
    """Variance of ln half emergence from chance among seeds, of the step curve; shape (plot,).

    Notes
    -----
    Half the distance between the quantiles one standard error of a share below and above a half
    (Woodruff 1952, J. Am. Stat. Assoc. 47:635-646).
    """
    came = np.where(np.isfinite(right), np.nan_to_num(seeds), 0.0).sum(axis=1)
    result = np.full(came.shape, np.nan)
    for number in np.unique(came[came > 0]):
        rows = came == number
        away = min(0.5 / np.sqrt(number), 0.49)
        low, high = (
            step_quantile(left[rows], right[rows], seeds[rows], 0.5 + sign * away)
            for sign in (-1, 1)
        )
        result[rows] = (0.5 * np.log(high / np.maximum(low, 1e-3))) ** 2
    return np.maximum(result, 1e-6)


def two_flushes(
    left: Sequence[float] | FloatArray, right: FloatArray, seeds: FloatArray
) -> tuple[float, float] | None:
    """Days of two flushes with a lull between them; None where seedlings came in one.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (interval,)
        Of all plots of a treatment; open ends are left out.

    Notes
    -----
    Each flush holds at least 15 % of the seedlings, the rate in the lull is under 70 % of the
    highest rate on either side, and by more than chance (one standard error) would make it.
    """
    begin, end, number = (np.asarray(x, dtype=float) for x in (left, right, seeds))
    closed = np.isfinite(end) & (number > 0)
    begin, end, number = begin[closed], end[closed], number[closed]
    if number.sum() < 20:
        return None
    grid = np.linspace(begin.min(), end.max(), 25)
    part = np.minimum(end[:, None], grid[None, 1:]) - np.maximum(begin[:, None], grid[None, :-1])
    rate = (number[:, None] * np.clip(part / (end - begin)[:, None], 0.0, 1.0)).sum(axis=0)
    # Three cells at a time, so that chance in one of them makes no lull.
    smooth = np.convolve(rate, np.ones(3), mode="valid")
    share = np.cumsum(rate)[1:-1] / rate.sum()
    for at in np.argsort(smooth):
        if not 0.15 <= share[at] <= 0.85:
            continue
        peak = min(smooth[:at].max(initial=0.0), smooth[at + 1 :].max(initial=0.0))
        if smooth[at] < _LULL * peak and peak - smooth[at] > np.sqrt(peak + smooth[at]):
            middle = grid[at + 1 : at + 3].mean()
            days = 0.5 * (begin + end)
            return (
                _median(days[days <= middle], number[days <= middle]),
                _median(days[days > middle], number[days > middle]),
            )
    return None


def _median(days: FloatArray, number: FloatArray) -> float:
    order = np.argsort(days)
    running = np.cumsum(number[order])
    return float(days[order][np.searchsorted(running, 0.5 * running[-1])])
