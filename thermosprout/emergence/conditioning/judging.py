"""How well the counts agree with draws, summed over the speed of the row."""

from __future__ import annotations

from typing import cast

import numpy as np
import numpy.typing as npt
from scipy.special import ndtri

from thermosprout.emergence.conditioning.inspections import Inspections
from thermosprout.emergence.conditioning.lost_rows import FAILED_BEFORE, FAILED_RHO, FAILED_SHARE
from thermosprout.emergence.conditioning.particles import Particles, clock_of, crop_draws
from thermosprout.emergence.conditioning.scale import NormalScale
from thermosprout.emergence.counts import partial_rho, stand_log_likelihood, timing_log_likelihood
from thermosprout.emergence.forecast import CropDraws, RowForecast
from thermosprout.emergence.stand import middle_h, stand_share
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.emergence.treatments import SeedState, seed_state

FloatArray = npt.NDArray[np.float64]

_SLIPS = 0.002
"""Share of seedlings that may show at any odd time: a weed counted, a seed sown twice."""

_SPEED_NODES = ndtri((np.arange(11) + 0.5) / 11)


class Judge:
    """Likelihood of the counts for particles, summed over the speed of the row."""

    def __init__(self, row: RowForecast, seen: Inspections, rng: np.random.Generator) -> None:
        self.row, self.seen, self.rng = row, seen, rng
        self.scale = NormalScale(row.draws.crop.estimate)
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

    def moved(self, particles: Particles, standard: FloatArray) -> Particles:
        """Particles with other parameters and everything else the same."""
        draws = crop_draws(particles.draws, self.scale.natural(standard))
        index = np.arange(standard.shape[0])
        clock = clock_of(particles.clock, draws.rates, index)
        return self.judged(standard, draws, clock, particles.viability, particles.ln_shift)

    def state(self, particles: Particles, speed: FloatArray) -> SeedState:
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
        standard: FloatArray,
        draws: CropDraws,
        clock: ThermalClock | ConstantClock,
        viability: FloatArray,
        ln_shift: FloatArray,
    ) -> Particles:
        """Sum the likelihood over the row's speed, and draw a speed from what is left."""
        empty = np.zeros(draws.rates.size)
        particles = Particles(
            standard, draws, clock, viability, ln_shift, empty, empty, empty, empty > 0
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
