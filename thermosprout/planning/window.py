"""The sowing window: every day of a season, every treatment and cover, over members or past years."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import xarray as xr
from scipy.special import ndtri
from scipy.stats import qmc

from thermosprout.crops.parameters import NAMES
from thermosprout.emergence.clock import ResponseDraws
from thermosprout.emergence.forecast import CropDraws, generator, label
from thermosprout.emergence.stand import stand_share
from thermosprout.emergence.treatments import SeedState, seed_state
from thermosprout.errors import InputError
from thermosprout.planning.harvest import HarvestNeed
from thermosprout.planning.many_sowings import SoilSteps, cross_rising, next_true
from thermosprout.planning.options import Option

if TYPE_CHECKING:
    from thermosprout.crops.crop import Crop

FloatArray = npt.NDArray[np.float64]
IntArray = npt.NDArray[np.intp]

FROST_C = 0.0
"""Air temperature at which seedlings of tender crops die. [degC]"""

HARD_FROST_C = -2.2
"""A hard frost: 28 degF in the air (common practice, US National Weather Service; from memory)."""

SEEDLING_D = 28.0
"""For so long after emergence a frost counts against a sowing. [d]"""

DRAWS_PER_MEMBER = 16

_PROBABILITIES = (0.1, 0.5, 0.9)


@dataclass(frozen=True, kw_only=True)
class AirSteps:
    """Air temperature of all members: growth after emergence and frosts."""

    steps: SoilSteps
    frost: IntArray
    hard_frost: IntArray
    warmest: int

    @classmethod
    def of(cls, air: xr.DataArray, *, step_h: int = 6) -> AirSteps:
        """Tabulate an hourly air temperature series, dims ([member,] time). [degC]"""
        steps = SoilSteps.of(air, step_h=step_h)
        size = steps.steps * step_h
        values = np.atleast_2d(air.values.astype(float))[:, :size]
        coldest = values.reshape(values.shape[0], -1, step_h)
        with np.errstate(invalid="ignore"):
            frost = (coldest <= FROST_C).any(axis=2)
            hard = (coldest <= HARD_FROST_C).any(axis=2)
        month = 30 * steps.per_day
        running = steps.running_C.mean(axis=0)
        span = min(month, steps.steps)
        warmest = int(np.argmax(running[span:] - running[:-span])) + span // 2
        return cls(
            steps=steps, frost=next_true(frost), hard_frost=next_true(hard), warmest=warmest
        )


@dataclass(frozen=True, kw_only=True)
class FewDraws:
    """A few draws that stand for the whole estimate, taken evenly rather than by chance."""

    crop: CropDraws
    row_speed: FloatArray
    harvest: FloatArray
    viability: FloatArray
    ln_shift: FloatArray
    site: FloatArray

    @classmethod
    def of(
        cls,
        crop: Crop,
        *,
        size: int = DRAWS_PER_MEMBER,
        viability: FloatArray | None = None,
        ln_shift: FloatArray | None = None,
        site_sd_K: float = 0.0,
        seed: int = 0,
    ) -> FewDraws:
        """Scrambled Sobol points through the estimate.

        Parameters
        ----------
        size : int
            A power of two.
        viability, ln_shift : ndarray, optional
            Draws of any number; a few evenly spaced ones of them are taken.
        site_sd_K : float
            What is not known of the site. [K]
        """
        names = len(NAMES)
        engine = qmc.Sobol(
            names + 5, scramble=True, rng=generator(seed, "window", label(crop.estimate))
        )
        uniform = np.clip(engine.random(size), 1e-6, 1 - 1e-6)
        standard = np.asarray(ndtri(uniform))
        values = crop.estimate.from_standard(standard[:, :names])
        alive = np.ones(1) if viability is None else viability
        shift = np.zeros(1) if ln_shift is None else ln_shift
        return cls(
            crop=CropDraws(
                crop=crop, values=values, rates=ResponseDraws.from_draws(crop.response, values)
            ),
            row_speed=values["plot_speed_sd"] * standard[:, names],
            harvest=standard[:, names + 1],
            viability=np.quantile(alive, uniform[:, names + 2]),
            ln_shift=np.quantile(shift, uniform[:, names + 3]),
            site=site_sd_K * standard[:, names + 4],
        )


@dataclass(frozen=True, kw_only=True)
class _ManyClock:
    """Mean temperature from many sowings at once, for the stand."""

    soil: SoilSteps
    offset: FloatArray

    def mean_temperature(self, start_h: npt.ArrayLike, end_h: FloatArray) -> FloatArray:
        """See :class:`thermosprout.emergence.clock.Clock`, for (draw, member, sowing)."""
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
    thermal = need.median * np.exp(need.spread * draws.harvest)
    parts: dict[str, list[FloatArray]] = {}
    for steps in soil.values():
        running = steps.running(draws.crop.rates, draws.site)
        sown = steps.step_of(sowing_h)
        growing = air.steps if air is not None else steps
        growth = growing.running(_growth_rates(need))[0]
        for state in states:
            one = _one(
                crop, draws, state, steps, running, sown, growing, growth, thermal, air, within_d
            )
            for name, values in one.items():
                parts.setdefault(name, []).append(values)
    return _dataset(crop, soil, options, sowing_h, parts, air is not None, within_d, need)


def _growth_rates(need: HarvestNeed) -> ResponseDraws:
    base, optimum, ceiling = (np.array([value]) for value in need.cardinals_C)
    return ResponseDraws(
        shape="linear", t_base=base, t_opt=optimum, t_ceiling=ceiling, curvature=np.ones(1)
    )


def _one(
    crop: Crop,
    draws: FewDraws,
    state: SeedState,
    steps: SoilSteps,
    running: FloatArray,
    sown: IntArray,
    growing: SoilSteps,
    growth: FloatArray,
    thermal: FloatArray,
    air: AirSteps | None,
    within_d: float,
) -> dict[str, FloatArray]:
    """All figures of one treatment under one cover, each of shape (sowing[, probability])."""
    size, members, per_day = draws.row_speed.size, steps.members, steps.per_day
    needed = state.needed(np.full((size, 1), 0.5))[:, 0]
    half = steps.cross(running, sown, needed)
    days = (half - sown) / per_day
    share = _stand(crop, draws, state, steps, sown, half)
    # The air may start at another hour than the soil.
    shift = (steps.start_h - growing.start_h) / growing.step_h
    begun = half + shift
    harvest = _harvest(growth, begun, thermal, growing)
    weights = np.broadcast_to(steps.weights / size, (size, members))
    result = {
        "odds_in_time": _mean((days <= within_d).astype(float), weights),
        "days_to_half": _quantiles(days, weights),
        "stand": _mean(share, weights),
        "stand_low": _quantiles(share, weights)[:, 0],
        "days_to_harvest": _quantiles((harvest - shift - sown) / per_day, weights),
    }
    if air is not None:
        result |= _frost(air, begun, harvest, weights)
    return result


def _stand(
    crop: Crop,
    draws: FewDraws,
    state: SeedState,
    steps: SoilSteps,
    sown: IntArray,
    half: FloatArray,
) -> FloatArray:
    """Share of the seeds planted that emerges, (draw, member, sowing), by the forecast's rule."""
    wide = {name: values[:, None, None] for name, values in draws.crop.values.items()}
    return stand_share(
        crop,
        wide,
        replace(state, survival=state.survival[:, None, None]),
        _ManyClock(soil=steps, offset=draws.site),  # type: ignore[arg-type]
        planted_h=steps.start_h + sown * steps.step_h,  # type: ignore[arg-type]
        half_h=steps.start_h + half * steps.step_h,
        viability=np.broadcast_to(draws.viability[:, None, None], half.shape),
    )


