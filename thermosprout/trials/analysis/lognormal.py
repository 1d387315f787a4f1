"""Log-normal emergence times with a share that never emerges, fitted to censored counts.

Of the seeds, a share ``final`` emerges at all; the ln of its times is normal. Many plots are
fitted at once: arrays of shape (fit, interval) in, (fit, parameter) out.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from thermosprout.errors import FitError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.special import ndtr, ndtri

_ROOT = np.sqrt(2.0 * np.pi)
_LEAST = 1e-300
_LEAST_GAIN = 1e-11
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
    log_likelihood : ndarray
        Without any penalty.
    covariance : ndarray, shape (fit, 3, 3)
        Of (mu, ln sigma, logit final), from the observed information.
    converged : ndarray of bool
    """

    mu: FloatArray
    sigma: FloatArray
    final: FloatArray
    log_likelihood: FloatArray
    covariance: FloatArray
    converged: npt.NDArray[np.bool_]

    def quantile(self, share: float) -> FloatArray:
        """Time by which a share of the final stand shows, shape (fit,)."""
        return np.asarray(np.exp(self.mu + self.sigma * ndtri(share)))

    def cumulative(self, time: npt.ArrayLike) -> FloatArray:
        """Share of the seeds emerged by each time, shape (fit, time)."""
        with np.errstate(divide="ignore"):
            z = (np.log(np.asarray(time, dtype=float))[None, :] - self.mu[:, None]) / self.sigma[
                :, None
            ]
        return np.asarray(self.final[:, None] * ndtr(z))


@dataclass(frozen=True, kw_only=True)
class Penalty:
    """Weak knowledge that keeps plots with few seedlings in place.

    Attributes
    ----------
    ln_sigma, ln_sigma_sd : ndarray, shape (fit,)
        Normal for ln sigma.
    final_counts : float
        Seeds added to both those that emerge and those that never do.
    """

    ln_sigma: FloatArray
    ln_sigma_sd: FloatArray
    final_counts: float = 0.5


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
    most_iterations: int = 200,
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
    done = np.zeros(theta.shape[0], dtype=bool)
    for _ in range(most_iterations):
        live = np.flatnonzero(~done)
        if live.size == 0:
            break
        step = _step(gradient[live], hessian[live], damping[live])
        step = np.clip(step, [-0.5, -0.7, -2.0], [0.5, 0.7, 2.0])
        trial = np.clip(theta[live] + step, _BOUNDS[:, 0], _BOUNDS[:, 1])
        part = None if penalty is None else _take(penalty, live)
        new = _evaluate(trial, ln_left[live], ln_right[live], weight[live], part)
        better = new[0] >= value[live] - 1e-12 * total[live]
        moved = live[better]
        theta[moved], value[moved] = trial[better], new[0][better]
        gradient[moved], hessian[moved] = new[1][better], new[2][better]
        damping[live] = np.where(better, damping[live] / 5.0, damping[live] * 8.0)
        damping = np.clip(damping, 1e-12, 1e12)
        uphill = np.abs(_inside(theta, gradient)).max(axis=1)
        # Half the slope along a Newton step is what the likelihood can still gain.
        gain = 0.5 * np.abs((gradient[live] * step).sum(axis=1))
        done[live] |= better & (gain < _LEAST_GAIN) & (uphill[live] < 1e-6 * total[live])
        done |= (uphill < 1e-8 * total) | (damping >= 1e12)
    plain = value if penalty is None else _evaluate(theta, ln_left, ln_right, weight, None)[0]
    return LogNormalFits(
        mu=theta[:, 0],
        sigma=np.exp(theta[:, 1]),
        final=1.0 / (1.0 + np.exp(-theta[:, 2])),
        log_likelihood=plain,
        covariance=_covariance(hessian),
        converged=np.abs(_inside(theta, gradient)).max(axis=1) < 1e-5 * total,
    )


def _take(penalty: Penalty, rows: npt.NDArray[np.intp]) -> Penalty:
    return replace(penalty, ln_sigma=penalty.ln_sigma[rows], ln_sigma_sd=penalty.ln_sigma_sd[rows])


def _inside(theta: FloatArray, gradient: FloatArray) -> FloatArray:
    """Gradient without the parts that push against a bound."""
    blocked = ((theta <= _BOUNDS[:, 0]) & (gradient < 0)) | (
        (theta >= _BOUNDS[:, 1]) & (gradient > 0)
    )
    return np.where(blocked, 0.0, gradient)


def _start(left: FloatArray, right: FloatArray, weight: FloatArray) -> FloatArray:
    up = np.isfinite(right) & (weight > 0)
    came = np.where(up, weight, 0.0)
    with np.errstate(invalid="ignore"):
        middle = np.where(up, np.log(np.maximum(0.5 * (left + right), 1e-6)), 0.0)
    number = came.sum(axis=1)
    safe = np.maximum(number, 1e-9)
    mean = (came * middle).sum(axis=1) / safe
    spread = np.sqrt((came * (middle - mean[:, None]) ** 2).sum(axis=1) / safe)
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
        count, share_final = penalty.final_counts, final[:, 0]
        value = value - 0.5 * off**2
        value = value + count * (np.log(share_final) + np.log1p(-share_final))
        gradient[:, 1] -= off / penalty.ln_sigma_sd
        gradient[:, 2] += count * (1.0 - 2.0 * share_final)
        hessian[:, 1, 1] -= 1.0 / penalty.ln_sigma_sd**2
        hessian[:, 2, 2] -= 2.0 * count * slope[:, 0]
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
    plots = left.shape[0]
    wide = Penalty(ln_sigma=np.full(plots, np.log(0.2)), ln_sigma_sd=np.full(plots, 1.0))
    first = fit_many(left, right, seeds, penalty=wide)
    came = np.where(np.isfinite(right), seeds, 0.0).sum(axis=1, where=np.isfinite(seeds))
    weight = np.maximum(came - 2.0, 0.0)
    if weight.sum() <= 0:
        return first
    ln_sigma = np.log(first.sigma)
    centre = float(np.average(ln_sigma, weights=weight))
    spread = float(np.sqrt(np.average((ln_sigma - centre) ** 2, weights=weight)))
    shared = Penalty(
        ln_sigma=np.full(plots, centre),
        ln_sigma_sd=np.full(plots, float(np.clip(spread, 0.1, 0.5))),
    )
    return fit_many(left, right, seeds, penalty=shared)
