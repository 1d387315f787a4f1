"""Likelihood of plots under many parameter vectors at once.

Seedlings are interval-censored in thermal time. What a plot has of its own is integrated out:
its speed by adaptive Gauss-Hermite quadrature about the most likely value (Pinheiro & Bates 1995,
J. Comput. Graph. Stat. 4:12-35), its stand as a beta-binomial.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model, Predicted
from thermosprout.emergence.count_likelihood import partial_rho, stand_log_likelihood
from thermosprout.quantities import BoolArray, FloatArray
from thermosprout.special import betainc, ndtr, ndtri

SLIPS = 1e-3
"""Share of seedlings that may be counted at any odd inspection: slips and weeds."""

NOTED_SPREAD = 0.7
"""Where in the stand a single noted date of emergence lies, as an sd of normal deviates about
half emergence: between about a quarter and three quarters (common practice, no source)."""

BATCH_RHO = 0.05
"""Correlation of the seeds of one batch: a corner that dries, a cool night (common practice, no
source). Not the rows' own, which a fit could raise to be rid of what the batch says."""

Nodes = tuple[FloatArray, FloatArray]
"""Centre and width of the speeds of plots, each of shape (draw, plot)."""

_NO_SPREAD = 1e-5
_ROOT = 0.3989422804014327
_LEAST_CD = 0.05
_FLOOR = 1e-300
_LEAST_ODDS = 1e-12
_STEPS = 6
_CLOSE = 0.1
_STEEPEST = 1e4
_EM_STEPS = 25
_BLOCK = 1_500_000
_NODES, _NODE_WEIGHTS = np.polynomial.hermite.hermgauss(5)


@dataclass(frozen=True, kw_only=True)
class Counted:
    """Counts of all plots as arrays.

    Attributes
    ----------
    new : ndarray, shape (plot, inspection)
        New seedlings; zero in the padding.
    seeds, emerged : ndarray, shape (plot,)
    slip : ndarray, shape (plot, inspection)
        Share of slips that falls between two inspections; rows sum to one.
    noted : ndarray of bool, shape (plot,)
        A single date instead of counts.
    dish : ndarray of bool, shape (plot,)
    seeds_started : ndarray, shape (plot,)
        Of pre-sprouted plots, NaN where not known.
    """

    new: FloatArray
    seeds: FloatArray
    emerged: FloatArray
    slip: FloatArray
    noted: BoolArray
    dish: BoolArray
    seeds_started: FloatArray

    @classmethod
    def of(cls, plots: Sequence[Plot], inspections: int) -> Counted:
        """Collect the counts of plots."""
        new = np.zeros((len(plots), inspections))
        slip = np.zeros((len(plots), inspections))
        for row, plot in enumerate(plots):
            if plot.noted_h is not None:
                continue
            hours, fresh = plot.informative_looks()
            new[row, : fresh.size] = fresh
            spans = np.diff(hours, prepend=plot.planted_h)
            slip[row, : spans.size] = spans / spans.sum()
        return cls(
            new=new,
            seeds=np.array([plot.seeds for plot in plots], dtype=float),
            emerged=new.sum(axis=1),
            slip=slip,
            noted=np.array([plot.noted_h is not None for plot in plots]),
            dish=np.array([plot.dish for plot in plots]),
            seeds_started=np.array([plot.seeds_started or np.nan for plot in plots]),
        )


