"""Who emerges: viability of the lot times what the seedbed lets through, and a count of seeds."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from thermosprout.crops.estimate import Draws
from thermosprout.emergence.thermal_time import Clock
from thermosprout.emergence.treatments import SeedState
from thermosprout.quantities import FloatArray

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

_FIRST_DAY_H = 24.0
_LONGEST_WAIT_D = 120.0
_PACE_H = 168.0

_COLD_WATER_H, _WARM_WATER_H = 1.0, 3.0
"""How fast a soak takes the place of the bed's first day: minutes of icy water do harm, while eight
hours of uptake in the warm are needed before cold ground no longer matters (Bramlage, Leopold &
Parrish 1978; Rees 2021; the two times are an assumption). [h]"""

_SPROUT_HOT_C, _SPROUT_HEAT_LOSS = 25.0, 0.15
"""From this temperature of the bed on sprouts lose log odds, by this much a degree: tomato and
cabbage stood worse sprouted than dry in hot beds, and alike at 25 degC and cooler (Odell,
Cantliffe, Bryan & Stoffella 1992, and a study of seed covers; the size is an assumption). [degC],
[1/K]"""

_SPROUTED_ALIVE = 0.5
"""Power of the lot's viability that is left among sprouted seed: it has shown that it lives, but
sprouts of poor lots are weak, so that sorted sprouts of carrot, lettuce and sugar beet stood no
better than dry seed (Suzuki & Obayashi 1994; Longden, Johnson, Darby & Salter 1979)."""


def stand_share(
    crop: Crop,
    draws: Draws,
    state: SeedState,
    clock: Clock,
    *,
    planted_h: float | FloatArray,
    half_h: FloatArray,
    viability: FloatArray,
) -> FloatArray:
    """Share of the seeds planted that is expected to emerge.

    Parameters
    ----------
    planted_h : float or ndarray, shape (day,)
        Hour of planting, or of each of many days.
    half_h : ndarray, shape (draw,) or (draw, day)
        Hour of half emergence, inf where it never comes.
    viability : ndarray, shape (draw,) or (draw, day)
        Share of live seed in the lot.

    Returns
    -------
    ndarray, shape of half_h
        Viability (its root for seed seen to sprout) times field factor at the temperature while
        waiting and survival of the wait and of cold first uptake, its odds moved by the treatment,
        times survival of the treatment. What a cold or hot bed takes is spread evenly over the way
        from dry seed to emergence, and seed that did a part of it indoors has only the rest ahead:
        assumption; in tomato lines that emerge early in the cold it is germination that is early,
        and their roots grow no faster there (Scott & Jones 1985, read as an abstract).
    """

    def wide(values: FloatArray) -> FloatArray:
        """Figures of the draws, for all days alike."""
        return values[:, None] if half_h.ndim == 2 and values.ndim == 1 else values

    waiting_C = clock.mean_temperature(clock.pace_from_h(planted_h, _FIRST_DAY_H), half_h)
    end = np.minimum(half_h, planted_h + 24.0 * _LONGEST_WAIT_D)
    waiting_d = np.clip(end - planted_h, 0.0, None) / 24.0
    hazard = wide(draws["waiting_loss_per_d"]) * waiting_d
    if crop.chilling_sensitive and not state.proven:
        first_day = np.broadcast_to(planted_h + _FIRST_DAY_H, waiting_C.shape)
        soil_C = clock.mean_temperature(planted_h, first_day)
        cold = _cold_uptake(crop.chilling_limit_C, soil_C, state)
        hazard = hazard + wide(draws["chilling_loss_per_C"]) * cold
    log_odds = wide(state.log_odds)
    if state.proven:
        log_odds = log_odds - _SPROUT_HEAT_LOSS * np.clip(waiting_C - _SPROUT_HOT_C, 0.0, None)
    endured = crop.stand_response(waiting_C) ** wide(state.path_ahead())
    seedbed = wide(draws["field_factor"]) * endured * np.exp(-hazard)
    alive = wide(viability) ** (_SPROUTED_ALIVE if state.proven else 1.0)
    share = alive * shift_odds(seedbed, log_odds) * wide(state.survival)
    return np.asarray(np.clip(share, 0.0, 1.0))


def sprouted_share(draws: Draws, viability: FloatArray, survival: FloatArray) -> FloatArray:
    """Share of planted sprouted seed that comes up in a good moist bed, shape (draw,).

    Parameters
    ----------
    viability, survival : ndarray, shape (draw,)
        Live share of the lot, and what planting leaves whole.
    """
    seedbed = shift_odds(draws["field_factor"], draws["sprout_stand"])
    return np.asarray(viability**_SPROUTED_ALIVE * seedbed * survival)


def shift_odds(share: FloatArray, log_odds: FloatArray) -> FloatArray:
    """Share whose log odds are moved; nothing and all stay what they are."""
    odds = np.exp(log_odds)
    return np.asarray(share * odds / (1.0 - share + share * odds))


def _cold_uptake(limit_C: float, soil_C: FloatArray, state: SeedState) -> FloatArray:
    """Degrees below the limit at which the seed takes up its first water, in water or in soil."""
    soil = np.clip(limit_C - soil_C, 0.0, None)
    if state.wet_h <= 0:
        return np.asarray(soil)
    water = max(limit_C - state.water_C, 0.0)
    replaced_h = np.where(water > soil, _COLD_WATER_H, _WARM_WATER_H)
    left = np.exp(-state.wet_h / replaced_h)
    return np.asarray(left * soil + (1.0 - left) * water)


def middle_h(clock: Clock, planted_h: float | FloatArray, state: SeedState) -> FloatArray:
    """Hour of half emergence of each draw, guessed where the temperatures end first.

    Parameters
    ----------
    planted_h : float or ndarray, shape (day,)
        Hour of planting, or of each of many days.

    Returns
    -------
    ndarray, shape (draw,) or (draw, day)
        See :func:`half_beyond`.
    """
    needed = state.needed(np.full((state.scale.shape[0], 1), 0.5))
    half_h = clock.cross(planted_h, np.broadcast_to(needed, (needed.shape[0], np.size(planted_h))))
    end_h = clock.ends_h(planted_h)
    if np.isinf(half_h).any() and np.isfinite(end_h).all():
        begin_h = clock.pace_from_h(planted_h, _PACE_H)
        half_h = half_beyond(
            half_h,
            planted=np.asarray(planted_h, dtype=float),
            span=end_h - begin_h,
            needed=needed,
            done=clock.between(begin_h, end_h),
        )
    return half_h if np.ndim(planted_h) else half_h[:, 0]


def half_beyond(
    half: FloatArray,
    *,
    planted: FloatArray,
    span: float | FloatArray,
    needed: FloatArray,
    done: FloatArray,
) -> FloatArray:
    """When half emerges where the temperatures end first: as if they went on as they were.

    The stand falls with the time that seed waits, so a series that ends early must not count as a
    wait without end.

    Parameters
    ----------
    half : ndarray
        Time of half emergence, inf past the end.
    planted, span : ndarray
        Time of planting, and the length of time at whose pace it goes on, in the unit of ``half``.
    needed, done : ndarray
        Thermal time from planting to half emergence, and over the span. [C d]

    Returns
    -------
    ndarray
        As ``half``, inf only where nothing moved on, or the temperatures have no end.
    """
    inside = np.isfinite(half)
    if inside.all():
        return half
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        guess = planted + span * needed / done
    return np.asarray(np.where(inside | ~(done > 0) | ~np.isfinite(guess), half, guess))


def beta_binomial(
    share: FloatArray, seeds: int | npt.NDArray[np.int64], rho: FloatArray, rng: np.random.Generator
) -> npt.NDArray[np.int64]:
    """Draw the number of seedlings when the fates of a row's seeds are correlated.

    Parameters
    ----------
    share, rho : ndarray, shape (draw,)
        Mean share and intra-row correlation.
    seeds : int or ndarray of int
        Seeds planted.
    rng : numpy.random.Generator
    """
    safe = np.clip(share, 1e-9, 1 - 1e-9)
    strength = (1.0 - rho) / np.maximum(rho, 1e-9)
    probability = rng.beta(safe * strength, (1.0 - safe) * strength)
    probability = np.where(share <= 0.0, 0.0, probability)
    return np.asarray(rng.binomial(seeds, probability), dtype=np.int64)


def order_shares(
    seedlings: npt.NDArray[np.int64], fractions: tuple[float, ...], rng: np.random.Generator
) -> FloatArray:
    """Quantiles of a sample: where in the population the k-th of n seedlings stands.

    Parameters
    ----------
    seedlings : ndarray of int, shape (draw,)
        Final stand n.
    fractions : tuple of float, rising
        Stages as shares of n; zero is the first seedling.

    Returns
    -------
    ndarray, shape (draw, stage)
        Joint draw of uniform order statistics from gamma spacings; NaN where n is zero.
        Devroye (1986), Non-Uniform Random Variate Generation, ch. V.3.
    """
    most = int(seedlings.max(initial=1))
    steps = _steps_between_stages(1 << most.bit_length(), fractions)
    shares = np.cumsum(rng.standard_gamma(steps[seedlings]), axis=1)
    shares = shares[:, :-1] / shares[:, -1:]
    return np.asarray(np.where(seedlings[:, None] > 0, shares, np.nan))


@lru_cache(maxsize=64)
def _steps_between_stages(size: int, fractions: tuple[float, ...]) -> FloatArray:
    """Ranks from each stage to the next and beyond the last seedling, for n below ``size``."""
    n = np.maximum(np.arange(size), 1)
    ranks = [np.zeros(size), *(np.maximum(np.ceil(f * n - 1e-9), 1) for f in fractions), n + 1.0]
    return np.diff(np.stack(ranks, axis=1), axis=1)
