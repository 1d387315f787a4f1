"""Daily water balance of the seedbed: what rain and watering bring, what evaporation takes.

The dual crop coefficient of FAO-56 (Allen et al. 1998, Irrigation and Drainage Paper 56,
chapters 6 to 8; from memory): evaporation from the top 10 cm falls once the readily evaporable
water is gone, transpiration of a sward falls once the readily available water is gone.

Snow on the ground, from temperature and precipitation alone: it insulates and it shines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.soil.model.texture import SoilType

LATENT_HEAT = 2.45e6
"""Latent heat of vaporisation. [J kg-1]"""
PRIESTLEY_TAYLOR = 1.26
"""Priestley & Taylor (1972), Mon. Weather Rev. 100:81-92."""
SEA_LEVEL_PRESSURE = 101.3
"""[kPa]"""
DEPLETION_SHARE = 0.5
"""Share of available water taken without stress: FAO-56 table 22, about 0.4 to 0.6 for grass."""
RAIN_INTERCEPTED_MM = 0.3
"""Rain that a sward holds and that never wets the soil, per day: an assumption. [mm]"""


@dataclass(frozen=True)
class Water:
    """Daily state, each of shape (member, day).

    Attributes
    ----------
    surface_depletion : ndarray
        Water missing from the top 10 cm below field capacity. [mm]
    root_depletion : ndarray
        Water missing from the root zone. [mm]
    evaporation_factor : ndarray
        Kr of FAO-56, 1 = wet surface, 0 = dry.
    stress_factor : ndarray
        Ks of FAO-56, 1 = sward well watered, 0 = at wilting point.
    """

    surface_depletion: FloatArray
    root_depletion: FloatArray
    evaporation_factor: FloatArray
    stress_factor: FloatArray


def saturation_pressure(temperature: FloatArray) -> FloatArray:
    """Saturation vapour pressure, FAO-56 eq. 11. [kPa]"""
    return np.asarray(0.6108 * np.exp(17.27 * temperature / (temperature + 237.3)))


def saturation_slope(temperature: FloatArray) -> FloatArray:
    """Slope of the saturation vapour pressure, FAO-56 eq. 13. [kPa K-1]"""
    return np.asarray(4098.0 * saturation_pressure(temperature) / (temperature + 237.3) ** 2)


def pressure(elevation_m: npt.ArrayLike) -> FloatArray:
    """Air pressure at a height, FAO-56 eq. 7. [kPa]"""
    height = np.asarray(elevation_m, dtype=float)
    return np.asarray(SEA_LEVEL_PRESSURE * ((293.0 - 0.0065 * height) / 293.0) ** 5.26)


def psychrometric(elevation_m: npt.ArrayLike) -> FloatArray:
    """Psychrometric constant at a height, FAO-56 eq. 8. [kPa K-1]"""
    return np.asarray(0.665e-3 * pressure(elevation_m))


def potential_evaporation(
    net_radiation: FloatArray, temperature: FloatArray, gamma: FloatArray
) -> FloatArray:
    """Priestley-Taylor evaporation of a wet short sward from daily means. [mm d-1]"""
    slope = saturation_slope(temperature)
    energy = np.maximum(net_radiation, 0.0) * 86400.0
    return np.asarray(PRIESTLEY_TAYLOR * slope / (slope + gamma) * energy / LATENT_HEAT)


def water_balance(
    rain: FloatArray,
    demand: FloatArray,
    soil: SoilType,
    *,
    root_zone_mm: float,
    cover_share: float,
    activity: FloatArray | float = 1.0,
    start: tuple[FloatArray, FloatArray] | None = None,
) -> Water:
    """March the two stores through the days.

    Parameters
    ----------
    rain : ndarray, shape (member, day)
        Rain, melt and watering. [mm d-1]
    demand : ndarray, shape (member, day)
        Potential evaporation. [mm d-1]
    soil : SoilType
    root_zone_mm : float
        Available water of the root zone. [mm]
    cover_share : float
        Share of the ground under leaves: 0 bare, near 1 sward.
    activity : ndarray, shape (member, day), or float
        Share of their transpiration that leaves keep in the cold.
    start : tuple of ndarray, shape (member,), optional
        Depletion of the surface and of the root zone at the start; moist where absent. [mm]
    """
    members, days = rain.shape
    rew, tew = soil.readily_evaporable_mm, soil.total_evaporable_mm
    surface, root = (np.zeros(members), np.zeros(members)) if start is None else start
    out = np.empty((4, members, days))
    readily = DEPLETION_SHARE * root_zone_mm
    leaves = cover_share * np.broadcast_to(np.asarray(activity, dtype=float), rain.shape)
    for day in range(days):
        kr = np.clip((tew - surface) / (tew - rew), 0.0, 1.0)
        ks = np.clip((root_zone_mm - root) / (root_zone_mm - readily), 0.0, 1.0)
        out[:, :, day] = surface, root, kr, ks
        fallen = np.maximum(rain[:, day] - RAIN_INTERCEPTED_MM * cover_share, 0.0)
        pull = demand[:, day]
        from_surface = np.minimum(kr * pull * (1.0 - cover_share), tew - surface)
        from_leaves = ks * pull * leaves[:, day]
        from_root = from_leaves + from_surface
        # roots of a sward also empty the top 10 cm, in step with the zone they share
        shared = from_leaves * np.clip(1.0 - surface / tew, 0.0, 1.0) * 0.5
        surface = np.clip(surface - fallen + from_surface + shared, 0.0, tew)
        root = np.clip(root - fallen + from_root, 0.0, root_zone_mm)
    return Water(out[0], out[1], out[2], out[3])


MELT_MM_PER_K_D = 3.0
"""Degree-day factor; 1 to 6 are published for open ground (Hock 2003, J. Hydrol. 282:104-115, from
memory). [mm K-1 d-1]"""
DENSITY = 250.0
"""Of settled snow. [kg m-3] Assumption."""
CONDUCTIVITY = 2.9e-6 * DENSITY**2
"""Yen (1981) in the form k = 2.9e-6 rho^2; from memory. [W m-1 K-1]"""
ALBEDO = 0.75
"""Of settled snow. Assumption."""


def snow_cover(air: FloatArray, precipitation: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Water snow as snow and water that reaches the ground, from daily means.

    Parameters
    ----------
    air, precipitation : ndarray, shape (member, day)
        [degC], [mm d-1]

    Returns
    -------
    store, water : ndarray, shape (member, day)
        Snow on the ground [mm of water]; rain and melt [mm d-1].
    """
    frozen = np.clip((1.5 - air) / 2.0, 0.0, 1.0) * precipitation
    water = precipitation - frozen
    store = np.zeros_like(air)
    if not frozen.any():
        return store, water
    snow = np.zeros(air.shape[0])
    melt = MELT_MM_PER_K_D * np.maximum(air, 0.0)
    for day in range(air.shape[1]):
        snow = snow + frozen[:, day]
        lost = np.minimum(snow, melt[:, day])
        snow = snow - lost
        store[:, day] = snow
        water[:, day] += lost
    return store, water


def snow_resistance(store: FloatArray) -> FloatArray:
    """Thermal resistance of the snow. [m2 K W-1]"""
    return np.asarray(store / DENSITY / CONDUCTIVITY)
