"""From a crop, a lot, a treatment and a clock to draws of emergence times and stands."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from zlib import crc32

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Draws, Estimate
from thermosprout.emergence.course_table import CourseTable
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import beta_binomial, middle_h, order_shares, stand_share
from thermosprout.emergence.thermal_time import Clock, ConstantClock, ThermalClock
from thermosprout.emergence.treatments import Handling, SeedState, seed_state
from thermosprout.emergence.weighted_draws import weighted_quantile
from thermosprout.quantities import TABLE_DEPTH_CM, FloatArray

CountArray = npt.NDArray[np.int64]

STAGES = ("first", "half", "full")
"""First seedling, half and nine tenths of the final stand (BBCH 09 of those seeds)."""

_STAGE_FRACTIONS = (0.0, 0.5, 0.9)

_USUAL = (0.1, 0.5, 0.9, 0.95)
"""Odds that are read off every row."""

DRAWS = 1000
"""Draws of a forecast unless another number is given."""


@dataclass(frozen=True, kw_only=True)
class Sowing:
    """One row as the model sees it; hours count from 1970-01-01T00:00 UTC.

    Attributes
    ----------
    started_h, planted_h : float
        When the seed first met water or soil, and when it went into the ground. [h]
    depth_cm : float
        Sowing depth. [cm]
    seeds_planted : int
        Seeds in the ground.
    seeds_started : int, optional
        Seeds wetted; for seed sprouted indoors more than are planted.
    luck : str
        Sowings of one name share their luck with the ground, so that the same sowing asked for in
        two ways gets one answer and differences between treatments are paired.
    """

    row: str
    crop: Crop
    handling: Handling
    started_h: float
    planted_h: float
    depth_cm: float
    seeds_planted: int
    seeds_started: int | None = None
    luck: str = ""


@dataclass(frozen=True, kw_only=True)
class CropDraws:
    """Parameter draws of one estimate with its response, shared by all rows of it."""

    crop: Crop
    values: Draws
    rates: ResponseDraws

    @classmethod
    def of(cls, crop: Crop, size: int = DRAWS, seed: int = 0) -> CropDraws:
        """Draw from the crop's estimate; the same estimate and seed give the same draws."""
        values = crop.estimate.draw(size, generator(seed, "crop", label(crop.estimate)))
        return cls(crop=crop, values=values, rates=ResponseDraws.from_draws(crop.response, values))


