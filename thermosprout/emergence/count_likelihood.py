"""Counts of seedlings, and how well they agree with draws of a row, summed over its speed.

Three things can be off: the parameters, the speed of this very row, and how many of its seeds
live. The speed is summed over for each draw and then drawn anew, which keeps most draws in play. A
row may also be lost whole.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TypeVar, cast

import numpy as np
import numpy.typing as npt

from thermosprout.crops.estimate import PARAMETERS, Draws, Estimate
from thermosprout.emergence.forecast import CropDraws, RowForecast
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import middle_h, stand_share
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.emergence.treatments import SeedState, seed_state
from thermosprout.emergence.weighted_draws import weighted_quantile
from thermosprout.errors import InputError
from thermosprout.quantities import BoolArray, FloatArray, IntArray
from thermosprout.special import betaincinv, gammaln, logsumexp, ndtri

T = TypeVar("T", bound=np.generic)

_TINY = 1e-300
_LEAST_RHO = 1e-7


@dataclass(frozen=True, kw_only=True)
class Count:
    """Seedlings counted in a row so far; the hour counts from 1970-01-01T00:00 UTC."""

    hour: float
    emerged: int


def increments(emerged: npt.ArrayLike, seeds: int) -> FloatArray:
    """New seedlings at each inspection from cumulative counts, shape (inspection,).

    Raises
    ------
    InputError
        When a count falls, is negative or is above the seeds planted.
    """
    counts = np.asarray(emerged, dtype=float)
    new = np.diff(counts, prepend=0.0)
    if (new < 0).any():
        at = int(np.argmin(new >= 0))
        raise InputError(
            f"the cumulative count falls from {counts[at - 1] if at else 0:.0f} to "
            f"{counts[at]:.0f}; count all that have come up so far, also those that died since"
        )
    if counts.size and counts[-1] > seeds:
        raise InputError(f"{counts[-1]:.0f} seedlings were counted but {seeds} seeds were planted")
    return np.asarray(new)


@dataclass(frozen=True)
class Inspections:
    """When a row was looked at after planting, and the seedlings new each time, (inspection,)."""

    hours: FloatArray
    new: FloatArray

    @property
    def total(self) -> int:
        """Seedlings that have come up by the last inspection."""
        return int(self.new.sum())


def inspections_after_planting(row: RowForecast, counts: Sequence[Count]) -> Inspections | None:
    """Put the counts of a row in order; none when nobody looked since it was planted.

    Raises
    ------
    InputError
        When counts fall, are above the seeds planted, or seedlings were seen before planting.
    """
    planted = row.sowing.planted_h
    ordered = sorted(counts, key=lambda count: count.hour)
    for count in ordered:
        if count.hour <= planted and count.emerged > 0:
            raise InputError(
                f"row {row.sowing.row}: {count.emerged} seedlings are recorded before it was "
                "planted"
            )
    after = [count for count in ordered if count.hour > planted]
    if not after:
        return None
    try:
        new = increments([count.emerged for count in after], row.sowing.seeds_planted)
    except InputError as error:
        raise InputError(f"row {row.sowing.row}: {error.what}") from None
    return Inspections(np.array([count.hour for count in after]), new)


def partial_rho(visible: FloatArray, share: FloatArray, rho: FloatArray) -> FloatArray:
    """Correlation of two seeds' fates while only a part of the final stand shows.

    If the final share varies from row to row as a beta with correlation ``rho``, the share that
    shows by a time varies less; this matches its variance.
    """
    with np.errstate(divide="ignore", invalid="ignore"):
        covariance = visible * (1.0 - share) * rho / (1.0 - share * visible)
    return np.clip(np.nan_to_num(covariance), _LEAST_RHO, 1.0 - 1e-9)


def timing_log_likelihood(visible: FloatArray, new: FloatArray) -> FloatArray:
    """Log-likelihood of when the seedlings came, given how many came.

    Parameters
    ----------
    visible : ndarray, shape (..., inspection)
        Share of the final stand that shows at each inspection, not falling.
    new : ndarray, shape (..., inspection)
        New seedlings at each inspection.

    Returns
    -------
    ndarray, shape (...)
        Of labelled seeds: the multinomial coefficient is left out.
    """
    gained = np.diff(visible, axis=-1, prepend=0.0)
    total = new.sum(axis=-1)
    logs = (new * np.log(np.maximum(gained, _TINY))).sum(axis=-1)
    return np.asarray(logs - total * np.log(np.maximum(visible[..., -1], _TINY)))


def stand_log_likelihood(
    emerged: FloatArray, seeds: FloatArray, share: FloatArray, rho: FloatArray
) -> FloatArray:
    """Beta-binomial log-likelihood of a number of seedlings among labelled seeds.

    Parameters
    ----------
    emerged, seeds : ndarray
        Broadcast against the others.
    share, rho : ndarray
        Mean share that shows and the correlation of two seeds' fates.
    """
    p = np.clip(share, 1e-12, 1.0 - 1e-12)
    strength = (1.0 - rho) / rho
    a, b = p * strength, (1.0 - p) * strength
    # A ratio of betas as three ratios of gammas: as exact as betaln and more than twice as fast.
    correlated = (
        (gammaln(a + emerged) - gammaln(a))
        + (gammaln(b + seeds - emerged) - gammaln(b))
        - (gammaln(strength + seeds) - gammaln(strength))
    )
    independent = emerged * np.log(p) + (seeds - emerged) * np.log1p(-p)
    # The difference loses digits where the beta is next to a point; the binomial is its limit.
    return np.asarray(np.where(rho <= 2 * _LEAST_RHO, independent, correlated))


FAILED_BEFORE = 0.03
"""Share of rows that are lost in an average garden: washed out, dried up, eaten, crusted over
(common practice, no source)."""

FAILED_ROWS = 5.0
"""Rows that this share is worth beside those of a season (our judgement): some gardens hardly ever
lose a row, others one in three, so that a few rows of one's own soon say more."""

