"""A forecast that watches the row: draws that agree with the counts so far get the weight.

Three things can be off: the parameters, the speed of this very row, and how many seeds of it
live. The speed of the row is summed over for each draw and then drawn anew, which keeps most
draws in play. Where few are left, the counts are brought in step by step: good draws are repeated
and moved in between (sequential Monte Carlo; Del Moral, Doucet & Jasra 2006, J. R. Stat. Soc. B
68:411-436) by autoregressive moves about the draws' own mean and covariance.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import cast

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp, ndtri

from thermosprout.crops.estimate import Draws, Estimate
from thermosprout.crops.parameters import PARAMETERS
from thermosprout.emergence.clock import ConstantClock, ResponseDraws, ThermalClock
from thermosprout.emergence.counts import (
    Count,
    increments,
    partial_rho,
    stand_log_likelihood,
    timing_log_likelihood,
)
from thermosprout.emergence.forecast import CropDraws, RowForecast, generator
from thermosprout.emergence.quantiles import weighted_quantile
from thermosprout.emergence.stand import middle_h, stand_share
from thermosprout.emergence.treatments import SeedState, seed_state
from thermosprout.errors import InputError

__all__ = ["FAILED_BEFORE", "Conditioned", "Count", "condition"]

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

FAILED_BEFORE = 0.03
"""Odds before anything is seen that a row is lost: washed out, dried up, eaten, crusted over
(common practice, no source)."""

FAILED_SHARE, FAILED_RHO = 0.1, 0.35
"""What a lost row still has of a good stand, and how much that varies: mostly nothing, now and
then a few (common practice, no source)."""

FAILED_BELOW = 0.25
"""A row counts as failed when less than this part of the stand expected at sowing comes."""

_SLIPS = 0.002
"""Share of seedlings that may show at any odd time: a weed counted, a seed sown twice."""

_SPEED_NODES = ndtri((np.arange(11) + 0.5) / 11)
_FEW = 0.2
_LADDER = 12
_MOVES = 2
_PARTICLES = 400
"""Draws moved where few agree: the answer's own scatter then stays below a tenth of its spread."""


@dataclass(frozen=True, kw_only=True)
class Conditioned:
    """A row's forecast after its counts.

    Attributes
    ----------
    row : RowForecast
        Draws that agree with the counts, weighted; its stages are in the past where the counts
        say so.
    effective_draws : float
        How many equally good independent draws the weights are worth.
    failed_odds : float
        Odds that less than :data:`FAILED_BELOW` of the stand expected at sowing comes up.
    sentence : str
        What the counts changed, for a grower.
    """

    row: RowForecast
    effective_draws: float
    failed_odds: float
    sentence: str


@dataclass(frozen=True)
class _Seen:
    """Inspections after planting."""

    hours: FloatArray
    new: FloatArray

    @property
    def total(self) -> int:
        return int(self.new.sum())


@dataclass
class _Particles:
    """Draws with all that must be moved, repeated and judged together; arrays of shape (draw,)."""

    standard: FloatArray
    draws: CropDraws
    clock: ThermalClock | ConstantClock
    viability: FloatArray
    ln_shift: FloatArray
    likelihood: FloatArray
    speed: FloatArray
    share: FloatArray
    failed: npt.NDArray[np.bool_]

    def taken(self, index: IntArray) -> _Particles:
        """Draws by index, repeated or left out."""
        draws = _crop_draws(self.draws, {k: v[index] for k, v in self.draws.values.items()})
        return _Particles(
            standard=self.standard[index],
            draws=draws,
            clock=_clock(self.clock, draws.rates, index),
            viability=self.viability[index],
            ln_shift=self.ln_shift[index],
            likelihood=self.likelihood[index],
            speed=self.speed[index],
            share=self.share[index],
            failed=self.failed[index],
        )


def condition(row: RowForecast, counts: Sequence[Count], *, seed: int = 0) -> Conditioned:
    """Condition a row's forecast on the cumulative counts of its seedlings.

    Parameters
    ----------
    row : RowForecast
        Forecast before the counts.
    counts : sequence of Count
        Cumulative, in any order.
    seed : int
        Of the random numbers.

    Raises
    ------
    InputError
        When counts fall, are above the seeds planted, or seedlings were seen before planting.
    """
    seen = _seen(row, counts)
    if seen is None:
        return Conditioned(
            row=row,
            effective_draws=_effective(row.weights),
            failed_odds=FAILED_BEFORE + (1 - FAILED_BEFORE) * row.nothing_odds,
            sentence="No inspection since planting.",
        )
    rng = generator(seed, "counts", row.sowing.row)
    judge = _Judge(row, seen, rng)
    particles = judge.start()
    log_weights = np.log(np.maximum(row.weights, 1e-300)) + particles.likelihood
    size = row.weights.size
    weights = np.exp(log_weights - logsumexp(log_weights))
    effective = _effective(weights)
    if effective < _FEW * size:
        particles, effective = _temper(judge, particles, row.weights, rng)
    else:
        particles = particles.taken(_systematic(weights, size, rng))
    return _finish(row, seen, particles, judge, effective, rng)


