"""Permutation of treatments within blocks: a test that assumes nothing but the randomisation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray

IntArray = npt.NDArray[np.intp]

_MOST_EXACT = 100_000
_LARGEST = 2**53  # more than that is written as that


@dataclass(frozen=True, kw_only=True)
class PermutationTest:
    """Outcome of one test.

    Attributes
    ----------
    statistic : float
        Mean over blocks of the difference, blocks weighted by what they tell.
    p_value : float
        Two-sided; never rejects more often than its level says, with few arrangements less often.
    mid_p : float
        Counts arrangements as extreme as the observed one by half (Lancaster 1961, J. Am. Stat.
        Assoc. 56:223-234): rejects about as often as its level says.
    smallest_p : float
        Smallest p value the layout can give at all.
    arrangements : int
        Arrangements there are.
    exact : bool
        Whether all of them were tried; at random otherwise.
    """

    statistic: float
    p_value: float
    mid_p: float
    smallest_p: float
    arrangements: int
    exact: bool


def permute_within_blocks(
    score: FloatArray,
    is_a: npt.NDArray[np.bool_],
    block: IntArray,
    *,
    rng: np.random.Generator,
    resamples: int = 9_999,
) -> PermutationTest | None:
    """Test the difference between treatment ``a`` and another by rearranging them within blocks.

    Parameters
    ----------
    score : ndarray, shape (plot,)
        One value a plot, of the two treatments only.
    is_a : ndarray of bool, shape (plot,)
    block : ndarray of int, shape (plot,)
    rng : numpy.random.Generator
        Used only where there are more than 100 000 arrangements.
    resamples : int
        Random arrangements then.

    Returns
    -------
    PermutationTest or None
        None where no block holds both treatments.

    Notes
    -----
    Fisher (1935), The Design of Experiments; with random arrangements the observed one counts
    too (Phipson & Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9:39).
    """
    parts = _parts(score, is_a, block)
    if not parts:
        return None
    observed = sum(part.seen for part in parts)
    arrangements = math.prod(part.arrangements for part in parts)
    symmetric = all(2 * part.number == part.values.size for part in parts)
    few = arrangements <= _MOST_EXACT
    smallest = (2.0 if symmetric else 1.0) / arrangements if few else 1.0 / (resamples + 1)
    if few:
        sums = np.zeros(1)
        for part in parts:
            sums = (sums[:, None] + part.all_ways()[None, :]).ravel()
        extreme, equal = _extreme(observed, sums)
        p_value, mid_p = extreme / arrangements, (extreme - 0.5 * equal) / arrangements
    else:
        sums = np.zeros(resamples)
        for part in parts:
            sums += part.some_ways(resamples, rng)
        extreme, equal = _extreme(observed, sums)
        p_value = (extreme + 1) / (resamples + 1)
        mid_p = (extreme - 0.5 * equal + 0.5) / (resamples + 1)
    return PermutationTest(
        statistic=observed,
        p_value=p_value,
        mid_p=mid_p,
        smallest_p=smallest,
        arrangements=min(arrangements, _LARGEST),
        exact=few,
    )


def _extreme(observed: float, sums: FloatArray) -> tuple[int, int]:
    """Arrangements at least as extreme as the observed one, and those that equal it."""
    size = np.abs(sums)
    rounding = 1e-10 * max(1e-12, float(size.max(initial=0.0)))
    extreme = int((size >= abs(observed) - rounding).sum())
    return extreme, extreme - int((size > abs(observed) + rounding).sum())


@dataclass(frozen=True, kw_only=True, eq=False)
class _Part:
    """One block that holds both treatments, and what it adds to the statistic.

    Attributes
    ----------
    values : ndarray, shape (plot,)
    mine : ndarray of bool, shape (plot,)
        Plots that hold treatment ``a`` in truth.
    weight : float
        Of the block among all.
    """

    values: FloatArray
    mine: npt.NDArray[np.bool_]
    weight: float

    @property
    def number(self) -> int:
        """Plots of treatment ``a``."""
        return int(self.mine.sum())

    @property
    def arrangements(self) -> int:
        """Ways to place the treatment."""
        return math.comb(self.values.size, self.number)

    @property
    def seen(self) -> float:
        """What the true arrangement adds."""
        return float(self._gap(np.array([self.values[self.mine].sum()]))[0])

    def all_ways(self) -> FloatArray:
        """What each arrangement adds, shape (arrangement,)."""
        picks = np.array(list(combinations(range(self.values.size), self.number)))
        return self._gap(self.values[picks].sum(axis=1))

    def some_ways(self, resamples: int, rng: np.random.Generator) -> FloatArray:
        """What arrangements drawn at random add, shape (resample,)."""
        if self.arrangements <= _MOST_EXACT:
            return self.all_ways()[rng.integers(self.arrangements, size=resamples)]
        # Drawn anew each time: out of a stock of some arrangements the most extreme come too often.
        labels = rng.permuted(np.broadcast_to(self.mine, (resamples, self.mine.size)), axis=1)
        return self._gap(labels @ self.values)

    def _gap(self, sums: FloatArray) -> FloatArray:
        number, others = self.number, self.values.size - self.number
        gap: FloatArray = sums / number - (self.values.sum() - sums) / others
        return self.weight * gap


def _parts(score: FloatArray, is_a: npt.NDArray[np.bool_], block: IntArray) -> list[_Part]:
    """Blocks that hold both treatments."""
    blocks = [np.flatnonzero(block == b) for b in np.unique(block)]
    blocks = [plots for plots in blocks if 0 < is_a[plots].sum() < plots.size]
    weights = [is_a[plots].sum() * (~is_a[plots]).sum() / plots.size for plots in blocks]
    total = float(sum(weights))
    return [
        _Part(values=score[plots], mine=is_a[plots], weight=float(weight) / total)
        for plots, weight in zip(blocks, weights, strict=True)
    ]


def smallest_p(sizes: list[tuple[int, int]]) -> float:
    """Smallest two-sided p value of a layout, from plots of both treatments in each block."""
    arrangements = math.prod(math.comb(a + b, a) for a, b in sizes)
    symmetric = all(a == b for a, b in sizes if a and b)
    return (2.0 if symmetric else 1.0) / arrangements


def blocks_for_p(level: float = 0.05, comparisons: int = 1) -> int:
    """Blocks of one plot each after which a two-sided p value can reach a level.

    Parameters
    ----------
    level : float
    comparisons : int
        Of one measure: the first step of Holm's adjustment multiplies p by their number.
    """
    return math.ceil(math.log2(2.0 * comparisons / level))
