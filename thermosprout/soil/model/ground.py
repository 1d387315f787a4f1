"""The few numbers of the energy balance that are the same for all sites, fitted over stations.

They are written by ``python -m reference_data.build.soil_parameters`` and say beside them on what.
"""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass, fields
from functools import lru_cache
from pathlib import Path
from typing import Any

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
        Spread of single sites about the model fitted to others: of the mean of three weeks, as long
        as a row lies in the ground, and of the mean of a season. [K]
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

    def as_dict(self) -> dict[str, float]:
        """All parameters by name."""
        return asdict(self)


def _read(text: str) -> dict[str, Any]:
    document: dict[str, Any] = json.loads(text)
    return document


@lru_cache(maxsize=1)
def fitted_parameters() -> GroundParameters:
    """Return the fitted parameters that come with the package."""
    if not FITTED_FILE.is_file():
        return GroundParameters()
    values = _read(FITTED_FILE.read_text(encoding="utf-8"))["parameters"]
    names = {item.name for item in fields(GroundParameters)}
    return GroundParameters(**{k: float(v) for k, v in values.items() if k in names})
