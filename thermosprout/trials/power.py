"""Power: of a planned trial, from simulated runs of it, and the size a next trial needs.

A variance from few plots is itself in doubt; sizes of a next trial are averaged over what it could
be, so that a size for 80 % power has 80 % on average and not only where the variance happens to be
right.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.emergence.forecast import forecast_constant
from thermosprout.emergence.stand import beta_binomial
from thermosprout.errors import InputError
from thermosprout.quantities import USUAL_DEPTH_CM, FloatArray
from thermosprout.special import chdtri, nctdtr, ndtr, stdtrit
from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.analysis.compare import LEVEL, pairs_of
from thermosprout.trials.analysis.measures import LEAST_SEEDLINGS, angle
from thermosprout.trials.analysis.pairs import Cells, compare_pairs, usual_unlikeness

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop


_ROOT = np.sqrt(2.0 * np.pi)
_SHARED_SPREAD = 16.0
"""What the other plots tell of ln spread: they agree to about 0.25."""

_BLOCKS = (3, 4, 5, 6, 8, 10, 12, 15, 20)
_SEEDS = (20, 30, 50, 80, 120, 200)

TARGET = 0.8
"""Power that a trial should have (common practice)."""

SEARCHED = 20
"""About how many sizes of trial a search for the smallest one tries."""


@dataclass(frozen=True, kw_only=True)
class Truths:
    """What plots of the reference treatment do, one truth per simulated trial, shape (trial,).

    Attributes
    ----------
    t50_d : ndarray
        Median days from planting to emergence. [d]
    sigma, speed_sd : ndarray
        Sd of ln time among seeds, and of ln median time among plots.
    stand, correlation : ndarray
        Mean share that emerges, and correlation of the fates of two seeds in one plot.
    """

    t50_d: FloatArray
    sigma: FloatArray
    speed_sd: FloatArray
    stand: FloatArray
    correlation: FloatArray

    @property
    def trials(self) -> int:
        """Return the number of simulated trials."""
        return int(self.t50_d.size)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """A planned trial in the numbers that decide its power.

    Attributes
    ----------
    treatments, blocks : int
        One plot of each treatment in each block, of each variety.
    varieties : int
        Over all of which treatments are compared; a block of each is a block of its own.
    seeds : int
        Per plot.
    every_d : float
        Days between inspections.
    days : float, optional
        How long it is looked at; long enough for nearly all when absent. [d]
    lost : float
        Share of plots of which nothing can be counted in the end (birds, slugs, a hoe).
    uneven : float
        Sd of ln seeds per plot, where plots are not sown alike.
    """

    treatments: int = 2
    blocks: int = 4
    varieties: int = 1
    seeds: int = 50
    every_d: float = 1.0
    days: float | None = None
    lost: float = 0.05
    uneven: float = 0.0

    def __post_init__(self) -> None:
        if self.treatments < 2 or self.blocks < 2:
            raise InputError("a comparison needs at least two treatments and two blocks")
        if self.seeds < 1 or self.every_d <= 0:
            raise InputError("a plot needs seeds, and inspections a time between them")
        if not 0.0 <= self.lost <= 0.8 or not 0.0 <= self.uneven <= 2.0:
            raise InputError("the share of plots lost lies between 0 and 0.8")


@dataclass(frozen=True, kw_only=True)
class Power:
    """Chance to show a difference, with the simulation's own standard error."""

    trial: Trial
    chance: float
    standard_error: float