@dataclass(frozen=True, kw_only=True)
class RowForecast:
    """Weighted draws for one row.

    Attributes
    ----------
    ln_shift, row_speed : ndarray, shape (draw,)
        Shift of ln thermal time of the lot and of this row.
    hours : ndarray, shape (draw, 3)
        Hour of each of :data:`STAGES`; inf past the horizon, NaN where nothing emerges. [h]
    any_seed_h : ndarray, shape (draw,)
        Hour at which a seedling taken by chance shows. [h]
    share : ndarray, shape (draw,)
        Expected share of the seeds planted that emerge.
    seedlings : ndarray of int, shape (draw,)
        Final stand.
    weights : ndarray, shape (draw,)
        Sum to one.
    """

    sowing: Sowing
    draws: CropDraws
    clock: Clock
    state: SeedState
    viability: FloatArray
    ln_shift: FloatArray
    row_speed: FloatArray
    hours: FloatArray
    any_seed_h: FloatArray
    share: FloatArray
    seedlings: CountArray
    weights: FloatArray
    horizon_h: float

    def emerged_share(self, at_h: FloatArray) -> FloatArray:
        """Share of the final stand that shows at each hour, shape (draw, hour)."""
        progress = self.clock.curve(self.sowing.planted_h, np.asarray(at_h, dtype=float))
        emerged = self.state.emerged(progress)
        before = np.asarray(at_h, dtype=float) < self.sowing.planted_h
        return np.asarray(np.where(before[None, :], 0.0, emerged))

    @cached_property
    def _usual(self) -> dict[float, FloatArray]:
        """Usual quantiles of the stages, of any seedling and of the stand, worked out together."""
        figures = np.column_stack([self.hours, self.any_seed_h, self.stand])
        return dict(zip(_USUAL, weighted_quantile(figures, self.weights, _USUAL), strict=True))

    def _quantile(self, column: int, values: FloatArray, points: Sequence[float]) -> FloatArray:
        if self._usual.keys() >= set(points):
            return np.array([self._usual[point][column] for point in points])
        return weighted_quantile(values, self.weights, points)

    def stage_quantile(self, stage: str, probabilities: Sequence[float]) -> FloatArray:
        """Weighted quantiles of the hour of a stage, given that anything comes up."""
        column = STAGES.index(stage)
        return self._quantile(column, self.hours[:, column], probabilities)

    def stand_quantile(self, probabilities: Sequence[float]) -> FloatArray:
        """Weighted quantiles of the final stand as a share of the seeds planted."""
        return self._quantile(4, self.stand, probabilities)

    @property
    def stand(self) -> FloatArray:
        """Final stand as a share of the seeds planted, per draw."""
        return np.asarray(self.seedlings / max(self.sowing.seeds_planted, 1))

    @property
    def _planted_of_started(self) -> FloatArray:
        """Seeds planted as a share of those started, per draw: sprouted seed is sorted."""
        alive = self.viability if self.state.proven else 1.0
        return np.asarray(self.state.sprouted * alive)

    @property
    def stand_per_seed_started(self) -> FloatArray:
        """Final stand as a share of the seeds *started*, per draw: as counted, or as expected."""
        if self.state.proven and self.sowing.seeds_started is not None:
            return np.asarray(self.seedlings / self.sowing.seeds_started)
        return np.asarray(self.stand * self._planted_of_started)

    @property
    def share_of_started(self) -> FloatArray:
        """Expected share of the seeds *started* that emerge, before chance, per draw."""
        return np.asarray(self.share * self._planted_of_started)

    @property
    def wait_until_h(self) -> float:
        """Hour after which less than 1 in 20 of the final stand is still to come; may be inf."""
        return float(self._quantile(3, self.any_seed_h, [0.95])[0])

    @property
    def nothing_odds(self) -> float:
        """Odds that no seedling at all comes up."""
        return float(self.weights[self.seedlings == 0].sum())

    def soil_mean_C(self) -> float:
        """Mean soil temperature from planting to half emergence, or to the end of the series."""
        half = self.hours[:, 1]
        ends = np.where(np.isfinite(half), half, self.horizon_h)
        means = self.clock.mean_temperature(self.sowing.planted_h, ends)
        return float(np.average(means, weights=self.weights))


def generator(seed: int, *names: str) -> np.random.Generator:
    """Random generator of its own for each purpose, so that the order of rows has no say."""
    return np.random.default_rng([seed, *(crc32(name.encode()) for name in names)])


def label(estimate: Estimate) -> str:
    """Name of crop, variety and lot an estimate belongs to."""
    return "/".join(filter(None, (estimate.crop, estimate.variety, estimate.seed_lot)))


