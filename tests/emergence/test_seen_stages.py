"""What is still to come and where the stages stand once some seedlings show, against laws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from thermosprout.emergence.conditioning import place_stages, still_to_come
from thermosprout.emergence.count_likelihood import Inspections

SIZE = 20_000


@pytest.mark.parametrize(
    ("share", "rho", "shown", "emerged"),
    [
        (0.7, 0.1, 0.4, 3),
        (0.7, 0.1, 0.4, 14),
        (0.3, 0.4, 0.8, 0),
        (0.9, 0.05, 0.0, 0),
        (0.98, 0.04, 0.5, 9),
        (0.02, 0.04, 0.5, 0),
    ],
)
def test_seedlings_to_come_follow_bayes(
    share: float, rho: float, shown: float, emerged: int
) -> None:
    """Stand T is beta-binomial and each of T shows by now with one probability."""
    seeds, strength = 30, (1 - rho) / rho
    stand = np.arange(emerged, seeds + 1)
    prior = stats.betabinom(seeds, share * strength, (1 - share) * strength).pmf(stand)
    odds = prior * stats.binom(stand, shown).pmf(emerged)
    odds /= odds.sum()
    found = still_to_come(
        np.full(SIZE, share), np.full(SIZE, rho), np.full(SIZE, shown), emerged, seeds,
        np.random.default_rng(7),
    )  # fmt: skip
    mean = (odds * (stand - emerged)).sum()
    sd = np.sqrt((odds * (stand - emerged - mean) ** 2).sum())
    assert found.mean() == pytest.approx(mean, abs=max(5 * sd / np.sqrt(SIZE), 0.01))
    assert found.std() == pytest.approx(sd, rel=0.04)
    assert found.min() >= 0
    assert found.max() <= seeds - emerged


def test_nothing_comes_of_a_dead_or_full_row() -> None:
    rng = np.random.default_rng(8)
    some = np.full(50, 0.2)
    assert (still_to_come(np.zeros(50), some, np.full(50, 0.5), 0, 20, rng) == 0).all()
    assert (still_to_come(np.full(50, 0.8), some, np.ones(50), 11, 20, rng) == 0).all()


def by_hand(n: int, new: list[int], shown: list[float], rng: np.random.Generator) -> np.ndarray:
    """Shares of n seedlings, each at random within the interval in which it was counted."""
    counts = [*new, n - sum(new)]
    edges = [0.0, *shown, 1.0]
    parts = [
        np.sort(rng.uniform(low, high, (SIZE, count)), axis=1)
        for low, high, count in zip(edges[:-1], edges[1:], counts, strict=True)
    ]
    return np.concatenate(parts, axis=1)


@pytest.mark.parametrize(
    ("n", "new", "shown"),
    [(10, [2, 5], [0.3, 0.6]), (10, [0, 1], [0.2, 0.5]), (7, [0, 7], [0.1, 0.9]), (1, [0], [0.4])],
)
def test_stages_stand_where_seedlings_at_random_in_their_intervals_do(
    n: int, new: list[int], shown: list[float]
) -> None:
    rng = np.random.default_rng(9)
    seen = Inspections(hours=24.0 * np.arange(1, len(new) + 1), new=np.array(new, dtype=float))
    found = place_stages(np.full(SIZE, n), np.tile(shown, (SIZE, 1)), seen, rng)
    hand = by_hand(n, new, shown, rng)
    ranks = [1, int(np.ceil(0.5 * n)), int(np.ceil(0.9 * n - 1e-9))]
    expected = hand[:, [rank - 1 for rank in ranks]]
    assert found.share[:, :3].mean(axis=0) == pytest.approx(expected.mean(axis=0), abs=0.008)
    assert found.share[:, :3].std(axis=0) == pytest.approx(expected.std(axis=0), abs=0.006)
    assert np.cov(found.share[:, :3].T) == pytest.approx(np.cov(expected.T), abs=0.002)
    # One seedling by chance is spread like all of them.
    assert found.share[:, 3].mean() == pytest.approx(hand.mean(), abs=0.01)
    assert found.share[:, 3].std() == pytest.approx(hand.std(), abs=0.01)
    interval = np.searchsorted(np.cumsum(new), np.array(ranks) - 0.5)
    assert (found.segment[:, :3] == interval).all()
    left, right = found.bounds(-5.0, seen.hours)
    edges = np.array([-5.0, *seen.hours, np.inf])
    assert (left[:, :3] == edges[interval]).all()
    assert (right[:, :3] == edges[interval + 1]).all()
