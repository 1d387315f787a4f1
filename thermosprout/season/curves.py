"""Curves of a season's rows for pictures and the page: seedlings and soil through time."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import xarray as xr

from thermosprout.emergence.weighted_draws import ODDS, weighted_quantile
from thermosprout.quantities import FloatArray
from thermosprout.season.forecast import RowAnswer, SeasonForecast
from thermosprout.season.schema import hours, local
from thermosprout.soil.series import hours_since_epoch

_STEP_H = 6.0


@dataclass(frozen=True, kw_only=True)
class EmergenceCurve:
    """Seedlings expected through time for one row, and the soil it lies in.

    Attributes
    ----------
    when : list of datetime, length k
        Local times.
    low, middle, high : ndarray, shape (k,)
        10, 50 and 90 % odds of the number of seedlings that show, per 100 seeds planted.
    soil_when, soil_C : list of datetime, ndarray
        Daily mean soil temperature at seed depth, with its 10 and 90 % odds where it has members.
    counts : list of (datetime, float)
        What was counted, per 100 seeds planted.
    """

    row: str
    title: str
    treatment: str
    planted: datetime
    started: datetime
    today: datetime
    when: list[datetime]
    low: FloatArray
    middle: FloatArray
    high: FloatArray
    soil_when: list[datetime]
    soil_C: FloatArray
    soil_low_C: FloatArray
    soil_high_C: FloatArray
    counts: list[tuple[datetime, float]]


def emergence_curves(result: SeasonForecast) -> list[EmergenceCurve]:
    """One curve per row, from a few days before planting to when waiting ends."""
    return [_curve(answer, result) for answer in result.rows]


def _curve(answer: RowAnswer, result: SeasonForecast) -> EmergenceCurve:
    forecast = answer.forecast
    sowing = forecast.sowing
    zone = result.season.data.site.zone
    late = forecast.stage_quantile("full", [0.9])[0]
    last = late + 72.0 if np.isfinite(late) else forecast.horizon_h
    counted = max((count.hour for count in answer.counts), default=sowing.planted_h)
    last = min(
        max(last, sowing.planted_h + 96.0, counted + 24.0),
        forecast.horizon_h,
        sowing.planted_h + 24 * 120,
    )
    at = np.arange(sowing.planted_h, last + _STEP_H, _STEP_H)
    shown = forecast.emerged_share(at) * forecast.seedlings[:, None] / sowing.seeds_planted * 100
    low, middle, high = weighted_quantile(shown, forecast.weights, list(ODDS.values()))
    soil_h, soil = _soil_daily(
        result.context.supply.at(sowing.depth_cm, answer.cover), sowing.planted_h - 72.0, last
    )
    return EmergenceCurve(
        row=sowing.row,
        title=" ".join(filter(None, (answer.called, answer.row.variety))),
        treatment=str(sowing.handling.treatment),
        planted=local(sowing.planted_h, zone),
        started=local(sowing.started_h, zone),
        today=local(hours(result.as_of), zone),
        when=[local(hour, zone) for hour in at],
        low=low,
        middle=middle,
        high=high,
        soil_when=[local(hour, zone) for hour in soil_h],
        soil_C=soil[1],
        soil_low_C=soil[0],
        soil_high_C=soil[2],
        counts=[
            (local(count.hour, zone), 100.0 * count.emerged / sowing.seeds_planted)
            for count in answer.counts
        ],
    )


def _soil_daily(
    series: xr.DataArray, start_h: float, end_h: float
) -> tuple[FloatArray, FloatArray]:
    """Daily means of a series between two hours, with the odds over its members."""
    hour = hours_since_epoch(series["time"].values)
    inside = (hour >= start_h) & (hour <= end_h)
    values = np.atleast_2d(series.values)[:, inside]
    days = values.shape[1] // 24
    means = values[:, : days * 24].reshape(values.shape[0], days, 24).mean(axis=2)
    middle = hour[inside][: days * 24].reshape(days, 24).mean(axis=1)
    return middle, np.quantile(means, [0.1, 0.5, 0.9], axis=0)
