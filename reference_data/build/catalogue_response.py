"""The most probable temperature response of a crop, shrunk towards what crops have in common.

Parameters of one crop, in this order: base temperature, ln of the gap to the optimum, ln of the
gap to the ceiling, ln of the curvature, ln of the thermal time to half emergence from 1.27 cm.
Published figures enter as residuals whose squares are minus twice the log likelihood, so that a
least-squares solver finds the maximum and its Jacobian gives the Laplace covariance.

Stand against temperature: two logistic curves through the shares of normal seedlings.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares
from scipy.special import log_ndtr

from reference_data.build.published_evidence import Bound, Evidence
from thermosprout.calibration.crop_curve import DayCell
from thermosprout.emergence.response import Shape, response
from thermosprout.quantities import FloatArray

SHAPES: tuple[Shape, ...] = ("linear", "beta")
SIZE = 5
BASE, OPT_GAP, CEILING_GAP, CURVATURE, THETA = range(SIZE)

CELL_SD = 0.03
"""Error of ln of a published mean beside its rounding: weight of the day table in the fit."""

LACK_OF_FIT_SD = 0.058
"""Root mean square by which the day table misses a smooth curve, over all crops: the spread."""

ODDS = float(np.log(1000.0))
"""Ln of the odds at which a straight line replaces the curve. High, because well-measured rates
bend near the base and at the optimum, and a tent with its top between two temperatures can touch
every point of a short table."""

FROZEN = Bound(value=-4.0, sd=1.0, above=True)
"""Ground water freezes below: seed there makes no headway (assumption)."""

SHALLOW_CM = 1.27


@dataclass(frozen=True, kw_only=True)
class Prior:
    """What crops have in common: mean and covariance, shapes (5,) and (5, 5)."""

    mean: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, kw_only=True)
class Fit:
    """Maximum a posteriori of one crop under one shape of response.

    Attributes
    ----------
    point, covariance : ndarray, shapes (5,) and (5, 5)
        Laplace approximation.
    log_evidence : float
        Of the shape (Laplace), with the lack of fit as the cells' error.
    misfit : float
        Root mean square of ln (fitted / published days); NaN without a day table.
    """

    shape: Shape
    point: FloatArray
    covariance: FloatArray
    log_evidence: float
    misfit: float


def first_prior(shape: Shape, season: str) -> Prior:
    """Prior before any table is seen: wide in base, gaps as textbooks have them (assumption)."""
    curved = shape == "beta"
    mean = np.array([9.0 if season == "warm" else 1.0, np.log(26.0), np.log(10.0), 0.0, 4.8])
    mean[CURVATURE] = np.log(0.7) if curved else 0.0
    sd = np.array([3.0, 0.2, 0.25, 0.25 if curved else 1e-3, 0.9])
    return Prior(mean=mean, covariance=np.diag(sd**2))


def ln_days(shape: Shape, point: FloatArray, temperature: npt.ArrayLike) -> FloatArray:
    """Ln of the days to half emergence from 1.27 cm at constant temperatures.

    Below the base or above the ceiling, where the days are infinite, a steep slope takes over so
    that a solver finds its way back.
    """
    base, t = point[BASE], np.asarray(temperature, dtype=float)
    opt = base + np.exp(point[OPT_GAP])
    top = opt + np.exp(point[CEILING_GAP])
    rate = response(shape, t, base, opt, top, np.exp(point[CURVATURE]))
    outside = np.clip(np.maximum(base - t, t - top), 0.0, None)
    return np.asarray(point[THETA] - np.log(np.maximum(rate, 1e-2)) + outside)


class Residuals:
    """Residuals of one crop's published figures."""

    def __init__(
        self,
        evidence: Evidence,
        cells: Sequence[DayCell],
        depth_cost: float,
        germination_share: float,
    ) -> None:
        self.temperature = np.array([c.temperature for c in cells], dtype=float)
        self.low = np.log([c.low for c in cells])
        self.high = np.log([c.high for c in cells])
        self.middle = (self.low + self.high) / 2
        self.sd = np.array([c.sd for c in cells])
        decimal = np.array([c.decimal for c in cells], dtype=float)
        self.has_decimal = np.isfinite(decimal)
        self.published = np.where(
            self.has_decimal, np.log(np.where(self.has_decimal, decimal, 1.0)), self.middle
        )
        self.ln_decimal = np.log(decimal[self.has_decimal])
        self.best = _log_share(
            (self.low - self.middle) / self.sd, (self.high - self.middle) / self.sd
        )
        bases = [b for b in evidence.bases if b.stage != "growth"] or list(evidence.bases)
        self.base = np.array([b.value for b in bases])
        self.base_sd = np.array([b.sd for b in bases]) * len(bases) ** 0.25
        self.base_bounds = (*evidence.base_bounds, FROZEN)
        self.ceiling_bounds = evidence.ceiling_bounds
        self.optimum = np.array([value for value, _, _ in evidence.optima])
        self.optimum_sd = np.array([sd for _, sd, _ in evidence.optima]) * np.sqrt(
            max(1, len(evidence.optima))
        )
        self._take_sums(evidence, depth_cost, germination_share)

    def _take_sums(self, evidence: Evidence, depth_cost: float, germination_share: float) -> None:
        """Heat sums as ln days at two temperatures, brought to 1.27 cm depth."""
        deeper = max(0.0, (evidence.sum_depth_cm or SHALLOW_CM) - SHALLOW_CM)
        temperatures = (18.0, 25.0) if evidence.season == "warm" else (10.0, 18.0)
        points, values, errors = [], [], []
        emergence = [s for s in evidence.fitted_sums if s.stage != "germination"]
        for item in emergence or evidence.fitted_sums:
            germination = item.stage == "germination"
            total = (
                item.total / germination_share
                if germination
                else max(item.total - deeper * depth_cost, 0.5 * item.total)
            )
            for t in temperatures:
                if t > item.base + 2.0:
                    points.append(t)
                    values.append(np.log(total / (t - item.base)))
                    errors.append((0.45 if germination else 0.25) * np.sqrt(len(emergence or [1])))
        self.sum_temperature = np.array(points, dtype=float)
        self.sum_ln_days = np.array(values, dtype=float)
        self.sum_sd = np.array(errors, dtype=float)

    def cells(self, shape: Shape, point: FloatArray) -> FloatArray:
        """Residuals of the day table: rounding to whole days, and the recalled decimals."""
        if not self.temperature.size:
            return np.zeros(0)
        predicted = ln_days(shape, point, self.temperature)
        inside = _log_share((self.low - predicted) / self.sd, (self.high - predicted) / self.sd)
        rounding = np.sign(predicted - self.middle) * np.sqrt(
            np.clip(2 * (self.best - inside), 0, None)
        )
        finer = (predicted[self.has_decimal] - self.ln_decimal) / self.sd[self.has_decimal]
        return np.concatenate([rounding, finer])

    def others(self, shape: Shape, point: FloatArray) -> FloatArray:
        """Residuals of base temperatures, bounds, optima and heat sums."""
        opt = point[BASE] + np.exp(point[OPT_GAP])
        top = opt + np.exp(point[CEILING_GAP])
        parts = [
            (point[BASE] - self.base) / self.base_sd,
            _bounded(point[BASE], self.base_bounds),
            _bounded(top, self.ceiling_bounds),
            (opt - self.optimum) / self.optimum_sd,
        ]
        if self.sum_temperature.size:
            parts.append(
                (ln_days(shape, point, self.sum_temperature) - self.sum_ln_days) / self.sum_sd
            )
        return np.concatenate(parts)


