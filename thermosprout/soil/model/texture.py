"""Soils by texture: water retention, field capacity and the thermal properties that follow."""

from __future__ import annotations

import csv
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.errors import InputError
from thermosprout.reference import reference_file

WATER_HEAT_CAPACITY = 4.18e6
"""Volumetric heat capacity of water. [J m-3 K-1]"""
MINERAL_HEAT_CAPACITY = 2.0e6
"""Volumetric heat capacity of soil minerals, de Vries (1963); from memory. [J m-3 K-1]"""
LATENT_HEAT_FUSION = 3.34e8
"""Latent heat of fusion of a volume of water. [J m-3]"""
_MPA_PER_CM = 9.81e-5


@dataclass(frozen=True, kw_only=True)
class SoilType:
    """One texture class.

    Attributes
    ----------
    retention_b, air_entry_cm, porosity : float
        Exponent, air-entry suction [cm of water] and saturated water content [m3 m-3] of
        ``psi = -air_entry (theta / porosity) ** -b`` (Campbell 1974, Soil Sci. 117:311-314).
    saturated_conductivity_m_s : float
        Conductivity for water of the saturated soil (Clapp & Hornberger 1978). [m s-1]
    quartz : float
        Quartz share of the solids, which sets the conductivity for heat.
    readily_evaporable_mm, total_evaporable_mm : float
        Water that leaves the top 10 cm in the first and in both stages of evaporation. [mm]
    """

    name: str
    retention_b: float
    air_entry_cm: float
    porosity: float
    saturated_conductivity_m_s: float
    quartz: float
    readily_evaporable_mm: float
    total_evaporable_mm: float

    def potential(self, water_content: npt.ArrayLike) -> FloatArray:
        """Water potential at a volumetric water content. [MPa, at most 0]"""
        share = np.clip(np.asarray(water_content, dtype=float) / self.porosity, 0.01, 1.0)
        return np.asarray(-self.air_entry_cm * _MPA_PER_CM * share**-self.retention_b)

    def water_content(self, potential_mpa: npt.ArrayLike) -> FloatArray:
        """Volumetric water content at a water potential. [m3 m-3]"""
        suction = np.maximum(-np.asarray(potential_mpa, dtype=float), 1e-9)
        share = (suction / (self.air_entry_cm * _MPA_PER_CM)) ** (-1.0 / self.retention_b)
        return np.asarray(self.porosity * np.minimum(share, 1.0))

    @property
    def field_capacity(self) -> float:
        """Water content at -33 kPa, or -10 kPa for the sands. [m3 m-3]"""
        return float(self.water_content(-0.01 if "sand" in self.name.split()[-1] else -0.033))

    @property
    def wilting_point(self) -> float:
        """Water content at -1.5 MPa. [m3 m-3]"""
        return float(self.water_content(-1.5))

    def heat_capacity(self, water_content: npt.ArrayLike) -> FloatArray:
        """Volumetric heat capacity, de Vries (1963). [J m-3 K-1]"""
        theta = np.asarray(water_content, dtype=float)
        solids = (1.0 - self.porosity) * MINERAL_HEAT_CAPACITY
        return np.asarray(solids + theta * WATER_HEAT_CAPACITY)

    def conductivity(self, water_content: npt.ArrayLike) -> FloatArray:
        """Thermal conductivity of unfrozen soil. [W m-1 K-1]

        Notes
        -----
        Johansen (1975) as written by Peters-Lidard et al. (1998), J. Atmos. Sci. 55:1209-1224;
        equations and quartz contents from memory.
        """
        saturation = np.clip(np.asarray(water_content, dtype=float) / self.porosity, 0.01, 1.0)
        other = 3.0 if self.quartz <= 0.2 else 2.0
        solids = 7.7**self.quartz * other ** (1.0 - self.quartz)
        saturated = solids ** (1.0 - self.porosity) * 0.57**self.porosity
        density = (1.0 - self.porosity) * 2700.0
        dry = (0.135 * density + 64.7) / (2700.0 - 0.947 * density)
        if self.quartz > 0.5:
            kersten = 0.7 * np.log10(saturation) + 1.0
        else:
            kersten = np.log10(saturation) + 1.0
        return np.asarray(dry + np.clip(kersten, 0.0, 1.0) * (saturated - dry))

    def diffusivity(self, water_content: npt.ArrayLike) -> FloatArray:
        """Thermal diffusivity. [m2 s-1]"""
        return self.conductivity(water_content) / self.heat_capacity(water_content)


def _read_textures() -> dict[str, SoilType]:
    with reference_file("soil_textures.csv").open(encoding="utf-8", newline="") as stream:
        rows = list(csv.DictReader(stream))
    numbers = [field.name for field in fields(SoilType) if field.name != "name"]
    return {
        row["texture"]: SoilType(
            name=row["texture"], **{name: float(row[name]) for name in numbers}
        )
        for row in rows
    }


SOILS: dict[str, SoilType] = _read_textures()
"""Texture classes by name: ``reference_data/soil_textures.csv``."""


def soil_type(name: str) -> SoilType:
    """Texture class by name.

    Raises
    ------
    InputError
        For an unknown name.
    """
    match = SOILS.get(" ".join(name.lower().replace("-", " ").replace("_", " ").split()))
    if match is None:
        raise InputError(f"unknown texture {name!r}", hint=f"use one of {', '.join(SOILS)}")
    return match


LOAM = SOILS["loam"]
