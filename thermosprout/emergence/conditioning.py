"""A forecast that watches the row: draws that agree with the counts so far get the weight.

Draws are weighted by how well they agree (:mod:`.count_likelihood`). Where few are left, the counts
are brought in step by step (:mod:`.sampler`). What is still open is drawn last: how many more come,
and when each stage was or will be.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.count_likelihood import (
    FAILED_BEFORE,
    FAILED_BELOW,
    FAILED_RHO,
    FAILED_SHARE,
    Count,
    CountLikelihood,
    Inspections,
    Particles,
    inspections_after_planting,
)
from thermosprout.emergence.forecast import RowForecast, generator
from thermosprout.emergence.weighted_draws import (
    effective_size,
    resampled,
    temper,
    weighted_quantile,
)
from thermosprout.errors import Note
from thermosprout.quantities import FloatArray, IntArray, percent
from thermosprout.special import logsumexp

__all__ = ["FAILED_BEFORE", "Conditioned", "Count", "condition", "place_stages", "still_to_come"]

_FEW = 0.2
"""Share of the draws below which too few agree with the counts to be only weighted."""

_FEW_DRAWS = 400
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
    failed_before : float
        Odds that the row was lost before it was looked at.
    failed_odds : float
        Odds that less than :data:`FAILED_BELOW` of the stand expected at sowing comes up.
    note : Note
        What the counts changed, for a grower.
    """

    row: RowForecast
    effective_draws: float
    failed_before: float
    failed_odds: float
    note: Note


def condition(
    row: RowForecast,
    counts: Sequence[Count],
    *,
    seed: int = 0,
    failed_before: float = FAILED_BEFORE,
) -> Conditioned:
    """Condition a row's forecast on the cumulative counts of its seedlings.

    Parameters
    ----------
    row : RowForecast
        Forecast before the counts.
    counts : sequence of Count
        Cumulative, in any order.
    seed : int
        Of the random numbers.
    failed_before : float
        Odds that the row is lost before it was looked at, see
        :func:`~thermosprout.emergence.count_likelihood.failed_rate`.

    Raises
    ------
    InputError
        When counts fall, are above the seeds planted, or seedlings were seen before planting.
    """
    looks = inspections_after_planting(row, counts)
    if looks is None:
        return Conditioned(
            row=row,
            effective_draws=effective_size(row.weights),
            failed_before=failed_before,
            failed_odds=failed_before + (1 - failed_before) * row.nothing_odds,
            note=Note("No inspection since planting.", "not counted"),
        )
    rng = generator(seed, "counts", row.sowing.row)
    likelihood = CountLikelihood(row, looks, rng, failed_before=failed_before)
    particles = likelihood.start()
    log_weights = np.log(np.maximum(row.weights, 1e-300)) + particles.likelihood
    size = row.weights.size
    weights = np.exp(log_weights - logsumexp(log_weights))
    effective = effective_size(weights)
    if effective < _FEW * size:
        particles, effective = bring_in(likelihood, particles, row.weights, rng)
    else:
        particles = particles.select(resampled(weights, size, rng))
    return _finish(row, looks, particles, likelihood, effective, rng, failed_before)


def bring_in(
    likelihood: CountLikelihood, particles: Particles, before: FloatArray, rng: np.random.Generator
) -> tuple[Particles, float]:
    """Bring the counts in step by step where few draws agree with them.

    Returns
    -------
    Particles, float
        As many as there were, the few that were moved repeated, and their effective size.
    """
    few = min(before.size, _FEW_DRAWS)
    fresh = particles.select(resampled(before, few, rng))
    particles, sizes = temper(fresh, likelihood.move, rng)
    # Every draw of the forecast gets a particle; what is still open is drawn anew for each.
    return particles.select(np.arange(before.size) % few), sizes[-1]


def _finish(
    row: RowForecast,
    looks: Inspections,
    particles: Particles,
    likelihood: CountLikelihood,
    effective: float,
    rng: np.random.Generator,
    failed_before: float,
) -> Conditioned:
    """Draw what is still open: the final stand, and when each stage was or will be."""
    size = particles.speed.size
    planted, seeds = row.sowing.planted_h, row.sowing.seeds_planted
    state = likelihood.state(particles, particles.speed)
    share = likelihood.stand(particles, state) * np.where(particles.failed, FAILED_SHARE, 1.0)
    visible = state.emerged(likelihood.progress(particles.clock))
    rho = np.where(particles.failed, FAILED_RHO, particles.draws.values["plot_stand_rho"])
    seedlings = looks.total + still_to_come(share, rho, visible[:, -1], looks.total, seeds, rng)
    stages = place_stages(seedlings, visible, looks, rng)
    hours = particles.clock.cross(planted, state.needed(stages.share))
    # What was seen stands, whatever the draw makes of it.
    earliest, latest = stages.bounds(planted, looks.hours)
    hours = np.clip(hours, earliest, latest)
    hours[seedlings == 0] = np.nan
    conditioned = replace(
        row,
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
    )
    expected = seeds * float(weighted_quantile(row.share, row.weights, [0.5])[0])
    failed_odds = float(conditioned.weights[seedlings < FAILED_BELOW * expected].sum())
    return Conditioned(
        row=conditioned,
        effective_draws=effective,
        failed_before=failed_before,
        failed_odds=failed_odds,
        note=count_note(row, conditioned, looks, failed_odds),
    )


