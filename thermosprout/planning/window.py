"""The sowing window: every day of a season, every treatment and cover, over many years."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import xarray as xr

from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import DaysForecast
from thermosprout.emergence.harvest import CHART_SEASON_C, Air, Growth, HarvestNeed, crop_rate
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.weighted_draws import ODDS, weighted_quantile
from thermosprout.planning.compare import WORTH_DAYS
from thermosprout.planning.options import SOWN_AGAIN_BELOW, Option
from thermosprout.quantities import BoolArray, FloatArray, IntArray
from thermosprout.season.setting import Setting

SEEDLING_D = 28.0
"""For so long after emergence a frost counts against a sowing. [d]"""

SEEDS = 100
"""Seeds planted unless another number is named."""

PROBABILITIES = tuple(ODDS.values())
"""Points at which days are given unless others are named."""

_KNOWN_SHARE = 0.5
"""What is known in less than this share of cases is left open."""

_MEANING = {
    "odds_in_time": ("1", "odds that half of the row shows within {within:g} days"),
    "days_to_half": ("d", "days from planting to half emergence"),
    "stand": ("1", "final stand as a share of the seeds planted, middle of what is expected"),
    "stand_low": ("1", "final stand as a share of the seeds planted, 10 % point"),
    "stand_mean": ("1", "final stand as a share of the seeds planted, mean of what is expected"),
    "days_to_harvest": ("d", "bed-days: days from planting to first harvest"),
    "frost_risk": ("1", "odds of a frost in the four weeks after half emergence"),
    "odds_harvest_before_frost": (
        "1",
        "odds that first harvest comes before the first hard frost of autumn",
    ),
}


def usual_within_d(crop: Crop) -> float:
    """Days in which half of a row should be up: twice as many as in a good season. [d]"""
    centre = crop.estimate.centre()
    rate = max(crop_rate(crop, CHART_SEASON_C[crop.season]), 0.5)
    return float(max(np.ceil(2.0 * centre["thermal_time_50_Cd"] / rate), 10.0))


@dataclass(frozen=True, kw_only=True)
class WindowQuestion:
    """What is the same under all covers and for all treatments.

    Attributes
    ----------
    planted_h : ndarray, shape (day,)
        Hours of planting since 1970-01-01T00:00 UTC, rising.
    need : HarvestNeed
        Thermal time to first harvest, per draw.
    seeds : int
        Seeds planted in the row.
    air : Air, optional
        For harvest and frost; without it harvest runs on soil temperature and frost is not
        known.
    within_d : float
        Days within which half of the row should be up. [d]
    probabilities : tuple of float
        Points at which days are given.
    """

    planted_h: FloatArray
    need: HarvestNeed
    seeds: int = SEEDS
    air: Air | None = None
    within_d: float = 14.0
    probabilities: tuple[float, ...] = PROBABILITIES


def sowing_window(
    question: WindowQuestion,
    beds: Mapping[str, Setting],
    options: Sequence[Option],
    *,
    tick: Callable[[int], None] | None = None,
) -> xr.Dataset:
    """Odds of a good sowing for each day, treatment and cover.

    Parameters
    ----------
    question : WindowQuestion
        Days and what is asked of them.
    beds : mapping of str to Setting
        Crop, lot and soil by cover; one entry for an open bed. A lot that ages has draws of each
        day, (draw, day).
    options : sequence of Option
        Treatments; sprouted seed counts from the day it is planted.
    tick : callable, optional
        Called after each treatment under each cover.

    Returns
    -------
    xarray.Dataset, dims (cover, treatment, sowing [, probability])
        ``odds_in_time``, ``days_to_half``, ``stand``, ``stand_low``, ``stand_mean``,
        ``days_to_harvest``, ``odds_harvest_before_frost`` and ``frost_risk``; infinite days are
        past the horizon. Each day has the draws that a forecast of that day has.

    Raises
    ------
    CoverageError
        When the soil temperature does not hold every sowing day.
    """
    parts: dict[str, list[FloatArray]] = {}
    for bed in beds.values():
        assert isinstance(bed.clock, ThermalClock)  # noqa: S101 (days have a course of temperature)
        # A clock of its own lets go of what it lays out for all days.
        clock = bed.clock.with_draws(bed.draws.rates, like=np.arange(bed.clock.member.size))
        growth = _growth(question, clock)
        for option in options:
            days = replace(bed, clock=clock).days(
                option.handling, question.planted_h, seeds=question.seeds
            )
            for name, values in _figures(question, days, growth).items():
                parts.setdefault(name, []).append(values)
            if tick is not None:
                tick(1)
    return _dataset(question, beds, options, parts)


def _growth(question: WindowQuestion, clock: ThermalClock) -> Growth:
    """Growth on the air of each draw's member, or on the soil for want of it."""
    if question.air is None:
        # Growth does not stop where a seed would: the table without drought.
        soil = clock.table if clock.table.slowing is None else clock.table.series
        return Growth.of(soil, question.need, source="soil temperature", member=clock.member)
    return Growth.of(question.air.table, question.need, member=clock.member)


