"""The fit: most likely parameters, their covariance, and draws that correct it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from scipy.optimize import minimize

from thermosprout.arrays import FloatArray
from thermosprout.calibration.hierarchy import Layers, layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.posterior import Problem, shear_of
from thermosprout.calibration.predict import Model
from thermosprout.calibration.sampling import sample
from thermosprout.calibration.season_effects import model_with_effects
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.errors import FitError

SCREENED = 120
STARTS = 2
DRAWN = 1600
_LONG = 150
_SHORT = 15
_FOLLOWED = 3
_GRADIENT = 5e-2

Tick = Callable[[int], None]


@dataclass(frozen=True, kw_only=True)
class Fit:
    """Result of a fit with a prior.

    Attributes
    ----------
    vectors, weights : ndarray, shape (draw, entry) and (draw,)
        Weighted sample of the posterior; weights sum to one.
    effective_draws : float
        Effective sample size of the weights.
    mode : ndarray, shape (entry,)
        Where the posterior is greatest.
    log_likelihood : float
        There.
    """

    crop: Crop
    plots: tuple[Plot, ...]
    layers: Layers
    vectors: FloatArray
    weights: FloatArray
    effective_draws: float
    mode: FloatArray
    log_likelihood: float

    @property
    def mean(self) -> FloatArray:
        """Posterior mean, shape (entry,)."""
        return np.asarray(self.weights @ self.vectors)

    @property
    def covariance(self) -> FloatArray:
        """Posterior covariance, shape (entry, entry)."""
        centred = self.vectors - self.mean
        return np.asarray((centred * self.weights[:, None]).T @ centred)

    def estimate(self, variety: str | None = None, seed_lot: str | None = None) -> Estimate:
        """Estimate of the crop, a variety or a lot, with the spread of what is below it."""
        chosen, spread = self.layers.level(variety, seed_lot)
        covariance = chosen @ self.covariance @ chosen.T + spread
        return replace(
            self.layers.estimate,
            mean=chosen @ self.mean,
            covariance=0.5 * (covariance + covariance.T),
            variety=variety,
            seed_lot=seed_lot,
        )


def fit_with_prior(
    crop: Crop,
    plots: Sequence[Plot],
    series: Sequence[xr.DataArray] = (),
    *,
    seed: int = 0,
    draws: int = DRAWN,
    tick: Tick | None = None,
) -> Fit:
    """Fit plots with the crop's estimate as prior.

    Parameters
    ----------
    crop : Crop
        Its estimate is the prior of a lot.
    plots : sequence of Plot
        At least one.
    series : sequence of xarray.DataArray
        Soil temperature of the plots.
    seed : int
        Of the random numbers.
    draws : int
        Draws that correct the normal approximation by importance sampling.
    tick : callable, optional
        Told after each of the four steps.

    Returns
    -------
    Fit
    """
    model = model_with_effects(
        Model(crop, plots, layers_of(crop.estimate, plots, seasonal=True), series)
    )
    layers = model.layers
    problem = Problem(
        likelihood=Likelihood(model), origin=layers.mean, root=layers.root(),
        prior=True, shear=shear_of(model),
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    told = tick or (lambda _: None)
    points = starts(problem, rng.standard_normal((SCREENED, problem.size)))
    best = climb(problem, points, precision=problem.curvature(points[0]))
    told(2)
    precision = problem.curvature(best)
    told(1)
    drawn = sample(problem, best, precision, draws, rng)
    told(1)
    return Fit(
        crop=crop,
        plots=tuple(plots),
        layers=layers,
        vectors=problem.vectors(drawn.w),
        weights=drawn.weights,
        effective_draws=drawn.effective,
        mode=problem.vectors(best[None])[0],
        log_likelihood=float(problem.log_likelihood(best[None])[0]),
    )


def base_from_prior(fit: Fit) -> Fit:
    """Give the base temperature back the spread it had, with all that hangs on it.

    Records from a narrow range of temperatures tell the time to emergence there. What they seem
    to say of the base temperature comes from the prior of thermal time and the shape of the
    response; it is left out, and the other parameters follow as they hang together with it.
    """
    layers = fit.layers
    index = layers.indices("t_base_C")
    mean, covariance = fit.mean, fit.covariance
    own = covariance[np.ix_(index, index)]
    before = np.linalg.cholesky(layers.covariance[np.ix_(index, index)])
    after = np.linalg.cholesky(own)
    centred = fit.vectors[:, index] - mean[index]
    wanted = layers.mean[index] + centred @ np.linalg.inv(after).T @ before.T
    slope = covariance[:, index] @ np.linalg.inv(own)
    vectors = fit.vectors + (wanted - fit.vectors[:, index]) @ slope.T
    vectors[:, index] = wanted
    return replace(fit, vectors=vectors)


def starts(problem: Problem, points: FloatArray, *, kept: int = STARTS) -> FloatArray:
    """Best of points spread over the prior, the first of which is moved to its centre."""
    w = points.copy()
    w[0] = 0.0
    order = np.argsort(-problem.log_posterior(w))
    return np.asarray(w[order[:kept]])


def climb(
    problem: Problem,
    points: FloatArray,
    *,
    thorough: bool = False,
    exact: bool = False,
    precision: FloatArray | None = None,
) -> FloatArray:
    """Best optimum from several starting points, shape (coordinate,).

    Parameters
    ----------
    thorough : bool
        A short look at all starts, and the best of them to their ends, instead of the first to
        its end and a short look at the others.
    exact : bool
        Thorough, and the best one to the last digit.
    precision : ndarray, shape (coordinate, coordinate), optional
        Curvature somewhere near, to begin with; spares most of the steps among many coordinates.

    Raises
    ------
    FitError
        When no start leads anywhere.
    """
    begin = {} if precision is None else {"hess_inv0": _inverse(precision)}

    def run(point: FloatArray, iterations: int, gradient: float) -> tuple[FloatArray, float]:
        end = minimize(
            problem.value_and_gradient, point, jac=True, method="BFGS",
            options={"gtol": gradient, "maxiter": iterations, **begin},
        )  # fmt: skip
        return end.x, float(end.fun)

    if thorough or exact:
        looks = sorted(
            (run(point, _SHORT, _GRADIENT) for point in points), key=lambda look: look[1]
        )
        ends = [run(look[0], _LONG, _GRADIENT) for look in looks[:_FOLLOWED]]
        best, value = min(ends, key=lambda end: end[1])
    else:
        best, value = run(points[0], _LONG, _GRADIENT)
        for point in points[1:]:
            other, reached = run(point, _SHORT, _GRADIENT)
            if reached < value - 0.01:
                best, value = run(other, _LONG, _GRADIENT)
    if not np.isfinite(value):
        raise FitError("no parameters explain the records at all")
    if exact:
        best, _ = run(best, _LONG, 1e-5)
        best = _polished(problem, best)
    return np.asarray(best)


def _inverse(precision: FloatArray) -> FloatArray:
    """Covariance of a precision, no wider than the prior in any direction."""
    values, vectors = np.linalg.eigh(0.5 * (precision + precision.T))
    covariance = (vectors / np.maximum(values, 1.0)) @ vectors.T
    return np.asarray(0.5 * (covariance + covariance.T))


def _polished(problem: Problem, point: FloatArray) -> FloatArray:
    """Last digits without gradients, which the grain of the temperature bins disturbs."""
    end = minimize(
        lambda w: -float(problem.log_posterior(w[None])[0]), point, method="Nelder-Mead",
        options={"xatol": 1e-5, "fatol": 1e-7, "maxfev": 300,
                 "initial_simplex": np.vstack([point, point + 2e-3 * np.eye(point.size)])},
    )  # fmt: skip
    return np.asarray(end.x)
