"""One correction of a series by readings of its site, whatever command asks for it.

Sward, shade, soil and slope set a site off by about a degree, which no weather can know. A few
thermometer readings, or a logger for a while, are weighed against how sites differ: a shift that
stays, differences of the ground that act through the weather, errors of months and of days that
fade, and the daily swing. How large each is, and how fast it fades, was learnt across stations.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import LOAM, fitted_parameters, soil_type
from thermosprout.soil.model.run import running_mean
from thermosprout.soil.model.surface import cover_named
from thermosprout.soil.model.temperature import site_effects
from thermosprout.soil.series import hours_since_epoch, site_scale, site_spread
from thermosprout.soil.site_readings import (
    Beside,
    ReadingKind,
    beside,
    stated_kind,
    trailing,
    valid_readings,
)

READING_SD_K = {ReadingKind.INSTANT: 0.6, ReadingKind.DAY: 0.3, ReadingKind.MAX_MIN: 0.8}
"""Of a kitchen or soil thermometer, its depth and its reader (0.4 K), with the cloud of that hour,
which no model of the day knows; less for the mean of many readings, more for the ends of a day.
[K] Common practice, no source."""
SWING_SD = 0.35
"""Prior sd of the factor on the daily swing, and of its lateness as a share of the swing: what
damps a wave in the ground by a share delays it by as many radians (Carslaw & Jaeger 1959, section
2.6), so 0.35 is an hour and a half. Assumption: swards and soils that damp the swing by a third
more or less are usual."""
DAY_EVIDENCE = 2.0
"""How much the log evidence must speak for means of days. Assumption: odds of seven to one."""
WEEKS_D, SEASON_D = 21, 150
"""Lengths of the coming weeks and of the season, over which the spread of the mean is told. [d]"""
AHEAD_D = 30.0
"""The spread that forecasts draw is that of three weeks around this long after the last reading:
most rows lie in the ground then. [d]"""
RANGE_80 = 1.2816
"""Half the 80 % range of a normal distribution, in standard deviations."""
_CHUNK = 20_000


@dataclass(frozen=True, kw_only=True)
class Correction:
    """What readings say about a site.

    Attributes
    ----------
    series : xarray.DataArray, dims ([member,] time)
        The corrected series [degC]; ``attrs["site_sd_K"]`` is the spread that forecasts draw,
        under the usual sun.
    offset_K : float
        Mean of the lasting shift over the time of the readings. [K]
    offset_sd_K, weeks_sd_K : float
        One standard deviation of what is left in the mean of the season (150 days), and of the
        three weeks after the last reading. [K]
    swing, swing_sd : float
        Factor on the daily swing (1 = none) and its standard deviation.
    readings, days : int
        Number that fell into the series, and the days they were taken on.
    kind : ReadingKind
        What the readings are.
    before_bias_K, before_rmse_K : float
        Of the series against the readings before the correction. [K]
    """

    series: xr.DataArray
    offset_K: float
    offset_sd_K: float
    weeks_sd_K: float
    swing: float
    swing_sd: float
    readings: int
    days: int
    kind: ReadingKind
    before_bias_K: float
    before_rmse_K: float

    def sentence(self) -> str:
        """Plain words for the grower."""
        if not self.readings:
            return (
                f"no readings: the mean of a row's weeks may differ by ± {self.weeks_sd_K:.1f} °C "
                f"(one standard deviation; 80 % range ± {RANGE_80 * self.weeks_sd_K:.1f} °C)"
            )
        weeks, season = self.weeks_sd_K, self.offset_sd_K
        return (
            f"{self._origin()}: shifted by {self.offset_K:+.1f} °C, daily swing x "
            f"{self.swing:.2f}; what is left is ± {weeks:.1f} °C over the coming weeks and "
            f"± {season:.1f} °C over the season (one standard deviation; 80 % range "
            f"± {RANGE_80 * weeks:.1f} and ± {RANGE_80 * season:.1f} °C)"
        )

    def to_dict(self) -> dict[str, Any]:
        """Entries of the JSON document; what no reading tells is null."""
        entries = {
            "offset_K": self.offset_K,
            "offset_sd_K": self.offset_sd_K,
            "weeks_sd_K": self.weeks_sd_K,
            "swing": self.swing,
            "swing_sd": self.swing_sd,
            "before_bias_K": self.before_bias_K,
            "before_rmse_K": self.before_rmse_K,
        }
        return {
            "readings": self.readings,
            "days": self.days,
            "kind": self.kind.value,
            **{name: round(v, 3) if np.isfinite(v) else None for name, v in entries.items()},
        }

    def _origin(self) -> str:
        number = f"{self.readings} reading{'s' if self.readings > 1 else ''}"
        if self.kind is ReadingKind.DAY:
            return f"{number}, taken as means of days"
        if self.kind is ReadingKind.MAX_MIN:
            return f"{number} of a max-min thermometer"
        often = self.readings / max(self.days, 1)
        return f"{number}, {often:.0f} a day" if often >= 1.5 else number


def site_correction(
    series: xr.DataArray,
    readings: pd.DataFrame,
    *,
    longitude: float | None = None,
    weather: xr.Dataset | None = None,
    kind: ReadingKind | None = None,
) -> Correction:
    """Correct a series by readings of its site.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Modelled, measured nearby or from a service, under the ground of the readings. [degC]
    readings : pandas.DataFrame
        Columns ``time_utc`` (naive UTC or with zone), ``depth_cm``, ``soil_temp_C``.
    longitude : float, optional
        Degrees east; tells means of days from readings at one hour. Without it all are of instants.
    weather : xarray.Dataset, optional
        What the series was modelled from: lets readings in April say something about July. It is
        left aside where the series is no model's.
    kind : ReadingKind, optional
        What the readings are; told from their columns, their times and themselves when absent.

    Returns
    -------
    Correction

    Raises
    ------
    InputError
        For missing columns or values that no soil has.
    CoverageError
        When there are readings but none falls into the series.
    """
    effects = _effects(series, weather)
    kind = kind or readings.attrs.get("kind")
    if kind is None:
        if longitude is None:
            kind, table = ReadingKind.INSTANT, readings
        else:
            kind, table = classify_readings(series, readings, longitude, effects=effects)
    else:
        table = readings
    return correct(series, table, effects=effects, kind=kind)


def _effects(series: xr.DataArray, weather: xr.Dataset | None) -> xr.DataArray | None:
    """What differences of sites do to a series that the model made from this weather."""
    if weather is None or "texture" not in series.attrs:
        return None
    one = weather.mean("member", keep_attrs=True) if "member" in weather.dims else weather
    return site_effects(
        one,
        depth_cm=100.0 * float(series["depth"]),
        surface=series.attrs["surface"],
        cover=cover_named(series.attrs.get("cover")),
        soil=soil_type(series.attrs.get("texture", LOAM.name)),
    )


def classify_readings(
    series: xr.DataArray,
    readings: pd.DataFrame,
    longitude: float,
    *,
    effects: xr.DataArray | None = None,
) -> tuple[ReadingKind, pd.DataFrame]:
    """Tell what readings are, and put means of days at their start.

    A station's table often holds means of days under an arbitrary hour. Where the times leave it
    open (:func:`~thermosprout.soil.site_readings.stated_kind`), a week of readings and more are
    taken as such only where they themselves speak for it by :data:`DAY_EVIDENCE` in log evidence,
    each laid on the solar day that holds it.

    Parameters
    ----------
    series, readings, effects
        As for :func:`correct`.
    longitude : float
        Degrees east.

    Returns
    -------
    kind : ReadingKind
    readings : pandas.DataFrame
        To be given to :func:`correct` with that kind.
    """
    table = valid_readings(readings)
    kind = stated_kind(table, longitude)
    if kind is not None:
        return kind, table
    if len(table) < 7:
        return ReadingKind.INSTANT, table
    offset = pd.Timedelta(round(longitude / 15.0), "h")
    days = table.assign(time_utc=(table["time_utc"] + offset).dt.normalize() - offset)
    gain = _evidence(series, days, effects, ReadingKind.DAY) - _evidence(
        series, table, effects, ReadingKind.INSTANT
    )
    return (ReadingKind.DAY, days) if gain > DAY_EVIDENCE else (ReadingKind.INSTANT, table)


def _evidence(
    series: xr.DataArray, readings: pd.DataFrame, effects: xr.DataArray | None, kind: ReadingKind
) -> float:
    """Log marginal likelihood of the readings (Rasmussen & Williams 2006, eq. 2.30)."""
    pairs = beside(series, readings, kind)
    field = SiteField(series, effects, pairs)
    residual = pairs.reading - pairs.series
    noise = field.at_readings() + READING_SD_K[kind] ** 2 * np.eye(residual.size)
    _, logdet = np.linalg.slogdet(noise)
    return float(-0.5 * residual @ np.linalg.solve(noise, residual) - 0.5 * logdet)


def correct(
    series: xr.DataArray,
    readings: pd.DataFrame,
    *,
    effects: xr.DataArray | None = None,
    kind: ReadingKind = ReadingKind.INSTANT,
    reading_sd_K: float | None = None,
) -> Correction:
    """Correct a series by readings of a known kind; see :func:`site_correction`.

    Parameters
    ----------
    series, readings
        As for :func:`site_correction`.
    effects : xarray.DataArray, dims (difference, time), optional
        Change of the series when the site differs by one sd, from
        :func:`thermosprout.soil.model.temperature.site_effects`. [K]
    kind : ReadingKind
        What the readings are.
    reading_sd_K : float, optional
        Error of a reading; :data:`READING_SD_K` when absent. [K]

    Notes
    -----
    Kriging (Gaussian process regression; Rasmussen & Williams 2006, eq. 2.25-2.26) of the
    difference between readings and series. Its covariance is a sum: a shift that stays, errors of
    months and of days with exponentially fading correlation, all fitted over stations; the outer
    products of ``effects``; the daily swing and its lateness; and white reading error. Only the
    daily means of ``effects`` count: what a difference of sites does within the day is the swing's.
    """
    pairs = beside(series, readings, kind)
    field = SiteField(series, effects, pairs)
    if not pairs.at_h.size:
        return _uncorrected(series, kind)
    residual = pairs.reading - pairs.series
    error = READING_SD_K[kind] if reading_sd_K is None else reading_sd_K
    noise = field.at_readings() + error**2 * np.eye(residual.size)
    weights: FloatArray = np.asarray(np.linalg.solve(noise, residual), dtype=float)
    time_h = hours_since_epoch(series["time"].values)
    lasting, fading = field.predicted(time_h, weights)
    factor, late = (float(part) for part in SWING_SD**2 * (pairs.swing @ weights))
    values = series.values
    course = values - running_mean(values, 24)
    corrected = values + factor * course + late * trailing(course) + lasting + fading
    own = pairs.swing[0]
    swing_left = SWING_SD**2 - SWING_SD**4 * float(own @ np.linalg.solve(noise, own))
    last = float(pairs.at_h.max())
    around = last + 24.0 * (AHEAD_D - WEEKS_D / 2.0)
    # What is drawn grows and falls with the sun: it is what readings leave at that time.
    sun = float(np.interp(last + 24.0 * AHEAD_D, time_h, site_scale(series)))
    return Correction(
        series=_attach(
            series,
            corrected,
            field.left(around, WEEKS_D, noise) / sun,
            f"{series.attrs['source']}, corrected by {residual.size} readings",
        ),
        offset_K=float(np.interp(pairs.at_h, time_h, lasting).mean()),
        offset_sd_K=field.left(last, SEASON_D, noise),
        weeks_sd_K=field.left(last, WEEKS_D, noise),
        swing=1.0 + factor,
        swing_sd=float(np.sqrt(max(swing_left, 0.0))),
        readings=int(residual.size),
        days=int(pairs.table["time_utc"].dt.normalize().nunique()),
        kind=kind,
        before_bias_K=float(-residual.mean()),
        before_rmse_K=float(np.sqrt(np.mean(residual**2))),
    )


class SiteField:
    """How sites differ from a series: covariances between readings and times. [K2]"""

    def __init__(self, series: xr.DataArray, effects: xr.DataArray | None, pairs: Beside) -> None:
        self.numbers = fitted_parameters()
        self.at, self.swing = pairs.at_h, pairs.swing
        # a series that went through a rough conversion is less sure than a modelled one
        more = max(site_spread(series) ** 2 - self.numbers.site_sd_K**2, 0.0)
        self.shift_variance = self.numbers.site_shift_sd_K**2 + more
        self.effects = np.zeros((0, 2)) if effects is None else running_mean(effects.values, 24)
        stamps = series["time"].values[:2] if effects is None else effects["time"].values
        self.effect_h = hours_since_epoch(stamps)
        self.effects_at = self._effects(self.at)

    def _effects(self, at_h: FloatArray) -> FloatArray:
        rows = [np.interp(at_h, self.effect_h, row) for row in self.effects]
        return np.stack(rows) if rows else np.zeros((0, at_h.size))

    def lasting(self, time_h: FloatArray, other_h: FloatArray | None = None) -> FloatArray:
        """Shift, site differences and error of months: times by readings, or by other times."""
        other, effects = self.at, self.effects_at
        if other_h is not None:
            other, effects = other_h, self._effects(other_h)
        apart = np.abs(time_h[:, None] - other[None, :]) / 24.0
        months = self.numbers.monthly_sd_K**2 * np.exp(-apart / self.numbers.monthly_memory_d)
        return np.asarray(self.shift_variance + months + self._effects(time_h).T @ effects)

    def fading(self, time_h: FloatArray, other_h: FloatArray | None = None) -> FloatArray:
        """Error of days, likewise."""
        other = self.at if other_h is None else other_h
        apart = np.abs(time_h[:, None] - other[None, :]) / 24.0
        return np.asarray(self.numbers.daily_sd_K**2 * np.exp(-apart / self.numbers.daily_memory_d))

    def predicted(self, time_h: FloatArray, weights: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Lasting part and error of days at each hour, from the weights of the readings. [K]"""
        parts = [time_h[i : i + _CHUNK] for i in range(0, time_h.size, _CHUNK)]
        lasting = np.concatenate([self.lasting(part) @ weights for part in parts])
        fading = np.concatenate([self.fading(part) @ weights for part in parts])
        return lasting, fading

    def at_readings(self) -> FloatArray:
        """All parts between the readings themselves, without reading error."""
        swing = SWING_SD**2 * self.swing.T @ self.swing
        return self.lasting(self.at) + self.fading(self.at) + swing

    def left(self, start_h: float, days: int, noise: FloatArray) -> float:
        """Standard deviation that readings leave in the mean over the days after an hour. [K]

        Parameters
        ----------
        start_h : float
            [h since 1970]
        days : int
        noise : ndarray, shape (reading, reading)
            Covariance of the readings, error included. [K2]
        """
        at: FloatArray = np.asarray(start_h + 24.0 * (0.5 + np.arange(days)), dtype=float)
        before = float((self.lasting(at, at) + self.fading(at, at)).mean())
        cross = (self.lasting(at) + self.fading(at)).mean(axis=0)
        return float(np.sqrt(max(before - float(cross @ np.linalg.solve(noise, cross)), 0.0)))


def _uncorrected(series: xr.DataArray, kind: ReadingKind) -> Correction:
    spread = site_spread(series)
    return Correction(
        series=_attach(series, series.values, spread, series.attrs["source"]),
        offset_K=0.0,
        offset_sd_K=min(spread, fitted_parameters().season_sd_K),
        weeks_sd_K=spread,
        swing=1.0,
        swing_sd=SWING_SD,
        readings=0,
        days=0,
        kind=kind,
        before_bias_K=float("nan"),
        before_rmse_K=float("nan"),
    )


def _attach(series: xr.DataArray, values: FloatArray, spread: float, source: str) -> xr.DataArray:
    out = series.copy(data=values)
    numbers = fitted_parameters()
    out.attrs = dict(series.attrs)
    out.attrs.update(
        source=source,
        site_sd_K=float(spread),
        daily_sd_K=numbers.daily_sd_K,
        daily_memory_d=numbers.daily_memory_d,
    )
    return out