def _log_share(low: FloatArray, high: FloatArray) -> FloatArray:
    """Ln of the normal probability between two bounds, exact far out in either tail."""
    flip = low > 0
    a, b = np.where(flip, -high, low), np.where(flip, -low, high)
    upper = log_ndtr(b)
    return np.asarray(upper + np.log1p(-np.exp(np.minimum(log_ndtr(a) - upper, -1e-12))))


def _bounded(value: float, bounds: Iterable[Bound]) -> FloatArray:
    signed = [(value - b.value) / b.sd * (1.0 if b.above else -1.0) for b in bounds]
    return np.asarray(np.sqrt(-2.0 * log_ndtr(np.array(signed, dtype=float))))


def fit_shape(
    evidence: Evidence,
    shape: Shape,
    prior: Prior,
    *,
    cells: Sequence[DayCell] | None = None,
    start: FloatArray | None = None,
    depth_cost: float = 7.0,
    germination_share: float = 0.5,
) -> Fit:
    """Fit one shape of response to a crop's published figures.

    Parameters
    ----------
    cells : sequence of DayCell, optional
        Replace the crop's own cells, to leave one out.
    start : ndarray, shape (5,), optional
        A point to start from beside the usual ones.
    depth_cost : float
        Thermal time per cm, to bring heat sums of deeper sowings to 1.27 cm. [C d/cm]
    germination_share : float
        To bring heat sums of germination to emergence.
    """
    used = evidence.cells if cells is None else tuple(cells)
    model = Residuals(evidence, used, depth_cost, germination_share)
    whiten = np.linalg.cholesky(np.linalg.inv(prior.covariance)).T

    def residuals(point: FloatArray) -> FloatArray:
        return np.concatenate(
            [model.cells(shape, point), model.others(shape, point), whiten @ (point - prior.mean)]
        )

    scale = np.sqrt(np.diag(prior.covariance)).clip(0.03)
    best = None
    for origin in _starts(prior, start):
        if used:
            gap = np.mean(model.middle - ln_days(shape, origin, model.temperature))
            origin[THETA] += float(np.clip(gap, -3.0, 3.0))
        found = least_squares(residuals, origin, x_scale=scale, method="lm", max_nfev=800)
        if best is None or found.cost < best.cost:
            best = found
    assert best is not None  # noqa: S101 - there is always a first start
    return _laplace(best.x, best.jac, model, shape, prior)