class Likelihood:
    """Log-likelihood of every plot for batches of vectors.

    Parameters
    ----------
    model : Model
        Plots and soil.
    slips : float
        See :data:`SLIPS`; zero gives the plain interval-censored likelihood.
    free_dishes : bool
        Take for each setting of dishes the final share that fits best, instead of a wide prior.
    """

    def __init__(self, model: Model, *, slips: float = SLIPS, free_dishes: bool = False) -> None:
        self.model = model
        self.counted = Counted.of(model.plots, model.inspections)
        self._slips = slips
        self._free_dishes = free_dishes
        self._pool = np.eye(len(model.settings))[model.plot_setting]

    def plots(self, vectors: FloatArray) -> FloatArray:
        """Log-likelihood of each plot, shape (draw, plot), for vectors of the layers."""
        layers = self.model.layers
        shifts = layers.shifts_of(vectors) if layers.has_shifts else None
        return self.plots_of_cells(layers.parameters(vectors), shifts=shifts)

    def plots_of_cells(
        self,
        parameters: FloatArray,
        nodes: Nodes | None = None,
        shifts: FloatArray | None = None,
    ) -> FloatArray:
        """Log-likelihood of each plot for parameters of shape (draw, cell, parameter).

        Parameters
        ----------
        shifts : ndarray, shape (draw, plot, 3), optional
            What plots have of their planting, season and lot.
        nodes : tuple of ndarray, shape (1, plot), optional
            Where and how wide the speeds of the plots are integrated, from :meth:`nodes`; for
            vectors next to the one they were found for.
        """
        per_draw = len(self.model.plots) * self.model.inspections
        block = max(1, _BLOCK // per_draw)
        parts = [slice(at, at + block) for at in range(0, parameters.shape[0], block)]
        return np.concatenate(
            [
                self._block(parameters[i], nodes, None if shifts is None else shifts[i])
                for i in parts
            ]
        )

    def nodes(self, parameters: FloatArray, shifts: FloatArray | None = None) -> Nodes:
        """Centre and width of each plot's speed for parameters of shape (1, cell, parameter)."""
        return self.conditional(self.model.predict_cells(parameters, shifts)).centre()

    def conditional(self, predicted: Predicted) -> Conditional:
        """Likelihood of the counts given each plot's speed."""
        # NaN: the final share of free dishes is the one that fits.
        free = self.counted.dish if self._free_dishes else np.zeros(1, dtype=bool)
        share = np.where(free, np.nan, predicted.share)
        return Conditional(predicted, self.counted, self._slips, share, self._pool)

    def _block(
        self, parameters: FloatArray, nodes: Nodes | None, shifts: FloatArray | None
    ) -> FloatArray:
        predicted = self.model.predict_cells(parameters, shifts)
        result = np.zeros(predicted.share.shape)
        if not self.counted.noted.all():
            result = self._counted(predicted, nodes)
        if self.counted.noted.any():
            result = np.where(self.counted.noted, noted_log_likelihood(predicted), result)
        if np.isfinite(self.counted.seeds_started).any():
            result = result + sprouted_log_likelihood(predicted, self.counted)
        return result

    def _counted(self, predicted: Predicted, nodes: Nodes | None) -> FloatArray:
        conditional = self.conditional(predicted)
        if not (predicted.speed_sd > _NO_SPREAD).any():
            return conditional.log_density(np.zeros(predicted.share.shape))
        at, width = conditional.centre() if nodes is None else nodes
        conditional.settle_shares(at)
        logs = []
        for node, weight in zip(_NODES, _NODE_WEIGHTS, strict=True):
            speed = at + np.sqrt(2.0) * width * node
            log_normal = node**2 + np.log(weight) - 0.5 * np.square(speed)
            logs.append(conditional.log_density(speed) + log_normal)
        total = logsumexp(np.stack(logs), axis=0)
        return np.asarray(total + np.log(width) - 0.5 * np.log(np.pi))


def _density(z: FloatArray) -> FloatArray:
    """Standard normal density; zero at infinity."""
    return np.asarray(_ROOT * np.exp(-0.5 * np.square(z)))


class Conditional:
    """Likelihood of counted plots given the standardised speed of each, shape (draw, plot)."""

    def __init__(
        self,
        predicted: Predicted,
        counted: Counted,
        slips: float,
        share: FloatArray,
        pool: FloatArray,
    ) -> None:
        self.p, self.c, self.slips = predicted, counted, slips
        self.share, self.pool = share, pool
        self.free = np.isnan(share)
        self.fixed_shares = False
        self.cut = bool(np.isfinite(predicted.z_low).any() or np.isfinite(predicted.z_high).any())
        self.handled = bool(predicted.credit.any())
        if not self.handled:
            with np.errstate(divide="ignore"):
                self.ln_progress = np.log(np.maximum(predicted.progress, 1e-12))
        self.too_soon = predicted.progress < _LEAST_CD
        self.any_too_soon = bool(self.too_soon.any())

    def emergence(self, speed: FloatArray) -> FloatArray:
        """Share of the final stand at each inspection, shape (draw, plot, inspection)."""
        return self.emergence_and_slope(speed, sloping=False)[0]

    def emergence_and_slope(
        self, speed: FloatArray, *, sloping: bool = True
    ) -> tuple[FloatArray, FloatArray]:
        """The same and its slope with the speed, which takes half of the time."""
        p = self.p
        shift = p.shift + p.speed_sd * speed
        per_sigma = (1.0 / p.sigma)[..., None]
        credit_slope: FloatArray | float = 0.0
        if self.handled:
            progress = p.progress + (p.credit + p.credit_slope * shift)[..., None]
            progress = np.maximum(progress, 1e-12)
            ln_progress, credit_slope = np.log(progress), p.credit_slope[..., None] / progress
        else:
            ln_progress = self.ln_progress
        z = ln_progress * per_sigma - (p.ln_scale + shift)[..., None] * per_sigma
        value = ndtr(z)
        slope = _density(z) * (credit_slope - 1.0) * per_sigma if sloping else value
        if self.cut:
            low, high = p.z_low + p.low_slope * shift, p.z_high + p.high_slope * shift
            below, above = ndtr(low)[..., None], ndtr(high)[..., None]
            span = np.maximum(above - below, 1e-12)
            raw = (value - below) / span
            value = np.clip(raw, 0.0, 1.0)
            if sloping:
                low_slope = (_density(low) * p.low_slope)[..., None]
                high_slope = (_density(high) * p.high_slope)[..., None]
                change = slope - low_slope - raw * (high_slope - low_slope)
                slope = np.where((raw > 0) & (raw < 1), change / span, 0.0)
        if self.any_too_soon:
            value = np.where(self.too_soon, 0.0, value)
            slope = np.where(self.too_soon, 0.0, slope)
        return value, slope * p.speed_sd[..., None] if sloping else value

    def gained(self, emergence: FloatArray) -> FloatArray:
        """Share of the final stand that comes between looks, slips among it."""
        gained = np.diff(emergence, axis=-1, prepend=0.0)
        if self.slips > 0:
            gained = (1.0 - self.slips) * gained + self.slips * self.c.slip
        return np.asarray(np.maximum(gained, _FLOOR))

    def _stand(self, last: FloatArray) -> FloatArray:
        c, share = self.c, self._share(last)
        rho = partial_rho(last, share, self.p.rho)
        return stand_log_likelihood(c.emerged, c.seeds, share * last, rho)

    def _stand_slope(self, last: FloatArray) -> FloatArray:
        """Slope of the stand's log-likelihood with ln of the share that shows, about.

        That of a binomial, thinned as the fates of a plot's seeds hang together: it places nodes,
        and weighs nothing.
        """
        c, share = self.c, self._share(last)
        part = np.clip(share * last, 1e-9, 1.0 - 1e-9)
        thin = 1.0 + (c.seeds - 1.0) * partial_rho(last, share, self.p.rho)
        return np.asarray((c.emerged - c.seeds * part) / (1.0 - part) / thin)

    def _share(self, last: FloatArray) -> FloatArray:
        """Final share of each plot, that of free dishes as it fits what shows."""
        if self.fixed_shares or not self.free.any():
            return self.share
        return np.where(self.free, self.best_share(last), self.share)

    def best_share(self, last: FloatArray) -> FloatArray:
        """Final share of all dishes of a setting that fits best, by expectation-maximisation."""
        c, pool = self.c, self.pool
        seeds = np.maximum(c.seeds @ pool, 1e-9)
        # From a share of one no step leads away, though more seed may be dead than late.
        top = np.maximum(1.0 - 0.5 / seeds, 0.0)
        best = np.clip((c.emerged @ pool) / np.maximum((c.seeds * last) @ pool, 1e-12), 0.0, top)
        for _ in range(_EM_STEPS):
            own = best @ pool.T
            waiting = own * (1.0 - last) / np.maximum(1.0 - own * last, 1e-12)
            best = (c.emerged + (c.seeds - c.emerged) * waiting) @ pool / seeds
        return np.asarray(best @ pool.T)

    def settle_shares(self, speed: FloatArray) -> None:
        """Fix the shares of free dishes at those that fit plots of a speed."""
        self.share = self._share(self.gained(self.emergence(speed)).sum(axis=-1))
        self.fixed_shares = bool(self.free.any())

    def log_density(self, speed: FloatArray) -> FloatArray:
        """Log-likelihood of the counts, shape (draw, plot)."""
        gained = self.gained(self.emergence(speed))
        last = gained.sum(axis=-1)
        timing = (self.c.new * np.log(gained)).sum(axis=-1) - self.c.emerged * np.log(last)
        return np.asarray(timing + self._stand(last))

    def _first_guess(self) -> FloatArray:
        """Speed that puts the middle seedling of each plot where it was seen, shrunk to zero."""
        p, c = self.p, self.c
        rows = np.arange(c.emerged.size)
        cumulative = c.new.cumsum(axis=1)
        column = (cumulative < 0.5 * c.emerged[:, None]).sum(axis=1)
        column = np.minimum(column, c.new.shape[1] - 1)
        share = (cumulative[rows, column] + 0.3) / (c.emerged + 0.6)
        progress = np.maximum(p.progress[:, rows, column] + p.credit, 1e-12)
        low, high = ndtr(p.z_low), ndtr(p.z_high)
        off = np.log(progress) - p.ln_scale - p.shift - p.sigma * ndtri(low + share * (high - low))
        sd = np.maximum(p.speed_sd, _NO_SPREAD)
        shrink = np.square(sd) / (np.square(sd) + 2.0 * np.square(p.sigma) / (c.emerged + 1e-9))
        return np.asarray(np.clip(off / sd * shrink, -6.0, 6.0))

    def centre(self) -> tuple[FloatArray, FloatArray]:
        """Most likely speed of each plot and the width about it, by Fisher scoring."""
        speed, c = self._first_guess(), self.c
        curvature = np.ones(speed.shape)
        for _ in range(_STEPS):
            emergence, slope = self.emergence_and_slope(speed)
            gained = self.gained(emergence)
            last = gained.sum(axis=-1)
            change = np.diff(slope, axis=-1, prepend=0.0) / gained
            change = np.where(c.new > 0, (1.0 - self.slips) * change, 0.0)
            change = np.clip(change, -_STEEPEST, _STEEPEST)
            whole = (1.0 - self.slips) * slope[..., -1] / last
            stand = self._stand_slope(last) * whole
            first = (c.new * change).sum(axis=-1) - c.emerged * whole + stand - speed
            curvature = (
                1.0
                + np.maximum(
                    (c.new * np.square(change)).sum(axis=-1) - c.emerged * np.square(whole), 0.0
                )
                + np.square(stand) / np.maximum(c.seeds - c.emerged, 1.0)
            )
            step = np.clip(first / curvature, -1.0, 1.0)
            speed = speed + step
            if np.abs(step).max() < _CLOSE:
                break
        return speed, 1.0 / np.sqrt(curvature)


def noted_log_likelihood(predicted: Predicted) -> FloatArray:
    """Log-likelihood of single dates of emergence, shape (draw, plot).

    Which share of the stand the observer took for emergence is not known; it varies from note to
    note as the plot's own speed does.
    """
    progress = np.maximum(predicted.progress[..., :2] + predicted.credit[..., None], 1e-12)
    spread = np.sqrt(np.square(predicted.sigma * NOTED_SPREAD) + np.square(predicted.speed_sd))
    middle = predicted.ln_scale + predicted.shift
    z = (np.log(progress) - middle[..., None]) / spread[..., None]
    inside = ndtr(z[..., 1]) - ndtr(z[..., 0])
    return np.asarray(np.log((1.0 - SLIPS) * inside + SLIPS / 60.0))


def sprouted_log_likelihood(predicted: Predicted, counted: Counted) -> FloatArray:
    """Log-odds that as much seed had sprouted as was planted, shape (draw, plot).

    Without it a fit could take the sprouts of a slow crop for the quickest few of its seeds. How
    many more had sprouted is not recorded, so the odds are those of at least so many: the upper
    tail of a binomial, thinned by as much as the seeds of a batch share their fate.
    """
    started = counted.seeds_started
    counted_start = np.isfinite(started)
    result = np.zeros(predicted.share.shape)
    n, k = started[counted_start], counted.seeds[counted_start]
    sprouted = ndtr(predicted.z_high[:, counted_start]) - ndtr(predicted.z_low[:, counted_start])
    odds = np.maximum(predicted.viability[:, counted_start] * sprouted, _LEAST_ODDS)
    # Thinned, a batch counts for fewer than 1 / BATCH_RHO seeds: no tail is too small for a float.
    thin = 1.0 / (1.0 + (n - 1.0) * BATCH_RHO)
    result[:, counted_start] = np.log(betainc(k * thin, (n - k) * thin + 1.0, odds))
    return result
