"""The soil column of a site: its texture in every state of wetness, ready to be marched."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.soil.balance import Water
from thermosprout.soil.conduction import Grid, IntArray, Operator, graded_grid, make_operator
from thermosprout.soil.texture import LATENT_HEAT_FUSION, SOILS, SoilType

TOPSOIL_M = 0.10
"""Layer that dries by evaporation, FAO-56. [m]"""
TOP_CLASSES, SUB_CLASSES = 6, 3
DRY_SHARE = 0.7
"""Driest topsoil as a share of the wilting point. Half of it in FAO-56 eq. 73, for the uppermost
centimetres; the mean of 10 cm stays above."""
FREEZING_SHARE = 0.5
"""Share of field capacity that freezes within a few degrees below zero. Assumption."""


@dataclass(frozen=True)
class Column:
    """Grid, operators by wetness and freezable water of one soil.

    Attributes
    ----------
    operators : tuple of Operator
        Topsoil class times :data:`SUB_CLASSES` plus subsoil class.
    top_contents : ndarray, shape (top class,)
        Water content of the topsoil classes. [m3 m-3]
    freezable : ndarray, shape (node,)
        Latent heat of the water that can freeze. [J m-2]
    diffusivity : float
        Of moist soil. [m2 s-1]
    """

    soil: SoilType
    grid: Grid
    operators: tuple[Operator, ...]
    top_contents: FloatArray
    freezable: FloatArray
    diffusivity: float

    def classes(self, water: Water, root_zone_mm: float) -> IntArray:
        """Operator of each member and day, shape (member, day)."""
        depth_mm = TOPSOIL_M * 1000.0
        content = self.soil.field_capacity - water.surface_depletion / depth_mm
        step = self.top_contents[1] - self.top_contents[0]
        top = np.clip(np.rint((content - self.top_contents[0]) / step), 0, TOP_CLASSES - 1)
        left = 1.0 - water.root_depletion / root_zone_mm
        sub = np.clip(np.rint(left * (SUB_CLASSES - 1)), 0, SUB_CLASSES - 1)
        return np.asarray(top * SUB_CLASSES + sub, dtype=np.intp)


@lru_cache(maxsize=32)
def soil_column(texture: str, conductivity_factor: float) -> Column:
    """Build the column of a texture; results are kept."""
    soil = SOILS[texture]
    grid = graded_grid()
    low, high = DRY_SHARE * soil.wilting_point, soil.field_capacity
    contents = np.linspace(low, high, TOP_CLASSES)
    below = np.linspace(soil.wilting_point, soil.field_capacity, SUB_CLASSES)
    operators = []
    for top in contents:
        for sub in below:
            theta = np.where(grid.nodes < TOPSOIL_M, top, sub)
            conductivity = conductivity_factor * soil.conductivity(theta)
            operators.append(make_operator(grid, conductivity, soil.heat_capacity(theta)))
    return Column(
        soil=soil,
        grid=grid,
        operators=tuple(operators),
        top_contents=contents,
        freezable=grid.widths * FREEZING_SHARE * high * LATENT_HEAT_FUSION,
        diffusivity=float(conductivity_factor * soil.diffusivity(high)),
    )
