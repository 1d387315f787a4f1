"""How sites differ from a series: covariances between readings and times.

A few thermometer readings, or a logger for a while, correct a series for its site.

Sward, shade, soil and slope shift a site by about a degree, which no weather can know. What the
readings say is weighed against how sites differ: a shift that stays, traits of the ground that act
through the weather, a factor on the daily swing, its lateness, and errors of months and of days
that fade.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.soil.model.ground import GroundParameters, fitted_parameters
from thermosprout.soil.series import hours_since_epoch
from thermosprout.soil.site_readings import (
    MIDDLE_H,
    Kind,
    checked,
    ensemble_mean,
    kind_of,
    laid_beside,
    running_mean,
    trailing,
    within,
)

SWING_SD = 0.25
"""Prior sd of the factor on the daily swing, and of its lateness as a share of the swing: what
damps a wave in the ground by a share delays it by as many radians (Carslaw & Jaeger 1959, section
2.6), so 0.25 is an hour. Assumption."""
_CHUNK = 20_000


def site_spread(series: xr.DataArray) -> float:
    """Spread of an unknown site about a series, to be drawn once per forecast draw. [K]"""
    given = series.attrs.get("site_sd_K")
    return float(given) if given is not None else fitted_parameters().site_sd_K


class SiteField:
    """Covariances between readings and times. [K2]"""

    def __init__(
        self,
        series: xr.DataArray,
        numbers: GroundParameters,
        effects: xr.DataArray | None,
        at: FloatArray,
        swing: FloatArray,
        kind: Kind,
    ) -> None:
        self.numbers = numbers
        # the mean of a day stands for its middle and feels the mean of a trait's effect
        self.at = at + MIDDLE_H if kind is Kind.DAY else at
        self.swing = swing
        # a series that went through a rough conversion is less sure than a modelled one
        more = max(site_spread(series) ** 2 - numbers.site_sd_K**2, 0.0)
        self.shift_variance = numbers.site_shift_sd_K**2 + more
        self.effects = np.zeros((0, 2)) if effects is None else effects.values
        stamps = series["time"].values[:2] if effects is None else effects["time"].values
        self.effect_h = hours_since_epoch(stamps)
        seen = running_mean(self.effects, 24) if kind is Kind.DAY else self.effects
        self.effects_at = self._effects(self.at, seen)

    def _effects(self, at_h: FloatArray, effects: FloatArray) -> FloatArray:
        rows = [np.interp(at_h, self.effect_h, row) for row in effects]
        return np.stack(rows) if rows else np.zeros((0, at_h.size))

    def lasting(self, time_h: FloatArray) -> FloatArray:
        """Lasting part: times by readings."""
        return self._lasting(time_h, self._effects(time_h, self.effects))

    def _lasting(self, time_h: FloatArray, effects: FloatArray) -> FloatArray:
        apart = np.abs(time_h[:, None] - self.at[None, :]) / 24.0
        numbers = self.numbers
        months = numbers.monthly_sd_K**2 * np.exp(-apart / numbers.monthly_memory_d)
        return np.asarray(self.shift_variance + months + effects.T @ self.effects_at)

    def lasting_variance(self, hour: float) -> float:
        """Prior variance of the lasting part at an hour."""
        own = self._effects(np.array([hour]), self.effects)
        return float(self.shift_variance + self.numbers.monthly_sd_K**2 + (own**2).sum())

    def fading(self, time_h: FloatArray) -> FloatArray:
        """Error of days: times by readings."""
        apart = np.abs(time_h[:, None] - self.at[None, :]) / 24.0
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
        return self._lasting(self.at, self.effects_at) + self.fading(self.at) + swing


READING_SD_K = 0.4
"""Of a kitchen or soil thermometer, its depth and its reader. [K] Common practice, no source."""
DAY_EVIDENCE = 2.0
"""How much the log evidence must speak for means of days. Assumption: odds of seven to one."""
AHEAD_D = 30.0
"""The spread left is stated for this long after the last reading. [d]"""


@dataclass(frozen=True, kw_only=True)
class Correction:
    """What readings say about a site.

    Attributes
    ----------
    series : xarray.DataArray
        The corrected series; ``attrs["site_sd_K"]`` is the lasting spread that is left.
    offset_K, offset_sd_K : float
        Mean lasting shift over the time of the readings, and its spread a month on.
    swing, swing_sd : float
        Factor on the daily swing (1 = none) and its sd.
    readings : int
        Number that fell into the series.
    kind : Kind
        How the readings were taken.
    before_bias_K, before_rmse_K : float
        Of the series against the readings before the correction.
    memory_sd_K, memory_d : float
        Day-to-day spread that remains [K] and its memory [d].
    """

    series: xr.DataArray
    offset_K: float
    offset_sd_K: float
    swing: float
    swing_sd: float
    readings: int
    kind: Kind
    before_bias_K: float
    before_rmse_K: float
    memory_sd_K: float
    memory_d: float

    def sentence(self) -> str:
        """Plain words for the grower."""
        if not self.readings:
            return f"no readings: a site like yours may differ by ± {self.offset_sd_K:.1f} °C"
        taken = ", taken as means of days" if self.kind is Kind.DAY else ""
        return (
            f"{self.readings} reading{'s' if self.readings > 1 else ''}{taken}: shifted by "
            f"{self.offset_K:+.1f} ± {self.offset_sd_K:.1f} °C, daily swing x {self.swing:.2f}"
        )


def sort_out(
    series: xr.DataArray,
    readings: pd.DataFrame,
    longitude: float,
    *,
    effects: xr.DataArray | None = None,
) -> tuple[Kind, pd.DataFrame]:
    """Tell what one reading a day at one hour stands for, and put means of days at their start.

    A station's table often holds means of days under an arbitrary hour. Stamps at midnight are
    taken as such (:func:`kind_of`); at another hour only where the readings themselves speak for it
    by :data:`DAY_EVIDENCE` in log evidence, each laid on the solar day that holds it.

    Parameters
    ----------
    series, readings, effects
        As for :func:`correct`.
    longitude : float
        Degrees east.

    Returns
    -------
    kind : Kind
    readings : pandas.DataFrame
        To be given to :func:`correct` with that kind.
    """
    table = checked(readings)
    if kind_of(table, longitude) is Kind.DAY:
        return Kind.DAY, table
    stamps = table["time_utc"]
    hours = stamps - stamps.dt.normalize()
    if len(table) < 7 or hours.nunique() > 1 or stamps.dt.normalize().duplicated().any():
        return Kind.INSTANT, table
    offset = pd.Timedelta(round(longitude / 15.0), "h")
    days = table.assign(time_utc=(stamps + offset).dt.normalize() - offset)
    gain = _evidence(series, days, effects, Kind.DAY) - _evidence(
        series, table, effects, Kind.INSTANT
    )
    return (Kind.DAY, days) if gain > DAY_EVIDENCE else (Kind.INSTANT, table)


def _evidence(
    series: xr.DataArray, readings: pd.DataFrame, effects: xr.DataArray | None, kind: Kind
) -> float:
    """Log marginal likelihood of the readings (Rasmussen & Williams 2006, eq. 2.30)."""
    table, at = within(series, readings)
    guess, swing = laid_beside(ensemble_mean(series), table, at, kind)
    known = np.isfinite(guess)
    residual = table["soil_temp_C"].to_numpy(dtype=float)[known] - guess[known]
    field = SiteField(series, fitted_parameters(), effects, at[known], swing[:, known], kind)
    noise = field.at_readings() + READING_SD_K**2 * np.eye(int(known.sum()))
    _, logdet = np.linalg.slogdet(noise)
    return float(-0.5 * residual @ np.linalg.solve(noise, residual) - 0.5 * logdet)


def correct(
    series: xr.DataArray,
    readings: pd.DataFrame,
    *,
    effects: xr.DataArray | None = None,
    kind: Kind = Kind.INSTANT,
    reading_sd_K: float = READING_SD_K,
) -> Correction:
    """Correct a series by readings taken on the spot.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
        Modelled or service series.
    readings : pandas.DataFrame
        Columns ``time_utc`` (naive UTC or with zone), ``depth_cm``, ``soil_temp_C``.
    effects : xarray.DataArray, dims (trait, time), optional
        Change of the series when a trait of the site moves by one sd, from
        :func:`thermosprout.soil.model.temperature.site_effects`. [K]
    kind : Kind
        Whether readings are of instants or means of days.
    reading_sd_K : float
        Error of a reading. [K]

    Returns
    -------
    Correction

    Raises
    ------
    InputError
        For missing columns or values that no soil has.
    CoverageError
        When there are readings but none falls into the series.

    Notes
    -----
    Kriging (Gaussian process regression; Rasmussen & Williams 2006, eq. 2.25-2.26) of the
    difference between readings and series. Its covariance is a sum: a shift that stays, errors of
    months and of days with exponentially fading correlation, all fitted over stations; the outer
    products of ``effects``; the daily swing and its lateness; and white reading error.
    """
    numbers = fitted_parameters()
    table, at = within(series, checked(readings))
    centre = ensemble_mean(series)
    guess, swing = laid_beside(centre, table, at, kind)
    known = np.isfinite(guess)
    table, at, guess, swing = table[known], at[known], guess[known], swing[:, known]
    residual = table["soil_temp_C"].to_numpy(dtype=float) - guess
    if not residual.size:
        return _uncorrected(series, numbers, kind)
    field = SiteField(series, numbers, effects, at, swing, kind)
    noise = field.at_readings() + reading_sd_K**2 * np.eye(at.size)
    weights: FloatArray = np.asarray(np.linalg.solve(noise, residual), dtype=float)
    time_h = hours_since_epoch(series["time"].values)
    lasting, fading = field.predicted(time_h, weights)
    factor, late = (float(part) for part in SWING_SD**2 * (swing @ weights))
    values = series.values
    course = values - running_mean(values, 24)
    corrected = values + factor * course + late * trailing(course) + lasting + fading
    ahead = np.clip(at.max() + 24.0 * AHEAD_D, time_h[0], time_h[-1])
    cross = field.lasting(np.array([ahead]))
    left = field.lasting_variance(ahead) - float((cross @ np.linalg.solve(noise, cross.T))[0, 0])
    offset_sd = float(np.sqrt(max(left, 0.0)))
    swing_left = SWING_SD**2 - SWING_SD**4 * float(swing[0] @ np.linalg.solve(noise, swing[0]))
    source = f"{series.attrs['source']}, corrected by {at.size} readings"
    return Correction(
        series=_attach(series, corrected, offset_sd, numbers, source),
        offset_K=float(np.interp(at, time_h, lasting).mean()),
        offset_sd_K=offset_sd,
        swing=1.0 + factor,
        swing_sd=float(np.sqrt(max(swing_left, 0.0))),
        readings=int(at.size),
        kind=kind,
        before_bias_K=float(-residual.mean()),
        before_rmse_K=float(np.sqrt(np.mean(residual**2))),
        memory_sd_K=numbers.daily_sd_K,
        memory_d=numbers.daily_memory_d,
    )


def _uncorrected(series: xr.DataArray, numbers: GroundParameters, kind: Kind) -> Correction:
    spread = site_spread(series)
    return Correction(
        series=_attach(series, series.values, spread, numbers, series.attrs["source"]),
        offset_K=0.0,
        offset_sd_K=spread,
        swing=1.0,
        swing_sd=SWING_SD,
        readings=0,
        kind=kind,
        before_bias_K=float("nan"),
        before_rmse_K=float("nan"),
        memory_sd_K=numbers.daily_sd_K,
        memory_d=numbers.daily_memory_d,
    )


def _attach(
    series: xr.DataArray,
    values: FloatArray,
    offset_sd: float,
    numbers: GroundParameters,
    source: str,
) -> xr.DataArray:
    out = series.copy(data=values)
    out.attrs = dict(series.attrs)
    out.attrs.update(
        source=source,
        site_sd_K=float(offset_sd),
        daily_sd_K=numbers.daily_sd_K,
        daily_memory_d=numbers.daily_memory_d,
    )
    return out