def count_note(
    before: RowForecast, after: RowForecast, looks: Inspections, failed_odds: float
) -> Note:
    """What the counts changed, for a grower."""
    seeds = before.sowing.seeds_planted
    old = float(before.stage_quantile("half", [0.5])[0])
    new = float(after.stage_quantile("half", [0.5])[0])
    if looks.total == 0:
        visible = before.emerged_share(looks.hours[-1:])[:, 0]
        due = float(np.average(visible, weights=before.weights))
        where = f", where {percent(due)} of the stand was due" if due >= 0.1 else ""
        parts, figures = [f"None of {seeds} seeds shows yet{where}"], [f"none of {seeds}{where}"]
    else:
        figures = [f"{looks.total} of {seeds}"]
        parts = [f"{figures[0]} seeds show"]
    if np.isfinite(old) and np.isfinite(new):
        shift = (new - old) / 24.0
        if abs(shift) < 0.5:
            figures.append("on schedule")
            parts.append("the row is on schedule")
        else:
            figures.append(f"{abs(shift):.1f} d {'later' if shift > 0 else 'earlier'}")
            parts.append(f"the row is {figures[-1]} than forecast at sowing")
    if failed_odds >= 0.05:
        figures.append(f"odds that the row has failed: {percent(failed_odds)}")
        parts.append(figures[-1])
    return Note(f"{'; '.join(parts)}.", "counts", tuple(figures))


def still_to_come(
    share: FloatArray, rho: FloatArray, visible: FloatArray, emerged: int, seeds: int,
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
        + (seeds - emerged) * np.log1p(-grid * visible[:, None])
    )
    mass = np.exp(logs - logs.max(axis=1, keepdims=True)).cumsum(axis=1)
    cell = (mass < rng.random((share.size, 1)) * mass[:, -1:]).sum(axis=1)
    own = np.sin(turn * (cell + rng.random(share.size))) ** 2
    own = np.where(share <= 0.0, 0.0, own)
    later = own * (1.0 - visible) / np.maximum(1.0 - own * visible, 1e-12)
    coming = rng.binomial(seeds - emerged, np.clip(later, 0.0, 1.0))
    return np.asarray(coming, dtype=np.int64)


@dataclass(frozen=True)
class Stages:
    """Where the stages stand in the population, shape (draw, stage), and after which inspection."""

    share: FloatArray
    segment: IntArray

    def bounds(self, planted: float, hours: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Hours between which each stage lies."""
        edges = np.concatenate([[planted], hours])
        right = np.concatenate([hours, [np.inf]])
        return edges[self.segment], right[self.segment]


def place_stages(
    seedlings: npt.NDArray[np.int64],
    visible: FloatArray,
    looks: Inspections,
    rng: np.random.Generator,
) -> Stages:
    """Order statistics of the seedlings, each within the interval in which it was counted.

    Columns are first, half, full, and one seedling taken by chance.
    """
    size = seedlings.size
    n = np.maximum(seedlings, 1)
    chance = np.ceil(rng.random(size) * n)
    ranks = [np.ones(size), np.ceil(0.5 * n), np.ceil(0.9 * n - 1e-9), chance]
    cumulative = np.cumsum(looks.new)
    edges = np.concatenate([np.zeros((size, 1)), visible, np.ones((size, 1))], axis=1)
    before = np.concatenate([[0.0], cumulative])
    draw = np.arange(size)
    shares, segments = [], []
    last_rank, last_share = np.zeros(size), np.zeros(size)
    last_segment = np.full(size, -1, dtype=np.intp)
    for column, rank in enumerate(ranks):
        segment = np.searchsorted(cumulative, rank - 0.5)
        inside = np.concatenate([looks.new, [0.0]])[segment]
        inside = np.where(segment == looks.new.size, n - before[-1], inside)
        joined = (segment == last_segment) & (column < 3)
        ranked = np.where(joined, last_rank - before[segment], 0.0)
        start = np.where(joined, last_share, edges[draw, segment])
        steps = rank - before[segment] - ranked
        rest = np.maximum(inside - ranked - steps + 1, 1.0)
        part = np.where(steps > 0, rng.beta(np.maximum(steps, 1.0), rest), 0.0)
        share = start + (edges[draw, segment + 1] - start) * part
        shares.append(share)
        segments.append(segment)
        last_rank, last_share, last_segment = rank, share, segment
    return Stages(np.stack(shares, axis=1), np.stack(segments, axis=1))
