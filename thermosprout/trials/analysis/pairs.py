"""Pairs of treatments compared within blocks: Student's t, and permutation, which assumes less.

A steady treatment and one whose plots scatter cannot share one error: tests of the second would
show too much. Each pair has the variance of its own differences; where treatments scatter alike it
borrows a little from the other pairs, since four blocks alone say little of a variance.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from functools import lru_cache
from itertools import combinations

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray, IntArray
from thermosprout.special import stdtr, stdtrit

_BORROWED = 2
_LIKENESS_DRAWS = 999


@dataclass(frozen=True, kw_only=True)
class Cells:
    """Plots summed up by block and treatment; leading axes hold trials side by side.

    Attributes
    ----------
    mean, precision : ndarray, shape (..., block, treatment)
        Mean score of the plots of a cell and the sum of their weights, 0 where there is none.
    square, df : ndarray, shape (..., treatment)
        Weighted sum of squares of plots about their cell's mean, and its degrees of freedom.
    stratum : ndarray of int, shape (block,)
        Which set a block belongs to; sets (varieties) may differ in what a treatment does.
    """

    mean: FloatArray
    precision: FloatArray
    square: FloatArray
    df: FloatArray
    stratum: IntArray

    @classmethod
    def of_plots(
        cls,
        score: FloatArray,
        treatment: IntArray,
        block: IntArray,
        treatments: int,
        weights: FloatArray,
        stratum: IntArray | None = None,
    ) -> Cells:
        """Sum up plots; every array has shape (plot,)."""
        codes, first = np.unique(block, return_index=True)
        where = np.searchsorted(codes, block) * treatments + treatment
        shape = (codes.size, treatments)
        size = codes.size * treatments
        precision = np.bincount(where, weights, size).astype(float)
        total = np.bincount(where, weights * score, size)
        mean = total / np.where(precision > 0, precision, 1.0)
        rest = weights * (score - mean[where]) ** 2
        number = np.bincount(where, minlength=size).reshape(shape)
        return cls(
            mean=mean.reshape(shape),
            precision=precision.reshape(shape),
            square=np.bincount(treatment, rest, treatments).astype(float),
            df=np.maximum(number - 1, 0).sum(axis=0).astype(float),
            stratum=np.zeros(codes.size, dtype=np.intp) if stratum is None else stratum[first],
        )

    @classmethod
    def of_blocks(cls, score: FloatArray, stratum: IntArray | None = None) -> Cells:
        """One plot a cell: scores of shape (..., block, treatment), NaN where a plot was lost."""
        missing = np.isnan(score)
        shape = (*score.shape[:-2], score.shape[-1])
        return cls(
            mean=np.where(missing, 0.0, score),
            precision=np.where(missing, 0.0, 1.0),
            square=np.zeros(shape),
            df=np.zeros(shape),
            stratum=np.zeros(score.shape[-2], dtype=np.intp) if stratum is None else stratum,
        )


@dataclass(frozen=True, kw_only=True)
class Contrasts:
    """Differences of pairs, a minus b; each array has shape (..., pair), NaN without an error.

    Attributes
    ----------
    estimate, standard_error, df : ndarray
        On the scale of the scores.
    variance : ndarray
        Of one plot of weight one, mean of the two treatments.
    """

    estimate: FloatArray
    standard_error: FloatArray
    df: FloatArray
    variance: FloatArray

    @property
    def p_value(self) -> FloatArray:
        """Two-sided, by Student's t."""
        return np.asarray(2.0 * stdtr(self.df, -np.abs(self.estimate) / self.standard_error))

    def half_width(self, level: float) -> FloatArray:
        """Half width of the interval of each difference."""
        return np.asarray(stdtrit(self.df, 0.5 + level / 2.0) * self.standard_error)

    def pair(self, index: int) -> Contrasts:
        """One of the pairs, every figure of shape ()."""
        return Contrasts(**{f.name: getattr(self, f.name)[..., index] for f in fields(self)})


def compare_pairs(
    cells: Cells,
    pairs: Sequence[tuple[int, int]],
    *,
    least_variance: float = 0.0,
    likeness: float | None = None,
) -> Contrasts:
    """Compare pairs of treatments within the blocks in which they meet.

    Parameters
    ----------
    cells : Cells
    pairs : sequence of (int, int)
        Treatments a and b.
    least_variance : float
        Floor, for plots that happen to be all alike.
    likeness : float, optional
        How unlike the variances of pairs may be and still lend to each other, see
        :func:`usual_unlikeness`; worked out from the layout when absent.

    Notes
    -----
    With one plot of each treatment a block this is the paired t test; with several plots in a
    block the variances of the two treatments come in as Welch (1938, Biometrika 29:350-362) and
    Satterthwaite (1946, Biometrics Bull. 2:110-114) have it. Where the pairs are no more unlike
    than pairs of equal scatter mostly are, each borrows up to two degrees of freedom from their
    mean (after Smyth 2004, Stat. Appl. Genet. Mol. Biol. 3:3).
    """
    gap, information, variance, df = _own_variances(cells, pairs)
    if len(pairs) > 1:
        limit = usual_unlikeness(cells, pairs) if likeness is None else likeness
        variance, df = lend(variance, df, limit)
    variance = np.maximum(variance, least_variance)
    with np.errstate(divide="ignore", invalid="ignore"):
        error = np.sqrt(variance / information)
    usable = (df >= 1) & (variance > 0)
    return Contrasts(
        estimate=np.where(information > 0, gap, np.nan),
        standard_error=np.where(usable, error, np.nan),
        df=np.where(usable, df, np.nan),
        variance=np.where(usable, variance, np.nan),
    )