FAILED_SHARE, FAILED_RHO = 0.1, 0.35
"""What a lost row still has of a good stand, and how much that varies: mostly nothing, now and
then a few (common practice, no source)."""

FAILED_BELOW = 0.25
"""A row counts as failed when less than this part of the stand expected at sowing comes."""

_SLIPS = 0.002
"""Share of seedlings that may show at any odd time: a weed counted, a seed sown twice."""

_DUE, _SURE = 0.9, 0.98
"""Share of the stand that must be due, and in how many draws, before a row counts as lost."""

_LOST, _STANDS = 20.0, 0.5
"""Ratios above and below which a row is surely lost or surely stands."""

_RATES = 400
"""Shares of lost rows that stand for all."""

_SPEED_NODES = ndtri((np.arange(11) + 0.5) / 11)


class Whitening:
    """Between the natural parameters of an estimate and standard normals."""

    def __init__(self, estimate: Estimate) -> None:
        values, vectors = np.linalg.eigh(estimate.covariance)
        positive = values > 1e-12
        self._estimate = estimate
        self._root = vectors[:, positive] * np.sqrt(values[positive])
        self._inverse = vectors[:, positive] / np.sqrt(values[positive])

    def standard(self, values: Draws) -> FloatArray:
        """Draws in natural units to standard normals, shape (draw, direction)."""
        names = self._estimate.names
        transformed = np.stack([PARAMETERS[n].transform(values[n]) for n in names], axis=1)
        return np.asarray((transformed - self._estimate.mean) @ self._inverse)

    def natural(self, standard: FloatArray) -> Draws:
        """Standard normals to draws in natural units."""
        return self._estimate.natural(self._estimate.mean + standard @ self._root.T)


@dataclass
class Particles:
    """Draws of a row with all that is moved, repeated and judged together.

    Attributes
    ----------
    points : ndarray, shape (draw, direction)
        Parameters as standard normals.
    likelihood : ndarray, shape (draw,)
        Log-likelihood of the counts, summed over the speed of the row.
    speed, share, failed : ndarray, shape (draw,)
        Speed of the row as a deviate, its expected share, and whether it is lost.
    """

    points: FloatArray
    draws: CropDraws
    clock: ThermalClock | ConstantClock
    viability: FloatArray
    ln_shift: FloatArray
    likelihood: FloatArray
    speed: FloatArray
    share: FloatArray
    failed: BoolArray

    def select(self, index: IntArray) -> Particles:
        """Draws by index, repeated or left out."""
        draws = crop_draws(self.draws, {k: v[index] for k, v in self.draws.values.items()})
        arrays = {name: getattr(self, name)[index] for name in _PER_DRAW}
        return Particles(draws=draws, clock=clock_of(self.clock, draws.rates, index), **arrays)

    @property
    def prior(self) -> FloatArray:
        """Log-density of the estimate at the points, up to a constant."""
        return np.asarray(-0.5 * np.square(self.points).sum(axis=1))

    @property
    def ratio(self) -> FloatArray:
        """What the counts add to it."""
        return self.likelihood

    def merge(self, trial: Particles, accepted: BoolArray) -> Particles:
        """Moved particles where the move was accepted."""

        def pick(a: npt.NDArray[T], b: npt.NDArray[T]) -> npt.NDArray[T]:
            return np.where(accepted if a.ndim == 1 else accepted[:, None], b, a)

        values = {k: pick(v, trial.draws.values[k]) for k, v in self.draws.values.items()}
        draws = crop_draws(self.draws, values)
        clock = clock_of(self.clock, draws.rates, np.arange(accepted.size))
        picked = {name: pick(getattr(self, name), getattr(trial, name)) for name in _PER_DRAW}
        return Particles(draws=draws, clock=clock, **picked)


