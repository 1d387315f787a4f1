"""Snow on the ground, from temperature and precipitation alone: it insulates and it shines."""

from __future__ import annotations

import numpy as np

from thermosprout.arrays import FloatArray

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
    """Water held as snow and water that reaches the ground, from daily means.

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
    held = np.zeros(air.shape[0])
    melt = MELT_MM_PER_K_D * np.maximum(air, 0.0)
    for day in range(air.shape[1]):
        held = held + frozen[:, day]
        lost = np.minimum(held, melt[:, day])
        held = held - lost
        store[:, day] = held
        water[:, day] += lost
    return store, water


def snow_resistance(store: FloatArray) -> FloatArray:
    """Thermal resistance of the snow. [m2 K W-1]"""
    return np.asarray(store / DENSITY / CONDUCTIVITY)
