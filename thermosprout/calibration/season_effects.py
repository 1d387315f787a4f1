"""What a planting, a season and an untested lot have of their own.

Soil temperature is not exact, a season on a site is early or late for reasons nobody recorded,
and seed that nobody tested is alive in a share that is known only roughly. None of that is the
crop's. Each gets an entry of its own in the vector that is fitted, so that it is not taken for
speed or vigour of the crop, and the crop's figures stay as unsure as they are.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.calibration.hierarchy import Layers
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.calibration.temperatures import middle_h
from thermosprout.emergence.response import ResponseDraws
from thermosprout.soil.model.ground import fitted_parameters

MEASURED_SD_K = 0.5
"""Error of a series that states none: the thermometer, its depth and its place in the bed (common
practice, no source). [K]"""

SPEED, STAND, ALIVE = 0, 1, 2
"""Places in the shifts of a plot: ln thermal time, logit of field factor, logit of viability."""

_STEP_K = 0.5


def with_effects(model: Model) -> Layers:
    """Layers of a model with entries for its plantings, seasons and untested lots.

    Parameters
    ----------
    model : Model
        Its layers leave a part of the spread to seasons.

    Returns
    -------
    Layers
        Plots at a constant temperature have neither season nor soil error.
    """
    layers = model.layers
    rows = [i for i, plot in enumerate(model.plots) if plot.constant_C is None]
    layers = _plantings(model, layers, rows)
    layers = _seasons(model, layers, [i for i in rows if model.plots[i].noted_h is None])
    return _lots(model, layers)


def model_with_effects(model: Model) -> Model:
    """Model with the layers of :func:`with_effects`."""
    model.layers = with_effects(model)
    return model


def season_of(plot: Plot) -> int:
    """Calendar year (UTC) of planting."""
    stamp = np.datetime64(round(plot.planted_h * 3600.0), "s")
    return int(stamp.astype("datetime64[Y]").astype(int)) + 1970


def _plantings(model: Model, layers: Layers, rows: list[int]) -> Layers:
    """One shift of ln thermal time for each day of planting under each series.

    It joins what the season has of its own and what the error of the soil temperature does: a
    lasting part, one of months and one of days, as the soil model's own errors persist, scaled to
    the error that the series states.
    """
    if not rows:
        return layers
    groups: dict[tuple[int, int, int], list[int]] = defaultdict(list)
    for i in rows:
        plot = model.plots[i]
        groups[model.series_of(plot), season_of(plot), int(plot.planted_h // 24)].append(i)
    keys = sorted(groups)
    slopes = np.array([_slope(model, groups[key]) for key in keys])
    centres, lengths = np.array([_span(model, groups[key]) for key in keys]).T
    errors = np.array([_error(model, key[0]) for key in keys])
    series, seasons, _ = (np.array(column) for column in zip(*keys, strict=True))
    same_series = series[:, None] == series[None, :]
    covariance = (
        np.outer(slopes * errors, slopes * errors) * _persistence(centres, lengths) * same_series
    )
    same_season = same_series & (seasons[:, None] == seasons[None, :])
    covariance = covariance + layers.season_sd("thermal_time_50_Cd") ** 2 * same_season
    maps = np.zeros((len(model.plots), 3, len(keys)))
    for column, key in enumerate(keys):
        maps[groups[key], SPEED, column] = 1.0
    names = [f"planting {_day(key[2])}#{key[0]}:ln_time" for key in keys]
    return layers.with_shifts(names, covariance, maps)


def _persistence(centres: FloatArray, lengths: FloatArray) -> FloatArray:
    """Covariance of the mean error of spans, as a share of the square of the stated error.

    Parameters
    ----------
    centres, lengths : ndarray, shape (span,)
        Middle and length of the spans. [d]
    """
    ground = fitted_parameters()
    lasting, months = ground.site_shift_sd_K**2, ground.monthly_sd_K**2
    days = ground.daily_sd_K**2
    apart = np.abs(centres[:, None] - centres[None, :])
    # The mean over a span of an error that fades: two-sided memory over the length.
    shrink = np.minimum(1.0, 2.0 * ground.daily_memory_d / np.maximum(lengths, 1.0))
    fading = np.sqrt(np.outer(shrink, shrink)) * np.exp(-apart / ground.daily_memory_d)
    total = lasting + months * np.exp(-apart / ground.monthly_memory_d) + days * fading
    return np.asarray(total / (lasting + months))


def _slope(model: Model, rows: list[int]) -> float:
    """How much a kelvin warmer shortens ln thermal time at what the plots saw. [1/K]"""
    plot = min((model.plots[i] for i in rows), key=lambda plot: plot.planted_h)
    estimate = model.layers.estimate
    values = estimate.natural(estimate.mean[None])
    rates = ResponseDraws.from_draws(model.crop.response, values)
    seen = model.temperature(plot, plot.planted_h + 24.0 * _span(model, rows)[1])

    def mean(more: float) -> float:
        return max(float(rates.at(seen[None, :] + more).mean()), 0.05)

    return float(np.log(mean(_STEP_K) / mean(-_STEP_K)) / (2.0 * _STEP_K))


def _span(model: Model, rows: list[int]) -> tuple[float, float]:
    """Middle and length of the time from planting to half emergence. [d]"""
    plots = [model.plots[i] for i in rows]
    length = float(np.median([max(middle_h(plot) - plot.planted_h, 24.0) for plot in plots])) / 24.0
    return min(plot.planted_h for plot in plots) / 24.0 + 0.5 * length, length


def _error(model: Model, series: int) -> float:
    stated = model.series[series].attrs.get("site_sd_K")
    return MEASURED_SD_K if stated is None else float(stated)


def _seasons(model: Model, layers: Layers, rows: list[int]) -> Layers:
    """One shift of the stand for each season under each series."""
    if not rows:
        return layers
    keys = [(model.series_of(model.plots[i]), season_of(model.plots[i])) for i in rows]
    there = sorted(set(keys))
    maps = np.zeros((len(model.plots), 3, len(there)))
    for i, key in zip(rows, keys, strict=True):
        maps[i, STAND, there.index(key)] = 1.0
    spread = layers.season_sd("field_factor") ** 2 * np.eye(len(there))
    return layers.with_shifts([f"season {year}#{s}:stand" for s, year in there], spread, maps)


def _lots(model: Model, layers: Layers) -> Layers:
    """One shift of viability for each lot whose viability is not known exactly."""
    rows = [i for i, p in enumerate(model.plots) if p.viability_sd > 0 and not p.dish]
    rows = [i for i in rows if model.plots[i].noted_h is None]
    if not rows:
        return layers
    keys = [(model.plots[i].variety or "", model.plots[i].seed_lot or "") for i in rows]
    there = sorted(set(keys))
    maps = np.zeros((len(model.plots), 3, len(there)))
    spread = np.zeros(len(there))
    for i, key in zip(rows, keys, strict=True):
        maps[i, ALIVE, there.index(key)] = 1.0
        spread[there.index(key)] = model.plots[i].viability_sd
    names = [f"viability {'/'.join(key)}:alive" for key in there]
    return layers.with_shifts(names, np.diag(np.square(spread)), maps)


def _day(day: int) -> str:
    return str(np.datetime64(day, "D"))


__all__ = ["MEASURED_SD_K", "model_with_effects", "season_of", "with_effects"]