def _seen(row: RowForecast, counts: Sequence[Count]) -> _Seen | None:
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
    return _Seen(np.array([count.hour for count in after]), new)


class _Judge:
    """Likelihood of the counts for particles, summed over the speed of the row."""

    def __init__(self, row: RowForecast, seen: _Seen, rng: np.random.Generator) -> None:
        self.row, self.seen, self.rng = row, seen, rng
        self.scale = _Scale(row.draws.crop.estimate)
        planted = row.sowing.planted_h
        self._spent: FloatArray | None = None
        if isinstance(row.clock, ThermalClock):
            begun = row.clock.dwell(np.array([planted]))
            self._spent = row.clock.dwell(seen.hours) - begun
        days = np.diff(seen.hours, prepend=planted) / 24.0
        self._slips = _SLIPS * np.cumsum(days) / max(days.sum(), 60.0)

    def start(self) -> _Particles:
        """Judge the draws of the forecast itself."""
        row = self.row
        return self.judged(
            self.scale.standard(row.draws.values),
            row.draws,
            cast("ThermalClock | ConstantClock", row.clock),
            row.viability,
            row.ln_shift,
        )

    def progress(self, clock: ThermalClock | ConstantClock) -> FloatArray:
        """Thermal time from planting to each inspection, shape (draw, inspection). [C d]"""
        if isinstance(clock, ThermalClock) and self._spent is not None:
            return clock.progress_through(self._spent)
        return clock.progress(self.row.sowing.planted_h, self.seen.hours)

    def moved(self, particles: _Particles, standard: FloatArray) -> _Particles:
        """Particles with other parameters and everything else the same."""
        draws = _crop_draws(particles.draws, self.scale.natural(standard))
        index = np.arange(standard.shape[0])
        clock = _clock(particles.clock, draws.rates, index)
        return self.judged(standard, draws, clock, particles.viability, particles.ln_shift)

    def state(self, particles: _Particles, speed: FloatArray) -> SeedState:
        """State of the seed for a speed of the row."""
        sowing = self.row.sowing
        return seed_state(
            particles.draws.crop,
            particles.draws.values,
            particles.draws.rates,
            sowing.handling,
            depth_cm=sowing.depth_cm,
            ln_shift=particles.ln_shift + particles.draws.values["plot_speed_sd"] * speed,
        )

    def stand(self, particles: _Particles, state: SeedState) -> FloatArray:
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

    def judged(
        self,
        standard: FloatArray,
        draws: CropDraws,
        clock: ThermalClock | ConstantClock,
        viability: FloatArray,
        ln_shift: FloatArray,
    ) -> _Particles:
        """Sum the likelihood over the row's speed, and draw a speed from what is left."""
        empty = np.zeros(draws.rates.size)
        particles = _Particles(
            standard, draws, clock, viability, ln_shift, empty, empty, empty, empty > 0
        )
        progress = self.progress(clock)
        particles.share = self.stand(particles, self.state(particles, empty))
        logs = self._logs(particles, progress)
        top = logs.max(axis=1, keepdims=True)
        mass = np.exp(logs - top).cumsum(axis=1)
        particles.likelihood = top[:, 0] + np.log(mass[:, -1] / _SPEED_NODES.size)
        pick = self.rng.random((empty.size, 1)) * mass[:, -1:]
        column = np.minimum((mass < pick).sum(axis=1), mass.shape[1] - 1)
        particles.failed = column >= _SPEED_NODES.size
        node = column % _SPEED_NODES.size
        inside = (node + self.rng.random(empty.size)) / _SPEED_NODES.size
        particles.speed = ndtri(np.clip(inside, 1e-9, 1 - 1e-9))
        return particles

    def _logs(self, particles: _Particles, progress: FloatArray) -> FloatArray:
        """Log-likelihood for each speed of a row that stands, then of one that is lost."""
        new, seeds = self.seen.new, np.asarray(float(self.row.sowing.seeds_planted))
        emerged, share = np.asarray(new.sum()), particles.share
        kinds = (
            (share, particles.draws.values["plot_stand_rho"], 1.0 - FAILED_BEFORE),
            (FAILED_SHARE * share, np.full(share.size, FAILED_RHO), FAILED_BEFORE),
        )
        nodes = _SPEED_NODES.size
        logs = np.empty((share.size, 2 * nodes))
        for column, node in enumerate(_SPEED_NODES):
            shown = self.state(particles, np.full(share.size, node)).emerged(progress)
            shown = (1.0 - _SLIPS) * shown + self._slips
            timing, last = timing_log_likelihood(shown, new), shown[:, -1]
            for kind, (final, rho, odds) in enumerate(kinds):
                logs[:, kind * nodes + column] = (
                    np.log(odds)
                    + timing
                    + stand_log_likelihood(
                        emerged, seeds, final * last, partial_rho(last, final, rho)
                    )
                )
        return logs