def forecast_row(
    sowing: Sowing,
    draws: CropDraws,
    clock: Clock,
    *,
    viability: FloatArray,
    ln_shift: FloatArray,
    seed: int = 0,
) -> RowForecast:
    """Draws of the emergence of one row.

    Parameters
    ----------
    sowing : Sowing
        The row.
    draws : CropDraws
        Parameter draws of its crop, variety or lot.
    clock : Clock
        Thermal-time clock of the same draws at the depth of the seed.
    viability, ln_shift : ndarray, shape (draw,)
        Live share of the lot and the lot's shift of ln thermal time.
    seed : int
        Of the random numbers.

    Raises
    ------
    CoverageError
        When the clock does not hold the day of planting.
    """
    rng, row_speed, state, _, share = _before_chance(
        draws, clock, sowing.handling, planted_h=sowing.planted_h, depth_cm=sowing.depth_cm,
        viability=viability, ln_shift=ln_shift, seed=seed, luck=sowing.luck,
    )  # fmt: skip
    size = row_speed.size
    seedlings = beta_binomial(share, sowing.seeds_planted, draws.values["plot_stand_rho"], rng)
    stages = order_shares(seedlings, _STAGE_FRACTIONS, rng)
    # One seedling per draw, evenly spread over the ranks, stands for the whole mixture.
    any_seed = ((rng.permutation(size) + 0.5) / size)[:, None]
    shares = np.concatenate([stages, any_seed], axis=1)
    hours = clock.cross(sowing.planted_h, state.needed(shares))
    nothing = seedlings == 0
    hours[nothing, :3] = np.nan
    return RowForecast(
        sowing=sowing,
        draws=draws,
        clock=clock,
        state=state,
        viability=viability,
        ln_shift=ln_shift,
        row_speed=row_speed,
        hours=hours[:, :3],
        any_seed_h=np.where(nothing, np.nan, hours[:, 3]),
        share=share,
        seedlings=seedlings,
        weights=np.full(size, 1.0 / size),
        horizon_h=clock.end_h(sowing.planted_h),
    )


def _before_chance(
    draws: CropDraws,
    clock: Clock,
    handling: Handling,
    *,
    planted_h: float | FloatArray,
    depth_cm: float,
    viability: FloatArray,
    ln_shift: FloatArray,
    seed: int,
    luck: str,
) -> tuple[np.random.Generator, FloatArray, SeedState, FloatArray, FloatArray]:
    """What a sowing has before chance has a say in its seedlings, on one day or on many.

    Returns the generator of its luck, the row's speed, the seed's state, the hour of half
    emergence and the share of the seeds planted that is expected to emerge.
    """
    values = draws.values
    rng = generator(seed, "row", luck)
    row_speed = values["plot_speed_sd"] * rng.standard_normal(draws.rates.size)
    state = seed_state(
        draws.crop, values, draws.rates, handling, depth_cm=depth_cm, ln_shift=row_speed,
        ln_vigour=ln_shift,
    )  # fmt: skip
    half_h = middle_h(clock, planted_h, state)
    share = stand_share(
        draws.crop, values, state, clock, planted_h=planted_h, half_h=half_h, viability=viability
    )
    return rng, row_speed, state, half_h, share


@dataclass(frozen=True, kw_only=True)
class DaysForecast:
    """One sowing on each of many days; all arrays of shape (draw, day).

    Attributes
    ----------
    half_h : ndarray
        Hour at which half of the final stand shows; inf past what is known, NaN where nothing
        emerges or the draw does not know the day.
    stand : ndarray
        Final stand as a share of the seeds planted; NaN where the draw does not know the day.
    """

    half_h: FloatArray
    stand: FloatArray


def forecast_days(
    draws: CropDraws,
    clock: Clock,
    handling: Handling,
    *,
    planted_h: FloatArray,
    depth_cm: float,
    seeds: int,
    viability: FloatArray,
    ln_shift: FloatArray,
    seed: int = 0,
) -> DaysForecast:
    """Draws of the emergence of one sowing on each of many days.

    Parameters
    ----------
    draws, clock, handling, depth_cm, seed
        As for :func:`forecast_row` and :class:`Sowing`; sprouted seed counts from the day it is
        planted.
    planted_h : ndarray, shape (day,)
        Hours of planting.
    seeds : int
        Seeds planted.
    viability, ln_shift : ndarray, shape (draw,) or (draw, day)
        Live share of the lot and its shift of ln thermal time; they change where the lot ages.

    Returns
    -------
    DaysForecast
        Each day has the very draws that :func:`forecast_row` has for a sowing of that day.

    Raises
    ------
    CoverageError
        When the clock does not hold a day.
    """
    rng, _, state, middle, share = _before_chance(
        draws, clock, handling, planted_h=planted_h, depth_cm=depth_cm, viability=viability,
        ln_shift=ln_shift, seed=seed, luck="",
    )  # fmt: skip
    covered = ~np.isnan(middle)
    chances = rng.bit_generator.state
    share = np.where(covered, share, 0.5)
    half_share, stand = np.empty(share.shape), np.empty(share.shape)
    for day in range(planted_h.size):
        rng.bit_generator.state = chances
        seedlings = beta_binomial(share[:, day], seeds, draws.values["plot_stand_rho"], rng)
        half_share[:, day] = order_shares(seedlings, _STAGE_FRACTIONS, rng)[:, 1]
        stand[:, day] = seedlings / max(seeds, 1)
    half = clock.cross(planted_h, state.needed(half_share))
    return DaysForecast(
        half_h=half,  # NaN already where nothing emerges or the day is not known
        stand=np.where(covered, stand, np.nan),
    )


