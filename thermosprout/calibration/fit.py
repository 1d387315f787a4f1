"""The fit: most likely parameters, their covariance, and draws that correct it.

Each planting, each season and each untested lot has effects of its own beside the crop's
parameters.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import xarray as xr
from scipy.optimize import minimize

from thermosprout.calibration.hierarchy import Layers, layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.posterior import Posterior, decorrelation_of
from thermosprout.calibration.predict import Model, middle_h
from thermosprout.calibration.sampling import sample
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import FitError
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import fitted_parameters

MEASURED_SD_K = 0.5
"""Error of a series that states none: the thermometer, its depth and its place in the bed (common
practice, no source). [K]"""

SPEED, STAND, ALIVE = 0, 1, 2
"""Places in the shifts of a plot: ln thermal time, logit of field factor, logit of viability."""

_STEP_K = 0.5


def with_effects(model: Model) -> Layers:
    """Layers of a model with entries for its plantings, seasons and untested lots.

    Parameters
    ----------
    model : Model
        Its layers leave a part of the spread to seasons.

    Returns
    -------
    Layers
        Plots at a constant temperature have neither season nor soil error.
    """
    plots = model.plots
    rows = [i for i, plot in enumerate(plots) if plot.constant_C is None]
    layers = _plantings(model, rows) if rows else model.layers
    # One shift of the stand for each season under each series.
    counted = {
        i: (model.series_of(plots[i]), season_of(plots[i])) for i in rows if not plots[i].noted_h
    }
    seasons, maps = _shared(model, counted, STAND)
    layers = layers.with_shifts(
        [f"season {year}#{series}:stand" for series, year in seasons],
        layers.season_sd("field_factor") ** 2 * np.eye(len(seasons)),
        maps,
    )
    # One shift of viability for each lot whose viability is not known exactly.
    unsure = {
        i: (plot.variety or "", plot.seed_lot or "")
        for i, plot in enumerate(plots)
        if plot.viability_sd > 0 and not plot.dish and not plot.noted_h
    }
    lots, maps = _shared(model, unsure, ALIVE)
    sds = {lot: plots[i].viability_sd for i, lot in unsure.items()}
    return layers.with_shifts(
        [f"viability {'/'.join(lot)}:alive" for lot in lots],
        np.square([sds[lot] for lot in lots]) * np.eye(len(lots)),
        maps,
    )


def _shared(
    model: Model, keys: Mapping[int, tuple[Any, ...]], place: int
) -> tuple[list[tuple[Any, ...]], FloatArray]:
    """Keys in order, and maps that give all plots of one key the same shift."""
    order = sorted(set(keys.values()))
    maps = np.zeros((len(model.plots), 3, len(order)))
    for plot, key in keys.items():
        maps[plot, place, order.index(key)] = 1.0
    return order, maps


def season_of(plot: Plot) -> int:
    """Calendar year (UTC) of planting."""
    stamp = np.datetime64(round(plot.planted_h * 3600.0), "s")
    return int(stamp.astype("datetime64[Y]").astype(int)) + 1970


def _plantings(model: Model, rows: Sequence[int]) -> Layers:
    """One shift of ln thermal time for each day of planting under each series.

    It joins what the season has of its own and what the error of the soil temperature does: a
    lasting part, one of months and one of days, as the soil model's own errors persist, scaled to
    the error that the series states.
    """
    key_of = {
        i: (model.series_of(plot), season_of(plot), int(plot.planted_h // 24))
        for i, plot in enumerate(model.plots)
        if i in rows
    }
    keys, maps = _shared(model, key_of, SPEED)
    groups = [[i for i in rows if key_of[i] == key] for key in keys]
    slopes = np.array([_slope(model, group) for group in groups])
    centres, lengths = np.array([_span(model, group) for group in groups]).T
    stated = [series.attrs.get("site_sd_K") for series in model.series]
    errors = np.array([MEASURED_SD_K if sd is None else float(sd) for sd in stated])
    series, seasons, days = np.array(keys).T
    slopes = slopes * errors[series]
    same_series = series[:, None] == series[None, :]
    covariance = np.outer(slopes, slopes) * _persistence(centres, lengths) * same_series
    same_season = same_series & (seasons[:, None] == seasons[None, :])
    covariance = covariance + model.layers.season_sd("thermal_time_50_Cd") ** 2 * same_season
    names = [
        f"planting {np.datetime64(int(day), 'D')}#{i}:ln_time"
        for i, day in zip(series, days, strict=True)
    ]
    return model.layers.with_shifts(names, covariance, maps)


def _persistence(centres: FloatArray, lengths: FloatArray) -> FloatArray:
    """Covariance of the mean error of spans, as a share of the square of the stated error.

    Parameters
    ----------
    centres, lengths : ndarray, shape (span,)
        Middle and length of the spans. [d]
    """
    ground = fitted_parameters()
    lasting, months = ground.site_shift_sd_K**2, ground.monthly_sd_K**2
    days = ground.daily_sd_K**2
    apart = np.abs(centres[:, None] - centres[None, :])
    # The mean over a span of an error that fades: two-sided memory over the length.
    shrink = np.minimum(1.0, 2.0 * ground.daily_memory_d / np.maximum(lengths, 1.0))
    fading = np.sqrt(np.outer(shrink, shrink)) * np.exp(-apart / ground.daily_memory_d)
    total = lasting + months * np.exp(-apart / ground.monthly_memory_d) + days * fading
    return np.asarray(total / (lasting + months))


def _slope(model: Model, rows: list[int]) -> float:
    """How much a kelvin warmer shortens ln thermal time at what the plots saw. [1/K]"""
    plot = min((model.plots[i] for i in rows), key=lambda plot: plot.planted_h)
    estimate = model.layers.estimate
    values = estimate.natural(estimate.mean[None])
    rates = ResponseDraws.from_draws(model.crop.response, values)
    temperature = model.temperature(plot, plot.planted_h + 24.0 * _span(model, rows)[1])

    def mean(more: float) -> float:
        return max(float(rates.at(temperature[None, :] + more).mean()), 0.05)

    return float(np.log(mean(_STEP_K) / mean(-_STEP_K)) / (2.0 * _STEP_K))


def _span(model: Model, rows: list[int]) -> tuple[float, float]:
    """Middle and length of the time from planting to half emergence. [d]"""
    plots = [model.plots[i] for i in rows]
    length = float(np.median([max(middle_h(plot) - plot.planted_h, 24.0) for plot in plots])) / 24.0
    return min(plot.planted_h for plot in plots) / 24.0 + 0.5 * length, length


SCREENED = 120
STARTS = 2
DRAWS = 1600
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
        level, spread = self.layers.level(variety, seed_lot)
        covariance = level @ self.covariance @ level.T + spread
        return replace(
            self.layers.estimate,
            mean=level @ self.mean,
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
    draws: int = DRAWS,
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
        Called with the number of steps done, four in all.

    Returns
    -------
    Fit
    """
    model = Model(crop, plots, layers_of(crop.estimate, plots, seasonal=True), series)
    model.layers = layers = with_effects(model)
    problem = Posterior(
        likelihood=Likelihood(model), origin=layers.mean, root=layers.root(),
        prior=True, decorrelation=decorrelation_of(model),
    )  # fmt: skip
    rng = np.random.default_rng(seed)
    report = tick or (lambda _: None)
    points = starts(problem, rng.standard_normal((SCREENED, problem.size)))
    best = climb(problem, points, precision=problem.curvature(points[0]))
    report(2)
    precision = problem.curvature(best)
    report(1)
    posterior = sample(problem, best, precision, draws, rng)
    report(1)
    return Fit(
        crop=crop,
        plots=tuple(plots),
        layers=layers,
        vectors=problem.vectors(posterior.w),
        weights=posterior.weights,
        effective_draws=posterior.effective,
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
    widened = layers.mean[index] + centred @ np.linalg.inv(after).T @ before.T
    slope = covariance[:, index] @ np.linalg.inv(own)
    vectors = fit.vectors + (widened - fit.vectors[:, index]) @ slope.T
    vectors[:, index] = widened
    return replace(fit, vectors=vectors)


def starts(problem: Posterior, points: FloatArray, *, number: int = STARTS) -> FloatArray:
    """Best of points spread over the prior, the first of which is moved to its centre."""
    w = points.copy()
    w[0] = 0.0
    order = np.argsort(-problem.log_posterior(w))
    return np.asarray(w[order[:number]])


def climb(
    problem: Posterior,
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
            other, height = run(point, _SHORT, _GRADIENT)
            if height < value - 0.01:
                best, value = run(other, _LONG, _GRADIENT)
    if not np.isfinite(value):
        raise FitError("no parameters explain the records at all")
    if exact:
        best, _ = run(best, _LONG, 1e-5)
        # Last digits without gradients, which the grain of the temperature bins disturbs.
        simplex = np.vstack([best, best + 2e-3 * np.eye(best.size)])
        best = minimize(
            lambda w: -float(problem.log_posterior(w[None])[0]), best, method="Nelder-Mead",
            options={"xatol": 1e-5, "fatol": 1e-7, "maxfev": 300, "initial_simplex": simplex},
        ).x  # fmt: skip
    return np.asarray(best)


def _inverse(precision: FloatArray) -> FloatArray:
    """Covariance of a precision, no wider than the prior in any direction."""
    values, vectors = np.linalg.eigh(0.5 * (precision + precision.T))
    covariance = (vectors / np.maximum(values, 1.0)) @ vectors.T
    return np.asarray(0.5 * (covariance + covariance.T))