def _starts(prior: Prior, given: FloatArray | None) -> list[FloatArray]:
    """Points to start from: the one given and the prior's, else some around the prior's."""
    around = ((0.0, 0.0), (0.0, 0.15), (-4.0, 0.15)) if given is None else ((0.0, 0.0),)
    starts = [] if given is None else [given.copy()]
    for base, gap in around:
        point = prior.mean.copy()
        point[BASE] += base
        point[OPT_GAP] += gap
        starts.append(point)
    return starts


def _laplace(
    point: FloatArray, jacobian: FloatArray, model: Residuals, shape: Shape, prior: Prior
) -> Fit:
    """Covariance and evidence with the lack of fit in place of the cells' own error."""
    cells = model.cells(shape, point)
    soften = CELL_SD / LACK_OF_FIT_SD
    weight = np.ones(jacobian.shape[0])
    weight[: cells.size] = soften
    weighted = jacobian * weight[:, None]
    covariance: FloatArray = np.linalg.inv(weighted.T @ weighted).astype(float)
    away = point - prior.mean
    cost = 0.5 * (
        np.sum((soften * cells) ** 2)
        + np.sum(model.others(shape, point) ** 2)
        + away @ np.linalg.solve(prior.covariance, away)
    )
    volume = 0.5 * (np.linalg.slogdet(covariance)[1] - np.linalg.slogdet(prior.covariance)[1])
    misses = ln_days(shape, point, model.temperature) - model.published
    return Fit(
        shape=shape,
        point=point,
        covariance=covariance,
        log_evidence=float(volume - cost),
        misfit=float(np.sqrt(np.mean(misses**2))) if misses.size else float("nan"),
    )


def choose_shape(fits: Mapping[Shape, Fit]) -> Fit:
    """Smooth curve, unless the odds for the straight line pass ``ODDS``."""
    linear, beta = fits["linear"], fits["beta"]
    return linear if linear.log_evidence - beta.log_evidence > ODDS else beta


PRIOR_CROPS = 400.0
"""How many crops the first prior's spread counts for beside the crops with a day table."""


def common_prior(
    shape: Shape, fits: Mapping[str, Fit], seasons: Mapping[str, str]
) -> dict[str, Prior]:
    """Re-estimate what crops have in common from their fits.

    Means of the gaps and the curvature are those of the crops; their covariance is shrunk towards
    the first prior; the base has a mean per season; the thermal time stays wide.
    """
    names = list(fits)
    points = np.array([fits[name].point for name in names])
    warm = np.array([seasons[name] == "warm" for name in names])
    priors: dict[str, Prior] = {}
    for season, member in (("warm", warm), ("cool", ~warm)):
        mean = points.mean(axis=0)
        mean[BASE] = points[member, BASE].mean()
        first = first_prior(shape, season)
        share = len(names) / (len(names) + PRIOR_CROPS)
        for shared in (OPT_GAP, CEILING_GAP, CURVATURE):
            mean[shared] = share * mean[shared] + (1.0 - share) * first.mean[shared]
        mean[THETA] = first.mean[THETA]
        priors[season] = Prior(mean=mean, covariance=first.covariance)
    away = points - np.where(warm[:, None], priors["warm"].mean, priors["cool"].mean)
    inner = np.mean([fits[name].covariance for name in names], axis=0)
    first_cov = first_prior(shape, "cool").covariance
    count = len(names)
    spread = (away.T @ away + count * inner + PRIOR_CROPS * first_cov) / (count + PRIOR_CROPS)
    for fixed in [THETA] + ([CURVATURE] if shape == "linear" else []):
        spread[fixed, :] = spread[:, fixed] = 0.0
        spread[fixed, fixed] = first_cov[fixed, fixed]
    return {season: replace(prior, covariance=spread) for season, prior in priors.items()}


