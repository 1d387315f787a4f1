"""From weather arrays to soil temperature: the model without xarray, for members or stations."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from thermosprout.quantities import FloatArray
from thermosprout.soil.model.conduction import (
    Column,
    IntArray,
    Run,
    YearlyCourse,
    conduct,
    soil_column,
)
from thermosprout.soil.model.ground import GroundParameters, SoilType
from thermosprout.soil.model.surface import (
    COVER_SHARES,
    Cover,
    Skin,
    Sky,
    ground_flux,
    ground_skin,
    hourly,
    leaf_activity,
    net_longwave,
    under_cover,
    usual_exchange,
)
from thermosprout.soil.model.water import (
    ALBEDO,
    SEA_LEVEL_PRESSURE,
    Water,
    potential_evaporation,
    pressure,
    psychrometric,
    saturation_pressure,
    snow_cover,
    snow_resistance,
    water_balance,
)

Stores = tuple[FloatArray, FloatArray]
Flux = tuple[FloatArray, FloatArray]
"""Supply to a surface at 0 degC [W m-2] and the coupling that takes from it with each kelvin."""

DAY = 24
SPIN_UP_D = 10
"""Days run twice, so that the upper soil forgets the smooth profile it starts from."""
GROUND_WARMER_K = 1.5
"""Ground minus air in the mean of the year, for the starting profile only: 1 to 3 K is common in
snow-free and snowy climates alike; assumption."""
FULL_SNOW_MM = 8.0
"""Water in the snow from which the ground counts as white. [mm] Assumption."""
MINIMUM_CLEARNESS = 0.25
RANGE_MEMORY_D = 20.0
"""Memory of the daily range, which stands for the windiness of a place. [d]"""
LEAF_MEMORY_D = 10.0
"""Memory of the air temperature that leaves follow through spring. [d] Assumption."""


@dataclass(frozen=True)
class Weather:
    """Weather in arrays of whole days, each of shape (member, step) unless said otherwise.

    Attributes
    ----------
    air : ndarray
        Mean of each hour. [degC]
    radiation, clear : ndarray
        Measured and clear-sky radiation, mean of each hour. [W m-2]
    night_minimum : ndarray
        Lowest temperature of the 24 hours around. [degC]
    daily_range : ndarray, shape (member, day)
        Range of air temperature of each day. [K]
    rain : ndarray, shape (member, day)
        Sum of each day. [mm]
    rain_known : bool
    vapour : ndarray, optional
        Vapour pressure where humidity is known. [kPa]
    wind_ratio : ndarray, optional
        Wind over that of a usual day where it is known.
    elevation_m : float or ndarray, shape (member,)
        Height above sea level. [m]
    """

    air: FloatArray
    radiation: FloatArray
    clear: FloatArray
    night_minimum: FloatArray
    daily_range: FloatArray
    rain: FloatArray
    rain_known: bool = True
    vapour: FloatArray | None = None
    wind_ratio: FloatArray | None = None
    elevation_m: float | FloatArray = 100.0

    @property
    def days(self) -> int:
        """Number of whole days."""
        return int(self.air.shape[1]) // DAY


@dataclass(frozen=True)
class ModelRun:
    """Soil temperature at each hour, shape (depth, member, step + 1), and the water balance."""

    temperature: FloatArray
    water: Water
    run: Run


def daily_mean(values: FloatArray) -> FloatArray:
    """Means of whole days, shape (member, day)."""
    return np.asarray(values.reshape(values.shape[0], -1, DAY).mean(axis=2))


def running_mean(values: FloatArray, hours: int) -> FloatArray:
    """Centred running mean along the last axis, shorter at the ends; missing values left out."""
    present = np.isfinite(values)
    filled = np.where(present, values, 0.0)
    zero = np.zeros((*values.shape[:-1], 1))
    total = np.concatenate([zero, np.cumsum(filled, axis=-1)], axis=-1)
    number = np.concatenate([zero, np.cumsum(present, axis=-1)], axis=-1)
    n = values.shape[-1]
    low = np.maximum(np.arange(n) - hours // 2, 0)
    high = np.minimum(np.arange(n) + hours // 2, n)
    count = np.maximum(number[..., high] - number[..., low], 1.0)
    return np.asarray((total[..., high] - total[..., low]) / count)


def fading_mean(values: FloatArray, days: float) -> FloatArray:
    """Exponentially fading mean over the days, shape (member, day)."""
    out = np.empty_like(values)
    state = values[:, : int(days)].mean(axis=1)
    for day in range(values.shape[1]):
        state = state + (values[:, day] - state) / days
        out[:, day] = state
    return out


def water_supply(
    weather: Weather, cover: Cover, ground: GroundParameters
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Water that reaches the ground, and what the weather would evaporate from it if it is wet.

    Returns
    -------
    liquid, demand, snow : ndarray, shape (member, day)
        Rain and melt [mm d-1]; evaporation [mm d-1]; water in the snow [mm]. Where rain
        is not known, it is taken as somewhat less than the evaporation.
    """
    air = daily_mean(weather.air)
    height = np.atleast_1d(np.asarray(weather.elevation_m, dtype=float))[:, None]
    snow, liquid = snow_cover(air, weather.rain)
    liquid = liquid * cover.rain
    net = (1.0 - ground.sward_albedo) * weather.radiation - net_longwave(_sky(weather, ground))
    demand = potential_evaporation(daily_mean(net), air, psychrometric(height)) * cover.vapour
    if not weather.rain_known:
        liquid = liquid + 0.6 * demand
    return liquid, demand, snow