_PER_DRAW = ("points", "viability", "ln_shift", "likelihood", "speed", "share", "failed")
"""Arrays of particles along the draws."""


def crop_draws(like: CropDraws, values: dict[str, FloatArray]) -> CropDraws:
    """Draws of the same crop with other values."""
    rates = ResponseDraws.from_draws(like.crop.response, values)
    return replace(like, values=values, rates=rates)


def clock_of(
    clock: ThermalClock | ConstantClock, rates: ResponseDraws, index: IntArray
) -> ThermalClock | ConstantClock:
    """Clock of other draws under the same soil; each takes over the soil of the draw by index."""
    if isinstance(clock, ThermalClock):
        return clock.with_draws(rates, like=index)
    return replace(clock, draws=rates)


class CountLikelihood:
    """Likelihood of the counts for particles, summed over the speed of the row."""

    def __init__(
        self,
        row: RowForecast,
        looks: Inspections,
        rng: np.random.Generator,
        *,
        failed_before: float = FAILED_BEFORE,
    ) -> None:
        self.row, self.looks, self.rng = row, looks, rng
        self._failed_before = failed_before
        self.whitening = Whitening(row.draws.crop.estimate)
        planted = row.sowing.planted_h
        self._spent: FloatArray | None = None
        if isinstance(row.clock, ThermalClock):
            before = row.clock.table.dwell(np.array([planted]))
            self._spent = row.clock.table.dwell(looks.hours) - before
        days = np.diff(looks.hours, prepend=planted) / 24.0
        self._slips = _SLIPS * np.cumsum(days) / max(days.sum(), 60.0)

    def start(self) -> Particles:
        """Judge the draws of the forecast itself."""
        return self.judged(self.forecast_draws())

    def forecast_draws(self) -> Particles:
        """Draws of the forecast itself, not judged yet."""
        row = self.row
        return self.particles(
            self.whitening.standard(row.draws.values),
            row.draws,
            cast("ThermalClock | ConstantClock", row.clock),
            row.viability,
            row.ln_shift,
        )

    def progress(self, clock: ThermalClock | ConstantClock) -> FloatArray:
        """Thermal time from planting to each inspection, shape (draw, inspection). [C d]"""
        if isinstance(clock, ThermalClock) and self._spent is not None:
            return clock.progress_through(self._spent)
        return clock.progress(self.row.sowing.planted_h, self.looks.hours)

    def move(self, particles: Particles, points: FloatArray) -> Particles:
        """Particles with other parameters and everything else the same."""
        draws = crop_draws(particles.draws, self.whitening.natural(points))
        index = np.arange(points.shape[0])
        clock = clock_of(particles.clock, draws.rates, index)
        return self.judged(
            self.particles(points, draws, clock, particles.viability, particles.ln_shift)
        )

    def state(self, particles: Particles, speed: FloatArray) -> SeedState:
        """State of the seed for a speed of the row."""
        sowing = self.row.sowing
        return seed_state(
            particles.draws.crop,
            particles.draws.values,
            particles.draws.rates,
            sowing.handling,
            depth_cm=sowing.depth_cm,
            ln_shift=particles.draws.values["plot_speed_sd"] * speed,
            ln_vigour=particles.ln_shift,
        )

    def stand(self, particles: Particles, state: SeedState) -> FloatArray:
        """Share of the seeds planted that emerge."""
        planted = self.row.sowing.planted_h
        return stand_share(
            particles.draws.crop,
            particles.draws.values,
            state,
            particles.clock,
            planted_h=planted,
            half_h=middle_h(particles.clock, planted, state),
            viability=particles.viability,
        )

    def particles(
        self,
        points: FloatArray,
        draws: CropDraws,
        clock: ThermalClock | ConstantClock,
        viability: FloatArray,
        ln_shift: FloatArray,
    ) -> Particles:
        """Particles at the usual speed, not judged yet."""
        empty = np.zeros(draws.rates.size)
        particles = Particles(
            points, draws, clock, viability, ln_shift, empty, empty, empty, empty > 0
        )
        particles.share = self.stand(particles, self.state(particles, empty))
        return particles

    def judged(self, particles: Particles) -> Particles:
        """Sum the likelihood over the row's speed, and draw a speed from what is left."""
        size = particles.share.size
        logs = self.logs(particles)
        top = logs.max(axis=1, keepdims=True)
        mass = np.exp(logs - top).cumsum(axis=1)
        particles.likelihood = top[:, 0] + np.log(mass[:, -1] / _SPEED_NODES.size)
        pick = self.rng.random((size, 1)) * mass[:, -1:]
        column = (mass < pick).sum(axis=1)
        particles.failed = column >= _SPEED_NODES.size
        node = column % _SPEED_NODES.size
        inside = (node + self.rng.random(size)) / _SPEED_NODES.size
        particles.speed = ndtri(np.clip(inside, 1e-9, 1 - 1e-9))
        return particles

    def logs(self, particles: Particles) -> FloatArray:
        """Log-likelihood for each speed of a row that stands, then of one that is lost."""
        progress = self.progress(particles.clock)
        new, seeds = self.looks.new, np.asarray(float(self.row.sowing.seeds_planted))
        emerged, share = np.asarray(new.sum()), particles.share
        kinds = (
            (share, particles.draws.values["plot_stand_rho"], 1.0 - self._failed_before),
            (FAILED_SHARE * share, np.full(share.size, FAILED_RHO), self._failed_before),
        )
        nodes = _SPEED_NODES.size
        logs = np.empty((share.size, 2 * nodes))
        for column, node in enumerate(_SPEED_NODES):
            visible = self.state(particles, np.full(share.size, node)).emerged(progress)
            visible = (1.0 - _SLIPS) * visible + self._slips
            timing, last = timing_log_likelihood(visible, new), visible[:, -1]
            for kind, (final, rho, odds) in enumerate(kinds):
                logs[:, kind * nodes + column] = (
                    np.log(odds)
                    + timing
                    + stand_log_likelihood(
                        emerged, seeds, final * last, partial_rho(last, final, rho)
                    )
                )
        return logs