def _figures(question: WindowQuestion, days: DaysForecast, growth: Growth) -> dict[str, FloatArray]:
    """All figures of one treatment under one cover, each of shape (day[, probability])."""
    planted, half = question.planted_h, days.half_h
    harvest = growth.harvest_h(half)
    finite = ~np.isnan(days.stand)
    with np.errstate(invalid="ignore"):
        in_time = half - planted <= 24.0 * question.within_d
    result = {
        "odds_in_time": _mean_of(in_time, finite),
        "days_to_half": _points((half - planted) / 24.0, question.probabilities),
        "stand": _points(days.stand, (0.5,))[:, 0],
        "stand_low": _points(days.stand, (0.1,))[:, 0],
        "stand_mean": _mostly_known(days.stand, finite),
        "days_to_harvest": _points((harvest - planted) / 24.0, question.probabilities),
    }
    if question.air is not None:
        member = growth.clock.member if isinstance(growth.clock, ThermalClock) else None
        assert member is not None  # noqa: S101 (air is a series)
        result |= _frost(question.air, member[:, None], half, harvest)
    return result


def _frost(
    air: Air, member: IntArray, half: FloatArray, harvest: FloatArray
) -> dict[str, FloatArray]:
    """Odds of a frost on the seedlings, and of a harvest before the first hard frost of autumn."""
    first, last, watched = air.table.first_h, air.table.hours, 24.0 * SEEDLING_D
    inside = np.isfinite(half) & (half - first <= last)
    at = np.clip(np.where(inside, half - first, 0.0), 0, last).astype(np.intp)
    next_frost = air.frost[member, at]
    frosted = inside & (next_frost <= last) & (next_frost - at <= watched)
    watched_out = inside & (frosted | (at + watched <= last))
    first_hard = air.hard_frost[member, np.maximum(at, air.warmest)]
    with np.errstate(invalid="ignore"):
        before = np.floor(harvest - first) <= first_hard
    in_time = inside & np.isfinite(harvest) & before
    # Where a record ends before harvest and frost, nobody knows which would have come first.
    decided = inside & (np.isfinite(harvest) | (first_hard <= last))
    return {
        "frost_risk": _mostly_known(frosted, watched_out),
        "odds_harvest_before_frost": _mostly_known(in_time, decided),
    }


def _mean_of(values: FloatArray | BoolArray, among: BoolArray) -> FloatArray:
    """Mean over the known draws of each day; of flags their share."""
    with np.errstate(invalid="ignore", divide="ignore"):
        return np.asarray(np.where(among, values, 0).sum(axis=0) / among.sum(axis=0))


def _mostly_known(values: FloatArray | BoolArray, among: BoolArray) -> FloatArray:
    """Mean over what is known; NaN where that is less than half."""
    return np.where(among.mean(axis=0) >= _KNOWN_SHARE, _mean_of(values, among), np.nan)


def _points(values: FloatArray, probabilities: Sequence[float]) -> FloatArray:
    """Quantiles of (draw, day), shape (day, probability)."""
    weights = np.full(values.shape[0], 1.0 / values.shape[0])
    return weighted_quantile(values, weights, probabilities).T


