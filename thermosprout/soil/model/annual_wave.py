"""The yearly course of air temperature, and the profile it leaves in the ground.

A series that starts in spring starts over ground that is still cold below, and warmer than the air
in autumn; without it the first weeks come out wrong by a degree. Mean and amplitude of the year
are estimated from the series itself, held by what the latitude lets one expect.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermosprout.arrays import FloatArray

AMPLITUDE_PER_DEGREE = 0.27
"""Amplitude of the year per degree of latitude. [K] Common knowledge of climate tables (11 K at 40
degrees, less by the sea), no source."""
AMPLITUDE_SD_K = 4.0
"""Spread of that amplitude between maritime and continental places. [K] Assumption."""
WARMEST_DAY = 201.0
"""Day of the year on which air is warmest north of the equator: four weeks after the solstice."""
WEATHER_SD_K = 4.0
"""Spread of daily means about the year's course. [K]"""
WEATHER_MEMORY_D = 6.0
"""Days of weather that count as one independent value. [d]"""


@dataclass(frozen=True)
class YearlyCourse:
    """Mean and amplitude of air temperature, each of shape (member,). [degC], [K]"""

    mean: FloatArray
    amplitude: FloatArray
    warmest_day: float

    def profile(
        self, depth_m: FloatArray, day_of_year: float, diffusivity: float, warmer: float
    ) -> FloatArray:
        """Temperature of the ground on a day, shape (member, node). [degC]

        Parameters
        ----------
        depth_m : ndarray, shape (node,)
        day_of_year : float
        diffusivity : float
            [m2 s-1]
        warmer : float
            By how much the ground is warmer than the air in the mean of the year. [K]

        Notes
        -----
        Damped wave of Carslaw & Jaeger (1959), section 2.6.
        """
        ratio = depth_m * np.sqrt(np.pi / (365.25 * 86400.0) / diffusivity)
        phase = 2.0 * np.pi * (day_of_year - self.warmest_day) / 365.25
        wave = np.exp(-ratio) * np.cos(phase - ratio)
        return np.asarray(self.mean[:, None] + warmer + self.amplitude[:, None] * wave[None, :])


def yearly_course(
    daily_air: FloatArray, first_day_of_year: float, latitude: float | FloatArray
) -> YearlyCourse:
    """Estimate the yearly course from whatever part of it the series holds.

    Parameters
    ----------
    daily_air : ndarray, shape (member, day)
        Daily means. [degC]
    first_day_of_year : float
        Day of the year of the first one.
    latitude : float or ndarray, shape (member,)
        Degrees north.
    """
    members, days = daily_air.shape
    north = np.broadcast_to(np.asarray(latitude, dtype=float), (members,))
    warmest = WARMEST_DAY if north[0] >= 0 else (WARMEST_DAY + 182.6) % 365.25
    season = np.cos(2 * np.pi * (first_day_of_year + np.arange(days) - warmest) / 365.25)
    weight = 1.0 / (WEATHER_SD_K**2 * WEATHER_MEMORY_D)
    prior = 1.0 / AMPLITUDE_SD_K**2
    expected = AMPLITUDE_PER_DEGREE * np.abs(north)
    spread = season - season.mean()
    lean = daily_air - daily_air.mean(axis=1, keepdims=True)
    amplitude = (weight * (lean @ spread) + prior * expected) / (weight * (spread @ spread) + prior)
    amplitude = np.maximum(amplitude, 0.0)
    mean = daily_air.mean(axis=1) - amplitude * season.mean()
    return YearlyCourse(mean=mean, amplitude=amplitude, warmest_day=warmest)
