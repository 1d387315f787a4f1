"""A row's forecast after its counts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from scipy.special import logsumexp

from thermosprout.emergence.conditioning.inspections import Inspections, inspections_after_planting
from thermosprout.emergence.conditioning.judging import Judge
from thermosprout.emergence.conditioning.lost_rows import (
    FAILED_BEFORE,
    FAILED_BELOW,
    FAILED_RHO,
    FAILED_SHARE,
)
from thermosprout.emergence.conditioning.open_stages import place_stages, still_to_come
from thermosprout.emergence.conditioning.particles import Particles, effective_size, resampled
from thermosprout.emergence.conditioning.tempering import temper
from thermosprout.emergence.counts import Count
from thermosprout.emergence.forecast import RowForecast, generator
from thermosprout.emergence.quantiles import weighted_quantile

_FEW = 0.2
"""Share of the draws below which too few agree with the counts to be only weighted."""


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
    seen = inspections_after_planting(row, counts)
    if seen is None:
        return Conditioned(
            row=row,
            effective_draws=effective_size(row.weights),
            failed_odds=FAILED_BEFORE + (1 - FAILED_BEFORE) * row.nothing_odds,
            sentence="No inspection since planting.",
        )
    rng = generator(seed, "counts", row.sowing.row)
    judge = Judge(row, seen, rng)
    particles = judge.start()
    log_weights = np.log(np.maximum(row.weights, 1e-300)) + particles.likelihood
    size = row.weights.size
    weights = np.exp(log_weights - logsumexp(log_weights))
    effective = effective_size(weights)
    if effective < _FEW * size:
        particles, effective = temper(judge, particles, row.weights, rng)
    else:
        particles = particles.taken(resampled(weights, size, rng))
    return _finish(row, seen, particles, judge, effective, rng)


def _finish(
    row: RowForecast,
    seen: Inspections,
    particles: Particles,
    judge: Judge,
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
    seedlings = seen.total + still_to_come(share, rho, shown[:, -1], seen.total, seeds, rng)
    stages = place_stages(seedlings, shown, seen, rng)
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


def _sentence(
    before: RowForecast, after: RowForecast, seen: Inspections, failed_odds: float
) -> str:
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
