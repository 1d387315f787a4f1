"""Chance that a planned trial shows a difference, found by running it many times on paper."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from scipy.special import stdtr

from thermosprout.arrays import FloatArray
from thermosprout.emergence.forecast import forecast_constant
from thermosprout.errors import InputError
from thermosprout.quantities import USUAL_DEPTH_CM
from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.analysis.compare import pairs_of
from thermosprout.trials.analysis.lognormal import fit_plots
from thermosprout.trials.analysis.measures import LEAST_SEEDLINGS, angle
from thermosprout.trials.simulate import simulate_counts

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop


_LEVEL = 0.05
_BLOCKS = (3, 4, 5, 6, 8, 10, 12, 15, 20)
_SEEDS = (20, 30, 50, 80, 120, 200)

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
        Over which treatments are compared; a block of each is a block of its own.
    seeds : int
        Per plot.
    every_d : float
        Days between inspections.
    days : float, optional
        How long it is looked at; long enough for nearly all when absent. [d]
    """

    treatments: int = 2
    blocks: int = 4
    varieties: int = 1
    seeds: int = 50
    every_d: float = 1.0
    days: float | None = None

    def __post_init__(self) -> None:
        if self.treatments < 2 or self.blocks < 2:
            raise InputError("a comparison needs at least two treatments and two blocks")
        if self.seeds < 1 or self.every_d <= 0:
            raise InputError("a plot needs seeds, and inspections a time between them")


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
            f"at {temperature_C:g} °C {crop.name} mostly does not emerge within 120 days",
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
    against the reference after adjustment for all pairs that are compared (Holm).

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
    """
    if (later_d == 0.0) == (points == 0.0):
        raise InputError("say either how many days or how many points are to be shown")
    shape = (truths.trials, trial.blocks * trial.varieties, trial.treatments)
    t50 = np.broadcast_to(truths.t50_d[:, None, None], shape).copy()
    stand = np.broadcast_to(truths.stand[:, None, None], shape).copy()
    t50[:, :, 1] = np.maximum(t50[:, :, 1] + later_d, 0.2)
    # A difference that does not fit above is looked for below.
    up = (stand[:, :, 1] + points >= 0.0) & (stand[:, :, 1] + points <= 1.0)
    stand[:, :, 1] = np.clip(stand[:, :, 1] + np.where(up, points, -points), 0.0, 1.0)
    each = [
        np.broadcast_to(a[:, None, None], shape).ravel()
        for a in (truths.sigma, truths.speed_sd, truths.correlation)
    ]
    looks = _looks(trial, truths, later_d)
    plots = shape[1] * shape[2]
    seeds = np.full(t50.size, trial.seeds)
    counts = simulate_counts(
        rng, t50=t50.ravel(), sigma=each[0], stand=stand.ravel(), seeds=seeds,
        inspections=np.repeat(looks, plots, axis=0),
        speed_sd=each[1], correlation=each[2],
    )  # fmt: skip
    if points:
        score = angle(counts[:, -1].astype(float), seeds.astype(float))
    else:
        score = _time_scores(counts, seeds, np.repeat(looks, plots, axis=0))
    # The pair of the two comes first, and is adjusted for all the others as in the analysis.
    p_values = holm_adjusted(_pairs(score.reshape(shape)))[:, 0]
    chance = float((p_values <= _LEVEL).mean())
    error = float(np.sqrt(max(chance * (1.0 - chance), 1e-4) / truths.trials))
    return Power(trial=trial, chance=chance, standard_error=error)


def _looks(trial: Trial, truths: Truths, later_d: float) -> FloatArray:
    """Days of the inspections of each trial, (trial, inspection)."""
    latest = (truths.t50_d + max(later_d, 0.0)) * np.exp(
        2.6 * np.hypot(truths.sigma, truths.speed_sd)
    )
    number = (
        int(np.ceil(np.max(latest) / trial.every_d))
        if trial.days is None
        else int(trial.days // trial.every_d)
    )
    looks = trial.every_d * np.arange(1, max(number, 1) + 1, dtype=float)
    table = np.broadcast_to(looks, (truths.trials, looks.size))
    if trial.days is not None:
        return table
    # Nobody goes on looking at a row that is long up.
    return np.minimum(table, np.ceil(latest / trial.every_d)[:, None] * trial.every_d)


def _time_scores(
    counts: npt.NDArray[np.int64], seeds: npt.NDArray[np.int64], looks: FloatArray
) -> FloatArray:
    came = np.diff(counts, axis=1, prepend=0).astype(float)
    left = np.concatenate([np.zeros((len(looks), 1)), looks], axis=1)
    right = np.concatenate([looks, np.full((len(looks), 1), np.inf)], axis=1)
    number = np.concatenate([came, (seeds - counts[:, -1])[:, None]], axis=1)
    empty = number <= 0
    left, right = np.where(empty, np.nan, left), np.where(empty, np.nan, right)
    left, right, number = _packed(left, right, np.where(empty, np.nan, number))
    fits = fit_plots(left, right, number)
    return np.where(counts[:, -1] >= LEAST_SEEDLINGS, fits.mu, np.nan)


def _packed(*tables: FloatArray) -> tuple[FloatArray, ...]:
    """Intervals with seeds moved to the front, so that empty ones cost nothing."""
    order = np.argsort(np.isnan(tables[0]), axis=1, kind="stable")
    width = int((~np.isnan(tables[0])).sum(axis=1).max())
    return tuple(np.take_along_axis(table, order, axis=1)[:, :width] for table in tables)


def _pairs(score: FloatArray) -> FloatArray:
    """P value of every pair that the analysis compares, per trial; one where it fails.

    Parameters
    ----------
    score : ndarray, shape (trial, block, treatment)
        NaN where a plot has no score; its block is then left out.

    Returns
    -------
    ndarray, shape (trial, pair)
        Not adjusted; the second treatment against the first comes first.
    """
    held = np.asarray(np.isfinite(score).all(axis=2))
    blocks = held.sum(axis=1)
    score = np.where(held[:, :, None], score, 0.0)
    treatments = score.shape[2]
    size = np.maximum(blocks, 1)
    centred = score - score.mean(axis=2, keepdims=True)
    effect = centred.sum(axis=1) / size[:, None]
    rest = np.where(held[:, :, None], centred - effect[:, None, :], 0.0)
    df = np.maximum((blocks - 1) * (treatments - 1), 1)
    variance = (rest**2).sum(axis=(1, 2)) / df
    a, b = np.array(pairs_of(range(treatments))).T
    with np.errstate(divide="ignore", invalid="ignore"):
        t = np.abs(effect[:, a] - effect[:, b]) / np.sqrt(2.0 * variance / size)[:, None]
    known = ((blocks > 1) & (variance > 0))[:, None]
    return np.where(known, 2.0 * stdtr(df[:, None], -np.nan_to_num(t)), 1.0)


def smallest_trial(
    trial: Trial,
    truths: Truths,
    rng: np.random.Generator,
    *,
    later_d: float = 0.0,
    points: float = 0.0,
    wanted: float = 0.8,
    tried: Callable[[Power], None] | None = None,
) -> Power | None:
    """Fewest seeds in all, over blocks and seeds a plot, that reach the wanted chance.

    Parameters
    ----------
    trial : Trial
        Gives treatments and inspections.
    tried : callable, optional
        Told of each size tried.

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
        found = power(
            replace(trial, blocks=blocks, seeds=seeds), truths, rng, later_d=later_d, points=points
        )
        if tried is not None:
            tried(found)
        return found

    for blocks in _BLOCKS:
        sizes = [
            n for n in _SEEDS if best is None or blocks * n < best.trial.blocks * best.trial.seeds
        ]
        if not sizes or (found := at(blocks, sizes[-1])).chance < wanted:
            continue
        best, low, high = found, 0, len(sizes) - 1
        while low < high:  # more seeds never hurt, so the fewest are found by halving
            middle = (low + high) // 2
            found = at(blocks, sizes[middle])
            if found.chance >= wanted:
                best, high = found, middle
            else:
                low = middle + 1
    if tried is not None and best is not None:
        for _ in range(SEARCHED - steps):
            tried(best)
    return best