def truths_of(
    crop: Crop,
    temperature_C: float,
    *,
    depth_cm: float = USUAL_DEPTH_CM,
    trials: int = 1000,
    seed: int = 1,
) -> Truths:
    """Truths drawn from a crop's estimate at a soil temperature, sown dry.

    Raises
    ------
    InputError
        When half of the draws never emerge at that temperature.
    """
    row = forecast_constant(crop, temperature_C, depth_cm=depth_cm, size=trials, seed=seed)
    half = row.clock.cross(0.0, row.state.scale[:, None])[:, 0] / 24.0
    values = row.draws.values
    usable = np.isfinite(half) & (half < 120.0)
    if usable.mean() < 0.5:
        raise InputError(
            f"at {temperature_C:g} °C {crop.common_name} mostly does not emerge within 120 days",
            hint="plan the trial for warmer soil",
        )
    return Truths(
        # The row's own speed comes anew for every plot, so it is taken out here.
        t50_d=(half / np.exp(row.row_speed))[usable],
        sigma=values["sigma"][usable],
        speed_sd=values["plot_speed_sd"][usable],
        stand=row.share[usable],
        correlation=values["plot_stand_rho"][usable],
    )


def power(
    trial: Trial,
    truths: Truths,
    rng: np.random.Generator,
    *,
    later_d: float = 0.0,
    points: float = 0.0,
) -> Power:
    """Chance that the trial shows a difference at 5 %, by the same test as the analysis.

    One treatment differs, all others do as the reference; the chance is that of showing it
    against the reference, over the plots of all varieties, after adjustment for all pairs that
    are compared (Holm).

    Parameters
    ----------
    trial : Trial
    truths : Truths
        One truth per simulated trial.
    rng : numpy.random.Generator
    later_d : float
        One treatment's median comes so much later (negative: sooner). [d]
    points : float
        Its stand is so much higher (negative: lower), as a fraction. Give one of the two.

    Raises
    ------
    InputError
        When both or none of the differences are given, or one is larger than can be.

    Notes
    -----
    Counts of each plot are drawn; the half emergence read from them is drawn about the plot's
    true one with the variance that the looks allow (Fisher's information of the interval-censored
    log-normal), in place of fitting every plot.
    """
    if (later_d == 0.0) == (points == 0.0):
        raise InputError("say either how many days or how many points are to be shown")
    shape = (truths.trials, trial.blocks * trial.varieties, trial.treatments)
    stand = np.broadcast_to(truths.stand[:, None, None], shape).copy()
    # A difference that does not fit above is looked for below.
    up = (stand[:, :, 1] + points >= 0.0) & (stand[:, :, 1] + points <= 1.0)
    stand[:, :, 1] = np.clip(stand[:, :, 1] + np.where(up, points, -points), 0.0, 1.0)
    spread = np.exp(trial.uneven * rng.standard_normal(shape))
    seeds = np.maximum(np.rint(trial.seeds * spread), 1).astype(np.int64)
    came = beta_binomial(stand, seeds, truths.correlation[:, None, None], rng)
    if points:
        score = angle(came.astype(float), seeds.astype(float))
    else:
        score = _half_scores(rng, trial, truths, came, later_d)
    score[rng.random(shape) < trial.lost] = np.nan
    layout = np.repeat(np.arange(trial.varieties), trial.blocks)
    pairs = pairs_of(range(trial.treatments))
    likeness = usual_unlikeness(Cells.of_blocks(np.zeros(shape[1:]), layout), pairs)
    fits = compare_pairs(Cells.of_blocks(score, layout), pairs, likeness=likeness)
    # The pair of the two comes first, and is adjusted for all the others as in the analysis.
    adjusted = holm_adjusted(np.nan_to_num(fits.p_value, nan=1.0))[:, 0]
    chance = float((adjusted <= LEVEL).mean())
    error = float(np.sqrt(max(chance * (1.0 - chance), 1e-4) / truths.trials))
    return Power(trial=trial, chance=chance, standard_error=error)