def _harvest(
    growth: FloatArray, begun: FloatArray, thermal: FloatArray, growing: SoilSteps
) -> FloatArray:
    """Step of first harvest from fractional steps of emergence, (draw, member, sowing)."""
    draws, members, sowings = begun.shape
    inside = np.isfinite(begun) & (begun >= 0) & (begun <= growing.steps)
    position = np.where(inside, begun, 0.0)
    lower = np.minimum(position.astype(np.intp), growing.steps - 1)
    member = np.arange(members)[:, None]
    low, high = growth[member, lower], growth[member, lower + 1]
    target = low + (position - lower) * (high - low) + thermal[:, None, None]
    flat = target.transpose(1, 0, 2).reshape(members, -1)
    found = cross_rising(growth, flat).reshape(members, draws, sowings).transpose(1, 0, 2)
    whole = inside & (found <= growing.hole[member, lower])
    return np.asarray(np.where(whole, found, np.inf))


def _frost(
    air: AirSteps, begun: FloatArray, harvest: FloatArray, weights: FloatArray
) -> dict[str, FloatArray]:
    """Odds of a frost on the seedlings, and of a harvest before the first hard frost of autumn."""
    steps = air.steps
    member = np.arange(steps.members)[:, None]
    known = np.isfinite(begun)
    at = np.clip(np.nan_to_num(begun, posinf=0.0), 0, steps.steps).astype(np.intp)
    frosted = known & (air.frost[member, at] - at <= SEEDLING_D * steps.per_day)
    autumn = np.maximum(at, air.warmest)
    first_hard = air.hard_frost[member, np.minimum(autumn, steps.steps)]
    in_time = known & np.isfinite(harvest) & (harvest <= first_hard)
    seen = _mean(known.astype(float), weights)
    with np.errstate(invalid="ignore", divide="ignore"):
        risk = np.where(seen > 0, _mean(frosted.astype(float), weights) / seen, np.nan)
    return {
        "frost_risk": risk,
        "odds_harvest_before_frost": _mean(in_time.astype(float), weights),
    }


