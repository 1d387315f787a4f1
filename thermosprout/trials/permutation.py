"""Permutation of treatments within blocks: a test that assumes nothing but the randomisation."""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

FloatArray = npt.NDArray[np.float64]
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
    contributions, observed = _contributions(score, is_a, block)
    if not contributions:
        return None
    # A block with too many to list has only some of them among its contributions.
    arrangements = math.prod(
        math.comb(mine.size, int(mine.sum()))
        for mine in (is_a[block == b] for b in np.unique(block))
    )
    symmetric = all(_is_even(is_a[block == b]) for b in np.unique(block))
    few = arrangements <= _MOST_EXACT
    smallest = (2.0 if symmetric else 1.0) / arrangements if few else 1.0 / (resamples + 1)
    if few:
        sums = np.zeros(1)
        for values in contributions:
            sums = (sums[:, None] + values[None, :]).ravel()
        extreme, equal = _extreme(observed, sums)
        p_value, mid_p = extreme / arrangements, (extreme - 0.5 * equal) / arrangements
    else:
        sums = np.zeros(resamples)
        for values in contributions:
            sums += values[rng.integers(values.size, size=resamples)]
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


def _is_even(is_a: npt.NDArray[np.bool_]) -> bool:
    """Whether turning all labels round is an arrangement too, so that p comes in twos."""
    number = int(is_a.sum())
    return number in (0, is_a.size) or 2 * number == is_a.size


def _contributions(
    score: FloatArray, is_a: npt.NDArray[np.bool_], block: IntArray
) -> tuple[list[FloatArray], float]:
    """Per block what each arrangement adds to the statistic, the observed one first."""
    blocks = [np.flatnonzero(block == b) for b in np.unique(block)]
    blocks = [plots for plots in blocks if 0 < is_a[plots].sum() < plots.size]
    weights = [is_a[plots].sum() * (~is_a[plots]).sum() / plots.size for plots in blocks]
    total = sum(weights)
    found: list[FloatArray] = []
    observed = 0.0
    for plots, weight in zip(blocks, weights, strict=True):
        values, mine = score[plots], is_a[plots]
        size, number = plots.size, int(mine.sum())
        if math.comb(size, number) > _MOST_EXACT:
            picks = _some_picks(size, number)
        else:
            picks = np.array(list(combinations(range(size), number)))
        sums = values[picks].sum(axis=1)
        rest = values.sum() - sums
        found.append(weight / total * (sums / number - rest / (size - number)))
        observed += weight / total * float(values[mine].mean() - values[~mine].mean())
    return found, observed


def _some_picks(size: int, number: int) -> IntArray:
    """Random choices where a block holds too many arrangements to list (seeded by its size)."""
    rng = np.random.default_rng([size, number])
    return np.argsort(rng.random((_MOST_EXACT, size)), axis=1)[:, :number]


def smallest_p(sizes: list[tuple[int, int]]) -> float:
    """Smallest two-sided p value of a layout, from plots of both treatments in each block."""
    arrangements = math.prod(math.comb(a + b, a) for a, b in sizes)
    symmetric = all(a == b for a, b in sizes if a and b)
    return (2.0 if symmetric else 1.0) / arrangements


def blocks_for_p(level: float = 0.05) -> int:
    """Blocks of one plot each after which a two-sided p value can reach a level."""
    return math.ceil(math.log2(2.0 / level))