class _Scale:
    """Between natural parameters and standard normals of an estimate."""

    def __init__(self, estimate: Estimate) -> None:
        values, vectors = np.linalg.eigh(estimate.covariance)
        kept = values > 1e-12
        self._estimate = estimate
        self._root = vectors[:, kept] * np.sqrt(values[kept])
        self._inverse = vectors[:, kept] / np.sqrt(values[kept])

    def standard(self, values: Draws) -> FloatArray:
        """Draws in natural units to standard normals, shape (draw, direction)."""
        names = self._estimate.names
        transformed = np.stack([PARAMETERS[n].transform(values[n]) for n in names], axis=1)
        return np.asarray((transformed - self._estimate.mean) @ self._inverse)

    def natural(self, standard: FloatArray) -> Draws:
        """Standard normals to draws in natural units."""
        return self._estimate.natural(self._estimate.mean + standard @ self._root.T)


class _Normal:
    """Normal with the mean and covariance of draws, and moves that leave it as it is."""

    def __init__(self, standard: FloatArray) -> None:
        self._mean = standard.mean(axis=0)
        covariance = np.atleast_2d(np.cov(standard.T)) + 1e-4 * np.eye(standard.shape[1])
        self._root = np.linalg.cholesky(covariance)
        self._inverse = np.linalg.inv(self._root)

    def moved(self, standard: FloatArray, step: float, rng: np.random.Generator) -> FloatArray:
        """Autoregressive moves; a step of one is a fresh draw."""
        noise = rng.standard_normal(standard.shape) @ self._root.T
        return np.asarray(
            self._mean + np.sqrt(1 - step**2) * (standard - self._mean) + step * noise
        )

    def log_ratio_to_prior(self, standard: FloatArray) -> FloatArray:
        """Log of the standard normal prior over this normal, up to a constant."""
        own = (standard - self._mean) @ self._inverse.T
        return np.asarray(0.5 * (np.square(own).sum(axis=1) - np.square(standard).sum(axis=1)))


def _temper(
    judge: _Judge, particles: _Particles, before: FloatArray, rng: np.random.Generator
) -> tuple[_Particles, float]:
    """Bring the counts in step by step, repeating good draws and moving them in between."""
    size = min(before.size, _PARTICLES)
    particles = particles.taken(_systematic(before, size, rng))
    reached, step, effective = 0.0, 0.6, float(size)
    for rung in range(_LADDER):
        power = 1.0 if rung == _LADDER - 1 else _next_power(particles.likelihood, reached)
        log_weights = (power - reached) * particles.likelihood
        weights = np.exp(log_weights - logsumexp(log_weights))
        effective = min(effective, _effective(weights)) if power < 1.0 else _effective(weights)
        particles = particles.taken(_systematic(weights, size, rng))
        about = _Normal(particles.standard)
        for _ in range(_MOVES):
            proposal = about.moved(particles.standard, step, rng)
            tried = judge.moved(particles, proposal)
            odds = power * (tried.likelihood - particles.likelihood)
            odds += about.log_ratio_to_prior(proposal) - about.log_ratio_to_prior(
                particles.standard
            )
            accepted = np.log(rng.random(size)) < odds
            particles = _merged(particles, tried, accepted)
            step = float(np.clip(step * (1.3 if accepted.mean() > 0.3 else 0.7), 0.05, 0.95))
        reached = power
        if reached >= 1.0:
            break
    # Every draw of the forecast gets a particle; what is still open is drawn anew for each.
    return particles.taken(np.arange(before.size) % size), effective


