"""How well forecasts do on plots that were left out, before and after calibration, and rivals."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from enum import StrEnum
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.calibration.fit import base_from_prior, fit_with_prior
from thermosprout.calibration.plots import Plot, half_emergence_d
from thermosprout.calibration.predict import Model, temperatures_of
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.forecast import (
    CropDraws,
    Sowing,
    clock_for,
    forecast_constant,
    forecast_row,
    generator,
)
from thermosprout.emergence.thermal_time import ConstantClock, ThermalClock
from thermosprout.emergence.weighted_draws import weighted_quantile
from thermosprout.errors import CoverageError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.special import expit, logit

DRAWS = 500
PACKET_C = 18.0
"""Soil temperature that stands for the "days to emergence" on a packet (common practice, no
source). [degC]"""


class LeftOut(StrEnum):
    """What is left out at a time."""

    PLOT = "plot"
    DATE = "date"
    SEASON = "season"


@dataclass(frozen=True, kw_only=True)
class Score:
    """Scores of one way to forecast.

    Attributes
    ----------
    plots : int
        Plots scored.
    date_crps_d, date_error_d : float
        Mean continuous ranked probability score and mean absolute error of the median, of the
        day of half emergence. [d]
    date_covered : float or None
        Share of plots inside the 80 % interval; None for rivals, which give one day.
    stand_crps, stand_covered : float or None
        The same for the final stand as a share of the seeds planted.
    """

    name: str
    plots: int
    date_crps_d: float
    date_error_d: float
    date_covered: float | None
    stand_crps: float | None
    stand_covered: float | None


def crps(draws: FloatArray, observation: float) -> float:
    """Continuous ranked probability score of draws, in the unit of the draws.

    Parameters
    ----------
    draws : ndarray, shape (draw,)
        Equally likely; inf is cut to the latest finite draw or the observation, if that is later.
    observation : float

    Notes
    -----
    Fair estimator of Gneiting & Raftery (2007), J. Am. Stat. Assoc. 102:359-378, eq. 21, by
    order statistics.
    """
    values = draws[~np.isnan(draws)]
    if values.size == 0:
        return float("nan")
    finite = values[np.isfinite(values)]
    latest = max(float(finite.max()) if finite.size else observation, observation)
    values = np.sort(np.minimum(values, latest))
    size = values.size
    weights = 2.0 * np.arange(1, size + 1) - size - 1.0
    spread = float((weights * values).sum()) / (size * max(size - 1, 1))
    return float(np.abs(values - observation).mean()) - spread


def forecast_draws(
    crop: Crop,
    estimate: Estimate,
    plot: Plot,
    series: Sequence[xr.DataArray],
    *,
    size: int = DRAWS,
    seed: int = 0,
) -> tuple[FloatArray, FloatArray | None]:
    """Forecast a plot as on the day of planting, its soil temperature being known.

    Returns
    -------
    tuple of ndarray, shape (draw,), and (ndarray, shape (draw,), or None)
        Days from planting to half emergence (inf where not reached, NaN where nothing comes), and
        the final stand as a share of the seeds planted, None for dishes and for sowings without
        counts.

    Raises
    ------
    CoverageError
        When no series covers the plot.
    """
    draws = CropDraws.of(replace(crop, estimate=estimate), size, seed)
    clock: ConstantClock | ThermalClock
    if plot.constant_C is not None:
        clock = ConstantClock(draws=draws.rates, temperature_C=plot.constant_C)
    else:
        clock = clock_for(draws, _covering(plot, series), seed=seed)
    noted = plot.noted_h is not None
    sowing = Sowing(
        row=plot.name, crop=draws.crop, handling=plot.handling, started_h=plot.planted_h,
        planted_h=plot.planted_h, depth_cm=plot.depth_cm, seeds_planted=plot.seeds or 200,
    )  # fmt: skip
    row = forecast_row(
        sowing, draws, clock, viability=_viability(plot, size, seed), ln_shift=np.zeros(size),
        seed=seed,
    )  # fmt: skip
    if plot.dish:
        germination = draws.values["germination_share"] * draws.values["thermal_time_50_Cd"]
        target = (germination * np.exp(row.row_speed))[:, None]
        half = clock.cross(plot.planted_h, target)[:, 0]
        return (half - plot.planted_h) / 24.0, None
    half = (row.hours[:, 1] - plot.planted_h) / 24.0
    return half, None if noted else row.seedlings / plot.seeds


def _viability(plot: Plot, size: int, seed: int) -> FloatArray:
    """Draws of the share of live seed in a plot's lot, shape (size,)."""
    if plot.viability_sd <= 0:
        return np.full(size, plot.viability)
    noise = generator(seed, "viability").standard_normal(size)
    return np.asarray(expit(logit(plot.viability) + plot.viability_sd * noise))