def water_course(
    weather: Weather,
    *,
    surface: str,
    cover: Cover,
    soil: SoilType,
    ground: GroundParameters,
    start: Stores | None = None,
) -> tuple[Water, FloatArray, FloatArray]:
    """Daily water of the ground, activity of its leaves, and water in the snow. [mm]

    Parameters
    ----------
    weather, surface, cover, ground
        As for :func:`run_model`.
    soil : SoilType
    start : tuple of ndarray, shape (member,), optional
        Water missing from the top soil and from the root zone; none where absent. [mm]

    Returns
    -------
    water : Water
    activity, snow : ndarray, shape (member, day)
    """
    liquid, demand, snow = water_supply(weather, cover, ground)
    air = daily_mean(weather.air)
    activity = leaf_activity(fading_mean(air, LEAF_MEMORY_D))
    water = water_balance(
        liquid,
        demand,
        soil,
        root_zone_mm=ground.root_zone_mm,
        cover_share=COVER_SHARES[surface],
        activity=activity,
        start=start,
    )
    return water, activity, snow


def _clearness(weather: Weather) -> FloatArray:
    """Sun of the day around each hour over that of a clear one."""
    share = running_mean(weather.radiation, DAY) / np.maximum(running_mean(weather.clear, DAY), 1.0)
    return np.asarray(np.clip(share, MINIMUM_CLEARNESS, 1.0))


def _sky(weather: Weather, ground: GroundParameters, dry: FloatArray | float = 0.0) -> Sky:
    """Air and radiation over the ground; where humidity is unknown, ``dry`` land dries the air.

    ``dry`` runs from 0, moist land, to 1.
    """
    vapour = weather.vapour
    if vapour is None:
        gap = ground.dew_gap_moist + (ground.dew_gap_dry - ground.dew_gap_moist) * dry
        vapour = saturation_pressure(weather.night_minimum - gap)
    return Sky(weather.air, vapour, weather.radiation, _clearness(weather))


def run_model(
    weather: Weather,
    *,
    depths_cm: tuple[float, ...],
    surface: str,
    cover: Cover,
    texture: str,
    ground: GroundParameters,
    course: YearlyCourse,
    day_of_year: float,
    stores: Stores | None = None,
) -> ModelRun:
    """Run the model.

    Parameters
    ----------
    weather : Weather
    depths_cm : tuple of float
    surface : {"grass", "bare"}
    cover : Cover
    texture : str
        Key of :data:`thermosprout.soil.model.ground.SOILS`.
    ground : GroundParameters
    course : YearlyCourse
        For the starting profile.
    day_of_year : float
        Of the first day.
    stores : tuple of ndarray, shape (member,), optional
        Water missing from the top soil and from the root zone at the start; moist where absent.
        [mm]
    """
    column = soil_column(texture, round(ground.conductivity_factor, 3))
    water, activity, snow = water_course(
        weather, surface=surface, cover=cover, soil=column.soil, ground=ground, start=stores
    )
    sky = _sky(weather, ground, dry=hourly(1.0 - water.stress_factor))
    deficit = saturation_pressure(weather.air) - sky.vapour
    exchange = _exchange(weather, surface, ground)
    skin = under_cover(ground_skin(surface, water, exchange, deficit, activity, ground), cover)
    height = np.atleast_1d(np.asarray(weather.elevation_m, dtype=float))[:, None]
    thin_air = pressure(height) / SEA_LEVEL_PRESSURE
    flux = ground_flux(sky, _under_snow(skin, hourly(snow)), thin_air)
    profile = course.profile(column.grid.nodes, day_of_year, column.diffusivity, GROUND_WARMER_K)
    which = column.classes(water, ground.root_zone_mm)
    run = _conducted(column, which, flux, depths_cm, profile)
    return ModelRun(run.temperature, water, run)


def _exchange(weather: Weather, surface: str, ground: GroundParameters) -> FloatArray:
    """Heat taken to the air for each kelvin, by the wind where it is known. [W m-2 K-1]"""
    usual = usual_exchange(
        surface,
        weather.radiation,
        fading_mean(weather.daily_range, RANGE_MEMORY_D),
        fading_mean(daily_mean(weather.radiation), RANGE_MEMORY_D),
        ground,
    )
    return usual if weather.wind_ratio is None else usual * weather.wind_ratio


def _conducted(
    column: Column,
    which: IntArray,
    flux: Flux,
    depths_cm: tuple[float, ...],
    profile: FloatArray,
) -> Run:
    """Conduct the heat down the column from a smooth profile, the first days twice."""
    weights = np.stack([column.grid.weights(depth) for depth in depths_cm], axis=1)
    start = np.broadcast_to(profile, (flux[0].shape[0], column.grid.size))
    freezable = np.broadcast_to(column.freezable, start.shape)

    def march(days: int, start: FloatArray, ice: FloatArray | None) -> Run:
        supply, coupling = (part[:, : days * DAY] for part in flux)
        return conduct(
            column.operators, which[:, :days], supply, coupling, weights, start,
            ice=ice, freezable=freezable,
        )  # fmt: skip

    days = flux[0].shape[1] // DAY
    spin_up = march(min(SPIN_UP_D, days), start, None)
    return march(days, spin_up.state, spin_up.ice)


def _under_snow(skin: Skin, snow: FloatArray) -> Skin:
    """Let snow whiten and insulate the ground."""
    if not snow.any():
        return skin
    white = np.clip(snow / FULL_SNOW_MM, 0.0, 1.0)
    return Skin(
        albedo=np.asarray(skin.albedo) * (1.0 - white) + ALBEDO * white,
        transmitted=np.asarray(skin.transmitted) * (1.0 - white),
        conductance=1.0 / (1.0 / np.asarray(skin.conductance) + snow_resistance(snow)),
        exchange=skin.exchange,
        vapour_resistance=np.where(white > 0.5, 0.0, skin.vapour_resistance),
        longwave=skin.longwave,
    )
