"""The sowing window: every day of a season, every treatment and cover, over many years."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import half_beyond, stand_share
from thermosprout.emergence.treatments import SeedState, seed_state
from thermosprout.errors import InputError
from thermosprout.planning.air_steps import AirSteps
from thermosprout.planning.few_draws import FewDraws
from thermosprout.planning.harvest import CHART_SEASON_C, HarvestNeed
from thermosprout.planning.many_sowings import SoilSteps, cross_rising
from thermosprout.planning.options import Option
from thermosprout.planning.window_asked import WindowAsked
from thermosprout.planning.window_dataset import window_dataset

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

SEEDLING_D = 28.0
"""For so long after emergence a frost counts against a sowing. [d]"""

_KNOWN_SHARE = 0.5
"""What is known of less than this share of cases is not told."""

PROBABILITIES = (0.1, 0.5, 0.9)
"""Points at which days are given unless others are asked for."""


def usual_within_d(crop: Crop) -> float:
    """Days in which half of a row should be up: twice as many as in a good season. [d]"""
    centre = crop.estimate.centre()
    rates = ResponseDraws.from_draws(
        crop.response, {name: np.array([value]) for name, value in centre.items()}
    )
    rate = max(float(rates.at(CHART_SEASON_C[crop.season])[0]), 0.5)
    return float(max(np.ceil(2.0 * centre["thermal_time_50_Cd"] / rate), 10.0))


@dataclass(frozen=True, kw_only=True)
class _ManyClock:
    """Mean temperature from many sowings at once, for the stand."""

    soil: SoilSteps
    offset: FloatArray

    def pace_from_h(self, start_h: npt.ArrayLike, least_h: float) -> FloatArray:
        """See :class:`thermosprout.emergence.thermal_time.Clock`."""
        return np.asarray(start_h, dtype=float)

    def mean_temperature(self, start_h: npt.ArrayLike, end_h: FloatArray) -> FloatArray:
        """See :class:`thermosprout.emergence.thermal_time.Clock`, for (draw, member, sowing)."""
        first = (np.asarray(start_h) - self.soil.start_h) / self.soil.step_h
        last = (end_h - self.soil.start_h) / self.soil.step_h
        mean = self.soil.mean_temperature(first, last)
        return np.asarray(mean + self.offset[:, None, None])


def sowing_window(
    crop: Crop,
    soil: Mapping[str, SoilSteps],
    options: Sequence[Option],
    *,
    sowing_h: FloatArray,
    depth_cm: float,
    draws: FewDraws,
    air: AirSteps | None = None,
    within_d: float = 14.0,
    probabilities: tuple[float, ...] = PROBABILITIES,
    tick: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Odds of a good sowing for each day, treatment and cover.

    Parameters
    ----------
    crop : Crop
        The crop.
    soil : mapping of str to SoilSteps
        Soil temperature at seed depth by cover; one entry for a bare bed.
    options : sequence of Option
        Treatments; sprouted seed counts from the day it is planted.
    sowing_h : ndarray, shape (sowing,)
        Hours of planting since 1970-01-01T00:00 UTC, rising.
    depth_cm : float
        Sowing depth. [cm]
    draws : FewDraws
        Each is taken under each member.
    air : AirSteps, optional
        For harvest and frost; without it harvest runs on soil temperature and frost is not
        known.
    within_d : float
        Days within which half of the row shall be up. [d]
    probabilities : tuple of float
        Points at which days are given.
    tick : callable, optional
        Told after each treatment under each cover.

    Returns
    -------
    xarray.Dataset, dims (cover, treatment, sowing [, probability])
        ``odds_in_time``, ``days_to_half``, ``stand``, ``stand_low``, ``days_to_harvest``,
        ``odds_harvest_before_frost`` and ``frost_risk``; infinite days are past the horizon.

    Raises
    ------
    InputError
        When nothing is asked for.
    CoverageError
        When the soil temperature does not hold every sowing day.
    """
    if not soil or not options or not sowing_h.size:
        raise InputError("a sowing window needs at least one cover, one treatment and one day")
    states = [
        seed_state(
            crop,
            draws.crop.values,
            draws.crop.rates,
            option.handling,
            depth_cm=depth_cm,
            ln_shift=draws.ln_shift + draws.row_speed,
        )
        for option in options
    ]
    need = HarvestNeed.of(crop, 1)
    asked = WindowAsked(
        crop=crop,
        draws=draws,
        need=need,
        air=air,
        within_d=within_d,
        probabilities=np.asarray(probabilities, dtype=float),
    )
    parts: dict[str, list[FloatArray]] = {}
    for steps in soil.values():
        bed = _Bed.of(asked, steps, sowing_h)
        for state in states:
            for name, values in _figures(asked, bed, state).items():
                parts.setdefault(name, []).append(values)
            if tick is not None:
                tick(1)
    return window_dataset(asked, soil, options, sowing_h, parts)


