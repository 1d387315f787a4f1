"""How sites differ from a series: covariances between readings and times."""

from __future__ import annotations

import numpy as np
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.soil.daily_course import running_mean
from thermosprout.soil.ground import GroundParameters, fitted_parameters
from thermosprout.soil.series import hours_since_epoch
from thermosprout.soil.site_readings import MIDDLE_H, Kind

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
