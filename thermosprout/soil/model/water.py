"""Water in the ground: the daily stores of the heat balance, snow, and the seedbed's layers.

The stores follow the dual crop coefficient of FAO-56 (Allen et al. 1998, Irrigation and Drainage
Paper 56, chapters 6 to 8; from memory). The seedbed is one column of soil from the surface to half
a metre. Liquid water moves by the conductivity of the texture (Campbell 1974; Clapp & Hornberger
1978), vapour by diffusion through the dry mulch, and the surface evaporates at the rate of the
weather for as long as it is moist (Campbell 1985, Soil Physics with BASIC, chapter 9). A cool bed
therefore stays moist below a dry crust for weeks, while a sandy one in June dries from the top by
about a centimetre in a few days.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import SoilType

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


LAYER_EDGES_M = np.array([0.0, 0.5, 1.0, 2.0, 3.0, 5.0, 8.0, 13.0, 20.0, 32.0, 50.0]) / 100.0
"""Thin at the top, where a mulch forms. [m]"""
DAY_SHARES = np.array([0.0, 0.5, 0.5, 0.0])
"""Share of the day's evaporation in each quarter, from local midnight: the nights without any let
water rise into the crust again."""
FULLEST = 0.95
"""Wettest a layer gets, as a share of its pores: some air stays enclosed. Assumption."""
DRIEST_MPA = -300.0
"""Air-dry soil. [MPa]"""
AIR_HUMIDITY = 0.5
"""Humidity of the air that the surface dries to by day. Assumption; the evaporation depends on it
only once the crust is nearly as dry."""
SEEDBED_CONDUCTANCE = 0.1
"""Conductivity of a raked seedbed over that of the texture: loose crumbs touch at few points. One
tenth was chosen from three values by the measured drying at 5 cm of eleven stations, so those
stations do not test it. It lies between the texture's own and the 0.03 that repeats the second
stage of Ritchie (1972, Water Resour. Res. 8:1204-1213), 9 mm and then 4 mm for each root of a day
on a loam."""
_MPA_PER_M = 9.81e-3
_MOLAR = 0.018 / (8.314 * 293.0) * 1e3
"""Humidity over a soil is ``exp(potential_MPa * _MOLAR)`` (Kelvin)."""
_VAPOUR_DIFFUSION = 2.4e-5 * 0.66
"""Of vapour in air [m2 s-1], slowed by the way around the grains (Penman 1940; from memory)."""
_TABLE_SIZE = 2000


def march_water(
    liquid: FloatArray,
    demand: FloatArray,
    air: FloatArray,
    soil: SoilType,
    *,
    conductance: FloatArray | float = SEEDBED_CONDUCTANCE,
    uptake: tuple[FloatArray, FloatArray] | None = None,
    edges_m: FloatArray = LAYER_EDGES_M,
) -> FloatArray:
    """Water content of each layer at the end of each quarter of a day.

    Parameters
    ----------
    liquid : ndarray, shape (member, day)
        Rain, melt and watering. [mm d-1]
    demand : ndarray, shape (member, day)
        Evaporation of the surface while it is moist. [mm d-1]
    air : ndarray, shape (member, day)
        Mean temperature. [degC]
    soil : SoilType
    conductance : ndarray, shape (member,), or float
        Conductivity of the bed over that of the texture.
    uptake : tuple of ndarray, shapes (member, day) and (layer,), optional
        What leaves draw [mm d-1] and the share of each layer in it; none in a seedbed.
    edges_m : ndarray, shape (layer + 1,)
        [m]

    Returns
    -------
    ndarray, shape (member, quarter of a day, layer)
        [m3 m-3] The start is at field capacity.

    Notes
    -----
    Implicit steps in water content with the coefficients of their start; one that dries out is
    held at air-dry.
    """
    members, days = liquid.shape
    steps, layers = DAY_SHARES.size, edges_m.size - 1
    dt = 86400.0 / steps
    width = np.diff(edges_m)
    gap = np.diff(0.5 * (edges_m[1:] + edges_m[:-1]))
    table, driest, rows_per_content = _table(soil)
    loose = np.ones((members, 5))
    loose[:, :2] = np.broadcast_to(np.asarray(conductance, dtype=float), (members,))[:, None]
    vapour = saturation_pressure(air) / (0.4615 * (air + 273.15)) * 1e-3 * _VAPOUR_DIFFUSION
    capacity, wilting = soil.field_capacity, soil.wilting_point
    content = np.full((members, layers), capacity)
    out = np.empty((members, days * steps, layers))
    matrix = np.zeros((members, layers, layers))
    flat = matrix.reshape(members, -1)
    diagonal, below, above = (flat[:, first :: layers + 1] for first in (0, layers, 1))
    above = above[:, : layers - 1]
    to_link, per_width = 0.5 * dt / gap, 1.0 / width
    pulls = demand[None] * (DAY_SHARES * 1e-3 / (1.0 - AIR_HUMIDITY))[:, None, None]
    wet = np.max(liquid, axis=0) > 0.0
    for day in range(days):
        if wet[day]:
            _soak(content, liquid[:, day] * 1e-3, width, FULLEST * soil.porosity)
        loose[:, 2] = vapour[:, day]
        for quarter in range(steps):
            state = table[((content - driest) * rows_per_content).astype(np.intp)]
            state *= loose[:, None]
            flow, spread = state[..., 0], state[..., 1] + state[..., 2]
            link = (spread[:, 1:] + spread[:, :-1]) * to_link
            below[:] = link * -per_width[1:]
            above[:] = link * -per_width[:-1]
            diagonal[:] = 1.0
            diagonal[:, 1:] -= below
            diagonal[:, :-1] -= above
            # water sinks by its weight: from the layer above into the one below, out at the end
            sinking = 0.5 * dt * (flow[:, 1:] + flow[:, :-1])
            right = content.copy()
            right[:, :-1] -= sinking * per_width[:-1]
            right[:, 1:] += sinking * per_width[1:]
            right[:, -1] -= dt * per_width[-1] * flow[:, -1]
            if DAY_SHARES[quarter]:
                pull = pulls[quarter, :, day] * per_width[0]
                damp = state[:, 0, 3] - AIR_HUMIDITY
                slope = pull * state[:, 0, 4] * (damp > 0.0)
                diagonal[:, 0] += slope
                right[:, 0] += slope * content[:, 0] - pull * np.maximum(damp, 0.0)
                if uptake is not None:
                    left = (content - wilting) / (0.5 * (capacity - wilting))
                    draw = uptake[0][:, day, None] * (DAY_SHARES[quarter] * 1e-3) * uptake[1]
                    right -= draw * np.clip(left, 0.0, 1.0) * per_width
            content = np.linalg.solve(matrix, right[..., None])[..., 0]
            np.maximum(content, driest, out=content)
            np.minimum(content, soil.porosity, out=content)
            out[:, day * steps + quarter] = content
    return out


def content_at(
    content: FloatArray, depth_cm: float, edges_m: FloatArray = LAYER_EDGES_M
) -> FloatArray:
    """Water content at a depth, between the middles of the layers. [m3 m-3]

    Parameters
    ----------
    content : ndarray, shape (..., layer)
    depth_cm : float
        [cm]
    edges_m : ndarray, shape (layer + 1,)
        [m]
    """
    middle = 0.5 * (edges_m[1:] + edges_m[:-1])
    upper = int(np.clip(np.searchsorted(middle, depth_cm / 100.0) - 1, 0, middle.size - 2))
    share = (depth_cm / 100.0 - middle[upper]) / (middle[upper + 1] - middle[upper])
    share = float(np.clip(share, 0.0, 1.0))
    return np.asarray(content[..., upper] * (1.0 - share) + content[..., upper + 1] * share)


def _soak(content: FloatArray, water: FloatArray, width: FloatArray, full: float) -> None:
    """Fill the layers from the top; what finds no room runs through."""
    for layer in range(width.size):
        filling = np.minimum(np.maximum(full - content[:, layer], 0.0) * width[layer], water)
        content[:, layer] += filling / width[layer]
        water = water - filling
        if not water.any():
            return


@lru_cache(maxsize=16)
def _table(soil: SoilType) -> tuple[FloatArray, float, float]:
    """Properties over water content, the driest content, and rows for each m3 m-3.

    Columns: conductivity [m s-1], liquid diffusivity [m2 s-1], the slope of the vapour diffusivity
    by what the temperature makes of it, humidity, and its slope by water content.
    """
    driest = float(soil.water_content(DRIEST_MPA))
    content = np.linspace(driest, soil.porosity, _TABLE_SIZE)
    potential = soil.potential(content)
    slope = -soil.retention_b * potential / content
    filled = content / soil.porosity
    conductivity = soil.saturated_conductivity_m_s * filled ** (2.0 * soil.retention_b + 3.0)
    humidity = np.exp(potential * _MOLAR)
    moisture = humidity * _MOLAR * slope
    table = np.stack(
        [
            conductivity,
            conductivity * slope / _MPA_PER_M,
            (soil.porosity - content) * moisture,
            humidity,
            moisture,
        ],
        axis=1,
    )
    return table, driest, (_TABLE_SIZE - 1) / (soil.porosity - driest)