def _next_power(likelihood: FloatArray, reached: float) -> float:
    """Largest power of the likelihood that still leaves two fifths of the draws effective."""

    def left(power: float) -> float:
        logs = (power - reached) * likelihood
        return _effective(np.exp(logs - logsumexp(logs)))

    wanted = 0.4 * likelihood.size
    if left(1.0) >= wanted:
        return 1.0
    low, high = reached, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) >= wanted else (low, middle)
    return max(low, reached + 1e-4)


def _merged(old: _Particles, new: _Particles, accepted: npt.NDArray[np.bool_]) -> _Particles:
    """Moved particles where the move was taken."""

    def pick(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.where(accepted, b, a)

    standard = np.where(accepted[:, None], new.standard, old.standard)
    values = {k: pick(v, new.draws.values[k]) for k, v in old.draws.values.items()}
    draws = _crop_draws(old.draws, values)
    return _Particles(
        standard=standard,
        draws=draws,
        clock=_clock(old.clock, draws.rates, np.arange(accepted.size)),
        viability=old.viability,
        ln_shift=old.ln_shift,
        likelihood=pick(old.likelihood, new.likelihood),
        speed=pick(old.speed, new.speed),
        share=pick(old.share, new.share),
        failed=np.where(accepted, new.failed, old.failed),
    )


def _crop_draws(like: CropDraws, values: dict[str, FloatArray]) -> CropDraws:
    rates = ResponseDraws.from_draws(like.crop.response, values)
    return replace(like, values=values, rates=rates)


def _clock(
    clock: ThermalClock | ConstantClock, rates: ResponseDraws, index: IntArray
) -> ThermalClock | ConstantClock:
    if isinstance(clock, ThermalClock):
        return clock.with_draws(rates, like=index)
    return replace(clock, draws=rates)


def _effective(weights: FloatArray) -> float:
    """Effective sample size of weights (Kish 1965)."""
    return float(weights.sum() ** 2 / np.square(weights).sum())


def _systematic(weights: FloatArray, size: int, rng: np.random.Generator) -> IntArray:
    """Systematic resampling: as many copies of a draw as its weight asks for, within one."""
    edges = np.cumsum(weights / weights.sum())
    return np.minimum(
        np.searchsorted(edges, (np.arange(size) + rng.random()) / size), weights.size - 1
    )


def _finish(
    row: RowForecast,
    seen: _Seen,
    particles: _Particles,
    judge: _Judge,
    effective: float,
    rng: np.random.Generator,
) -> Conditioned:
    """Draw what is still open: the final stand, and when each stage was or will be."""
    size = particles.speed.size
    planted, seeds = row.sowing.planted_h, row.sowing.seeds_planted
    state = judge.state(particles, particles.speed)
    share = judge.stand(particles, state) * np.where(particles.failed, FAILED_SHARE, 1.0)
    shown = state.emerged(judge.progress(particles.clock))
    rho = np.where(particles.failed, FAILED_RHO, particles.draws.values["plot_stand_rho"])
    seedlings = seen.total + _still_to_come(share, rho, shown[:, -1], seen.total, seeds, rng)
    stages = _place_stages(seedlings, shown, seen, rng)
    hours = particles.clock.cross(planted, state.needed(stages.share))
    # What was seen stands, whatever the draw makes of it.
    earliest, latest = stages.bounds(planted, seen.hours)
    hours = np.clip(hours, earliest, latest)
    hours[seedlings == 0] = np.nan
    conditioned = RowForecast(
        sowing=row.sowing,
        draws=particles.draws,
        clock=particles.clock,
        state=state,
        viability=particles.viability,
        ln_shift=particles.ln_shift,
        row_speed=particles.draws.values["plot_speed_sd"] * particles.speed,
        hours=hours[:, :3],
        any_seed_h=hours[:, 3],
        share=share,
        seedlings=seedlings,
        weights=np.full(size, 1.0 / size),
        horizon_h=row.horizon_h,
        notes=row.notes,
    )
    expected = seeds * float(weighted_quantile(row.share, row.weights, [0.5])[0])
    failed_odds = float(conditioned.weights[seedlings < FAILED_BELOW * expected].sum())
    return Conditioned(
        row=conditioned,
        effective_draws=effective,
        failed_odds=failed_odds,
        sentence=_sentence(row, conditioned, seen, failed_odds),
    )


def _still_to_come(
    share: FloatArray, rho: FloatArray, shown: FloatArray, emerged: int, seeds: int,
    rng: np.random.Generator,
) -> npt.NDArray[np.int64]:  # fmt: skip
    """Draw how many more seedlings come, given those that show at the last inspection.

    The row's own share varies about the draw's as a beta; its distribution after the counts is
    laid out on a grid, evenly in the angle whose squared sine is the share: a beta that piles up
    at none or at all is then nearly flat there.
    """
    cells = 257
    turn = 0.5 * np.pi / cells
    grid = np.sin(turn * (np.arange(cells) + 0.5)) ** 2
    strength = (1.0 - rho) / np.maximum(rho, 1e-6)
    a = np.clip(share, 1e-6, 1 - 1e-6) * strength
    b = strength - a
    logs = (
        (a[:, None] - 0.5 + emerged) * np.log(grid)
        + (b[:, None] - 0.5) * np.log1p(-grid)
        + (seeds - emerged) * np.log1p(-grid * shown[:, None])
    )
    mass = np.exp(logs - logs.max(axis=1, keepdims=True)).cumsum(axis=1)
    cell = (mass < rng.random((share.size, 1)) * mass[:, -1:]).sum(axis=1)
    own = np.sin(turn * (cell + rng.random(share.size))) ** 2
    own = np.where(share <= 0.0, 0.0, own)
    later = own * (1.0 - shown) / np.maximum(1.0 - own * shown, 1e-12)
    drawn = rng.binomial(seeds - emerged, np.clip(later, 0.0, 1.0))
    return np.asarray(drawn, dtype=np.int64)


@dataclass(frozen=True)
class _Stages:
    """Where the stages stand in the population, shape (draw, stage), and after which inspection."""

    share: FloatArray
    segment: IntArray

    def bounds(self, planted: float, hours: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Hours between which each stage lies."""
        left = np.concatenate([[planted], hours])
        right = np.concatenate([hours, [np.inf]])
        return left[self.segment], right[self.segment]


def _place_stages(
    seedlings: npt.NDArray[np.int64], shown: FloatArray, seen: _Seen, rng: np.random.Generator
) -> _Stages:
    """Order statistics of the seedlings, each within the interval in which it was counted.

    Columns are first, half, full, and one seedling taken by chance.
    """
    size = seedlings.size
    n = np.maximum(seedlings, 1)
    chance = np.ceil(rng.random(size) * n)
    ranks = [np.ones(size), np.ceil(0.5 * n), np.ceil(0.9 * n - 1e-9), chance]
    cumulative = np.cumsum(seen.new)
    edges = np.concatenate([np.zeros((size, 1)), shown, np.ones((size, 1))], axis=1)
    before = np.concatenate([[0.0], cumulative])
    draw = np.arange(size)
    shares, segments = [], []
    last_rank, last_share = np.zeros(size), np.zeros(size)
    last_segment = np.full(size, -1, dtype=np.intp)
    for column, rank in enumerate(ranks):
        segment = np.searchsorted(cumulative, rank - 0.5)
        inside = np.concatenate([seen.new, [0.0]])[segment]
        inside = np.where(segment == seen.new.size, n - before[-1], inside)
        joined = (segment == last_segment) & (column < 3)
        done = np.where(joined, last_rank - before[segment], 0.0)
        start = np.where(joined, last_share, edges[draw, segment])
        steps = rank - before[segment] - done
        rest = np.maximum(inside - done - steps + 1, 1.0)
        part = np.where(steps > 0, rng.beta(np.maximum(steps, 1.0), rest), 0.0)
        share = start + (edges[draw, segment + 1] - start) * part
        shares.append(share)
        segments.append(segment)
        last_rank, last_share, last_segment = rank, share, segment
    return _Stages(np.stack(shares, axis=1), np.stack(segments, axis=1))


def _sentence(before: RowForecast, after: RowForecast, seen: _Seen, failed_odds: float) -> str:
    """What the counts changed, for a grower."""
    seeds = before.sowing.seeds_planted
    old = float(before.stage_quantile("half", [0.5])[0])
    new = float(after.stage_quantile("half", [0.5])[0])
    if seen.total == 0:
        shown = before.emerged_share(seen.hours[-1:])[:, 0]
        due = float(np.average(shown, weights=before.weights))
        text = f"None of {seeds} seeds shows yet"
        if due >= 0.1:
            text += f", where {due:.0%} of the stand was due"
    else:
        text = f"{seen.total} of {seeds} seeds show"
    if np.isfinite(old) and np.isfinite(new):
        shift = (new - old) / 24.0
        if abs(shift) < 0.5:
            text += "; the row keeps to its forecast"
        else:
            text += f"; the row is {abs(shift):.1f} d {'later' if shift > 0 else 'earlier'}"
            text += " than forecast at sowing"
    if failed_odds >= 0.05:
        text += f"; odds that the row has failed: {failed_odds:.0%}"
    return text + "."