def site_offset(series: xr.DataArray, size: int, seed: int = 0) -> FloatArray:
    """Draws of what is not known of the site, common to all its rows, shape (draw,). [K]"""
    spread = float(series.attrs.get("site_sd_K", 0.0))
    return np.asarray(spread * generator(seed, "site").standard_normal(size))


def clock_for(
    draws: CropDraws,
    soil: xr.DataArray | CourseTable,
    *,
    seed: int = 0,
    slowing: FloatArray | None = None,
) -> ThermalClock:
    """Thermal-time clock of a crop under a soil temperature series at seed depth, or its table."""
    series = soil.series if isinstance(soil, CourseTable) else soil
    offset = site_offset(series, draws.rates.size, seed)
    return ThermalClock(soil, draws.rates, offset=offset, slowing=slowing)


def forecast_constant(
    crop: Crop,
    temperature_C: float,
    *,
    depth_cm: float = TABLE_DEPTH_CM,
    handling: Handling | None = None,
    seeds: int = 100,
    viability: FloatArray | None = None,
    size: int = DRAWS,
    seed: int = 0,
) -> RowForecast:
    """Forecast at a constant temperature, as published tables give it, planted at hour zero.

    Parameters
    ----------
    crop : Crop
        The crop; ``viability`` is one for all seeds when it is not given.
    temperature_C, depth_cm : float
        Soil temperature [degC], and sowing depth; the published table's when absent. [cm]
    handling : Handling, optional
        Treatment; sown dry when absent.
    """
    draws = CropDraws.of(crop, size, seed)
    used = handling or Handling()
    sowing = Sowing(
        row=f"constant {temperature_C:g}",
        crop=crop,
        handling=used,
        started_h=-used.lead_h,
        planted_h=0.0,
        depth_cm=depth_cm,
        seeds_planted=seeds,
    )
    return forecast_row(
        sowing,
        draws,
        ConstantClock(draws=draws.rates, temperature_C=temperature_C),
        viability=np.ones(size) if viability is None else viability,
        ln_shift=np.zeros(size),
        seed=seed,
    )


def emergence_dataset(rows: Sequence[RowForecast]) -> xr.Dataset:
    """Collect rows into one Dataset with dims row, draw and stage.

    Returns
    -------
    xarray.Dataset
        ``emergence_time`` (NaT past the horizon or where nothing emerges), ``stand`` (share of
        the seeds planted) and ``weight`` (sums to one over draws).
    """
    hours = np.stack([row.hours for row in rows])
    finite = np.isfinite(hours)
    stamps = (np.where(finite, hours, 0.0) * 3.6e12).astype("int64").astype("datetime64[ns]")
    stand = np.stack([row.stand for row in rows])
    return xr.Dataset(
        {
            "emergence_time": (
                ("row", "draw", "stage"),
                np.where(finite, stamps, np.datetime64("NaT", "ns")),
                {"long_name": "time at which a stage of emergence is reached, UTC"},
            ),
            "stand": (
                ("row", "draw"),
                stand,
                {"units": "1", "long_name": "final stand as a share of the seeds planted"},
            ),
            "weight": (("row", "draw"), np.stack([row.weights for row in rows])),
        },
        coords={"row": [row.sowing.row for row in rows], "stage": list(STAGES)},
    )
