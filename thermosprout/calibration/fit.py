"""The fit: most likely parameters, their covariance, and draws that correct it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.linalg import solve_triangular
from scipy.optimize import minimize
from scipy.special import logsumexp

from thermosprout.calibration.layers import Layers, layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.calibration.problem import Problem
from thermosprout.calibration.shear import shear_of
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.errors import FitError

FloatArray = npt.NDArray[np.float64]

SCREENED = 120
STARTS = 2
DRAWN = 800
_ROUNDS = 4
_LONG = 150
_SHORT = 15
_GRADIENT = 5e-2
_ENOUGH = 0.3
_FREEDOM = 8.0
_INFORMED = 1.5
_WIDER = 1.2

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
    layers = layers_of(crop.estimate, plots)
    model = Model(crop, plots, layers, series)
    problem = Problem(
        likelihood=Likelihood(model), origin=layers.mean, root=root_of(layers.covariance),
        prior=True, shear=shear_of(model),
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    told = tick or (lambda _: None)
    best = climb(problem, starts(problem, rng))
    told(2)
    precision = problem.curvature(best)
    told(1)
    w, weights, effective = sample(problem, best, precision, draws, rng)
    told(1)
    return Fit(
        crop=crop,
        plots=tuple(plots),
        layers=layers,
        vectors=problem.vectors(w),
        weights=weights,
        effective_draws=effective,
        mode=problem.vectors(best[None])[0],
        log_likelihood=float(problem.log_likelihood(best[None])[0]),
    )


def root_of(covariance: FloatArray) -> FloatArray:
    """Return a root of a covariance without the directions that have no spread."""
    values, vectors = np.linalg.eigh(covariance)
    kept = values > 1e-12
    return np.asarray(vectors[:, kept] * np.sqrt(values[kept]))


def starts(problem: Problem, rng: np.random.Generator, screened: int = SCREENED) -> FloatArray:
    """Starting points: the best of draws over the prior, of which the centre is one."""
    w = rng.standard_normal((screened, problem.size))
    w[0] = 0.0
    values = problem.log_posterior(w)
    order = np.argsort(-values)
    return np.asarray(w[order[:STARTS]])


def climb(problem: Problem, points: FloatArray, *, exact: bool = False) -> FloatArray:
    """Best optimum from several starting points, shape (coordinate,).

    Parameters
    ----------
    exact : bool
        Follow each start to its end and the best one to the last digit, instead of a short look
        at all starts but the first.

    Raises
    ------
    FitError
        When no start leads anywhere.
    """

    def run(point: FloatArray, iterations: int, gradient: float) -> tuple[FloatArray, float]:
        found = minimize(
            problem.value_and_gradient, point, jac=True, method="BFGS",
            options={"gtol": gradient, "maxiter": iterations},
        )  # fmt: skip
        return found.x, float(found.fun)

    best, value = run(points[0], _LONG, _GRADIENT)
    for point in points[1:]:
        other, reached = run(point, _LONG if exact else _SHORT, _GRADIENT)
        if reached < value - 0.01:
            best, value = (other, reached) if exact else run(other, _LONG, _GRADIENT)
    if not np.isfinite(value):
        raise FitError("no parameters explain the records at all")
    if exact:
        best, _ = run(best, _LONG, 1e-5)
        best = _polished(problem, best)
    return np.asarray(best)


def _polished(problem: Problem, point: FloatArray) -> FloatArray:
    """Last digits without gradients, which the grain of the temperature bins disturbs."""
    found = minimize(
        lambda w: -float(problem.log_posterior(w[None])[0]), point, method="Nelder-Mead",
        options={"xatol": 1e-5, "fatol": 1e-7, "maxfev": 300,
                 "initial_simplex": np.vstack([point, point + 2e-3 * np.eye(point.size)])},
    )  # fmt: skip
    return np.asarray(found.x)


def sample(
    problem: Problem,
    centre: FloatArray,
    precision: FloatArray,
    draws: int,
    rng: np.random.Generator,
) -> tuple[FloatArray, FloatArray, float]:
    """Importance sample about an optimum, with a proposal that learns where it misses.

    Returns
    -------
    tuple of ndarray, ndarray, float
        Coordinates of shape (draw, coordinate), weights that sum to one, effective size.

    Notes
    -----
    Proposal: multivariate t, first from the curvature at the optimum, then from the weighted
    moments (Oh & Berger 1992, J. Stat. Comput. Simul. 41:143-168). All rounds stay in, each
    draw weighted by the mixture of the proposals (Veach & Guibas 1995, balance heuristic).
    """
    proposals = [_Proposal.about(centre, precision)]
    points: list[FloatArray] = []
    targets: list[FloatArray] = []
    weights = np.zeros(0)
    for _ in range(_ROUNDS):
        points.append(proposals[-1].draw(draws, rng))
        targets.append(problem.log_posterior(points[-1]))
        w, target = np.concatenate(points), np.concatenate(targets)
        densities = np.stack([proposal.log_density(w) for proposal in proposals])
        logs = target - logsumexp(densities, axis=0)
        weights = np.exp(logs - logsumexp(logs))
        effective = 1.0 / float(np.square(weights).sum())
        if effective >= _ENOUGH * draws:
            break
        proposals.append(proposals[-1].learned(w, weights))
    return w, weights, effective


@dataclass(frozen=True, kw_only=True)
class _Proposal:
    """Heavy-tailed along directions the records inform, normal along all others.

    Attributes
    ----------
    centre : ndarray, shape (coordinate,)
    axes : ndarray, shape (coordinate, coordinate)
        Orthonormal directions as columns, those the records inform first.
    informed : int
        How many those are.
    root : ndarray, shape (coordinate, coordinate)
        Lower triangular root of the covariance along the axes.
    """

    centre: FloatArray
    axes: FloatArray
    informed: int
    root: FloatArray

    @classmethod
    def about(cls, centre: FloatArray, precision: FloatArray) -> _Proposal:
        """Proposal from the curvature; directions in which it fails keep the prior's spread."""
        values, vectors = np.linalg.eigh(0.5 * (precision + precision.T))
        order = np.argsort(-values)
        values = np.maximum(values[order], 0.7)
        return cls(
            centre=centre,
            axes=vectors[:, order],
            informed=max(int((values > _INFORMED).sum()), 1),
            root=np.diag(np.sqrt(np.where(values > _INFORMED, _WIDER, 1.0) / values)),
        )

    def draw(self, size: int, rng: np.random.Generator) -> FloatArray:
        """Draws of shape (size, coordinate)."""
        normal = rng.standard_normal((size, self.centre.size))
        stretch = np.sqrt(_FREEDOM / rng.chisquare(_FREEDOM, size))
        normal[:, : self.informed] *= stretch[:, None]
        return np.asarray(self.centre + (normal @ self.root.T) @ self.axes.T)

    def log_density(self, w: FloatArray) -> FloatArray:
        """Log-density up to a constant that is the same for all proposals of a fit."""
        own = solve_triangular(self.root, ((w - self.centre) @ self.axes).T, lower=True)
        heavy = np.square(own[: self.informed]).sum(axis=0)
        plain = np.square(own[self.informed :]).sum(axis=0)
        return np.asarray(
            -0.5 * (_FREEDOM + self.informed) * np.log1p(heavy / _FREEDOM)
            - 0.5 * plain
            - np.log(np.diag(self.root)).sum()
        )

    def learned(self, w: FloatArray, weights: FloatArray) -> _Proposal:
        """Proposal with the weighted moments of draws; no single draw may rule."""
        capped = np.minimum(weights, 10.0 / weights.size)
        capped = capped / capped.sum()
        mean = capped @ w
        along = (w - mean) @ self.axes
        covariance = (along * capped[:, None]).T @ along
        worth = 1.0 / float(np.square(capped).sum())
        part = worth / (worth + 2.0 * w.shape[1])
        mixed = part * covariance + (1.0 - part) * self.root @ self.root.T
        return replace(self, centre=mean, root=np.linalg.cholesky(mixed))
