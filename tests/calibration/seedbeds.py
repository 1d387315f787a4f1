"""Growers simulated with nothing of the package's own model: seeds one by one, by hand.

Soil, response, depth, losses, plots and counts are written out anew here, and every one of them
can be unlike what the model believes: times that are gamma, log-logistic or come in two flushes,
plots that mice took, soil that is warmer than the thermometer says, seasons of their own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import xarray as xr

from thermosprout.calibration.plots import Plot
from thermosprout.crops.crop import Crop
from thermosprout.soil.series import soil_series

HOURS = 24 * 130


@dataclass(frozen=True, kw_only=True)
class Nature:
    """What is true of a grower's seed and ground.

    Attributes
    ----------
    slower : float
        Added to ln thermal time of the crop.
    season_sd : float
        Sd of what each season adds to ln thermal time.
    soil_sd_K : float
        Sd of the soil's error; lasts for ``soil_days`` days.
    times : str
        ``lognormal``, ``gamma``, ``loglogistic`` or ``flushes``.
    taken : float
        Share of plots that mice find; they leave one seedling in twenty.
    viability : float
    """

    slower: float = 0.0
    season_sd: float = 0.08
    soil_sd_K: float = 0.0
    soil_days: float = 12.0
    times: str = "lognormal"
    taken: float = 0.0
    viability: float = 0.85
    plot_sd: float = 0.07
    stand_sd: float = 0.3


def spring_of(year: int, rng: np.random.Generator) -> np.ndarray:
    """Hourly soil temperature from 20 March: a warming, waves of days and of weather. [degC]"""
    hour = np.arange(HOURS)
    spell = np.empty(HOURS // 24 + 2)
    spell[0] = rng.normal(0.0, 1.5)
    for day in range(1, spell.size):
        spell[day] = 0.8 * spell[day - 1] + rng.normal(0.0, 1.1)
    weather = np.interp(hour / 24.0, np.arange(spell.size), spell)
    return 6.5 + 0.13 * hour / 24.0 + weather + 3.0 * np.sin(2 * np.pi * (hour - 10) / 24.0)


def speed_by_hand(crop: Crop, temperature: np.ndarray, base_C: float = 0.0) -> np.ndarray:
    """Yan & Hunt (1999), Annals of Botany 84:607-614, with a base; degrees at the optimum."""
    figures = crop.estimate.centre()
    base = figures["t_base_C"] + base_C
    best = base + figures["opt_gap_C"]
    top = best + figures["ceiling_gap_C"]
    speed = np.zeros(temperature.shape)
    warm = (temperature > base) & (temperature < top)
    t = temperature[warm]
    if crop.response == "linear":
        falling = (best - base) * (top - t) / (top - best)
        speed[warm] = np.minimum(t - base, falling)
        return speed
    power = (best - base) / (top - best)
    course = (top - t) / (top - best) * ((t - base) / (best - base)) ** power
    speed[warm] = (best - base) * course ** figures["curvature"]
    return speed


def waits(nature: Nature, sigma: float, size: int, rng: np.random.Generator) -> np.ndarray:
    """Thermal time of seeds as multiples of the middle one's."""
    if nature.times == "gamma":
        shape = 1.0 / sigma**2
        draws = rng.gamma(shape, 1.0 / shape, size)
        return draws / (1.0 - 1.0 / (3.0 * shape))
    if nature.times == "loglogistic":
        odds = rng.random(size)
        return np.asarray((odds / (1.0 - odds)) ** (sigma * np.sqrt(3.0) / np.pi))
    narrow = np.exp(0.6 * sigma * rng.standard_normal(size))
    if nature.times == "flushes":
        return np.where(rng.random(size) < 0.6, 0.85, 1.6) * narrow
    return np.exp(sigma * rng.standard_normal(size))


def season(
    crop: Crop,
    nature: Nature,
    year: int,
    rng: np.random.Generator,
    *,
    days: tuple[float, ...] = (8.4, 22.4, 36.4),
    plots: int = 3,
    seeds: int = 50,
    depth_cm: float = 1.5,
    every_d: float = 2.0,
    viability_sd: float = 0.0,
) -> tuple[list[Plot], xr.DataArray]:
    """Plots of one season, and the soil temperature that the grower reads."""
    figures = crop.estimate.centre()
    soil = spring_of(year, rng)
    start = np.datetime64(f"{year}-03-20T00", "h")
    first_h = float(start.astype("datetime64[h]").astype(int))
    error = np.zeros(HOURS // 24 + 2)
    keep = np.exp(-1.0 / nature.soil_days)
    error[0] = rng.normal(0.0, 1.0)
    for day in range(1, error.size):
        error[day] = keep * error[day - 1] + np.sqrt(1 - keep**2) * rng.normal()
    read = soil - nature.soil_sd_K * np.interp(
        np.arange(HOURS) / 24.0, np.arange(error.size), error
    )
    run = np.concatenate([[0.0], speed_by_hand(crop, soil).cumsum() / 24.0])
    own = nature.slower + rng.normal(0.0, nature.season_sd)
    middle = figures["thermal_time_50_Cd"] * np.exp(own)
    middle += figures["depth_cost_Cd_per_cm"] * (depth_cm - 1.27)
    grown: list[Plot] = []
    for day in days:
        planted = int(24 * day)
        for _ in range(plots):
            here = middle * np.exp(rng.normal(0.0, nature.plot_sd))
            logit = np.log(nature.viability * 0.8 / (1 - nature.viability * 0.8))
            chance = 1 / (1 + np.exp(-(logit + rng.normal(0.0, nature.stand_sd))))
            alive = rng.binomial(seeds, chance)
            if rng.random() < nature.taken:
                alive = rng.binomial(alive, 0.05)
            need = here * waits(nature, figures["sigma"], alive, rng)
            hour = np.interp(run[planted] + need, run, np.arange(run.size), right=np.inf)
            looks = planted + 24.0 * every_d * np.arange(1, int((HOURS - planted) / 24 / every_d))
            looks = looks[looks < planted + 24 * 60]
            counts = (hour[:, None] <= looks).sum(axis=0)
            grown.append(
                Plot(
                    name=f"{year}-{len(grown) + 1}", planted_h=first_h + planted,
                    depth_cm=depth_cm, seeds=seeds, hours=first_h + looks,
                    new=np.diff(counts, prepend=0.0).astype(float),
                    viability=nature.viability, viability_sd=viability_sd,
                )
            )  # fmt: skip
    time = start + np.arange(HOURS) * np.timedelta64(1, "h")
    series = soil_series(time, read, depth_cm=2.0, source="invented")
    if nature.soil_sd_K:
        series.attrs["site_sd_K"] = nature.soil_sd_K
    return grown, series
