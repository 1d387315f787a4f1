"""Fit the parameters of the ground to stations, judge them on stations left out, tell the spread.

Run ``python -m reference_data.build.soil_parameters --data FOLDER`` (the folder of
:mod:`reference_data.build.weather_stations`); it prints a table and writes
``global_parameters.json``.
What is minimised is the sum over stations of the RMSE of daily means, April to September, plus a
weak pull to published values. Every station is judged with parameters fitted to the others. Seasons
are entered with the water that the year before left in the ground, as in a run through all years.
What single sites do about the model (shift, error of months and error of days) is fitted to what is
left from March on at the stations while left out.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import xarray as xr
from scipy.linalg import cho_factor, cho_solve
from scipy.optimize import minimize
from scipy.stats import norm
from scipy.stats import t as student_t

from reference_data.build.weather_stations import Station, growing_season, load_stations
from thermosprout.files import write_atomic
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.conduction import YearlyCourse, yearly_course
from thermosprout.soil.model.ground import FITTED_FILE, LOAM, GroundParameters
from thermosprout.soil.model.run import DAY, Weather, run_model, water_course
from thermosprout.soil.model.surface import COVERS
from thermosprout.soil.model.temperature import differing_sites
from thermosprout.soil.model.weather import weather_arrays
from thermosprout.soil.series import sun_scale

EVERY_D = 3
"""Days used of each season: neighbours say much the same. [d]"""
NUGGET_K2 = 0.02
"""Variance of a daily mean on its own. [K2]"""
START = (0.8, 0.8, 60.0, 0.7, 3.0)
"""Where the search starts, and centre of a weak pull: a season of half a year hardly tells a shift
that stays from one of months. [K, K, d, K, d]"""
ROWS = ((59, 90, 23), (90, 120, 13), (120, 161, 8))
"""First and last day of sowing, counted from 1 January, and days to half emergence in the mean of
eight cool and two warm crops of the catalogue under the measured soil of the stations: the spread
of a site is told for means over the days that rows lie in the ground. [d]"""
PULL_SD = 0.7
"""Of the logarithms of the first three about :data:`START`."""


@dataclass(frozen=True)
class Spread:
    """Sd [K] of the three parts and memory [d] of the two that fade."""

    shift_sd_K: float
    monthly_sd_K: float
    monthly_memory_d: float
    daily_sd_K: float
    daily_memory_d: float


def fit_spread(residuals: FloatArray, effects: FloatArray, stations: list[str]) -> Spread:
    """Maximum likelihood of a constant and two fading covariances beside differences of sites.

    Parameters
    ----------
    residuals : ndarray, shape (season, day)
        Modelled minus measured, NaN where nothing was measured. [K]
    effects : ndarray, shape (difference, season, day)
        Effect of one sd of each difference. [K]
    stations : list of str
        Station of each season; every station counts the same.
    """
    days = np.arange(residuals.shape[1], dtype=float)
    apart = np.abs(days[:, None] - days[None, :])
    weight = np.array([1.0 / stations.count(name) for name in stations])
    seasons = []
    for row in range(len(stations)):
        pick = np.arange(0, days.size, EVERY_D)
        pick = pick[np.isfinite(residuals[row, pick])]
        own = effects[:, row, pick]
        seasons.append((pick, residuals[row, pick], own.T @ own))

    def cost(logs: FloatArray) -> float:
        shift, month, memory, daily, daily_memory = np.exp(logs)
        field = (
            shift**2 + month**2 * np.exp(-apart / memory) + daily**2 * np.exp(-apart / daily_memory)
        )
        total = 0.5 * float((((logs - np.log(START)) / PULL_SD)[:3] ** 2).sum())
        for (pick, values, apart_by_site), share in zip(seasons, weight, strict=True):
            matrix = field[np.ix_(pick, pick)] + apart_by_site + NUGGET_K2 * np.eye(pick.size)
            factor = cho_factor(matrix, lower=True)
            logdet = np.log(np.diag(factor[0])).sum()
            total += share * (0.5 * float(values @ cho_solve(factor, values)) + float(logdet))
        return total

    best = minimize(cost, np.log(START), method="L-BFGS-B")
    return Spread(*(float(value) for value in np.exp(best.x)))


FREE: dict[str, tuple[float, float, float]] = {
    # centre, sd of the pull, lowest
    "exchange_night": (3.0, 2.0, 0.5),
    "exchange_day": (20.0, 7.0, 5.0),
    "exchange_range_power": (0.7, 0.6, 0.0),
    "sward_conductance": (8.0, 3.0, 2.0),
    "sward_transmitted": (0.05, 0.04, 0.0),
    "sward_resistance": (70.0, 40.0, 20.0),
    "sward_wet_conductance": (5.0, 5.0, 0.0),
    "sward_dry_air_closure": (0.3, 0.4, 0.0),
    "root_zone_mm": (250.0, 80.0, 60.0),
    "conductivity_factor": (1.0, 0.15, 0.4),
}
"""Parameters that are fitted; all others stay at published values."""
PULL = 0.25
"""Weight of the pull, as a share of one station's RMSE in kelvin. Chosen before judging."""
SEASONS_PER_STATION = 8
DAYS = 273
"""From 1 January to the end of September, so that the soil has its winter behind it."""
YEAR = 365
WHOLE = 0.97
"""Least share of hours of a season that must be known."""
LEAST_BEFORE_D = 60
"""Weather of the year before is used when there is this much of it. [d]"""
MOIST_MM_H = 1.0
"""Rain that keeps the ground moist until a record begins. [mm h-1]"""
STEP = 0.2


