"""Draws of a row that are repeated, moved and judged together."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.forecast import CropDraws
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


@dataclass
class Particles:
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

    def taken(self, index: IntArray) -> Particles:
        """Draws by index, repeated or left out."""
        draws = crop_draws(self.draws, {k: v[index] for k, v in self.draws.values.items()})
        return Particles(
            standard=self.standard[index],
            draws=draws,
            clock=clock_of(self.clock, draws.rates, index),
            viability=self.viability[index],
            ln_shift=self.ln_shift[index],
            likelihood=self.likelihood[index],
            speed=self.speed[index],
            share=self.share[index],
            failed=self.failed[index],
        )


def merged(old: Particles, new: Particles, accepted: npt.NDArray[np.bool_]) -> Particles:
    """Moved particles where the move was taken."""

    def pick(a: FloatArray, b: FloatArray) -> FloatArray:
        return np.where(accepted, b, a)

    standard = np.where(accepted[:, None], new.standard, old.standard)
    values = {k: pick(v, new.draws.values[k]) for k, v in old.draws.values.items()}
    draws = crop_draws(old.draws, values)
    return Particles(
        standard=standard,
        draws=draws,
        clock=clock_of(old.clock, draws.rates, np.arange(accepted.size)),
        viability=old.viability,
        ln_shift=old.ln_shift,
        likelihood=pick(old.likelihood, new.likelihood),
        speed=pick(old.speed, new.speed),
        share=pick(old.share, new.share),
        failed=np.where(accepted, new.failed, old.failed),
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


def effective_size(weights: FloatArray) -> float:
    """Effective sample size of weights (Kish 1965)."""
    return float(weights.sum() ** 2 / np.square(weights).sum())


def resampled(weights: FloatArray, size: int, rng: np.random.Generator) -> IntArray:
    """Systematic resampling: as many copies of a draw as its weight asks for, within one."""
    edges = np.cumsum(weights / weights.sum())
    return np.minimum(
        np.searchsorted(edges, (np.arange(size) + rng.random()) / size), weights.size - 1
    )
