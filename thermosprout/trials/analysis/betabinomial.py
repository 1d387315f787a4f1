"""Seedlings of a plot share its luck: logistic regression of counts with a correlation in plots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.special import digamma, expit, gammaln, logit

from thermosprout.arrays import FloatArray
from thermosprout.errors import FitError, InputError


@dataclass(frozen=True, kw_only=True)
class BetaBinomialFit:
    """Maximum likelihood fit.

    Attributes
    ----------
    coefficients, standard_errors : ndarray, shape (term,)
        On the logit scale.
    correlation : float
        Of the fates of two seeds in one plot; zero for the plain binomial.
    log_likelihood : float
        With the binomial coefficients, so that fits of different models compare.
    """

    coefficients: FloatArray
    standard_errors: FloatArray
    correlation: float
    log_likelihood: float


def fit_betabinomial(
    emerged: npt.ArrayLike,
    seeds: npt.ArrayLike,
    design: npt.ArrayLike,
    *,
    correlation: float | None = None,
) -> BetaBinomialFit:
    """Regress counts on a design with a logit link.

    Parameters
    ----------
    emerged, seeds : array_like, shape (plot,)
        Counts; a plot without seeds tells nothing.
    design : array_like, shape (plot, term)
    correlation : float, optional
        Held at this value; zero gives logistic regression. Estimated when absent.

    Raises
    ------
    InputError
        When counts and seeds do not fit together.
    FitError
        When the fit does not settle.

    Notes
    -----
    Beta-binomial after Williams (1975), Biometrics 31:949-952, and Crowder (1978), Appl. Stat.
    27:34-37, in the form of mean and intra-plot correlation.
    """
    from scipy.optimize import minimize

    y, n = np.asarray(emerged, dtype=float), np.asarray(seeds, dtype=float)
    x = np.asarray(design, dtype=float)
    if not ((y >= 0) & (y <= n)).all() or x.shape[0] != y.size:
        raise InputError("counts must lie between 0 and the seeds of their plot")
    terms = x.shape[1]
    known = float((gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)).sum())
    start = np.linalg.lstsq(x, logit((y + 0.5) / (n + 1.0)), rcond=None)[0]
    if correlation is not None:
        fixed = float(np.clip(correlation, 0.0, 0.999))

        def loss(beta: FloatArray) -> tuple[float, FloatArray]:
            value, slope, _ = _likelihood(beta, fixed, x, y, n)
            return -value, -slope
    else:
        # On the logit scale, kept where the beta-binomial is numerically distinct.
        start = np.r_[start, logit(0.03)]

        def loss(beta: FloatArray) -> tuple[float, FloatArray]:
            rho = float(expit(beta[-1]))
            value, slope, bend = _likelihood(beta[:-1], rho, x, y, n)
            return -value, -np.r_[slope, bend * rho * (1.0 - rho)]

    bounds = [(-30.0, 30.0)] * terms + ([(-14.0, 4.0)] if correlation is None else [])
    found = minimize(
        loss, start, jac=True, method="L-BFGS-B", bounds=bounds,
        options={"ftol": 1e-14, "gtol": 1e-8, "maxiter": 1000, "maxls": 60},
    )  # fmt: skip
    if not np.isfinite(found.fun) or np.abs(found.jac).max() > 1e-2 * max(n.sum(), 1.0):
        raise FitError("the beta-binomial fit did not settle")
    rho = fixed if correlation is not None else float(expit(found.x[-1]))
    information = _information(loss, found.x)
    with np.errstate(invalid="ignore"):
        errors = np.sqrt(np.diag(np.linalg.pinv(information)))[:terms]
    return BetaBinomialFit(
        coefficients=found.x[:terms],
        standard_errors=errors,
        correlation=rho if rho > 2e-6 else 0.0,
        log_likelihood=-float(found.fun) + known,
    )


def _likelihood(
    beta: FloatArray, rho: float, x: FloatArray, y: FloatArray, n: FloatArray
) -> tuple[float, FloatArray, float]:
    """Log-likelihood without binomial coefficients; slope in beta; derivative in rho."""
    mean = np.clip(expit(x @ beta), 1e-12, 1.0 - 1e-12)
    dmean = mean * (1.0 - mean)
    if rho < 1e-6:  # the limit, where the gamma functions would cancel
        value = float((y * np.log(mean) + (n - y) * np.log1p(-mean)).sum())
        pairs = y * (y - 1) / mean + (n - y) * (n - y - 1) / (1 - mean) - n * (n - 1)
        return value, x.T @ (y - n * mean), float(0.5 * pairs.sum())
    strength = (1.0 - rho) / rho
    a, b = mean * strength, (1.0 - mean) * strength
    value = float(
        (
            gammaln(y + a) - gammaln(a) + gammaln(n - y + b) - gammaln(b)
            - gammaln(n + strength) + gammaln(strength)
        ).sum()
    )  # fmt: skip
    up, down = digamma(y + a) - digamma(a), digamma(n - y + b) - digamma(b)
    both = digamma(n + strength) - digamma(strength)
    slope = x.T @ (strength * dmean * (up - down))
    by_strength = (mean * up + (1.0 - mean) * down - both).sum()
    return value, slope, float(-by_strength / rho**2)


def _information(loss: object, at: FloatArray) -> FloatArray:
    """Second derivatives of the loss by central differences of its gradient."""
    size = at.size
    table = np.empty((size, size))
    for k in range(size):
        step = np.zeros(size)
        step[k] = 1e-4
        table[k] = (loss(at + step)[1] - loss(at - step)[1]) / 2e-4  # type: ignore[operator]
    return 0.5 * (table + table.T)


def plot_correlation(emerged: npt.ArrayLike, seeds: npt.ArrayLike, group: npt.ArrayLike) -> float:
    """Correlation of two seeds of one plot, within groups of plots that were treated alike.

    Parameters
    ----------
    emerged, seeds : array_like, shape (plot,)
    group : array_like of int, shape (plot,)
        Plots of one group share their mean.

    Returns
    -------
    float
        Zero where plots differ no more than chance allows.

    Notes
    -----
    Moments of the Pearson statistic, Williams (1982), Appl. Stat. 31:144-148.
    """
    y, n = np.asarray(emerged, dtype=float), np.asarray(seeds, dtype=float)
    code = np.unique(np.asarray(group), return_inverse=True)[1]
    total, sown = np.bincount(code, y), np.bincount(code, n)
    # Groups in which all or none emerged tell nothing of the correlation.
    telling = ((total > 0) & (total < sown))[code] & (n > 0)
    y, n, code = y[telling], n[telling], code[telling]
    if y.size == 0:
        return 0.0
    mean, free = (total / np.maximum(sown, 1.0))[code], 1.0 - n / sown[code]
    scatter = float(((y - n * mean) ** 2 / (n * mean * (1.0 - mean))).sum())
    room = float((free * (n - 1.0)).sum())
    return float(np.clip((scatter - free.sum()) / room, 0.0, 0.99)) if room > 0 else 0.0