def _covering(plot: Plot, series: Sequence[xr.DataArray]) -> xr.DataArray:
    stamp = np.datetime64(round(plot.planted_h * 3600), "s").astype("datetime64[ns]")
    for part in series:
        if part["time"].values[0] <= stamp <= part["time"].values[-1]:
            return part
    raise CoverageError(f"no soil temperature covers the planting of plot {plot.name}")


def check(
    crop: Crop,
    plots: Sequence[Plot],
    series: Sequence[xr.DataArray] = (),
    *,
    left_out: LeftOut,
    packet_d: float | None = None,
    timezone: str = "UTC",
    folds: int | None = None,
    seed: int = 0,
    tick: Callable[[int], None] | None = None,
) -> tuple[Score, ...]:
    """Leave plots out in turn, calibrate on the others, and score forecasts of those left out.

    Parameters
    ----------
    crop : Crop
        With its estimate before any records.
    plots, series
        As for :func:`thermosprout.calibration.result.calibrate`.
    left_out : LeftOut
        One plot, all plots planted on one date, or all of one year at a time.
    packet_d : float, optional
        Days to emergence on the seed packet; by default what the crop needs at 18 degC.
    timezone : str
        IANA time zone of the dates.
    folds : int, optional
        Refits at most: neighbouring dates or seasons are left out together.
    seed : int
        Of the random numbers.
    tick : callable, optional
        Called with one after each refit.

    Returns
    -------
    tuple of Score
        Catalogue, calibrated, packet, and mean of the other plots.

    Raises
    ------
    InputError
        When there is nothing to leave out.
    """
    groups = left_out_groups(plots, left_out, timezone)
    if len(groups) < 2:
        raise InputError(
            f"all plots are of one {left_out}, so none can be left out",
            hint="check by plot or by date" if left_out is LeftOut.SEASON else "",
        )
    if folds is not None and len(groups) > folds:
        groups = _merged(groups, folds)
    packet = packet_days(crop, seed=seed) if packet_d is None else packet_d
    tables: dict[str, list[dict[str, float]]] = {name: [] for name in NAMES}
    for group in groups:
        rest = [plot for plot in plots if plot not in group]
        fit = fit_with_prior(crop, rest, series, seed=seed)
        if not temperatures_of(Model(crop, rest, fit.layers, series)).wide_enough:
            fit = base_from_prior(fit)
        names = {(plot.variety, plot.seed_lot) for plot in rest}
        for plot in group:
            level = _nearest(plot, names)
            for name, estimate in (
                ("catalogue", crop.estimate), ("calibrated", fit.estimate(*level)),
            ):  # fmt: skip
                half, stand = forecast_draws(crop, estimate, plot, series, seed=seed)
                tables[name].append(score_of(plot, half, stand))
            tables["packet"].append(score_of(plot, np.array([packet]), None))
            mean = _mean_of(plot, rest)
            tables["mean of the others"].append(score_of(plot, np.array([mean]), None))
        if tick is not None:
            tick(1)
    return tuple(mean_score(name, scores) for name, scores in tables.items())


NAMES = ("catalogue", "calibrated", "packet", "mean of the others")
"""Ways to forecast that are scored."""


def packet_days(crop: Crop, *, seed: int = 0) -> float:
    """Days to half emergence at the temperature packets have in mind. [d]"""
    row = forecast_constant(crop, PACKET_C, size=DRAWS, seed=seed)
    return float(row.stage_quantile("half", [0.5])[0]) / 24.0


def left_out_groups(
    plots: Sequence[Plot], left_out: LeftOut, timezone: str = "UTC"
) -> list[list[Plot]]:
    """Plots that are left out together, by their days in a time zone."""
    groups: dict[object, list[Plot]] = {}
    for plot in plots:
        day = datetime.fromtimestamp(plot.planted_h * 3600.0, tz=ZoneInfo(timezone)).date()
        keys = {LeftOut.PLOT: plot.name, LeftOut.DATE: day, LeftOut.SEASON: day.year}
        groups.setdefault(keys[left_out], []).append(plot)
    return list(groups.values())