def _dataset(
    question: WindowQuestion,
    beds: Mapping[str, Setting],
    options: Sequence[Option],
    parts: Mapping[str, list[FloatArray]],
) -> xr.Dataset:
    """Lay the figures out with CF attributes."""
    shape = (len(beds), len(options))
    dims = ("cover", "treatment", "sowing")
    variables = {}
    for name, values in parts.items():
        stacked = np.stack(values)
        units, meaning = _MEANING[name]
        variables[name] = (
            dims if stacked.ndim == 2 else (*dims, "probability"),
            stacked.reshape(*shape, *stacked.shape[1:]),
            {"units": units, "long_name": meaning.format(within=question.within_d)},
        )
    stamps = (question.planted_h * 3.6e12).astype("int64").astype("datetime64[ns]")
    bed = next(iter(beds.values()))
    assert isinstance(bed.clock, ThermalClock)  # noqa: S101 (as above)
    crop = bed.crop
    window = xr.Dataset(
        variables,
        coords={
            "cover": list(beds),
            "treatment": [option.name for option in options],
            "sowing": ("sowing", stamps, {"standard_name": "time", "long_name": "planting, UTC"}),
            "probability": (
                "probability",
                np.asarray(question.probabilities, dtype=float),
                {"units": "1", "long_name": "odds that it comes no later"},
            ),
        },
        attrs={
            "Conventions": "CF-1.11",
            "title": f"Sowing window of {crop.common_name}",
            "crop": crop.name,
            "called": crop.common_name,
            "harvest_on": "soil temperature" if question.air is None else "air temperature",
            "harvest_from_chart": int(question.need.published),
            "within_days": question.within_d,
            "seeds_planted": question.seeds,
            "tender": int(crop.tender),
            "members": bed.clock.table.members,
        },
    )
    window["cover"].attrs = {"long_name": "seedbed cover"}
    window["treatment"].attrs = {"long_name": "how the seed is handled before planting"}
    return window


def window_netcdf(window: xr.Dataset) -> bytes:
    """The window as a CF NetCDF file; days that are past the horizon are missing values."""
    from tempfile import TemporaryDirectory

    finite = window.map(lambda values: values.where(np.isfinite(values)), keep_attrs=True)
    finite.attrs = dict(window.attrs)
    encoding = {name: {"_FillValue": np.nan, "dtype": "float32"} for name in finite.data_vars}
    # CF allows no missing values in coordinates.
    encoding["probability"] = {"_FillValue": None}
    encoding["sowing"] = {"units": "minutes since 1970-01-01 00:00:00", "dtype": "int64"}
    with TemporaryDirectory() as folder:
        path = Path(folder) / "window.nc"
        finite.to_netcdf(path, engine="h5netcdf", encoding=encoding)
        return path.read_bytes()


IN_TIME_ODDS = 0.8
STAND_OF_BEST = 0.8
FROST_RISK = 0.1
HARVEST_ODDS = 0.8

_IN_A_ROW = 7


@dataclass(frozen=True, kw_only=True)
class SensibleDays:
    """Days of one cover and treatment; None where no day of the window will do.

    Attributes
    ----------
    earliest, last : numpy.datetime64 or None
        Planting, UTC.
    early_reason, late_reason : str
        What stands in the way before the earliest and after the last day.
    """

    cover: str
    treatment: str
    earliest: np.datetime64 | None
    last: np.datetime64 | None
    early_reason: str
    late_reason: str


def sensible_days(window: xr.Dataset) -> tuple[SensibleDays, ...]:
    """Find the sensible days for each cover and treatment of a :func:`sowing_window`."""
    return tuple(_sensible(one) for one in each_way(window))


def each_way(window: xr.Dataset) -> Iterator[xr.Dataset]:
    """Days of each cover and treatment of a sowing window, in order."""
    for cover in window["cover"].values:
        for treatment in window["treatment"].values:
            yield window.sel(cover=cover, treatment=treatment)


@dataclass(frozen=True, kw_only=True)
class BestDay:
    """Planting with the fewest bed-days per full row, from the first day of a window on.

    Attributes
    ----------
    wait_d : float
        Days that the bed waits for it. [d]
    bed_days : float
        Waiting and growing to first harvest, in the middle of what is expected. [d]
    stand : float
        Final stand as a share of the seeds planted, in the middle of what is expected.
    """

    cover: str
    treatment: str
    day: np.datetime64
    wait_d: float
    bed_days: float
    stand: float