def _own_variances(
    cells: Cells, pairs: Sequence[tuple[int, int]]
) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Difference, its information for plots of variance one, variance and df of every pair."""
    a, b = np.array(pairs).T
    pa, pb = cells.precision[..., a], cells.precision[..., b]
    with np.errstate(divide="ignore", invalid="ignore"):
        weight = np.where((pa > 0) & (pb > 0), pa * pb / (pa + pb), 0.0)
        information = weight.sum(axis=-2)
        apart = cells.mean[..., a] - cells.mean[..., b]
        gap = (weight * apart).sum(axis=-2) / information
        between, free = _between(weight, apart, gap, cells.stratum)
        # What plots of one treatment in one block differ by, where there are several.
        parts = [
            (((weight / information[..., None, :]) ** 2 / p).sum(axis=-2, where=weight > 0))
            * (cells.square[..., t] / cells.df[..., t])
            for t, p in ((a, pa), (b, pb))
        ]
        within = parts[0] + parts[1]
        free_a, free_b = cells.df[..., a], cells.df[..., b]
        within_df = within**2 / (parts[0] ** 2 / free_a + parts[1] ** 2 / free_b)
        both = (free_a > 0) & (free_b > 0) & (information > 0)
        within_df = np.where(both, np.nan_to_num(within_df), 0.0)
        within = np.where(both, within * information, 0.0)
        df = free + within_df
        variance = (between + within_df * within) / df
    return gap, information, np.where(df > 0, variance, np.nan), df


def _between(
    weight: FloatArray, apart: FloatArray, gap: FloatArray, stratum: IntArray
) -> tuple[FloatArray, FloatArray]:
    """Sum of squares of the differences of blocks about their mean, and degrees of freedom."""
    met = (weight > 0).sum(axis=-2).astype(float)
    whole = (weight * (apart - gap[..., None, :]) ** 2).sum(axis=-2, where=weight > 0)
    sets = np.unique(stratum)
    if sets.size < 2:
        return whole, np.maximum(met - 1.0, 0.0)
    square, free = np.zeros(whole.shape), np.zeros(met.shape)
    for one in sets:
        w, d = weight[..., stratum == one, :], apart[..., stratum == one, :]
        centre = (w * d).sum(axis=-2) / w.sum(axis=-2)
        square += (w * (d - centre[..., None, :]) ** 2).sum(axis=-2, where=w > 0)
        free += np.maximum((w > 0).sum(axis=-2) - 1.0, 0.0)
    # With hardly a second block of any variety, varieties stand in for blocks.
    apart_enough = free >= 2
    return (
        np.where(apart_enough, square, whole),
        np.where(apart_enough, free, np.maximum(met - 1.0, 0.0)),
    )


def lend(variance: FloatArray, df: FloatArray, limit: float) -> tuple[FloatArray, FloatArray]:
    """Variances that borrow from their mean where they are alike; shape (..., group).

    Parameters
    ----------
    variance, df : ndarray
        NaN or 0 where a group has none.
    limit : float
        Unlikeness up to which they lend.

    Returns
    -------
    tuple of ndarray
        Variance and degrees of freedom, each group with up to two more, never more than half of
        its own.
    """
    mean, unlike = unlikeness(variance, df)
    # A group alone has nobody to borrow from.
    several = (np.nan_to_num(variance) > 0).sum(axis=-1) > 1
    alike = ((unlike <= limit) & several)[..., None]
    more = np.where(alike, np.minimum(_BORROWED, np.floor(df / 2.0)), 0.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        mixture = (df * np.nan_to_num(variance) + more * mean[..., None]) / (df + more)
    return np.where(df > 0, mixture, np.nan), df + more


def unlikeness(variance: FloatArray, df: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Mean of the variances of groups, and how far its ln is above their mean ln.

    Notes
    -----
    The core of Bartlett's statistic (1937, Proc. R. Soc. A 160:268-282); shape (..., group) in,
    (...) out.
    """
    weight = np.where(np.nan_to_num(variance) > 0, df, 0.0)
    safe = np.where(weight > 0, variance, 1.0)
    with np.errstate(invalid="ignore", divide="ignore"):
        total = weight.sum(axis=-1)
        mean = (weight * safe).sum(axis=-1) / total
        unlike = np.log(mean) - (weight * np.log(safe)).sum(axis=-1) / total
    return np.nan_to_num(mean), np.nan_to_num(unlike)


