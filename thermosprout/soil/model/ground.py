"""What the ground is made of: its texture, and the few numbers fitted over stations.

The fitted numbers are the same for all sites. ``python -m reference_data.build.soil_parameters``
writes them and says beside them on what.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, fields
from functools import lru_cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from thermosprout.errors import InputError
from thermosprout.files import reference_rows
from thermosprout.quantities import FloatArray

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
    numbers = [field.name for field in fields(SoilType) if field.name != "name"]
    return {
        row["texture"]: SoilType(
            name=row["texture"], **{name: float(row[name]) for name in numbers}
        )
        for row in reference_rows("soil_textures.csv")
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


FITTED_FILE = Path(__file__).with_name("global_parameters.json")


@dataclass(frozen=True, kw_only=True)
class GroundParameters:
    """Global parameters of the ground.

    Attributes
    ----------
    exchange_night, exchange_day : float
        Convective conductance to the air, in still nights and from 400 W m-2 of sun on, at a place
        whose air runs through 12 K a day; wind is seldom known near a garden. [W m-2 K-1]
    exchange_range_power : float
        Windy places have a small daily range of air temperature: the exchange goes with the
        fading mean of the range, over what the sun lets one expect (12 K at 220 W m-2), to the
        power of minus this.
    sward_conductance : float
        Between the leaves and the soil surface. [W m-2 K-1]
    sward_transmitted : float
        Share of the absorbed sun that reaches the soil through a green sward.
    sward_resistance, sward_resistance_dry : float
        Of leaves to vapour in warm weather, when watered and when wilted. [s m-1]
    sward_wet_conductance : float
        Evaporation from the ground under the leaves while its surface is wet. [mm s-1]
    sward_dry_air_closure : float
        Leaves close in dry air: their resistance grows by exp of this per kPa of deficit above 1.
    sward_albedo : float
        FAO-56 reference sward.
    root_zone_mm : float
        Available water of the sward's root zone. [mm]
    dew_gap_moist, dew_gap_dry : float
        Night minimum minus dew point over moist and over dry land; FAO-56, annex 6 has 0 and 2 to
        4 K, from memory. [K]
    conductivity_factor : float
        On the conductivity of the texture: roots, humus and structure.
    site_sd_K, season_sd_K : float
        Spread of single sites about the model fitted to others: of the mean of the days that rows
        sown from March to June lie in the ground, under the sun of late April at 45 degrees (it
        goes with the sun, :func:`thermosprout.soil.series.site_scale`), and of the mean of a
        season. [K]
    site_shift_sd_K : float
        Shift of a site that stays, beside what its differences do. [K]
    monthly_sd_K, monthly_memory_d : float
        Error that comes and goes with mowing, growth and drought: sd [K] and time in which its
        correlation falls to 1/e [d].
    daily_sd_K, daily_memory_d : float
        Error of days, likewise. [K], [d]
    """

    exchange_night: float = 4.0
    exchange_day: float = 20.0
    exchange_range_power: float = 0.7
    sward_conductance: float = 8.0
    sward_transmitted: float = 0.05
    sward_resistance: float = 70.0
    sward_resistance_dry: float = 1500.0
    sward_wet_conductance: float = 5.0
    sward_dry_air_closure: float = 0.3
    sward_albedo: float = 0.22
    root_zone_mm: float = 200.0
    dew_gap_moist: float = 0.0
    dew_gap_dry: float = 4.0
    conductivity_factor: float = 1.0
    site_sd_K: float = 1.35
    season_sd_K: float = 1.1
    site_shift_sd_K: float = 0.9
    monthly_sd_K: float = 0.8
    monthly_memory_d: float = 40.0
    daily_sd_K: float = 0.75
    daily_memory_d: float = 4.0


@lru_cache(maxsize=1)
def fitted_parameters() -> GroundParameters:
    """Return the fitted parameters that come with the package."""
    if not FITTED_FILE.is_file():
        return GroundParameters()
    values = json.loads(FITTED_FILE.read_text(encoding="utf-8"))["parameters"]
    names = {item.name for item in fields(GroundParameters)}
    return GroundParameters(**{k: float(v) for k, v in values.items() if k in names})
