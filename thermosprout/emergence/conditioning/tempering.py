"""Counts brought in step by step where few draws agree with them.

Good draws are repeated and moved in between (sequential Monte Carlo; Del Moral, Doucet & Jasra
2006, J. R. Stat. Soc. B 68:411-436) by autoregressive moves about the draws' own mean and
covariance.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.special import logsumexp

from thermosprout.emergence.conditioning.judging import Judge
from thermosprout.emergence.conditioning.particles import (
    Particles,
    effective_size,
    merged,
    resampled,
)

FloatArray = npt.NDArray[np.float64]

_LADDER = 12
_MOVES = 2
_PARTICLES = 400
"""Draws moved where few agree: the answer's own scatter then stays below a tenth of its spread."""


def temper(
    judge: Judge, particles: Particles, before: FloatArray, rng: np.random.Generator
) -> tuple[Particles, float]:
    """Bring the counts in step by step, repeating good draws and moving them in between."""
    size = min(before.size, _PARTICLES)
    particles = particles.taken(resampled(before, size, rng))
    reached, step, effective = 0.0, 0.6, float(size)
    for rung in range(_LADDER):
        power = 1.0 if rung == _LADDER - 1 else _next_power(particles.likelihood, reached)
        log_weights = (power - reached) * particles.likelihood
        weights = np.exp(log_weights - logsumexp(log_weights))
        effective = effective_size(weights)
        particles = particles.taken(resampled(weights, size, rng))
        about = _Normal(particles.standard)
        for _ in range(_MOVES):
            proposal = about.moved(particles.standard, step, rng)
            tried = judge.moved(particles, proposal)
            odds = power * (tried.likelihood - particles.likelihood)
            odds += about.log_ratio_to_prior(proposal) - about.log_ratio_to_prior(
                particles.standard
            )
            accepted = np.log(rng.random(size)) < odds
            particles = merged(particles, tried, accepted)
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
        return effective_size(np.exp(logs - logsumexp(logs)))

    wanted = 0.4 * likelihood.size
    if left(1.0) >= wanted:
        return 1.0
    low, high = reached, 1.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if left(middle) >= wanted else (low, middle)
    return max(low, reached + 1e-4)


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