def usual_unlikeness(cells: Cells, pairs: Sequence[tuple[int, int]]) -> float:
    """Median unlikeness of the pairs' variances where all plots scatter alike, for one layout."""
    there = cells.precision > 0
    return _median_unlikeness(
        there.shape, there.tobytes(), tuple(cells.df.tolist()), tuple(cells.stratum.tolist()),
        tuple(pairs),
    )  # fmt: skip


@lru_cache(maxsize=256)
def _median_unlikeness(
    shape: tuple[int, int],
    layout: bytes,
    df: tuple[float, ...],
    stratum: tuple[int, ...],
    pairs: tuple[tuple[int, int], ...],
) -> float:
    rng = np.random.default_rng(1)
    there = np.frombuffer(layout, dtype=bool).reshape(shape)
    score = rng.standard_normal((_LIKENESS_DRAWS, *shape))
    free = np.broadcast_to(np.array(df), (_LIKENESS_DRAWS, shape[1]))
    alike = Cells(
        mean=np.where(there, score, 0.0),
        precision=np.broadcast_to(there.astype(float), score.shape),
        square=2.0 * rng.standard_gamma(free / 2.0),
        df=free,
        stratum=np.array(stratum, dtype=np.intp),
    )
    _, _, variance, df_own = _own_variances(alike, pairs)
    return float(np.median(unlikeness(variance, df_own)[1]))


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
    observed = float(sum(part.gap(part.values[part.mine].sum()) for part in parts))
    arrangements = math.prod(part.arrangements for part in parts)
    few = arrangements <= _MOST_EXACT
    if few:
        sums = np.zeros(1)
        for part in parts:
            sums = (sums[:, None] + part.all_ways()[None, :]).ravel()
    else:
        sums = np.sum([part.some_ways(resamples, rng) for part in parts], axis=0)
    size = np.abs(sums)
    rounding = 1e-10 * max(1e-12, float(size.max(initial=0.0)))
    extreme = int((size >= abs(observed) - rounding).sum())
    equal = extreme - int((size > abs(observed) + rounding).sum())
    more, total = (0, arrangements) if few else (1, resamples + 1)  # drawn ones and the true one
    symmetric = few and all(2 * part.number == part.values.size for part in parts)
    return PermutationTest(
        statistic=observed,
        p_value=(extreme + more) / total,
        mid_p=(extreme - 0.5 * equal + 0.5 * more) / total,
        smallest_p=(2.0 if symmetric else 1.0) / total,
        arrangements=min(arrangements, _LARGEST),
        exact=few,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _Part:
    """One block that holds both treatments: its plots, which hold ``a``, and its weight."""

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

    def gap(self, sums: FloatArray) -> FloatArray:
        """What arrangements add to the statistic, by the sum of ``a`` in each."""
        number, others = self.number, self.values.size - self.number
        return np.asarray(self.weight * (sums / number - (self.values.sum() - sums) / others))

    def all_ways(self) -> FloatArray:
        """What each arrangement adds, shape (arrangement,)."""
        picks = np.array(list(combinations(range(self.values.size), self.number)))
        return self.gap(self.values[picks].sum(axis=1))

    def some_ways(self, resamples: int, rng: np.random.Generator) -> FloatArray:
        """What arrangements drawn at random add, shape (resample,)."""
        if self.arrangements <= _MOST_EXACT:
            return self.all_ways()[rng.integers(self.arrangements, size=resamples)]
        # Drawn anew each time: out of a stock of some arrangements the most extreme come too often.
        labels = rng.permuted(np.broadcast_to(self.mine, (resamples, self.mine.size)), axis=1)
        return self.gap(labels @ self.values)


def _parts(score: FloatArray, is_a: npt.NDArray[np.bool_], block: IntArray) -> list[_Part]:
    """Blocks that hold both treatments, weighted by what they tell."""
    blocks = [block == b for b in np.unique(block)]
    shared = [(score[b], is_a[b]) for b in blocks if 0 < is_a[b].sum() < b.sum()]
    weights = np.array([mine.sum() * (~mine).sum() / mine.size for _, mine in shared])
    return [
        _Part(values=values, mine=mine, weight=float(weight))
        for (values, mine), weight in zip(shared, weights / weights.sum(), strict=True)
    ]


def blocks_for_p(level: float = 0.05, comparisons: int = 1) -> int:
    """Blocks of one plot each after which a two-sided p value can reach a level.

    Parameters
    ----------
    level : float
    comparisons : int
        Of one measure: the first step of Holm's adjustment multiplies p by their number.
    """
    return math.ceil(math.log2(2.0 * comparisons / level))