@dataclass(frozen=True)
class Season:
    """One year of one station: weather, measured days (NaN where none), and its place.

    ``before`` is the weather of the year before, up to the first day of ``weather``, where there
    is one: a dry year leaves the roots short of water in the next. ``measured`` is what the fit
    sees, April to September; ``from_march`` what the spread of sites is told from.
    """

    station: str
    year: int
    depth_cm: float
    weather: Weather
    before: Weather | None
    course: YearlyCourse
    measured: FloatArray
    from_march: FloatArray | None = None
    latitude: float = 45.0


def seasons_of(station: Station, most: int = SEASONS_PER_STATION) -> list[Season]:
    """Whole seasons of a station, spread evenly over its years."""
    time = pd.DatetimeIndex(station.weather["time"].values)
    seasons = []
    for year in range(time[0].year, time[-1].year + 1):
        offset = np.timedelta64(-round(station.utc_offset_h), "h")
        first = np.datetime64(f"{year}-01-01T00", "ns") + offset
        stop = first + np.timedelta64(DAYS * DAY, "h")
        if time[0] > first or time[-1] < stop:
            continue
        piece = station.weather.sel(time=slice(first, stop - np.timedelta64(1, "h")))
        air = piece["air_temperature"].values
        if np.isfinite(air).mean() < WHOLE:
            continue
        starts = pd.DatetimeIndex(first + np.arange(DAYS) * np.timedelta64(1, "D"))
        local = starts - pd.Timedelta(offset)
        every = station.measured.reindex(starts).to_numpy(dtype=float)
        measured = np.where(growing_season(pd.DatetimeIndex(local)), every, np.nan)
        from_march = np.where(pd.DatetimeIndex(local).month >= 3, every, np.nan)
        if np.isfinite(measured).sum() < 60:
            continue
        inputs, _ = weather_arrays(piece.interpolate_na("time", fill_value="extrapolate"))
        course = yearly_course(inputs.air.reshape(1, -1, DAY).mean(axis=2), 1.0, station.latitude)
        before = _year_before(station, first)
        seasons.append(
            Season(
                station.station_id,
                year,
                station.depth_cm,
                inputs,
                before,
                course,
                measured,
                from_march,
                station.latitude,
            )
        )
    if len(seasons) <= most:
        return seasons
    pick = np.linspace(0, len(seasons) - 1, most).round().astype(int)
    return [seasons[i] for i in pick]