def _half_scores(
    rng: np.random.Generator,
    trial: Trial,
    truths: Truths,
    came: npt.NDArray[np.int64],
    later_d: float,
) -> FloatArray:
    """Ln half emergence as the counts tell it, shape (trial, block, treatment)."""
    looks = _looks(trial, truths, later_d)
    half = np.stack([truths.t50_d, np.maximum(truths.t50_d + later_d, 0.2)], axis=1)
    # Of one seedling, of the usual treatment and of the one that differs: (trial, 2, 3).
    information = np.stack([_information(looks, h, truths.sigma) for h in half.T], axis=1)
    differs = (np.arange(trial.treatments) == 1).astype(np.intp)
    half, information = half[:, differs], information[:, differs]
    number = np.maximum(came, 1).astype(float)
    place, shared, width = (number * information[:, None, :, k] for k in range(3))
    variance = 1.0 / (place - shared**2 / (width + _SHARED_SPREAD))
    centre = np.log(half)[:, None, :] + truths.speed_sd[:, None, None] * rng.standard_normal(
        came.shape
    )
    score = centre + np.sqrt(np.maximum(variance, 0.0)) * rng.standard_normal(came.shape)
    return np.where(came >= LEAST_SEEDLINGS, score, np.nan)


def _information(looks: FloatArray, half: FloatArray, sigma: FloatArray) -> FloatArray:
    """What one seedling tells of ln half emergence and ln spread: (trial, 3) of the matrix."""
    with np.errstate(divide="ignore"):
        z = (np.log(looks) - np.log(half)[:, None]) / sigma[:, None]
    edge = np.full((len(z), 1), np.inf)
    z = np.concatenate([-edge, z, edge], axis=1)
    finite = np.isfinite(z)
    density = np.where(finite, np.exp(-0.5 * np.where(finite, z, 0.0) ** 2) / _ROOT, 0.0)
    share = np.maximum(np.diff(ndtr(z), axis=1), 1e-12)
    by_place = -np.diff(density, axis=1) / sigma[:, None]
    by_width = -np.diff(density * np.where(finite, z, 0.0), axis=1)
    pairs = ((by_place, by_place), (by_place, by_width), (by_width, by_width))
    return np.stack([(one * other / share).sum(axis=1) for one, other in pairs], axis=1)