def _merged(groups: list[list[Plot]], folds: int) -> list[list[Plot]]:
    """Groups in order of planting, neighbours joined until there are as few as asked for."""
    ordered = sorted(groups, key=lambda group: group[0].planted_h)
    parts = np.array_split(np.arange(len(ordered)), folds)
    return [[plot for i in part for plot in ordered[i]] for part in parts]


WORSE = 1.1
"""Ratio of mean scores above which a calibration makes forecasts worse."""


def widest_left_out(plots: Sequence[Plot], timezone: str = "UTC") -> LeftOut | None:
    """Leave out seasons where there are several, else dates; None where there is one date."""
    for left_out in (LeftOut.SEASON, LeftOut.DATE):
        if len(left_out_groups(plots, left_out, timezone)) > 1:
            return left_out
    return None


def worse_forecasts(scores: Sequence[Score]) -> str | None:
    """Say that forecasts get worse with a calibration, where its scores do."""
    by_name = {score.name: score for score in scores}
    before, after = by_name["catalogue"], by_name["calibrated"]
    if not after.date_crps_d > WORSE * before.date_crps_d:
        return None
    return (
        "forecasts of what was left out get worse with this calibration: score "
        f"{after.date_crps_d:.2f} d, before {before.date_crps_d:.2f} d; usual error "
        f"{after.date_error_d:.1f} d, before {before.date_error_d:.1f} d"
    )


def _nearest(
    plot: Plot, names: set[tuple[str | None, str | None]]
) -> tuple[str | None, str | None]:
    """Lot, else variety, else crop: the closest of which other plots know something."""
    if (plot.variety, plot.seed_lot) in names:
        return plot.variety, plot.seed_lot
    if any(variety == plot.variety for variety, _ in names):
        return plot.variety, None
    return None, None


def _mean_of(plot: Plot, rest: Sequence[Plot]) -> float:
    """Mean day of half emergence of other plots, of the same treatment where there are any."""
    same = [other for other in rest if other.treatment == plot.treatment]
    for others in (same, rest):
        days = [day for day in map(half_emergence_d, others) if day is not None]
        if days:
            return float(np.mean(days))
    return float("nan")


_FIGURES = ("date_crps_d", "date_error_d", "date_covered", "stand_crps", "stand_covered")


def score_of(plot: Plot, half: FloatArray, stand: FloatArray | None) -> dict[str, float]:
    """Scores of one forecast of one plot; NaN where there is nothing to score.

    Parameters
    ----------
    half, stand : ndarray, shape (draw,)
        As :func:`forecast_draws` gives them.
    """
    half_d = half_emergence_d(plot)
    scores = dict.fromkeys(_FIGURES, np.nan)
    if half_d is not None:
        low, middle, high = weighted_quantile(half, np.ones(half.size), [0.1, 0.5, 0.9])
        if not np.isfinite(middle):  # never in most draws: the latest day that any of them gives
            middle = max(half[np.isfinite(half)], default=np.nan)
        scores["date_crps_d"] = crps(half, half_d)
        scores["date_error_d"] = abs(middle - half_d)
        scores["date_covered"] = float(low <= half_d <= high)
    if stand is not None:
        share = plot.emerged / plot.seeds
        low, high = np.quantile(stand, [0.1, 0.9])
        scores["stand_crps"] = crps(stand, share)
        scores["stand_covered"] = float(low <= share <= high)
    return scores


def mean_score(name: str, scores: Sequence[dict[str, float]]) -> Score:
    """Mean over plots of the scores of one way to forecast."""
    table = pd.DataFrame(scores, columns=_FIGURES).replace(np.inf, np.nan)
    means: dict[str, Any] = dict(zip(_FIGURES, table.mean().tolist(), strict=True))
    if name in ("packet", "mean of the others"):
        means["date_covered"] = np.nan
    for figure in ("date_covered", "stand_crps", "stand_covered"):
        means[figure] = None if np.isnan(means[figure]) else means[figure]
    return Score(name=name, plots=len(table), **means)
