"""What the counts leave open: how many more come, and when each stage was or will be."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.conditioning.inspections import Inspections

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]


def still_to_come(
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
class Stages:
    """Where the stages stand in the population, shape (draw, stage), and after which inspection."""

    share: FloatArray
    segment: IntArray

    def bounds(self, planted: float, hours: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Hours between which each stage lies."""
        left = np.concatenate([[planted], hours])
        right = np.concatenate([hours, [np.inf]])
        return left[self.segment], right[self.segment]


def place_stages(
    seedlings: npt.NDArray[np.int64], shown: FloatArray, seen: Inspections, rng: np.random.Generator
) -> Stages:
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
    return Stages(np.stack(shares, axis=1), np.stack(segments, axis=1))
