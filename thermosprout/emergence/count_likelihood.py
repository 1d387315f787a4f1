"""How well the counts of a row agree with draws of it, summed over the speed of the row.

Three things can be off: the parameters, the speed of this very row, and how many of its seeds
live. The speed is summed over for each draw and then drawn anew, which keeps most draws in play. A
row may also be lost whole.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import cast

import numpy as np
from scipy.special import ndtri

from thermosprout.arrays import BoolArray, FloatArray, IntArray
from thermosprout.crops.estimate import Draws, Estimate
from thermosprout.crops.parameters import PARAMETERS
from thermosprout.emergence.counts import (
    Inspections,
    partial_rho,
    stand_log_likelihood,
    timing_log_likelihood,
)
from thermosprout.emergence.forecast import CropDraws, RowForecast
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import middle_h, stand_share
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.emergence.treatments import SeedState, seed_state

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


class Whitening:
    """Between the natural parameters of an estimate and standard normals."""

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

    def taken(self, index: IntArray) -> Particles:
        """Draws by index, repeated or left out."""
        draws = crop_draws(self.draws, {k: v[index] for k, v in self.draws.values.items()})
        return Particles(
            points=self.points[index],
            draws=draws,
            clock=clock_of(self.clock, draws.rates, index),
            viability=self.viability[index],
            ln_shift=self.ln_shift[index],
            likelihood=self.likelihood[index],
            speed=self.speed[index],
            share=self.share[index],
            failed=self.failed[index],
        )

    @property
    def begun(self) -> FloatArray:
        """Log-density of the estimate at the points, up to a constant."""
        return np.asarray(-0.5 * np.square(self.points).sum(axis=1))

    @property
    def ratio(self) -> FloatArray:
        """What the counts add to it."""
        return self.likelihood

    def merged(self, moved: Particles, accepted: BoolArray) -> Particles:
        """Moved particles where the move was accepted."""

        def pick(a: FloatArray, b: FloatArray) -> FloatArray:
            return np.where(accepted, b, a)

        values = {k: pick(v, moved.draws.values[k]) for k, v in self.draws.values.items()}
        draws = crop_draws(self.draws, values)
        return Particles(
            points=np.where(accepted[:, None], moved.points, self.points),
            draws=draws,
            clock=clock_of(self.clock, draws.rates, np.arange(accepted.size)),
            viability=self.viability,
            ln_shift=self.ln_shift,
            likelihood=pick(self.likelihood, moved.likelihood),
            speed=pick(self.speed, moved.speed),
            share=pick(self.share, moved.share),
            failed=np.where(accepted, moved.failed, self.failed),
        )


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

    def __init__(self, row: RowForecast, seen: Inspections, rng: np.random.Generator) -> None:
        self.row, self.seen, self.rng = row, seen, rng
        self.whitening = Whitening(row.draws.crop.estimate)
        planted = row.sowing.planted_h
        self._spent: FloatArray | None = None
        if isinstance(row.clock, ThermalClock):
            begun = row.clock.dwell(np.array([planted]))
            self._spent = row.clock.dwell(seen.hours) - begun
        days = np.diff(seen.hours, prepend=planted) / 24.0
        self._slips = _SLIPS * np.cumsum(days) / max(days.sum(), 60.0)

    def start(self) -> Particles:
        """Judge the draws of the forecast itself."""
        row = self.row
        return self.judged(
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
        return clock.progress(self.row.sowing.planted_h, self.seen.hours)

    def moved(self, particles: Particles, points: FloatArray) -> Particles:
        """Particles with other parameters and everything else the same."""
        draws = crop_draws(particles.draws, self.whitening.natural(points))
        index = np.arange(points.shape[0])
        clock = clock_of(particles.clock, draws.rates, index)
        return self.judged(points, draws, clock, particles.viability, particles.ln_shift)

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

    def judged(
        self,
        points: FloatArray,
        draws: CropDraws,
        clock: ThermalClock | ConstantClock,
        viability: FloatArray,
        ln_shift: FloatArray,
    ) -> Particles:
        """Sum the likelihood over the row's speed, and draw a speed from what is left."""
        empty = np.zeros(draws.rates.size)
        particles = Particles(
            points, draws, clock, viability, ln_shift, empty, empty, empty, empty > 0
        )
        progress = self.progress(clock)
        particles.share = self.stand(particles, self.state(particles, empty))
        logs = self._logs(particles, progress)
        top = logs.max(axis=1, keepdims=True)
        mass = np.exp(logs - top).cumsum(axis=1)
        particles.likelihood = top[:, 0] + np.log(mass[:, -1] / _SPEED_NODES.size)
        pick = self.rng.random((empty.size, 1)) * mass[:, -1:]
        column = (mass < pick).sum(axis=1)
        particles.failed = column >= _SPEED_NODES.size
        node = column % _SPEED_NODES.size
        inside = (node + self.rng.random(empty.size)) / _SPEED_NODES.size
        particles.speed = ndtri(np.clip(inside, 1e-9, 1 - 1e-9))
        return particles

    def _logs(self, particles: Particles, progress: FloatArray) -> FloatArray:
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