def lost_over_standing(row: RowForecast, counts: Sequence[Count]) -> float:
    """How many times as likely the counts of a row are where it is lost as where it stands.

    Only of a row that was looked at when its seedlings were surely due: whether it is late or lost
    hangs on a speed that the rows of a season share, so that all of them would be wrong at once.
    When it was looked at does not hang on what was seen, so that this favours neither.

    Parameters
    ----------
    row : RowForecast
        Forecast before the counts.
    counts : sequence of Count
        Cumulative, in any order.

    Returns
    -------
    float
        1 where nobody has looked so late, and where few came: a poor lot is shared likewise.

    Raises
    ------
    InputError
        When counts fall, are above the seeds planted, or seedlings were seen before planting.
    """
    looks = inspections_after_planting(row, counts)
    if looks is None:
        return 1.0
    due = row.emerged_share(looks.hours[-1:])[:, 0]
    if float(weighted_quantile(due, row.weights, [1.0 - _SURE])[0]) < _DUE:
        return 1.0
    ratio = loss_ratio(row, looks)
    return ratio if ratio >= _LOST or ratio <= _STANDS else 1.0


def loss_ratio(row: RowForecast, looks: Inspections) -> float:
    """Likelihood of what was counted in a row that is lost over that in one that stands."""
    # An even prior, so that the ratio of the sums is that of the likelihoods.
    likelihood = CountLikelihood(row, looks, np.random.default_rng(0), failed_before=0.5)
    logs = likelihood.logs(likelihood.forecast_draws())
    logs += np.log(np.maximum(row.weights, _TINY))[:, None]
    standing, lost = (logsumexp(part.ravel()) for part in np.split(logs, 2, axis=1))
    return float(np.exp(np.clip(lost - standing, -700.0, 700.0)))


def failed_rate(ratios: Sequence[float]) -> float:
    """Odds that a row is lost before it is looked at, by what became of the season's other rows.

    Parameters
    ----------
    ratios : sequence of float
        :func:`lost_over_standing` of the other rows, in any order.

    Notes
    -----
    The share of lost rows is a beta with mean :data:`FAILED_BEFORE`, worth :data:`FAILED_ROWS`
    rows; a row whose ratio is r has the likelihood (1 - share) + share r. The mean of what is left
    is the odds of one more row, with all that is not known of the share (Gelman et al. 2013,
    Bayesian Data Analysis, 3rd ed., 2.3).
    """
    middle = (np.arange(_RATES) + 0.5) / _RATES
    share = betaincinv(FAILED_BEFORE * FAILED_ROWS, (1 - FAILED_BEFORE) * FAILED_ROWS, middle)
    relative = np.maximum(
        1.0 - share[:, None] + share[:, None] * np.asarray(ratios)[None, :], _TINY
    )
    logs = np.log(relative).sum(axis=1)
    weights = np.exp(logs - logs.max())
    return float(weights @ share / weights.sum())