def fit_together(
    shape: Shape,
    crops: Mapping[str, Evidence],
    *,
    rounds: int = 4,
    starts: Mapping[str, Fit] | None = None,
) -> tuple[dict[str, Prior], dict[str, Fit]]:
    """Fit all crops of a day table and what they have in common, in turn.

    Parameters
    ----------
    starts : mapping of str to Fit, optional
        Where the solver starts for each crop; has no say in where it ends.
    """
    seasons = {name: evidence.season for name, evidence in crops.items()}
    priors = {season: first_prior(shape, season) for season in ("warm", "cool")}
    fits = dict(starts or {})
    for _ in range(rounds):
        fits = {
            name: fit_shape(
                evidence,
                shape,
                priors[evidence.season],
                start=fits[name].point if name in fits else None,
            )
            for name, evidence in crops.items()
        }
        priors = common_prior(shape, fits, seasons)
    return priors, fits


SHARE_SD = 0.08
"""Error of a published share of normal seedlings: one lot of some hundred seeds."""

STILL_GOOD = 0.95
"""Share of the best stand at the top of the range that sowing charts call best (assumption)."""


@dataclass(frozen=True, kw_only=True)
class StandCurve:
    """Temperatures at which half of the stand is lost, and the width of either loss. [degC]"""

    low: float
    low_width: float
    high: float
    high_width: float
    cells: int


def fit_stand(
    evidence: Evidence, *, base: float, ceiling: float, chilling_limit: float | None, hazard: float
) -> StandCurve:
    """Fit the stand to the shares of normal seedlings, else to the chart's minimum and maximum.

    Parameters
    ----------
    base, ceiling : float
        Of the fitted temperature response. [degC]
    chilling_limit, hazard : float
        Loss of chilling-sensitive seed below the limit [degC] per degree, which is a parameter of
        its own and therefore taken out of the shares first.
    """
    highest = float(np.mean(evidence.maxima)) + 1.0 if evidence.maxima else ceiling - 4.0
    middle = np.array([base + 1.5, np.log(1.5), highest, np.log(1.5)])
    spread = np.array([3.0, 0.5, 2.5, 0.4])
    if not evidence.stand:
        return _curve(middle, 0)
    warmest_good = np.mean(evidence.best_highs) if evidence.best_highs else np.nan
    temperature, share = (np.array(column) for column in zip(*evidence.stand, strict=True))
    if chilling_limit is not None:
        below = np.clip(chilling_limit - temperature, 0.0, None)
        share = np.clip(share * np.exp(hazard * below), 0.0, 1.0)

    def residuals(point: FloatArray) -> FloatArray:
        curve = point[4] * _stand(point, temperature)
        good = (_stand(point, np.array([warmest_good])) - STILL_GOOD) / SHARE_SD
        return np.concatenate(
            [
                (curve - share) / SHARE_SD,
                (point[:4] - middle) / spread,
                [(point[4] - 0.95) / 0.1],
                good[np.isfinite(good)],
            ]
        )

    found = least_squares(residuals, np.append(middle, max(0.5, float(share.max()))))
    return _curve(found.x, temperature.size)


def _stand(point: FloatArray, temperature: FloatArray) -> FloatArray:
    cold = (temperature - point[0]) / np.exp(point[1])
    heat = (point[2] - temperature) / np.exp(point[3])
    return np.asarray(0.25 * (1.0 + np.tanh(cold / 2)) * (1.0 + np.tanh(heat / 2)))


def _curve(point: FloatArray, cells: int) -> StandCurve:
    low, low_width, high, high_width = (float(x) for x in point[:4])
    return StandCurve(
        low=low,
        low_width=float(np.exp(low_width)),
        high=high,
        high_width=float(np.exp(high_width)),
        cells=cells,
    )