@dataclass(frozen=True, kw_only=True)
class _Bed:
    """Running sums under one cover, common to all treatments."""

    steps: SoilSteps
    running: FloatArray
    sown: IntArray
    growing: SoilSteps
    growth: FloatArray

    @classmethod
    def of(cls, asked: WindowAsked, steps: SoilSteps, sowing_h: FloatArray) -> _Bed:
        growing = steps if asked.air is None else asked.air.steps
        growth = growing.running(_growth_rates(asked.need))[0]
        return cls(
            steps=steps,
            running=steps.running(asked.draws.crop.rates, asked.draws.site),
            sown=steps.step_of(sowing_h),
            growing=growing,
            growth=growth[_paired(steps.members, growing.members)],
        )


def _paired(soil_members: int, air_members: int) -> IntArray:
    """Member of the air for each of the soil: the same, or in turn where there are fewer."""
    return np.asarray(np.arange(soil_members) % air_members)


def _growth_rates(need: HarvestNeed) -> ResponseDraws:
    base, optimum, ceiling = (np.array([value]) for value in need.cardinals_C)
    return ResponseDraws(
        shape="linear", t_base=base, t_opt=optimum, t_ceiling=ceiling, curvature=np.ones(1)
    )


def _figures(asked: WindowAsked, bed: _Bed, state: SeedState) -> dict[str, FloatArray]:
    """All figures of one treatment under one cover, each of shape (sowing[, probability])."""
    steps, growing, sown = bed.steps, bed.growing, bed.sown
    size, members, per_day = asked.draws.row_speed.size, steps.members, steps.per_day
    half = steps.cross(bed.running, sown, state.needed(np.full((size, 1), 0.5))[:, 0])
    days = (half - sown) / per_day
    share = _stand(asked, bed, state, _waiting(bed, state, half))
    # The air may start at another hour than the soil.
    shift = (steps.start_h - growing.start_h) / growing.step_h
    begun = half + shift
    harvest = _harvest(bed, begun, asked.harvest_Cd)
    weights = np.broadcast_to(steps.weights / size, (size, members))
    points = asked.probabilities
    result = {
        "odds_in_time": _mean((days <= asked.within_d).astype(float), weights),
        "days_to_half": _quantiles(days, weights, points),
        "stand": _mean(share, weights),
        "stand_low": _quantiles(share, weights, np.array([0.1]))[:, 0],
        "days_to_harvest": _quantiles((harvest - shift - sown) / per_day, weights, points),
    }
    if asked.air is not None:
        result |= _frost(asked.air, begun, harvest, weights)
    return result


def _waiting(bed: _Bed, state: SeedState, half: FloatArray) -> FloatArray:
    """Step until which seed waits, (draw, member, sowing), past the end by the pace so far."""
    if np.isfinite(half).all():
        return half
    steps, sown, running = bed.steps, bed.sown, bed.running
    end = np.minimum(steps.hole[:, sown], steps.steps)
    at_end = np.take_along_axis(running, end[None], axis=2)
    needed = state.needed(np.full((state.scale.size, 1), 0.5))[:, :, None]
    return half_beyond(
        half,
        planted=sown.astype(float),
        span=end - sown,
        needed=needed,
        done=at_end - running[:, :, sown],
    )


def _stand(asked: WindowAsked, bed: _Bed, state: SeedState, half: FloatArray) -> FloatArray:
    """Share of the seeds planted that emerges, (draw, member, sowing), by the forecast's rule."""
    draws, steps = asked.draws, bed.steps
    wide = {name: values[:, None, None] for name, values in draws.crop.values.items()}
    return stand_share(
        asked.crop,
        wide,
        replace(state, survival=state.survival[:, None, None]),
        _ManyClock(soil=steps, offset=draws.site),  # type: ignore[arg-type]
        planted_h=steps.start_h + bed.sown * steps.step_h,  # type: ignore[arg-type]
        half_h=steps.start_h + half * steps.step_h,
        viability=np.broadcast_to(draws.viability[:, None, None], half.shape),
    )


