"""Open stages with each random number at its mean or evenly spread, where the answer is exact."""

from __future__ import annotations

from itertools import product
from math import ceil

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import betaln

from thermosprout.emergence.conditioning import place_stages, still_to_come
from thermosprout.emergence.count_likelihood import Inspections
from thermosprout.emergence.stand import order_shares


class Means:
    """Random numbers at their means; the uniform ones are given."""

    def __init__(self, uniform: np.ndarray) -> None:
        self.uniform = uniform

    def random(self, size: int) -> np.ndarray:
        assert size == self.uniform.size
        return self.uniform

    def beta(self, a: np.ndarray, b: np.ndarray) -> np.ndarray:
        assert (a > 0).all()
        assert (b > 0).all()
        return np.asarray(a / (a + b))

    def standard_gamma(self, shape: np.ndarray) -> np.ndarray:
        return shape.astype(float)


CASES = [
    (n, new, shown)
    for n, (new, shown) in product(
        (0, 1, 2, 3, 9, 10, 11, 20, 40),
        (
            ([0], [0.3]), ([1], [0.4]), ([3], [0.9]), ([0, 0], [0.0, 0.2]), ([0, 1], [0.1, 0.5]),
            ([2, 5], [0.3, 0.6]), ([1, 0, 1], [0.2, 0.3, 0.8]), ([5, 4], [0.5, 1.0]),
            ([9, 1, 0, 1], [0.7, 0.75, 0.8, 0.9]), ([0, 18, 0], [0.05, 0.8, 0.85]),
        ),
    )
    if sum(new) <= n or n + sum(new) == 0
]  # fmt: skip


@pytest.mark.parametrize(("n", "new", "shown"), CASES)
def test_stages_stand_at_means_of_order_statistics(
    n: int, new: list[int], shown: list[float]
) -> None:
    """The k-th of m uniforms has mean k / (m + 1): David & Nagaraja (2003), sec. 2.3."""
    chance = np.array([0.01, 0.3, 0.55, 0.8, 0.999])
    size = chance.size
    seen = Inspections(hours=100.0 + 24.0 * np.arange(len(new)), new=np.array(new, dtype=float))
    tables = np.tile(shown, (size, 1)) * np.linspace(0.8, 1.0, size)[:, None]
    found = place_stages(np.full(size, n), tables, seen, Means(chance))  # type: ignore[arg-type]
    left, right = found.bounds(50.0, seen.hours)
    alive = max(n, 1)
    counts = [*new, alive - sum(new)]
    edge_hours = [50.0, *seen.hours, np.inf]
    for draw in range(size):
        edges = [0.0, *tables[draw], 1.0]
        ranks = [1, ceil(alive / 2), ceil(0.9 * alive - 1e-9), ceil(chance[draw] * alive)]
        for column, rank in enumerate(ranks):
            before, interval = 0, 0
            while before + counts[interval] < rank:
                before += counts[interval]
                interval += 1
            place = (rank - before) / (counts[interval] + 1)
            expected = edges[interval] + (edges[interval + 1] - edges[interval]) * place
            assert found.share[draw, column] == pytest.approx(expected, rel=1e-12)
            assert found.segment[draw, column] == interval
            assert left[draw, column] == edge_hours[interval]
            assert right[draw, column] == edge_hours[interval + 1]


def test_without_counts_stages_stand_at_the_means_of_order_statistics() -> None:
    seedlings = np.array([0, 1, 2, 3, 10, 11, 20, 37, 100])
    found = order_shares(seedlings, (0.0, 0.5, 0.9), Means(np.zeros(0)))  # type: ignore[arg-type]
    assert np.isnan(found[0]).all()
    for n, shares in zip(seedlings[1:].tolist(), found[1:], strict=True):
        ranks = [1, ceil(n / 2), ceil(9 * n / 10)]
        assert shares == pytest.approx([rank / (n + 1) for rank in ranks], rel=1e-12)


class Spread:
    """Uniform numbers evenly spread over a square, and odds of a binomial kept for a look."""

    odds: np.ndarray
    trials: int

    def random(self, size: int | tuple[int, int]) -> np.ndarray:
        if isinstance(size, tuple):
            return ((np.arange(size[0]) + 0.5) / size[0]).reshape(size)
        return (np.arange(size) * 0.6180339887498949) % 1.0

    def binomial(self, trials: int, odds: np.ndarray) -> np.ndarray:
        self.trials, self.odds = trials, odds
        return np.zeros(odds.size)


@pytest.mark.parametrize(
    ("share", "rho", "shown", "emerged", "seeds"),
    [
        (0.7, 0.1, 0.4, 3, 30), (0.7, 0.1, 0.4, 14, 30), (0.3, 0.4, 0.8, 0, 30),
        (0.9, 0.05, 0.0, 0, 12), (0.5, 0.3, 0.95, 5, 6), (0.6, 0.02, 0.3, 80, 400),
        (0.2, 0.15, 0.6, 1, 1),
    ],
)  # fmt: skip
def test_odds_still_to_come_follow_the_rows_share(
    share: float, rho: float, shown: float, emerged: int, seeds: int
) -> None:
    """Own share p: a beta times p^seen (1 - p shown)^unseen; a seed unseen is still to come by
    p (1 - shown) / (1 - p shown). Integrated by quadrature."""
    strength = (1 - rho) / rho
    a, b = share * strength, (1 - share) * strength
    # Scaled by the mode, so that the weights do not vanish.
    grid = np.linspace(1e-6, 1 - 1e-6, 4001)

    def log_weight(p: float | np.ndarray) -> np.ndarray:
        return (
            (a - 1 + emerged) * np.log(p) + (b - 1) * np.log1p(-p)
            + (seeds - emerged) * np.log1p(-p * shown) - betaln(a, b)
        )  # fmt: skip

    top = float(log_weight(grid).max())

    def mean(power: int) -> float:
        def part(p: float) -> float:
            later = p * (1 - shown) / (1 - p * shown)
            return float(later**power * np.exp(log_weight(p) - top))

        mode = float(grid[np.argmax(log_weight(grid))])
        return sum(
            quad(part, low, high, limit=200)[0]
            for low, high in ((0.0, mode), (mode, 1.0))
        )  # fmt: skip

    size, rng = 4000, Spread()
    found = still_to_come(
        np.full(size, share), np.full(size, rho), np.full(size, shown), emerged, seeds,
        rng,  # type: ignore[arg-type]
    )  # fmt: skip
    assert found.dtype == np.int64
    assert rng.trials == seeds - emerged
    assert rng.odds.mean() == pytest.approx(mean(1) / mean(0), rel=2e-3)
    assert (rng.odds**2).mean() == pytest.approx(mean(2) / mean(0), rel=4e-3)


def test_each_draw_has_its_own_share() -> None:
    share = np.repeat([0.0, 0.2, 0.8], 1000)
    rng = Spread()
    still_to_come(share, np.full(3000, 0.01), np.full(3000, 0.5), 0, 10, rng)  # type: ignore[arg-type]
    dead, poor, good = rng.odds.reshape(3, 1000)
    assert (dead == 0).all()
    assert poor.mean() < 0.2 < 0.5 < good.mean() < 0.8