def _year_before(station: Station, first: np.datetime64) -> Weather | None:
    """Weather of the year before, and of the first day; rain before the record fills the stores."""
    began = station.weather["time"].values[0]
    hours = first + np.arange(-YEAR * DAY, DAY) * np.timedelta64(1, "h")
    if first - began < np.timedelta64(LEAST_BEFORE_D, "D"):
        return None
    piece = station.weather.reindex(time=hours)
    if np.isfinite(piece["air_temperature"].values[hours >= began]).mean() < WHOLE:
        return None
    air = piece["air_temperature"].interpolate_na("time", "nearest", fill_value="extrapolate")
    rain = piece["precipitation"].where(xr.DataArray(hours >= began, dims="time"), MOIST_MM_H)
    return weather_arrays(piece.assign(air_temperature=air, precipitation=rain))[0]


def _joined(parts: Sequence[Weather]) -> Weather:
    """Weather of several seasons as members of one."""

    def stack(name: str) -> FloatArray:
        return np.concatenate([getattr(part, name) for part in parts])

    return Weather(
        air=stack("air"),
        radiation=stack("radiation"),
        clear=stack("clear"),
        night_minimum=stack("night_minimum"),
        daily_range=stack("daily_range"),
        rain=stack("rain"),
        elevation_m=np.array([float(part.elevation_m) for part in parts]),
    )


class Problem:
    """Seasons of many stations as one batch of members, with the residuals of a parameter set."""

    def __init__(self, seasons: Sequence[Season]) -> None:
        self.names = list(dict.fromkeys(season.station for season in seasons))
        self.depths = tuple(sorted({season.depth_cm for season in seasons}))
        self.depth_of = np.array([self.depths.index(season.depth_cm) for season in seasons])
        self.measured = np.stack([season.measured for season in seasons])
        self.from_march = np.stack(
            [
                season.measured if season.from_march is None else season.from_march
                for season in seasons
            ]
        )
        self.of_station = [season.station for season in seasons]
        year = np.datetime64("2025-01-01", "ns") + np.arange(DAYS) * np.timedelta64(1, "D")
        self.sun = np.stack([sun_scale(year, season.latitude) for season in seasons])
        self.in_fit = np.isfinite(self.measured)
        index = np.array([self.names.index(season.station) for season in seasons])
        self.station = np.broadcast_to(index[:, None], self.measured.shape)[self.in_fit]
        self.count = np.bincount(self.station)
        self.weather = _joined([season.weather for season in seasons])
        preceded = [(row, season.before) for row, season in enumerate(seasons) if season.before]
        self.with_before = np.array([row for row, _ in preceded], dtype=int)
        self.before = _joined([before for _, before in preceded]) if preceded else None
        self.course = YearlyCourse(
            mean=np.concatenate([season.course.mean for season in seasons]),
            amplitude=np.concatenate([season.course.amplitude for season in seasons]),
            warmest_day=seasons[0].course.warmest_day,
        )

    def daily(self, ground: GroundParameters) -> FloatArray:
        """Modelled daily means at each season's depth, shape (season, day)."""
        modelled = run_model(
            self.weather,
            depths_cm=self.depths,
            surface="grass",
            cover=COVERS["none"],
            texture=LOAM.name,
            ground=ground,
            course=self.course,
            day_of_year=1.0,
            stores=self._stores(ground),
        )
        rows = np.arange(self.depth_of.size)
        values = modelled.temperature[self.depth_of, rows]
        hours = 0.5 * (values[:, :-1] + values[:, 1:])
        return np.asarray(hours.reshape(rows.size, -1, DAY).mean(axis=2))

    def _stores(self, ground: GroundParameters) -> tuple[FloatArray, FloatArray]:
        """Water missing on the first day, shape (season,) each; none without a year before. [mm]"""
        top, roots = np.zeros(self.depth_of.size), np.zeros(self.depth_of.size)
        if self.before is not None:
            water, _, _ = water_course(
                self.before, surface="grass", cover=COVERS["none"], soil=LOAM, ground=ground
            )
            top[self.with_before] = water.surface_depletion[:, -1]
            roots[self.with_before] = water.root_depletion[:, -1]
        return top, roots

    def residuals(self, ground: GroundParameters) -> FloatArray:
        """Modelled minus measured, shape (known day,). [K]"""
        return np.asarray((self.daily(ground) - self.measured)[self.in_fit])

    def rmse(self, residuals: FloatArray) -> FloatArray:
        """RMSE of each station, shape (station,). [K]"""
        return np.asarray(np.sqrt(np.bincount(self.station, residuals**2) / self.count))