def _looks(trial: Trial, truths: Truths, later_d: float) -> FloatArray:
    """Days of the inspections of each trial, (trial, inspection)."""
    latest = (truths.t50_d + max(later_d, 0.0)) * np.exp(
        2.6 * np.hypot(truths.sigma, truths.speed_sd)
    )
    # Nobody goes on looking at a row that is long up.
    last_look = np.ceil(latest / trial.every_d)
    if trial.days is not None:
        last_look = np.full(truths.trials, trial.days // trial.every_d)
    last_look = np.maximum(last_look, 1.0)[:, None]
    looks = np.arange(1.0, last_look.max() + 1.0)
    return trial.every_d * np.minimum(looks, last_look)


def smallest_trial(
    trial: Trial,
    truths: Truths,
    rng: np.random.Generator,
    *,
    later_d: float = 0.0,
    points: float = 0.0,
    progress: Callable[[], None] | None = None,
) -> Power | None:
    """Fewest seeds in all, over blocks and seeds a plot, that reach 80 % power.

    Parameters
    ----------
    trial : Trial
        Gives treatments and inspections.
    progress : callable, optional
        Called for each size of trial tried, :data:`SEARCHED` times in all.

    Returns
    -------
    Power or None
        None where 20 blocks of 200 seeds do not do.
    """
    best: Power | None = None
    steps = 0

    def at(blocks: int, seeds: int) -> Power:
        nonlocal steps
        steps += 1
        if progress is not None:
            progress()
        size = replace(trial, blocks=blocks, seeds=seeds)
        return power(size, truths, rng, later_d=later_d, points=points)

    for blocks in _BLOCKS:
        sizes = [
            n for n in _SEEDS if best is None or blocks * n < best.trial.blocks * best.trial.seeds
        ]
        if not sizes or (result := at(blocks, sizes[-1])).chance < TARGET:
            continue
        best, low, high = result, 0, len(sizes) - 1
        while low < high:  # more seeds never hurt, so the fewest are found by halving
            middle = (low + high) // 2
            result = at(blocks, sizes[middle])
            if result.chance >= TARGET:
                best, high = result, middle
            else:
                low = middle + 1
    if progress is not None:
        for _ in range(SEARCHED - steps):
            progress()
    return best


_MOST = 60
_NODES = 64
_DRAWS = 1_000


def power_of_t(difference: float, error_variance: float, plots: int, df: int) -> float:
    """Chance that a two-sided t test at 5 % shows a difference, the variance being known.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance : float
        Of one plot within its block.
    plots : int
        Of each treatment.
    df : int
        Of the error.
    """
    if df < 1 or plots < 1:
        return 0.0
    critical = float(stdtrit(df, 1.0 - LEVEL / 2.0))
    away = abs(difference) / float(np.sqrt(2.0 * error_variance / plots))
    if away > 30.0:
        return 1.0
    # Far from zero the library has no number for the other tail, which is below 1e-17 there.
    other_way = float(np.nan_to_num(nctdtr(df, away, -critical)))
    return float(1.0 - nctdtr(df, away, critical)) + other_way


def mean_power(
    difference: float,
    error_variance: float,
    treatments: int,
    blocks: int,
    *,
    variance_df: float = np.inf,
) -> float:
    """Chance to show that one treatment differs from a given one, all others being alike.

    Parameters
    ----------
    difference : float
        On the scale of the scores.
    error_variance, variance_df : float
        Variance of one plot within its block as estimated, and the degrees of freedom it was
        estimated from; power is averaged over the variances that these leave open.
    treatments : int
        All of them are compared, and p is adjusted for the number of pairs (Holm).
    blocks : int
        Of one plot a treatment, none lost.

    Notes
    -----
    The variance is taken as s² df / chi²(df) (its posterior under the usual flat prior; "assurance"
    after O'Hagan et al. 2005, Pharm. Stat. 4:187-201). One pair: noncentral t. More: simulated
    plots, the same for all sizes of trial.
    """
    if blocks < 2:
        return 0.0
    if treatments == 2:
        variances = _variances(error_variance, variance_df, (np.arange(_NODES) + 0.5) / _NODES)
        chances = [power_of_t(difference, v, blocks, blocks - 1) for v in variances]
        return float(np.mean(chances))
    plots, share, likeness = _simulated(treatments, blocks)
    variance = _variances(error_variance, variance_df, share)
    score = plots.copy()
    score[:, :, 1] += (abs(difference) / np.sqrt(variance))[:, None]
    fits = compare_pairs(Cells.of_blocks(score), pairs_of(range(treatments)), likeness=likeness)
    return float((holm_adjusted(fits.p_value)[:, 0] <= LEVEL).mean())


def _variances(estimate: float, df: float, share: FloatArray) -> FloatArray:
    """Quantiles of what the variance could be."""
    if not np.isfinite(df):
        return np.full(share.shape, estimate)
    return np.asarray(estimate * df / chdtri(df, share))


@lru_cache(maxsize=32)
def _simulated(treatments: int, blocks: int) -> tuple[FloatArray, FloatArray, float]:
    """Plots of unit variance, shares for the variance, and the likeness of the layout."""
    rng = np.random.default_rng(treatments)
    share = rng.permutation((np.arange(_DRAWS) + 0.5) / _DRAWS)
    plots = rng.standard_normal((_MOST, _DRAWS, treatments))[:blocks].transpose(1, 0, 2)
    layout = Cells.of_blocks(np.zeros((blocks, treatments)))
    return plots, share, usual_unlikeness(layout, pairs_of(range(treatments)))


def blocks_needed(
    difference: float,
    error_variance: float,
    treatments: int,
    *,
    variance_df: float = np.inf,
) -> int | None:
    """Fewest blocks of one plot a treatment that show a difference at 5 % with 80 % power.

    Returns
    -------
    int or None
        None where even 60 blocks would not do.
    """
    blocks = range(2, _MOST + 1)
    power_of = partial(mean_power, difference, error_variance, treatments, variance_df=variance_df)
    at = bisect_left(blocks, TARGET, key=power_of)  # more blocks never hurt
    return blocks[at] if at < len(blocks) else None
