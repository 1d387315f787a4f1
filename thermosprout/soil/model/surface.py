"""Energy balance of the ground: weather in, supply and coupling of the heat flux into soil out.

The ground is a skin without heat capacity (the sward, or the soil surface itself) joined to the
soil by a conductance. All its terms are linear in the skin temperature around that of the air,
so that the skin drops out and the flux into the soil is ``supply - coupling * T_surface``.

Ground and seedbed covers: what changes in the energy balance under grass, bare soil and films.

Weather stations measure under a mown sward, rows are sown in bare raked soil. Both are the same
balance with other numbers, and so are fleece, films and straw on a bed.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace

import numpy as np

from thermosprout.errors import InputError
from thermosprout.files import reference_rows
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import GroundParameters
from thermosprout.soil.model.water import Water, saturation_pressure, saturation_slope

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


BARE_ALBEDO_WET, BARE_ALBEDO_DRY = 0.13, 0.22
"""Of raked loam: Oke (1987), Boundary Layer Climates, table 1.1 gives 0.05 (wet, dark) to 0.40
(dry, light) for soils; from memory."""
BARE_CONDUCTANCE = 400.0
"""Skin of bare soil to the first node: contact. [W m-2 K-1]"""
BARE_EXCHANGE_NIGHT = 4.0
"""Convective conductance of bare soil in still nights, where a sward shelters its own ground: log
wind law at 1.5 m s-1 with a roughness of 5 mm gives 8, halved for stable air. [W m-2 K-1]"""
BARE_EXCHANGE_MORE_DAY = 4.0
"""More than over a sward in sun: free convection over ground 10 to 20 K warmer than the air, 1.5
times the cube root of the difference (textbooks of heat transfer; from memory). [W m-2 K-1]"""
BARE_RESISTANCE_WET = 30.0
"""Resistance of a wet soil surface to vapour: Camillo & Gurney (1986), Soil Sci. 141:95-105, give
values near zero to 100 for wet soil; from memory. [s m-1]"""
BARE_RESISTANCE_DRY = 3000.0
"""Resistance of a dry mulch of soil. [s m-1] Same order as above; assumption."""
USUAL_RANGE_K, USUAL_SUN = 12.0, 220.0
"""Daily range of air temperature and mean radiation that the fitted exchange stands for. [K],
[W m-2]"""
RANGE_SUN_POWER = 0.5
"""The daily range grows with the sun's energy to about this power: none of it would be advection
alone, all of it a calm day alone. Assumption."""
LEAST_SUN = 30.0
"""Below this mean radiation, that of midwinter, the range no longer follows the sun. [W m-2]"""
LEAF_OPTIMUM_C, LEAF_CURVATURE = 25.0, 0.0016
"""Temperature factor of leaf conductance, ``1 - 0.0016 (25 - T)**2``: Noilhan & Planton (1989),
Mon. Weather Rev. 117:536-549; from memory. [degC], [K-2]"""
DORMANT_SHARE = 0.2
"""Leaf conductance that a sward keeps through the winter, as a share. Assumption."""
WITHERED_TRANSMITS = 3.0
"""Sun through a wilted sward over that through a green one. Assumption."""
COVER_SHARES = {"grass": 0.9, "bare": 0.05}
"""Share of the ground under leaves."""


@dataclass(frozen=True, kw_only=True)
class Cover:
    """A cover on a bed, as changes of the energy balance.

    Attributes
    ----------
    name : str
    light : float
        Share of the sun that passes to the ground.
    albedo : float or None
        Reflected share where the cover itself is the surface that the sun meets (opaque covers).
    air_gap_conductance : float
        Between the ground and the air outside, through cover and enclosed air, in series with the
        exchange of open ground; infinite for none. [W m-2 K-1]
    ground_conductance : float
        Between an opaque cover's top and the soil surface; infinite for none. [W m-2 K-1]
    longwave : float
        Share of the long-wave loss to the sky that is left.
    vapour : float
        Share of the evaporation that is left.
    rain : float
        Share of rain that reaches the soil; watering is noted as what the bed was given.
    says : str
        What the values stand on.
    """

    name: str
    light: float = 1.0
    albedo: float | None = None
    air_gap_conductance: float = np.inf
    ground_conductance: float = np.inf
    longwave: float = 1.0
    vapour: float = 1.0
    rain: float = 1.0
    says: str = ""


def _read_covers() -> dict[str, Cover]:
    numbers = [item.name for item in fields(Cover) if item.name not in ("name", "says")]
    return {
        row["cover"]: Cover(
            name=row["cover"],
            says=row["says"],
            **{name: float(row[name]) for name in numbers if row[name]},
        )
        for row in reference_rows("seedbed_covers.csv")
    }


COVERS: dict[str, Cover] = _read_covers()
"""Covers by name: ``reference_data/seedbed_covers.csv``; "none" is the open bed."""


def cover_named(name: str | None) -> Cover:
    """Cover by name; none or "bare" is the open bed.

    Raises
    ------
    InputError
        For an unknown name.
    """
    key = " ".join((name or "none").lower().replace("-", " ").replace("_", " ").split())
    key = {"bare": "none", "open": "none", "black plastic": "black polythene"}.get(key, key)
    key = {"clear plastic": "clear polythene", "tunnel": "low tunnel"}.get(key, key)
    if key not in COVERS:
        raise InputError(f"unknown cover {name!r}", hint=f"use one of {', '.join(COVERS)}")
    return COVERS[key]


def hourly(daily: FloatArray) -> FloatArray:
    """Repeat daily values over their 24 hours, along the last axis."""
    return np.repeat(daily, 24, axis=-1)


def leaf_activity(air: FloatArray) -> FloatArray:
    """Share of leaf conductance that is left in cold weather, shape like ``air``.

    Parameters
    ----------
    air : ndarray
        Mean air temperature of the days before: leaves follow the season, not the hour. [degC]

    Notes
    -----
    Only the cold side of the factor of Noilhan & Planton (1989) acts here: on the warm side dry
    air closes the leaves (:func:`ground_skin`).
    """
    below = np.maximum(LEAF_OPTIMUM_C - air, 0.0)
    return np.asarray(np.maximum(1.0 - LEAF_CURVATURE * below**2, DORMANT_SHARE))


def usual_exchange(
    surface: str,
    radiation: FloatArray,
    daily_range: FloatArray,
    sun: FloatArray,
    ground: GroundParameters,
) -> FloatArray:
    """Convective conductance where wind is not known, shape (member, step). [W m-2 K-1]

    Parameters
    ----------
    surface : {"grass", "bare"}
    radiation : ndarray, shape (member, step)
        [W m-2]
    daily_range : ndarray, shape (member, day)
        Fading mean of the daily range of air temperature. [K]
    sun : ndarray, shape (member, day)
        Fading mean of the radiation. [W m-2]
    ground : GroundParameters

    Notes
    -----
    Wind mixes the day's warmth into a deep layer of air: the range per sun tells how still it is.
    """
    sun_share = np.clip(radiation / 400.0, 0.0, 1.0)
    day = ground.exchange_day + (BARE_EXCHANGE_MORE_DAY if surface == "bare" else 0.0)
    night = BARE_EXCHANGE_NIGHT if surface == "bare" else ground.exchange_night
    exchange = night + (day - night) * sun_share
    usual = USUAL_RANGE_K * (np.maximum(sun, LEAST_SUN) / USUAL_SUN) ** RANGE_SUN_POWER
    still = np.clip(daily_range / usual, 0.4, 2.5) ** -ground.exchange_range_power
    return np.asarray(exchange * hourly(still))


def ground_skin(
    surface: str,
    water: Water,
    exchange: FloatArray,
    deficit: FloatArray,
    activity: FloatArray,
    ground: GroundParameters,
) -> Skin:
    """Skin of grass or bare soil in its daily state of water.

    Parameters
    ----------
    surface : {"grass", "bare"}
    water : Water
        Daily state, shape (member, day).
    exchange : ndarray, shape (member, step)
        Convective conductance. [W m-2 K-1]
    deficit : ndarray, shape (member, step)
        Vapour pressure deficit of the air. [kPa]
    activity : ndarray, shape (member, day)
        Of the leaves, from :func:`leaf_activity`.
    ground : GroundParameters

    Notes
    -----
    Leaves: the factors of Jarvis (1976), Phil. Trans. R. Soc. B 273:593-610, for soil water, dry
    air and cold; wilted ones let more sun through. Bare soil: resistance over the share Kr of
    FAO-56.
    """
    wet = hourly(water.evaporation_factor)
    if surface == "grass":
        active = np.maximum(
            water.stress_factor, ground.sward_resistance / ground.sward_resistance_dry
        )
        closure = np.exp(ground.sward_dry_air_closure * np.clip(deficit - 1.0, -1.0, 2.0))
        leaves = hourly(ground.sward_resistance / (active * activity)) * closure
        opened = 1.0 + (WITHERED_TRANSMITS - 1.0) * (1.0 - water.stress_factor)
        return Skin(
            albedo=ground.sward_albedo,
            transmitted=ground.sward_transmitted * hourly(opened),
            conductance=ground.sward_conductance,
            exchange=exchange,
            vapour_resistance=1.0 / (1.0 / leaves + 1e-3 * ground.sward_wet_conductance * wet),
        )
    return Skin(
        albedo=BARE_ALBEDO_DRY + (BARE_ALBEDO_WET - BARE_ALBEDO_DRY) * wet,
        transmitted=0.0,
        conductance=BARE_CONDUCTANCE,
        exchange=exchange,
        vapour_resistance=BARE_RESISTANCE_WET
        / np.maximum(wet, BARE_RESISTANCE_WET / BARE_RESISTANCE_DRY),
    )


def under_cover(skin: Skin, cover: Cover) -> Skin:
    """Skin under a cover."""
    exchange = np.asarray(skin.exchange, dtype=float)
    exchange = 1.0 / (1.0 / exchange + 1.0 / cover.air_gap_conductance)
    aerodynamic = AIR_HEAT_CAPACITY / np.maximum(exchange, 0.5)
    resistance = (aerodynamic + skin.vapour_resistance) / max(cover.vapour, 1e-3) - aerodynamic
    conductance = 1.0 / (1.0 / np.asarray(skin.conductance) + 1.0 / cover.ground_conductance)
    if cover.albedo is None:
        albedo: float | FloatArray = 1.0 - cover.light * (1.0 - np.asarray(skin.albedo))
        transmitted = skin.transmitted
    else:
        albedo, transmitted = cover.albedo, cover.light
    return replace(
        skin,
        albedo=albedo,
        transmitted=transmitted,
        conductance=conductance,
        exchange=exchange,
        vapour_resistance=resistance,
        longwave=np.asarray(skin.longwave) * cover.longwave,
    )