def _mean(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted mean over draws and members, shape (sowing,)."""
    return np.asarray(np.einsum("dms,dm->s", values, weights))


def _quantiles(values: FloatArray, weights: FloatArray) -> FloatArray:
    """Weighted 10, 50 and 90 % points over draws and members, (sowing, 3); inf counts as late."""
    flat = np.ascontiguousarray(values.reshape(-1, values.shape[-1]).T)
    odds = np.ascontiguousarray(weights).ravel()
    if np.allclose(odds, odds[0]):
        ranked = np.sort(flat.astype(np.float32), axis=1)
        place = np.clip(np.array(_PROBABILITIES) * odds.size - 0.5, 0, odds.size - 1)
        low = place.astype(np.intp)
        high = np.minimum(low + 1, odds.size - 1)
        share = place - low
    else:
        order = np.argsort(flat, axis=1)
        ranked = np.take_along_axis(flat, order, axis=1)
        mass = odds[order]
        middle = np.cumsum(mass, axis=1) - 0.5 * mass
        high = np.stack([(middle < p).sum(axis=1) for p in _PROBABILITIES], axis=1)
        high = np.minimum(high, odds.size - 1)
        low, share = high, np.zeros(high.shape)
    rows = np.arange(ranked.shape[0])[:, None]
    below, above = ranked[rows, low], ranked[rows, high]
    with np.errstate(invalid="ignore"):
        between = below + share * (above - below)
    return np.asarray(np.where(np.isfinite(above), between, above), dtype=float)


_MEANING = {
    "odds_in_time": ("1", "odds that half of the row shows within {within:g} days"),
    "days_to_half": ("d", "days from planting to half emergence"),
    "stand": ("1", "expected share of the seeds planted that emerge"),
    "stand_low": ("1", "share of the seeds planted that emerge, 10 % point"),
    "days_to_harvest": ("d", "bed-days: days from planting to first harvest"),
    "frost_risk": ("1", "odds of a frost in the four weeks after half emergence, if that is seen"),
    "odds_harvest_before_frost": (
        "1",
        "odds that first harvest comes before the first hard frost of autumn",
    ),
}


def _dataset(
    crop: Crop,
    soil: Mapping[str, SoilSteps],
    options: Sequence[Option],
    sowing_h: FloatArray,
    parts: Mapping[str, list[FloatArray]],
    has_air: bool,
    within_d: float,
    need: HarvestNeed,
) -> xr.Dataset:
    """Lay the figures out with CF attributes."""
    shape = (len(soil), len(options))
    dims = ("cover", "treatment", "sowing")
    variables = {}
    for name, values in parts.items():
        stacked = np.stack(values)
        units, meaning = _MEANING[name]
        variables[name] = (
            dims if stacked.ndim == 2 else (*dims, "probability"),
            stacked.reshape(*shape, *stacked.shape[1:]),
            {"units": units, "long_name": meaning.format(within=within_d)},
        )
    stamps = (sowing_h * 3.6e12).astype("int64").astype("datetime64[ns]")
    window = xr.Dataset(
        variables,
        coords={
            "cover": list(soil),
            "treatment": [option.name for option in options],
            "sowing": ("sowing", stamps, {"standard_name": "time", "long_name": "planting, UTC"}),
            "probability": (
                "probability",
                list(_PROBABILITIES),
                {"units": "1", "long_name": "odds that it comes no later"},
            ),
        },
        attrs={
            "Conventions": "CF-1.11",
            "title": f"Sowing window of {crop.name}",
            "crop": crop.name,
            "harvest_on": "air temperature" if has_air else "soil temperature",
            "harvest_from_chart": int(need.published),
            "within_days": within_d,
            "tender": int(crop.tender),
            "members": next(iter(soil.values())).members,
        },
    )
    window["cover"].attrs = {"long_name": "seedbed cover"}
    window["treatment"].attrs = {"long_name": "how the seed is handled before planting"}
    return window
