"""Emergence curves fitted to censored counts: log-normal with a share that never emerges, or free.

Of the seeds, a share ``final`` emerges at all; the ln of its times is normal. Many plots are
fitted at once: arrays of shape (fit, interval) in, (fit, parameter) out. The step curve, which
knows no shape, is the non-parametric maximum likelihood of interval-censored times.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.errors import FitError, InputError
from thermosprout.quantities import FloatArray, IntArray
from thermosprout.special import ndtr, ndtri

_ROOT = np.sqrt(2.0 * np.pi)
_LEAST = 1e-300
_LEAST_GAIN = 1e-11
_MOST_STEPS = 200
_FINAL_COUNTS = 0.5
_TOLERANCE = 1e-9
"""Gain in log-likelihood per seed that a step curve may leave."""

_BOUNDS = np.array([[-20.0, 20.0], [np.log(0.002), np.log(5.0)], [-25.0, 25.0]])


@dataclass(frozen=True, kw_only=True)
class LogNormalFits:
    """Fits side by side; each array has shape (fit,) unless said otherwise.

    Attributes
    ----------
    mu, sigma : ndarray
        Mean and sd of ln time among seeds that emerge.
    final : ndarray
        Share of the seeds that emerges at all.
    covariance : ndarray, shape (fit, 3, 3)
        Of (mu, ln sigma, logit final), from the observed information.
    converged : ndarray of bool
        Whether the slope is zero; not where a fit leans on a bound.
    """

    mu: FloatArray
    sigma: FloatArray
    final: FloatArray
    covariance: FloatArray
    converged: npt.NDArray[np.bool_]

    def quantile(self, share: float) -> FloatArray:
        """Time by which a share of the final stand shows, shape (fit,)."""
        return np.asarray(np.exp(self.mu + self.sigma * ndtri(share)))


@dataclass(frozen=True, kw_only=True)
class Penalty:
    """Weak knowledge that keeps plots with few seedlings in place: a normal for ln sigma.

    Half a seed is added to those that emerge and to those that never do, too.
    """

    ln_sigma: float
    ln_sigma_sd: float


def fit_lognormal(
    left: npt.ArrayLike, right: npt.ArrayLike, seeds: npt.ArrayLike | None = None
) -> LogNormalFits:
    """Fit one set of intervals by maximum likelihood.

    Parameters
    ----------
    left, right, seeds : array_like, shape (interval,)
        A time lies in ``left < t <= right``; ``inf`` = not seen; ``seeds`` counts them.

    Raises
    ------
    InputError
        When there is no seed, or an interval is empty or reversed.
    FitError
        When nothing emerged, or the fit does not settle.
    """
    lower = np.atleast_1d(np.asarray(left, dtype=float))
    upper = np.atleast_1d(np.asarray(right, dtype=float))
    weight = np.ones(lower.shape) if seeds is None else np.asarray(seeds, dtype=float)
    if weight.sum() <= 0 or not (lower < upper).all() or (lower < 0).any():
        raise InputError("a fit needs seeds, and intervals that begin at 0 or later and have width")
    if not (weight * np.isfinite(upper)).any():
        raise FitError("nothing emerged, so that there are no times to fit")
    fits = fit_many(lower[None, :], upper[None, :], weight[None, :])
    if not fits.converged[0]:
        raise FitError("the log-normal fit did not settle")
    return fits


def fit_many(
    left: FloatArray,
    right: FloatArray,
    seeds: FloatArray,
    *,
    penalty: Penalty | None = None,
) -> LogNormalFits:
    """Fit many sets of intervals at once by damped Newton steps with analytic derivatives.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (fit, interval)
        NaN where a fit has fewer intervals.
    penalty : Penalty, optional
        Added to the log-likelihood.

    Notes
    -----
    Limited failure population after Meeker (1987), Technometrics 29:51-65, with log-normal times.
    """
    weight = np.where(np.isfinite(left), seeds, 0.0)
    with np.errstate(divide="ignore", invalid="ignore"):
        ln_left = np.log(np.where(np.isfinite(left), left, 0.0))
        ln_right = np.log(np.where(np.isnan(right), np.inf, right))
    theta = _start(left, right, weight)
    damping = np.full(theta.shape[0], 1e-3)
    value, gradient, hessian = _evaluate(theta, ln_left, ln_right, weight, penalty)
    total = np.maximum(weight.sum(axis=1), 1.0)
    at_peak = np.zeros(theta.shape[0], dtype=bool)
    for _ in range(_MOST_STEPS):
        live = np.flatnonzero(~at_peak)
        if live.size == 0:
            break
        step = _step(gradient[live], hessian[live], damping[live])
        step = np.clip(step, [-0.5, -0.7, -2.0], [0.5, 0.7, 2.0])
        trial = np.clip(theta[live] + step, _BOUNDS[:, 0], _BOUNDS[:, 1])
        new = _evaluate(trial, ln_left[live], ln_right[live], weight[live], penalty)
        better = new[0] >= value[live] - 1e-12 * total[live]
        better_rows = live[better]
        theta[better_rows], value[better_rows] = trial[better], new[0][better]
        gradient[better_rows], hessian[better_rows] = new[1][better], new[2][better]
        damping[live] = np.where(better, damping[live] / 5.0, damping[live] * 8.0)
        damping = np.clip(damping, 1e-12, 1e12)
        uphill = np.abs(gradient).max(axis=1)
        # Half the slope along a Newton step is what the likelihood can still gain.
        gain = 0.5 * np.abs((gradient[live] * step).sum(axis=1))
        at_peak[live] |= better & (gain < _LEAST_GAIN) & (uphill[live] < 1e-6 * total[live])
        at_peak |= (uphill < 1e-8 * total) | (damping >= 1e12)
    return LogNormalFits(
        mu=theta[:, 0],
        sigma=np.exp(theta[:, 1]),
        final=1.0 / (1.0 + np.exp(-theta[:, 2])),
        covariance=_covariance(hessian),
        converged=np.abs(gradient).max(axis=1) < 1e-5 * total,
    )


def _start(left: FloatArray, right: FloatArray, weight: FloatArray) -> FloatArray:
    """Moments of the middles of the intervals, as if they were the times."""
    up = np.isfinite(right) & (weight > 0)
    middle = np.log(np.maximum(0.5 * np.where(up, left + right, 2.0), 1e-6))
    number = np.where(up, weight, 0.0).sum(axis=1)
    part = np.where(up, weight, 0.0) / np.maximum(number, 1e-9)[:, None]
    mean = (part * middle).sum(axis=1)
    spread = np.sqrt((part * (middle - mean[:, None]) ** 2).sum(axis=1))
    final = (number + 0.5) / (weight.sum(axis=1) + 1.0)
    return np.stack(
        [mean, np.log(np.clip(spread, 0.05, 1.0)), np.log(final / (1.0 - final))], axis=1
    )


def _ends(ln_time: FloatArray, theta: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Share of the standard normal below each end, its density, and density times deviate."""
    z = (ln_time - theta[:, :1]) / np.exp(theta[:, 1:2])
    finite = np.isfinite(z)
    z = np.where(finite, z, np.where(ln_time > 0, 40.0, -40.0))
    density = np.where(finite, np.exp(-0.5 * z**2) / _ROOT, 0.0)
    return ndtr(z), density, z