def parameters_at(z: FloatArray) -> GroundParameters:
    """Parameters from standard coordinates: zero is the centre, one a sd of the pull."""
    values = {
        name: max(centre + sd * float(step), low)
        for (name, (centre, sd, low)), step in zip(FREE.items(), z, strict=True)
    }
    return replace(GroundParameters(), **values)


def fit(
    problem: Problem,
    *,
    left_out: int | None = None,
    start: FloatArray | None = None,
    jacobian: FloatArray | None = None,
    rounds: int = 8,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Minimise the sum of the stations' RMSE by reweighted, damped Gauss-Newton steps.

    Parameters
    ----------
    problem : Problem
    left_out : int, optional
        Station that the fit does not see.
    start : ndarray, shape (parameter,), optional
        Where to start, in standard coordinates.
    jacobian : ndarray, shape (known day, parameter), optional
        Kept through all rounds where given (chord method), else renewed in each.

    Returns
    -------
    z, residuals, jacobian
        At the optimum.
    """
    z = np.zeros(len(FREE)) if start is None else start.copy()
    use = np.ones(len(problem.names))
    if left_out is not None:
        use[left_out] = 0.0
    residuals = problem.residuals(parameters_at(z))

    def cost(r: FloatArray, at: FloatArray) -> float:
        return float((use * problem.rmse(r)).sum() + 0.5 * PULL**2 * (at @ at))

    best, damping = cost(residuals, z), 1e-3
    slopes = np.zeros((0, 0)) if jacobian is None else jacobian
    for _ in range(rounds):
        if jacobian is None:
            slopes = np.stack(
                [
                    (problem.residuals(parameters_at(z + STEP * unit)) - residuals) / STEP
                    for unit in np.eye(z.size)
                ],
                axis=1,
            )
        weight = (use / (problem.count * problem.rmse(residuals)))[problem.station]
        normal = slopes.T @ (slopes * weight[:, None]) + PULL**2 * np.eye(z.size)
        gradient = slopes.T @ (weight * residuals) + PULL**2 * z
        for _try in range(5):
            damped = normal + damping * np.diag(np.diag(normal))
            trial = z + np.clip(-np.linalg.solve(damped, gradient), -1.5, 1.5)
            then = problem.residuals(parameters_at(trial))
            after = cost(then, trial)
            if after < best:
                break
            damping = max(10.0 * damping, 0.01)
        else:
            break
        gain = best - after
        z, residuals, best, damping = trial, then, after, max(damping / 10.0, 1e-6)
        if gain < 2e-3:
            break
    return z, residuals, slopes


def leave_one_out(
    problem: Problem, z: FloatArray, jacobian: FloatArray
) -> tuple[pd.DataFrame, FloatArray, dict[str, GroundParameters]]:
    """Judge every station with parameters fitted to the others.

    Returns
    -------
    table : pandas.DataFrame
        RMSE, bias and sd of each station. [K]
    residuals : ndarray, shape (season, day)
        Modelled minus measured from March on, each season's station left out. [K]
    parameters : dict of GroundParameters
        Fitted without the station of that name.
    """
    lines = []
    parameters: dict[str, GroundParameters] = {}
    unseen = np.empty(problem.from_march.shape)
    for index, name in enumerate(problem.names):
        at, residuals, _ = fit(problem, left_out=index, start=z, jacobian=jacobian, rounds=4)
        parameters[name] = parameters_at(at)
        own = residuals[problem.station == index]
        rows = np.array(problem.of_station) == name
        unseen[rows] = (problem.daily(parameters[name]) - problem.from_march)[rows]
        lines.append((name, np.sqrt(np.mean(own**2)), own.mean(), own.std()))
    table = pd.DataFrame(lines, columns=["station", "rmse_K", "bias_K", "sd_K"])
    return table.set_index("station"), unseen, parameters


def spread_of(problem: Problem, ground: GroundParameters, unseen: FloatArray) -> Spread:
    """Spread of sites about the model, from the residuals of stations left out."""
    base = problem.daily(ground)
    effects = [problem.daily(site) - base for site in differing_sites(ground, "grass")]
    return fit_spread(unseen, np.stack(effects), problem.of_station)


def row_spread(problem: Problem, unseen: FloatArray) -> float:
    """Spread of the soil of :data:`ROWS` at one more site under the usual sun. [K]

    Errors count over the sun of their days, with which the spread of sites goes. The root mean
    square over the stations, which weigh the same, widened as the 80 % range of one more draw from
    a normal distribution is that is known by so many: the ratio of Student's t to the normal (any
    statistics textbook, prediction interval). The error of the middle is in the residuals already,
    since each station was left out.
    """
    squares = []
    for name in problem.names:
        rows = np.array(problem.of_station) == name
        by_sowing = []
        for first, last, days in ROWS:
            errors, sun = (
                pd.DataFrame(part[rows].T).rolling(days, min_periods=days * 7 // 10).mean()
                for part in (unseen, problem.sun)
            )
            over = (errors / sun).to_numpy()[first + days - 1 : last + days - 1]
            by_sowing.append(np.nanmean(over**2))
        squares.append(float(np.mean(by_sowing)))
    widening = student_t.ppf(0.9, len(squares) - 1) / norm.ppf(0.9)
    return float(widening * np.sqrt(np.mean(squares)))


def main(arguments: Sequence[str] | None = None) -> None:
    """Fit, judge, print and write."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True, help="folder of the stations")
    parser.add_argument("--out", type=Path, default=FITTED_FILE, help="file to write")
    options = parser.parse_args(arguments)
    stations = load_stations(options.data)
    seasons = [season for station in stations for season in seasons_of(station)]
    problem = Problem(seasons)
    z, residuals, jacobian = fit(problem)
    judged, unseen, _ = leave_one_out(problem, z, jacobian)
    judged["fitted_rmse_K"] = problem.rmse(residuals)
    with_sun = [station.station_id for station in stations if station.has_radiation]
    judged_sun = judged.loc[[name for name in judged.index if name in with_sun]]
    spread = spread_of(problem, parameters_at(z), unseen)
    ground = replace(
        parameters_at(z),
        site_sd_K=row_spread(problem, unseen),
        season_sd_K=float(judged["bias_K"].std()),
        site_shift_sd_K=spread.shift_sd_K,
        monthly_sd_K=spread.monthly_sd_K,
        monthly_memory_d=spread.monthly_memory_d,
        daily_sd_K=spread.daily_sd_K,
        daily_memory_d=spread.daily_memory_d,
    )
    document = {
        "written_by": "python -m reference_data.build.soil_parameters",
        "stations": list(judged.index),
        "seasons": len(seasons),
        "mean_rmse_left_out_K": round(float(judged_sun["rmse_K"].mean()), 3),
        "mean_rmse_fitted_K": round(float(judged_sun["fitted_rmse_K"].mean()), 3),
        "parameters": {name: round(value, 4) for name, value in asdict(ground).items()},
    }
    write_atomic(options.out, json.dumps(document, indent=1) + "\n")
    print(judged.round(2).to_string())
    print(json.dumps(document, indent=1))


if __name__ == "__main__":
    main()
