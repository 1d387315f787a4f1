"""Energy balance of the ground: weather in, supply and coupling of the heat flux into soil out.

The ground is a skin without heat capacity (the sward, or the soil surface itself) joined to the
soil by a conductance. All its terms are linear in the skin temperature around that of the air,
so that the skin drops out and the flux into the soil is ``supply - coupling * T_surface``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.soil.balance import saturation_pressure, saturation_slope

STEFAN_BOLTZMANN = 5.67e-8
AIR_HEAT_CAPACITY = 1.2e3
"""Volumetric heat capacity of air at sea level. [J m-3 K-1]"""
SEA_LEVEL_GAMMA = 0.0674
"""Psychrometric constant at sea level, FAO-56 eq. 8. [kPa K-1]"""
EMISSIVITY = 0.97
"""Of soil and leaves, thermal infrared."""


@dataclass(frozen=True)
class Sky:
    """Hourly means that act on the ground, each of shape (member, step).

    Attributes
    ----------
    air : ndarray
        Air temperature. [degC]
    vapour : ndarray
        Vapour pressure of the air. [kPa]
    radiation : ndarray
        Global radiation. [W m-2]
    clearness : ndarray
        Radiation of the 24 hours around over that of a clear sky, 0.25 to 1.
    """

    air: FloatArray
    vapour: FloatArray
    radiation: FloatArray
    clearness: FloatArray


def net_longwave(sky: Sky) -> FloatArray:
    """Net loss of long-wave radiation of ground at air temperature. [W m-2]

    Notes
    -----
    FAO-56 eq. 39 (Allen et al. 1998; from memory): the emissivity of the sky after Brunt from
    vapour pressure, the cloudiness from the clearness.
    """
    black = STEFAN_BOLTZMANN * (sky.air + 273.15) ** 4
    humid = 0.34 - 0.14 * np.sqrt(np.maximum(sky.vapour, 0.0))
    return np.asarray(black * humid * np.clip(1.35 * sky.clearness - 0.35, 0.05, 1.0))


@dataclass(frozen=True)
class Skin:
    """Properties of the ground, each a number or an array that broadcasts to (member, step).

    Attributes
    ----------
    albedo : float or ndarray
    transmitted : float or ndarray
        Share of the absorbed radiation that reaches the soil below the skin.
    conductance : float or ndarray
        Between skin and soil surface. [W m-2 K-1]
    exchange : float or ndarray
        Convective conductance between skin and air. [W m-2 K-1]
    vapour_resistance : float or ndarray
        Of leaves or drying soil. [s m-1]
    longwave : float or ndarray
        Share of the long-wave exchange with the sky that a cover leaves.
    """

    albedo: float | FloatArray
    transmitted: float | FloatArray
    conductance: float | FloatArray
    exchange: float | FloatArray
    vapour_resistance: float | FloatArray
    longwave: float | FloatArray = 1.0


def ground_flux(
    sky: Sky, skin: Skin, pressure_ratio: float | FloatArray = 1.0
) -> tuple[FloatArray, FloatArray]:
    """Supply [W m-2] and coupling [W m-2 K-1] of the heat flux into soil, shape (member, step).

    Parameters
    ----------
    sky : Sky
    skin : Skin
    pressure_ratio : float or ndarray
        Air pressure over that at sea level. Thin air carries less sensible heat; for vapour the
        density of the air and the psychrometric constant cancel.
    """
    above = sky.air
    radiative = EMISSIVITY * 4.0 * STEFAN_BOLTZMANN * (above + 273.15) ** 3 * skin.longwave
    exchange = np.asarray(skin.exchange, dtype=float)
    aerodynamic = AIR_HEAT_CAPACITY / np.maximum(exchange, 0.5)
    exchange = exchange * pressure_ratio
    vapour = AIR_HEAT_CAPACITY / SEA_LEVEL_GAMMA / (aerodynamic + skin.vapour_resistance)
    slope = saturation_slope(above)
    deficit = saturation_pressure(above) - sky.vapour
    absorbed = (1.0 - np.asarray(skin.albedo)) * sky.radiation
    below = absorbed * skin.transmitted
    loss = radiative + exchange + vapour * slope
    gain = absorbed - below - net_longwave(sky) * skin.longwave - vapour * deficit
    coupling = skin.conductance * loss / (loss + skin.conductance)
    supply = coupling * (above + gain / loss) + below
    return np.asarray(supply), np.asarray(np.broadcast_to(coupling, supply.shape))