def _evaluate(
    theta: FloatArray,
    ln_left: FloatArray,
    ln_right: FloatArray,
    weight: FloatArray,
    penalty: Penalty | None,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Log-likelihood with gradient and Hessian, for every fit."""
    sigma = np.exp(theta[:, 1:2])
    final = 1.0 / (1.0 + np.exp(-theta[:, 2:3]))
    slope = final * (1.0 - final)
    low, low_d, low_z = _ends(ln_left, theta)
    high, high_d, high_z = _ends(ln_right, theta)
    never = ~np.isfinite(ln_right)
    # Written so that neither tail cancels: the open end holds those that never emerge.
    upper = ndtr(-low_z)
    within = np.where(low > 0.5, upper - ndtr(-high_z), high - low)
    share = np.where(never, final * upper + (1.0 - final), final * within)
    share = np.maximum(share, _LEAST)
    d_density = high_d - low_d
    d_first = high_d * high_z - low_d * low_z
    d_mass = np.where(never, -low, within)
    value = (weight * np.log(share)).sum(axis=1)
    # Derivatives of the share of each interval, over that share; summed one by one, since a
    # table of them all would cost more in memory than the arithmetic does.
    by = (
        -final * d_density / (sigma * share),
        -final * d_first / share,
        slope * d_mass / share,
    )
    low_sq, high_sq = low_d * (1.0 - low_z**2), high_d * (1.0 - high_z**2)
    bend = {
        (0, 0): by[1] / sigma**2,
        (0, 1): final * (high_sq - low_sq) / (sigma * share),
        (1, 1): final * (high_sq * high_z - low_sq * low_z) / share,
        (0, 2): by[0] * (1.0 - final),
        (1, 2): by[1] * (1.0 - final),
        (2, 2): by[2] * (1.0 - 2.0 * final),
    }
    gradient = np.stack([(weight * part).sum(axis=1) for part in by], axis=1)
    hessian = np.empty((theta.shape[0], 3, 3))
    for (p, q), second in bend.items():
        total = (weight * (second - by[p] * by[q])).sum(axis=1)
        hessian[:, p, q] = hessian[:, q, p] = total
    if penalty is not None:
        off = (theta[:, 1] - penalty.ln_sigma) / penalty.ln_sigma_sd
        share_final = final[:, 0]
        value = value - 0.5 * off**2
        value = value + _FINAL_COUNTS * (np.log(share_final) + np.log1p(-share_final))
        gradient[:, 1] -= off / penalty.ln_sigma_sd
        gradient[:, 2] += _FINAL_COUNTS * (1.0 - 2.0 * share_final)
        hessian[:, 1, 1] -= 1.0 / penalty.ln_sigma_sd**2
        hessian[:, 2, 2] -= 2.0 * _FINAL_COUNTS * slope[:, 0]
    return value, gradient, hessian


def _step(gradient: FloatArray, hessian: FloatArray, damping: FloatArray) -> FloatArray:
    """Newton step uphill; directions in which the surface bends the wrong way are turned."""
    values, vectors = np.linalg.eigh(-hessian)
    size = np.abs(values)
    largest = size.max(axis=1, keepdims=True)
    size = size + (damping[:, None] + 1e-12) * np.maximum(largest, 1e-8)
    along = np.einsum("fpq,fp->fq", vectors, gradient) / size
    return np.asarray(np.einsum("fpq,fq->fp", vectors, along))


def _covariance(hessian: FloatArray) -> FloatArray:
    """Inverse of the observed information, with infinity left out of flat directions."""
    values, vectors = np.linalg.eigh(-hessian)
    floor = 1e-9 * np.maximum(values.max(axis=1, keepdims=True), 1e-9)
    inverse = 1.0 / np.maximum(values, floor)
    return np.asarray(np.einsum("fpq,fq,frq->fpr", vectors, inverse, vectors))


def fit_plots(left: FloatArray, right: FloatArray, seeds: FloatArray) -> LogNormalFits:
    """Fit plots that share much: their spread is drawn together where a plot says little of it.

    Parameters
    ----------
    left, right, seeds : ndarray, shape (plot, interval)
        NaN where a plot has fewer intervals.

    Notes
    -----
    First pass with a wide penalty on ln sigma, second with its mean and spread over plots,
    weighted by the number of seedlings.
    """
    first = fit_many(left, right, seeds, penalty=Penalty(ln_sigma=np.log(0.2), ln_sigma_sd=1.0))
    came = np.where(np.isfinite(right), seeds, 0.0).sum(axis=1, where=np.isfinite(seeds))
    weight = np.maximum(came - 2.0, 0.0)
    if weight.sum() <= 0:
        return first
    ln_sigma = np.log(first.sigma)
    centre = float(np.average(ln_sigma, weights=weight))
    spread = float(np.sqrt(np.average((ln_sigma - centre) ** 2, weights=weight)))
    shared = Penalty(ln_sigma=centre, ln_sigma_sd=float(np.clip(spread, 0.1, 0.5)))
    return fit_many(left, right, seeds, penalty=shared)


@dataclass(frozen=True, kw_only=True)
class Npmle:
    """Where the data put their mass; inside an interval nothing is known of its place.

    Attributes
    ----------
    left, right : ndarray, shape (interval,)
        Innermost intervals, left end excluded, right end included; inf where open.
    mass : ndarray, shape (interval,)
        Share of the seeds in each.
    gap : float
        Bound on what the log-likelihood could still gain.
    """

    left: FloatArray
    right: FloatArray
    mass: FloatArray
    gap: float


def turnbull(
    left: npt.ArrayLike,
    right: npt.ArrayLike,
    seeds: npt.ArrayLike | None = None,
    *,
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
    most_iterations : int

    Raises
    ------
    InputError
        When there is nothing to fit or an interval ends before it begins.
    FitError
        When the maximum is not reached in so many iterations.

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
    runs, same = np.unique(np.stack([first, last]), axis=1, return_inverse=True)
    first, last = runs.astype(np.intp)
    weight = np.bincount(same.ravel(), weight).astype(float)
    mass, gap = _maximise(first, last, weight, inner_left.size, most_iterations)
    if gap > _TOLERANCE * weight.sum():
        raise FitError(
            f"the emergence curve did not settle in {most_iterations} steps (gap {gap:.1e})"
        )
    return Npmle(left=inner_left, right=inner_right, mass=mass, gap=gap)


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


def _maximise(
    first: IntArray, last: IntArray, weight: FloatArray, size: int, most: int
) -> tuple[FloatArray, float]:
    total = float(weight.sum())
    cover = np.bincount(first, weight, size) + np.bincount(last, weight, size)
    mass = (cover + 1e-3 * total / size) / (cover + 1e-3 * total / size).sum()
    gap = np.inf
    for _ in range(most):
        slope = _slope(mass, first, last, weight)
        gap = float(slope.max() - total)
        if gap <= _TOLERANCE * total:
            break
        mass = mass * slope / total
        mass /= mass.sum()
        mass = _minorant_step(mass, first, last, weight)
    return mass, gap


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
