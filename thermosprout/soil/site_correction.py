"""A few thermometer readings, or a logger for a while, correct a series for its site.

Sward, shade, soil and slope shift a site by about a degree, which no weather can know. What the
readings say is weighed against how sites differ: a shift that stays, traits of the ground that act
through the weather, a factor on the daily swing, its lateness, and errors of months and of days
that fade.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.depth import to_depth
from thermosprout.soil.ground import GroundParameters, fitted_parameters
from thermosprout.soil.series import hours_since_epoch, soil_series

FloatArray = npt.NDArray[np.float64]

SWING_SD = 0.25
"""Prior sd of the factor on the daily swing, and of its lateness as a share of the swing: what
damps a wave in the ground by a share delays it by as many radians (Carslaw & Jaeger 1959, section
2.6), so 0.25 is an hour. Assumption."""
QUARTER_H = 6
"""A quarter of a day, by which the part of the swing that is late trails it. [h]"""
READING_SD_K = 0.4
"""Of a kitchen or soil thermometer, its depth and its reader. [K] Common practice, no source."""
DAY_EVIDENCE = 2.0
"""How much the log evidence must speak for means of days. Assumption: odds of seven to one."""
MOST_READINGS = 300
"""More readings than this are thinned evenly: they would say the same again."""
AHEAD_D = 30.0
"""The spread left is stated for this long after the last reading. [d]"""
MIDDLE_H = 12.0
"""From the beginning of a day to its middle. [h]"""
_CHUNK = 20_000
COLUMNS = ("time_utc", "depth_cm", "soil_temp_C")


class Kind(StrEnum):
    """What a reading is: the value at its instant, or the mean of the day that begins at it."""

    INSTANT = "instant"
    DAY = "day"


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


def site_spread(series: xr.DataArray) -> float:
    """Spread of an unknown site about a series, to be drawn once per forecast draw. [K]"""
    given = series.attrs.get("site_sd_K")
    return float(given) if given is not None else fitted_parameters().site_sd_K


def readings_from_series(logger: xr.DataArray, every_h: int = 3) -> pd.DataFrame:
    """Turn an overlapping logger series into readings, thinned to one in ``every_h`` hours."""
    thin = logger.isel(time=slice(None, None, every_h))
    return pd.DataFrame(
        {
            "time_utc": thin["time"].values,
            "depth_cm": 100.0 * float(logger["depth"]),
            "soil_temp_C": thin.values,
        }
    ).dropna()


def kind_of(readings: pd.DataFrame, longitude: float) -> Kind:
    """Tell readings of instants from means of days.

    Nobody reads a thermometer at midnight sharp day after day: stamps that are all at one hour
    within 75 minutes of local solar midnight, one a day, are means of the days they begin.

    Parameters
    ----------
    readings : pandas.DataFrame
        With ``time_utc``.
    longitude : float
        Degrees east.
    """
    if readings.empty:
        return Kind.INSTANT
    stamps = pd.to_datetime(readings["time_utc"], utc=True).dt.tz_localize(None)
    of_day = (stamps - stamps.dt.normalize()).dt.total_seconds() / 3600.0
    if of_day.nunique() > 1 or stamps.dt.normalize().duplicated().any():
        return Kind.INSTANT
    solar = (float(of_day.iloc[0]) + longitude / 15.0 + 12.0) % 24.0 - 12.0
    return Kind.DAY if abs(solar) <= 1.25 else Kind.INSTANT


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
    table = _checked(readings)
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
    table, at = _inside(series, readings)
    guess, swing = _at_readings(_ensemble_mean(series), table, at, kind)
    known = np.isfinite(guess)
    residual = table["soil_temp_C"].to_numpy(dtype=float)[known] - guess[known]
    field = _Field(series, fitted_parameters(), effects, at[known], swing[:, known], kind)
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
        :func:`thermosprout.soil.traits.site_effects`. [K]
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
    table, at = _inside(series, _checked(readings))
    centre = _ensemble_mean(series)
    guess, swing = _at_readings(centre, table, at, kind)
    known = np.isfinite(guess)
    table, at, guess, swing = table[known], at[known], guess[known], swing[:, known]
    residual = table["soil_temp_C"].to_numpy(dtype=float) - guess
    if not residual.size:
        return _uncorrected(series, numbers, kind)
    field = _Field(series, numbers, effects, at, swing, kind)
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


def series_at_readings(
    series: xr.DataArray, readings: pd.DataFrame, kind: Kind = Kind.INSTANT
) -> tuple[pd.DataFrame, FloatArray]:
    """Readings inside the series, sorted, and the series at their time and depth. [degC]

    Raises
    ------
    InputError, CoverageError
        As :func:`correct`.
    """
    table, at = _inside(series, _checked(readings))
    guess, _ = _at_readings(_ensemble_mean(series), table, at, kind)
    return table, guess


class _Field:
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


def running_mean(values: FloatArray, hours: int) -> FloatArray:
    """Centred running mean along the last axis, shorter at the ends; missing values left out."""
    known = np.isfinite(values)
    filled = np.where(known, values, 0.0)
    zero = np.zeros((*values.shape[:-1], 1))
    total = np.concatenate([zero, np.cumsum(filled, axis=-1)], axis=-1)
    number = np.concatenate([zero, np.cumsum(known, axis=-1)], axis=-1)
    n = values.shape[-1]
    low = np.maximum(np.arange(n) - hours // 2, 0)
    high = np.minimum(np.arange(n) + hours // 2, n)
    count = np.maximum(number[..., high] - number[..., low], 1.0)
    return np.asarray((total[..., high] - total[..., low]) / count)


def trailing(course: FloatArray) -> FloatArray:
    """Daily course a quarter of a day later, along the last axis; zero before it begins."""
    before = np.zeros((*course.shape[:-1], QUARTER_H))
    return np.concatenate([before, course[..., :-QUARTER_H]], axis=-1)


def _checked(readings: pd.DataFrame) -> pd.DataFrame:
    missing = [name for name in COLUMNS if name not in readings.columns]
    if missing:
        raise InputError(
            f"readings lack the column {missing[0]!r}", hint=f"columns are {', '.join(COLUMNS)}"
        )
    table = readings.loc[:, list(COLUMNS)].copy()
    stamps = pd.to_datetime(table["time_utc"], utc=True).dt.tz_localize(None)
    table["time_utc"] = stamps.astype("datetime64[ns]")
    table = table.dropna().sort_values("time_utc")
    values = table["soil_temp_C"].astype(float)
    bad = values[(values < -30) | (values > 60)]
    if len(bad):
        raise InputError(
            f"a reading of {bad.iloc[0]:g} °C is not one of soil", hint="readings are in °C"
        )
    return table


def _inside(series: xr.DataArray, table: pd.DataFrame) -> tuple[pd.DataFrame, FloatArray]:
    """Readings within the series, thinned where they are very many."""
    time = series["time"].values
    at = hours_since_epoch(table["time_utc"].to_numpy()) if len(table) else np.empty(0)
    first, last = hours_since_epoch(time[[0, -1]])
    inside = (at >= first) & (at <= last)
    if len(table) and not inside.any():
        raise CoverageError(
            f"none of the {len(table)} readings falls between {str(time[0])[:10]} and "
            f"{str(time[-1])[:10]}",
            hint="check the year and the time zone of the readings",
        )
    table, at = table[inside], at[inside]
    if at.size > MOST_READINGS:
        pick = np.linspace(0, at.size - 1, MOST_READINGS).round().astype(int)
        table, at = table.iloc[pick], at[pick]
    return table, at


def _ensemble_mean(series: xr.DataArray) -> xr.DataArray:
    if "member" not in series.dims:
        return series
    weights = series["member_weight"].values
    return soil_series(
        series["time"].values,
        np.tensordot(weights, series.values, axes=(0, 0)),
        depth_cm=100.0 * float(series["depth"]),
        source=series.attrs["source"],
        surface=series.attrs["surface"],
    )


def _at_readings(
    series: xr.DataArray, table: pd.DataFrame, at: FloatArray, kind: Kind
) -> tuple[FloatArray, FloatArray]:
    """Series at the time and depth of each reading, and its daily swing, as it is and trailing."""
    guess, swing = np.full(at.size, np.nan), np.zeros((2, at.size))
    time_h = hours_since_epoch(series["time"].values)
    depths = table["depth_cm"].to_numpy(dtype=float)
    for depth in np.unique(depths):
        moved = to_depth(series, float(depth)).values
        pick = depths == depth
        daily = running_mean(moved, 24)
        if kind is Kind.DAY:
            guess[pick] = np.interp(at[pick] + MIDDLE_H, time_h, daily)
        else:
            guess[pick] = np.interp(at[pick], time_h, moved)
            course = moved - daily
            swing[0, pick] = np.interp(at[pick], time_h, course)
            swing[1, pick] = np.interp(at[pick], time_h, trailing(course))
    return guess, np.nan_to_num(swing)


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