def best_day(window: xr.Dataset) -> BestDay | None:
    """Find the day, treatment and cover with the fewest bed-days per full row.

    Parameters
    ----------
    window : xarray.Dataset
        Its first day is the day the bed is free.

    Returns
    -------
    BestDay or None
        None where first harvest is not seen.

    Notes
    -----
    A cover or more handling must save :data:`WORTH_DAYS`, counted from the first treatment under
    the first cover on the first day, and of days that are alike within as much the first is best.
    The row is taken as full at the best stand of the window; a stand less full costs bed-days in
    proportion, as gaps use the bed too.
    """
    days = window["days_to_harvest"].sel(probability=0.5, method="nearest").values
    stand = window["stand"].values
    stamps = window["sowing"].values
    wait = (stamps - stamps[0]) / np.timedelta64(1, "D")
    # The middle of a count of seedlings moves by whole ones, which would choose days by chance.
    mean = window["stand_mean"].values
    full = np.clip(mean / max(float(np.nanmax(mean, initial=0.0)), 1e-9), SOWN_AGAIN_BELOW, 1.0)
    cost = np.where(np.isfinite(days), (wait + days) / full, np.inf)
    if not np.isfinite(cost).any():
        return None
    alike = np.where(cost < cost.min() + WORTH_DAYS, cost, np.inf)
    day = int(np.argmax(np.isfinite(alike).any(axis=(0, 1))))
    cover, treatment = divmod(int(np.argmin(alike[..., day])), cost.shape[1])
    if cost[0, 0, 0] - cost[cover, treatment, day] < WORTH_DAYS:
        cover, treatment, day = 0, 0, 0
    return BestDay(
        cover=str(window["cover"].values[cover]),
        treatment=str(window["treatment"].values[treatment]),
        day=stamps[day],
        wait_d=float(wait[day]),
        bed_days=float(wait[day] + days[cover, treatment, day]),
        stand=float(stand[cover, treatment, day]),
    )


def _sensible(one: xr.Dataset) -> SensibleDays:
    stamps, stand, days = one["sowing"].values, one["stand"].values, one.attrs["within_days"]
    tests: list[tuple[BoolArray, str]] = [
        (
            one["odds_in_time"].values >= IN_TIME_ODDS,
            f"half the row would take longer than {days:g} days to come up",
        ),
        (stand >= STAND_OF_BEST * np.nanmax(stand, initial=0.0), "too many seeds are lost"),
    ]
    if "frost_risk" in one and one.attrs["tender"]:
        frost = _where_known(one["frost_risk"].values, high=FROST_RISK)
        tests.append((frost, "frost may take the seedlings"))
    if "odds_harvest_before_frost" in one:
        before = _where_known(one["odds_harvest_before_frost"].values, low=HARVEST_ODDS)
        tests.append((before, "first harvest may not come before the first hard frost"))
    good = np.logical_and.reduce([passed for passed, _ in tests])
    first = _first_run(good)
    earliest = last = None
    if first is None:
        share = np.mean([passed for passed, _ in tests], axis=1)
        early, late = f"no suitable day: {tests[int(np.argmin(share))][1]}", ""
    else:
        final = int(np.flatnonzero(good)[-1])
        earliest, last = stamps[first], stamps[final]
        early, late = _why_not(tests, first - 1), _why_not(tests, final + 1)
    return SensibleDays(
        cover=str(one["cover"].values),
        treatment=str(one["treatment"].values),
        earliest=earliest,
        last=last,
        early_reason=early,
        late_reason=late,
    )


def _where_known(values: FloatArray, *, low: float = 0.0, high: float = 1.0) -> BoolArray:
    """Whether values lie between bounds; what is not known stands in nobody's way."""
    return np.asarray(np.isnan(values) | ((values >= low) & (values <= high)))


def _first_run(good: BoolArray) -> int | None:
    """First day of the first week that is good throughout (or to the window's end)."""
    length = min(_IN_A_ROW, good.size)
    runs = np.convolve(good.astype(int), np.ones(length, dtype=int), mode="valid") == length
    return int(np.argmax(runs)) if runs.any() else None


def _why_not(tests: list[tuple[BoolArray, str]], day: int) -> str:
    if not 0 <= day < tests[0][0].size:
        return "the window ends there"
    reasons = [reason for passed, reason in tests if not passed[day]]
    return reasons[0] if reasons else "the weeks beside it are not good throughout"