def _harvest(bed: _Bed, begun: FloatArray, thermal: FloatArray) -> FloatArray:
    """Step of first harvest from fractional steps of emergence, (draw, member, sowing)."""
    draws, members, sowings = begun.shape
    growing, growth = bed.growing, bed.growth
    inside = np.isfinite(begun) & (begun >= 0) & (begun <= growing.steps)
    position = np.where(inside, begun, 0.0)
    lower = np.minimum(position.astype(np.intp), growing.steps - 1)
    member = np.arange(members)[:, None]
    low, high = growth[member, lower], growth[member, lower + 1]
    target = low + (position - lower) * (high - low) + thermal[:, None, None]
    flat = target.transpose(1, 0, 2).reshape(members, -1)
    found = cross_rising(growth, flat).reshape(members, draws, sowings).transpose(1, 0, 2)
    hole = growing.hole[_paired(members, growing.members)]
    return np.asarray(np.where(inside & (found <= hole[member, lower]), found, np.inf))


def _frost(
    air: AirSteps, begun: FloatArray, harvest: FloatArray, weights: FloatArray
) -> dict[str, FloatArray]:
    """Odds of a frost on the seedlings, and of a harvest before the first hard frost of autumn."""
    steps = air.steps
    member = _paired(begun.shape[1], steps.members)[:, None]
    known = np.isfinite(begun)
    at = np.clip(np.nan_to_num(begun, posinf=0.0), 0, steps.steps).astype(np.intp)
    watched = SEEDLING_D * steps.per_day
    next_frost = air.frost[member, at]
    frosted = known & (next_frost <= steps.steps) & (next_frost - at <= watched)
    watched_out = known & (frosted | (at + watched <= steps.steps))
    autumn = np.maximum(at, air.warmest)
    first_hard = air.hard_frost[member, np.minimum(autumn, steps.steps)]
    in_time = known & np.isfinite(harvest) & (harvest <= first_hard)
    # Where a record ends before harvest and frost, nobody knows which would have come first.
    decided = known & (np.isfinite(harvest) | (first_hard <= steps.steps))
    return {
        "frost_risk": _mean_of(frosted, watched_out, weights),
        "odds_harvest_before_frost": _mean_of(in_time, decided, weights),
    }


def _mean_of(
    flags: npt.NDArray[np.bool_], known: npt.NDArray[np.bool_], weights: FloatArray
) -> FloatArray:
    """Weighted share among what is known; NaN where that is less than half."""
    seen = _mean(known.astype(float), weights)
    with np.errstate(invalid="ignore", divide="ignore"):
        share = _mean((flags & known).astype(float), weights) / seen
    return np.asarray(np.where(seen >= _KNOWN_SHARE, share, np.nan))


def _mean(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted mean over draws and members, shape (sowing,)."""
    return np.asarray(np.einsum("dms,dm->s", values, weights))


def _quantiles(values: FloatArray, weights: FloatArray, points: FloatArray) -> FloatArray:
    """Weighted points over draws and members, (sowing, probability); inf counts as late."""
    flat = np.ascontiguousarray(values.reshape(-1, values.shape[-1]).T)
    odds = np.ascontiguousarray(weights).ravel()
    ranked: npt.NDArray[np.floating]
    if np.allclose(odds, odds[0]):
        ranked = np.sort(flat.astype(np.float32), axis=1)
        place = np.clip(points * odds.size - 0.5, 0, odds.size - 1)
        low = place.astype(np.intp)
        high = np.minimum(low + 1, odds.size - 1)
        share = place - low
    else:
        order = np.argsort(flat, axis=1)
        ranked = np.take_along_axis(flat, order, axis=1)
        mass = odds[order]
        middle = np.cumsum(mass, axis=1) - 0.5 * mass
        high = np.stack([(middle < point).sum(axis=1) for point in points], axis=1)
        high = np.minimum(high, odds.size - 1)
        low, share = high, np.zeros(high.shape)
    rows = np.arange(ranked.shape[0])[:, None]
    below, above = ranked[rows, low], ranked[rows, high]
    with np.errstate(invalid="ignore"):
        between = below + share * (above - below)
    return np.asarray(np.where(np.isfinite(above), between, above), dtype=float)
