"""Soil temperature judged by weather stations that measured it, each left out of the fit.

Stations: NOAA USCRN, Met Eireann, Harvard Forest LTER, Kansas Mesonet, Florida Automated Weather
Network, AmeriFlux US-Bo1. The measurements are no part of the project; without them all is skipped.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from reference_data.build.soil_parameters import (
    FREE,
    Problem,
    fit,
    leave_one_out,
    seasons_of,
)
from reference_data.build.weather_stations import (
    Station,
    daily_means,
    growing_season,
    list_stations,
    load_station,
    load_stations,
)
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.soil.model.ground import LOAM, fitted_parameters
from thermosprout.soil.model.run import daily_mean, fading_mean, running_mean, water_supply
from thermosprout.soil.model.surface import COVER_SHARES, COVERS, leaf_activity
from thermosprout.soil.model.temperature import (
    model_between_gaps,
    site_effects,
    soil_temperature,
)
from thermosprout.soil.model.water import LAYER_EDGES_M, content_at, march_water
from thermosprout.soil.model.weather import weather_arrays
from thermosprout.soil.series import hours_since_epoch
from thermosprout.soil.site_correction import RANGE_80, READING_SD_K, SiteField, correct
from thermosprout.soil.site_readings import Beside, ReadingKind

pytestmark = pytest.mark.slow

COOL = ("pea", "carrot", "lettuce", "onion", "beet", "spinach", "cabbage", "radish")
WARM = ("maize", "snap bean")
SOWINGS = {
    "March": ("03-05", "03-15", "03-25"),
    "April": ("04-05", "04-15", "04-25"),
    "May and June": ("05-05", "05-20", "06-05"),
}
YEARS = 8
BARS: dict[str, tuple[float, float, str]] = {
    # figure: bar, the best so far where that is more, on which day
    "RMSE, nothing known of the site": (1.45, 1.49, "2026-11-27"),
    "bias in March": (0.4, 0.05, "2026-11-27"),
    "bias in April": (0.4, 0.3, "2026-11-27"),
    "0.1 K less what measured radiation and rain gain": (0.0, -0.05, "2026-11-27"),
    "0.1 K less what measured radiation alone gains": (0.0, 0.08, "2026-11-27"),
    "RMSE after readings, day means": (1.05, 1.18, "2026-11-27"),
    "RMSE of the coming weeks, day means": (1.05, 0.98, "2026-11-27"),
    "stations made worse, day means": (1.0, 2.0, "2026-11-27"),
    "largest harm, day means": (0.1, 0.17, "2026-11-27"),
    "RMSE after readings, 7 and 19 h": (1.05, 1.25, "2026-11-27"),
    "RMSE of the coming weeks, 7 and 19 h": (1.05, 1.12, "2026-11-27"),
    "stations made worse, 7 and 19 h": (1.0, 4.0, "2026-11-27"),
    "largest harm, 7 and 19 h": (0.1, 0.07, "2026-11-27"),
    "RMSE after readings, 8 and 15 h": (1.05, 1.35, "2026-11-27"),
    "RMSE of the coming weeks, 8 and 15 h": (1.05, 1.25, "2026-11-27"),
    "stations made worse, 8 and 15 h": (1.0, 5.0, "2026-11-27"),
    "largest harm, 8 and 15 h": (0.1, 0.27, "2026-11-27"),
    "RMSE after readings, 7 h": (1.05, 1.33, "2026-11-27"),
    "RMSE of the coming weeks, 7 h": (1.05, 1.28, "2026-11-27"),
    "stations made worse, 7 h": (1.0, 3.0, "2026-11-27"),
    "largest harm, 7 h": (0.1, 0.15, "2026-11-27"),
    "sown in March, bias": (0.5, 0.96, "2026-11-27"),
    "sown in April, bias": (0.5, 0.9, "2026-11-27"),
    "sown in May and June, bias": (0.5, 0.16, "2026-11-27"),
    "sowings missing from the 80 % range of the site alone": (0.23, 0.219, "2026-11-28"),
    "sown in March, share in the 80 % range": (0.08, 0.04, "2026-11-28"),
    "sown in April, share in the 80 % range": (0.08, 0.03, "2026-11-28"),
    "sown in May and June, share in the 80 % range": (0.08, 0.07, "2026-11-28"),
    "sown in March, median": (2.0, 1.28, "2026-11-27"),
    "sown in March, p90": (8.0, 5.79, "2026-11-27"),
    "sown in April, median": (1.4, 0.85, "2026-11-27"),
    "sown in April, p90": (5.0, 4.82, "2026-11-27"),
    "sown in May and June, median": (0.5, 0.43, "2026-11-27"),
    "sown in May and June, p90": (2.9, 1.92, "2026-11-27"),
}
"""Bars that the model is judged by. What is short of its bar may not fall behind the best."""


def judge(name: str, figure: float, unit: str) -> None:
    """Print a figure beside its bar."""
    bar, best, day = BARS[name]
    short = f"; short of it: {best:g} on {day}" if best > bar else ""
    print(f"{name}: {figure:.2f} {unit} (at most {bar:g}{short})")
    assert figure <= max(bar, best) * 1.02 + 0.005  # figures are rounded


@dataclass
class Judged:
    """One station with the series modelled by parameters fitted to the others."""

    station: Station
    series: xr.DataArray
    effects: xr.DataArray
    daily: pd.Series
    season: np.ndarray
    guessed_sun: xr.DataArray | None
    guessed_both: xr.DataArray | None

    def error(self, series: xr.DataArray | None = None) -> pd.Series:
        """Modelled minus measured means of days, April to September. [K]"""
        daily = self.daily
        if series is not None:
            daily = daily_means(series, pd.DatetimeIndex(self.station.measured.index))
        return (daily - self.station.measured)[self.season]

    def local(self, index: pd.Index) -> pd.DatetimeIndex:
        """Days on the station's own clock."""
        return pd.DatetimeIndex(index + pd.Timedelta(hours=self.station.utc_offset_h))


def rmse(values: pd.Series | np.ndarray) -> float:
    return float(np.sqrt(np.nanmean(np.asarray(values) ** 2)))


@pytest.fixture(scope="module")
def stations(shared: Path) -> list[Station]:
    return load_stations(shared / "data" / "soil")


@pytest.fixture(scope="module")
def judged(stations: list[Station]) -> list[Judged]:
    """Each station beside the model fitted to the others.

    The search starts from the shipped fit to all stations, where it would end: that saves minutes.
    """
    problem = Problem([season for station in stations for season in seasons_of(station)])
    numbers = fitted_parameters()
    shipped = [(getattr(numbers, name) - centre) / sd for name, (centre, sd, _) in FREE.items()]
    z, _, jacobian = fit(problem, start=np.array(shipped), rounds=2)
    _, _, parameters = leave_one_out(problem, z, jacobian)
    out = []
    for station in stations:
        time = station.weather["time"]
        recent = time >= time[-1] - np.timedelta64(YEARS * 366, "D")
        weather = station.weather.isel(time=np.flatnonzero(recent.values))
        ground = replace(parameters[station.station_id], site_sd_K=numbers.site_sd_K)
        options = {"depth_cm": station.depth_cm, "surface": "grass", "ground": ground}
        series = model_between_gaps(weather, **options)
        effects = site_effects(weather, **options)
        sun, both = None, None
        if station.has_radiation:
            sun = model_between_gaps(weather.drop_vars("ghi"), **options)
            both = model_between_gaps(weather.drop_vars(["ghi", "precipitation"]), **options)
        daily = daily_means(series, pd.DatetimeIndex(station.measured.index))
        local = daily.index + pd.Timedelta(hours=station.utc_offset_h)
        season = growing_season(pd.DatetimeIndex(local)) & daily.notna().to_numpy()
        out.append(Judged(station, series, effects, daily, season, sun, both))
    return out


def _table(rows: list[tuple[object, ...]], columns: str) -> pd.DataFrame:
    table = pd.DataFrame(rows, columns=columns.split()).set_index("station")
    print("\n" + table.round(2).to_string())
    return table


def regression_rmse(stations: list[Station]) -> float:
    """Root mean square error of eight numbers fitted to the very days they are judged on. [K]

    Means of days on air temperature and radiation of that day and of the days before, with
    fading weights; stations weigh the same, by April to September.
    """
    predictors, measured = [], []
    for station in stations:
        if not station.has_radiation:
            continue
        days = pd.DatetimeIndex(station.measured.index)
        air, sun = (daily_means(station.weather[name], days) for name in ("air_temperature", "ghi"))
        columns = [
            days_mean.ewm(halflife=span * np.log(2), ignore_na=True).mean() if span else days_mean
            for days_mean, spans in ((air, (0, 3, 10, 30)), (sun, (0, 3, 10)))
            for span in spans
        ]
        table = np.column_stack([np.ones(days.size), *columns])
        use = np.isfinite(table).all(axis=1) & station.measured.notna().to_numpy()
        use &= growing_season(days + pd.Timedelta(hours=station.utc_offset_h))
        predictors.append(table[use])
        measured.append(station.measured.to_numpy()[use])
    weight = np.concatenate([np.full(y.size, y.size**-0.5) for y in measured])
    numbers = np.linalg.lstsq(
        np.vstack(predictors) * weight[:, None], np.concatenate(measured) * weight, rcond=None
    )[0]
    return float(
        np.mean([rmse(x @ numbers - y) for x, y in zip(predictors, measured, strict=True)])
    )


def test_nothing_known_of_the_site(judged: list[Judged], stations: list[Station]) -> None:
    rows = []
    for item in judged:
        error = (item.daily - item.station.measured).dropna()
        month = item.local(error.index).month
        by_month = [float(error[month == number].mean()) for number in (3, 4, 5, 7)]
        sun = item.station.has_radiation
        rows.append((item.station.station_id, rmse(item.error()), *by_month, sun))
    table = _table(rows, "station rmse March April May July radiation")
    sunny = table[table["radiation"]]
    crude = regression_rmse(stations)
    print(f"a regression on these same days misses by {crude:.2f} K")
    assert sunny["rmse"].mean() < crude - 0.1
    judge("RMSE, nothing known of the site", float(sunny["rmse"].mean()), "K")
    for month in ("March", "April"):
        judge(f"bias in {month}", abs(float(table[month].mean())), "K")


def test_measured_radiation_and_rain_against_guessed(judged: list[Judged]) -> None:
    rows = [
        (
            j.station.station_id,
            rmse(j.error()),
            rmse(j.error(j.guessed_sun)),
            rmse(j.error(j.guessed_both)),
        )
        for j in judged
        if j.guessed_sun is not None
    ]
    table = _table(rows, "station measured no_radiation neither")
    gain = (table["neither"] - table["measured"]).mean()
    judge("0.1 K less what measured radiation and rain gain", 0.1 - float(gain), "K")
    alone = (table["no_radiation"] - table["measured"]).mean()
    judge("0.1 K less what measured radiation alone gains", 0.1 - float(alone), "K")


def test_bare_soil_before_the_crop_closes(shared: Path) -> None:
    """Cropland of US-Bo1 in April and May: the only bare ground among the stations, never fitted.

    No-till with residue, which keeps ground cooler than a raked seedbed; sensor at 1 to 3 cm.
    """
    folder = shared / "data" / "soil"
    entry = next(e for e in list_stations(folder) if e["station_id"] == "AMERIFLUX_US-Bo1")
    station = load_station(folder, entry)
    series = soil_temperature(station.weather, depth_cm=3.0, surface="bare").to_series()
    assert station.hourly is not None
    pair = pd.DataFrame({"measured": station.hourly, "modelled": series}).dropna()
    pair = pair["2004-04-01":"2004-05-31"]
    bias = float((pair["modelled"] - pair["measured"]).mean())
    swing = pair.groupby((pair.index - pd.Timedelta(hours=6)).date).agg(np.ptp).mean()
    print(
        f"\nbare at US-Bo1, April and May: bias {bias:+.2f} K, daily range "
        f"{swing['modelled']:.1f} K modelled, {swing['measured']:.1f} K measured"
    )
    assert abs(bias) < 2.0
    assert 0.7 < swing["modelled"] / swing["measured"] < 1.4


def _seasons(item: Judged) -> list[tuple[int, slice]]:
    """Years whose April is measured, with the part of the series that a season takes."""
    out = []
    for year in sorted(set(item.daily.index.year)):
        window = slice(f"{year}-03-01", f"{year}-10-02")
        if item.series.sel(time=window).notnull().sum() >= 24 * 150:
            out.append((year, window))
    return out


def _early_april_and_later(item: Judged, year: int) -> tuple[pd.Series, pd.Series]:
    """Measured means of the days with readings, and of those that judge them."""
    measured = item.station.measured
    local = item.local(measured.index)
    return (
        measured[(local >= f"{year}-04-01") & (local < f"{year}-04-15")],
        measured[(local >= f"{year}-04-15") & (local <= f"{year}-09-30")],
    )


def _corrected(
    item: Judged, year: int, window: slice, kind: str, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray, float, float] | None:
    """Errors of the four weeks after readings, before and after; and of the season."""
    days, after = _early_april_and_later(item, year)
    if len(days) < 10:
        return None
    series, how = item.series.sel(time=window), ReadingKind.DAY
    stamps, values = pd.DatetimeIndex(days.index), days.to_numpy()
    if kind != "day means":
        # stations publish means: their hours are the model's course, damped and late by chance
        how = ReadingKind.INSTANT
        hours = (8, 15) if kind == "8 and 15 h" else (7, 19) if kind == "7 and 19 h" else (7,)
        taken = days[:7] if len(hours) == 2 else days
        factor, late_h = np.exp(0.35 * rng.normal()), rng.normal()
        course = series.to_series() - running_mean(series.values, 24)
        at = [start + pd.Timedelta(hours=h) for start in taken.index for h in hours]
        drawn = np.interp(
            pd.DatetimeIndex(at).asi8 - late_h * 3.6e12, course.index.asi8, course.to_numpy()
        )
        stamps = pd.DatetimeIndex(at)
        slow = pd.Series(running_mean(series.values, 24), index=course.index)
        drift = (item.station.measured - item.daily).reindex(taken.index).to_numpy()
        base = np.interp(stamps.asi8, slow.index.asi8, slow.to_numpy())
        values = base + np.repeat(drift, len(hours)) + factor * drawn
        values = values + 0.4 * rng.normal(size=values.size)
        if not np.isfinite(values).all():
            return None
    readings = pd.DataFrame(
        {"time_utc": stamps, "depth_cm": item.station.depth_cm, "soil_temp_C": values}
    )
    done = correct(series, readings, effects=item.effects.sel(time=window), kind=how)
    error = (daily_means(done.series, pd.DatetimeIndex(after.index)) - after).to_numpy()
    plain = (item.daily.reindex(after.index) - after).to_numpy()
    near = error[:21][np.isfinite(error[:21])]
    if near.size < 15:
        return None
    return plain, error, near.mean() / done.weeks_sd_K, np.nanmean(error) / done.offset_sd_K


@pytest.mark.parametrize("kind", ["day means", "7 and 19 h", "8 and 15 h", "7 h"])
def test_fourteen_readings_of_early_april(judged: list[Judged], kind: str) -> None:
    rng = np.random.default_rng(4)
    rows = []
    for item in judged:
        seasons = [_corrected(item, year, window, kind, rng) for year, window in _seasons(item)]
        known = [season for season in seasons if season is not None]
        if not known:
            continue
        plain, error = (np.concatenate([season[i] for season in known]) for i in (0, 1))
        weeks = [np.concatenate([season[i][:28] for season in known]) for i in (0, 1)]
        rows.append(
            (
                item.station.station_id,
                rmse(weeks[0]),
                rmse(weeks[1]),
                rmse(plain),
                rmse(error),
                np.mean([season[2] ** 2 for season in known]),
                np.mean([season[3] ** 2 for season in known]),
                item.station.has_radiation,
            )
        )
    columns = "station weeks_before weeks_after before after z2_weeks z2_season radiation"
    table = _table(rows, columns)
    sunny = table[table["radiation"]]
    worse = table["after"] - table["before"]
    judge(f"RMSE after readings, {kind}", float(sunny["after"].mean()), "K")
    judge(f"RMSE of the coming weeks, {kind}", float(sunny["weeks_after"].mean()), "K")
    judge(f"stations made worse, {kind}", int((worse > 0.02).sum()), f"of {len(table)}")
    judge(f"largest harm, {kind}", float(worse.max()), "K")
    # one where the stated spread is true; the mean over 16 stations holds to about a third
    for column in ("z2_weeks", "z2_season"):
        print(f"{column}: {table[column].mean():.2f}")
        assert 0.4 < table[column].mean() < 1.6


def _if_the_spread_were_true(item: Judged, rng: np.random.Generator) -> np.ndarray | None:
    """RMSE before and after means of early April, shape (2, draw), of errors drawn from the field.

    The prediction is then the best that there is (Rasmussen & Williams 2006, eq. 2.25).
    """
    squares: list[np.ndarray] = []
    error_K = READING_SD_K[ReadingKind.DAY]
    for year, window in _seasons(item):
        days, after = _early_april_and_later(item, year)
        if len(days) < 10 or len(after) < 15:
            continue
        early, later = (hours_since_epoch(part.index.to_numpy()) + 12.0 for part in (days, after))
        size, both = early.size, np.concatenate([early, later])
        nothing = np.zeros(size)
        pairs = Beside(pd.DataFrame(), early, nothing, nothing, np.zeros((2, size)))
        field = SiteField(item.series.sel(time=window), item.effects.sel(time=window), pairs)
        covariance = field.lasting(both, both) + field.fading(both, both)
        covariance += 1e-6 * np.eye(both.size)
        drawn = np.linalg.cholesky(covariance) @ rng.normal(size=(both.size, 200))
        readings = drawn[:size] + error_K * rng.normal(size=(size, 200))
        noise = field.at_readings() + error_K**2 * np.eye(size)
        predicted = (field.lasting(later) + field.fading(later)) @ np.linalg.solve(noise, readings)
        squares.append(np.stack([drawn[size:] ** 2, (drawn[size:] - predicted) ** 2]))
    return np.sqrt(np.concatenate(squares, axis=1).mean(axis=1)) if squares else None


def test_readings_help_as_much_as_the_spread_of_sites_lets_them(judged: list[Judged]) -> None:
    """The stated covariance says how much two weeks of readings can help, and how often they harm.

    What they do at the stations has to lie where it says: less help would mean that the correction
    throws something away or that the covariance promises too much. Beside it the least that any
    lasting shift can leave: that of the season's own mean error.
    """
    rng = np.random.default_rng(5)
    rows, drawn = [], []
    for item in judged:
        after = _if_the_spread_were_true(item, rng)
        seasons = [
            _corrected(item, year, window, "day means", rng) for year, window in _seasons(item)
        ]
        done = [season for season in seasons if season is not None]
        if after is None or not done:
            continue
        plain, error = (np.concatenate([season[i] for season in done]) for i in (0, 1))
        best = np.concatenate([season[0] - np.nanmean(season[0]) for season in done])
        sun = item.station.has_radiation
        rows.append((item.station.station_id, rmse(plain), rmse(error), rmse(best), sun))
        drawn.append(after)
    table = _table(rows, "station before after own_mean radiation")
    before, after = np.moveaxis(np.stack(drawn), 1, 0)
    sunny = np.array(
        [j.station.has_radiation for j in judged if j.station.station_id in table.index]
    )
    low, high = np.quantile(after[sunny].mean(axis=0), [0.01, 0.99])
    seen = float(table["after"][sunny].mean())
    worse = ((after - before) > 0.02).sum(axis=0)
    harmed = int(((table["after"] - table["before"]) > 0.02).sum())
    print(
        f"RMSE after readings {seen:.2f} K; were the spread of sites true {low:.2f} to {high:.2f} "
        f"K (98 %); with the season's own mean error known {table['own_mean'][sunny].mean():.2f} K"
    )
    print(
        f"made worse: {harmed} of {len(table)}; were the spread true {worse.mean():.1f} in the "
        f"mean, at most one in {(worse <= 1).mean():.0%} of draws"
    )
    assert low * 0.9 < seen < high
    assert harmed <= np.quantile(worse, 0.99)


def half_emergence_d(
    series: xr.DataArray, crop: Crop, planted_h: np.ndarray, offset_K: np.ndarray
) -> np.ndarray:
    """Days to half emergence of the median seed, shape (offset, sowing); NaN where unknown."""
    size = offset_K.size
    centre = {name: np.full(size, value) for name, value in crop.estimate.centre().items()}
    clock = ThermalClock(series, ResponseDraws.from_draws(crop.response, centre), offset=offset_K)
    thermal_time = np.repeat(centre["thermal_time_50_Cd"][:, None], planted_h.size, axis=1)
    days = (clock.cross(planted_h, thermal_time) - planted_h) / 24.0
    return np.where(np.isfinite(days), days, np.nan)


def _measured_hourly(item: Judged) -> xr.DataArray:
    """Measured daily means with the model's swing, missing where nothing was measured."""
    difference = (item.station.measured - item.daily).dropna()
    middle = (difference.index + pd.Timedelta(hours=12)).to_numpy().astype("datetime64[ns]")
    time = item.series["time"].values
    at = middle.astype("int64")
    now = time.astype("int64")
    after = np.clip(np.searchsorted(at, now), 0, at.size - 1)
    before = np.maximum(after - 1, 0)
    gap = np.minimum(np.abs(now - at[after]), np.abs(now - at[before]))
    shift = np.interp(now, at, difference.to_numpy())
    values = np.where(gap <= 36 * 3.6e12, item.series.values + shift, np.nan)
    return item.series.copy(data=values)


@pytest.fixture(scope="module")
def emergence(judged: list[Judged]) -> pd.DataFrame:
    """Half emergence, modelled and measured soil, with the site's 80 % range."""
    site = RANGE_80 * fitted_parameters().site_sd_K
    rows = []
    for item in judged:
        measured, first, last = _measured_hourly(item), *item.series["time"].values[[0, -1]]
        sown, planted = [], []
        for season, days in SOWINGS.items():
            for year in sorted(set(item.daily.index.year)):
                for day in days:
                    local = pd.Timestamp(f"{year}-{day} 10:00")
                    moment = local - pd.Timedelta(hours=item.station.utc_offset_h)
                    if first <= np.datetime64(moment) <= last:
                        sown.append(season)
                        planted.append((moment - pd.Timestamp(0)) / pd.Timedelta(hours=1))
        hours = np.array(planted)
        for crop in map(find_crop, COOL + WARM):
            offsets = np.array([site, 0.0, -site])
            early, model, late = half_emergence_d(item.series, crop, hours, offsets)
            truth = half_emergence_d(measured, crop, hours, np.zeros(1))[0]
            held = (early <= truth) & ~(late < truth)
            for k in np.flatnonzero(np.isfinite(model) & np.isfinite(truth)):
                rows.append(
                    (item.station.station_id, sown[k], crop.name, model[k] - truth[k], held[k])
                )
    return pd.DataFrame(rows, columns=["station", "sown", "crop", "days", "inside"])


def _weighted(values: np.ndarray, weights: np.ndarray, share: float) -> float:
    order = np.argsort(values)
    return float(values[order][np.searchsorted(np.cumsum(weights[order]), share * weights.sum())])


@pytest.mark.parametrize("sown", list(SOWINGS))
def test_in_days_of_emergence(emergence: pd.DataFrame, sown: str) -> None:
    """Stations weigh the same, however many years they measured."""
    for name, crops in (("all crops", COOL + WARM), ("cool", COOL), ("warm", WARM)):
        table = emergence[(emergence["sown"] == sown) & emergence["crop"].isin(crops)]
        weight = (1.0 / table.groupby("station")["days"].transform("size")).to_numpy()
        days = table["days"].to_numpy()
        middle = _weighted(np.abs(days), weight, 0.5)
        tail = _weighted(np.abs(days), weight, 0.9)
        bias = float((days * weight).sum() / weight.sum())
        held = float((table["inside"] * weight).sum() / weight.sum())
        early = _weighted(days, weight, 0.5)
        print(
            f"{sown}, {name}: {len(table)} sowings, median {middle:.2f} d, p90 {tail:.2f} d, "
            f"bias {bias:+.2f} d in the mean and {early:+.2f} d in the median, "
            f"{held:.0%} inside the site's 80 % range"
        )
        if name == "all crops":
            judge(f"sown in {sown}, median", middle, "d")
            judge(f"sown in {sown}, p90", tail, "d")
            judge(f"sown in {sown}, bias", abs(bias), "d")
            judge(f"sown in {sown}, share in the 80 % range", abs(held - 0.8), "off 0.8")


def test_the_spread_of_sites_alone(emergence: pd.DataFrame) -> None:
    weight = 1.0 / emergence.groupby("station")["days"].transform("size")
    held = float((emergence["inside"] * weight).sum() / weight.sum())
    print(f"\ninside the 80 % range by the site's spread alone: {held:.1%} (77 to 85 % asked)")
    judge("sowings missing from the 80 % range of the site alone", 1.0 - held, "of all")
    assert held <= 0.85


def test_moisture_at_5_cm(shared: Path, stations: list[Station]) -> None:
    """The column of the seedbed under a sward, against every station that measures moisture.

    The conductance of a seedbed was chosen from three values on these same stations: for that
    number this is no independent test.

    A sensor's level is its own (soil, calibration): judged are the course, and the change over dry
    spells of six days and more without half a millimetre of rain.
    """
    folder = shared / "data" / "soil"
    edges = np.concatenate([LAYER_EDGES_M, [0.75, 1.1]])
    depth = 0.5 * (edges[1:] + edges[:-1])
    roots = np.exp(-depth / 0.2) * np.diff(edges)
    ground, rows = fitted_parameters(), []
    for station in stations:
        table = pd.read_csv(folder / f"{station.station_id}.csv")
        if "soil_moisture_5cm" not in table:
            continue
        stamps = pd.DatetimeIndex(pd.to_datetime(table["time_utc"].str.rstrip("Z")))
        moisture = pd.Series(table["soil_moisture_5cm"].to_numpy(), index=stamps).dropna()
        year = int(moisture.index.year.max())
        offset = pd.Timedelta(-round(station.utc_offset_h), "h")
        first = pd.Timestamp(f"{year}-01-01") + offset
        weather = station.weather.sel(time=slice(first, first + pd.Timedelta(24 * 300 - 1, "h")))
        whole = weather.interpolate_na("time", fill_value="extrapolate")
        arrays, _ = weather_arrays(whole)
        liquid, demand, _ = water_supply(arrays, COVERS["none"], ground)
        air = daily_mean(arrays.air)
        share = COVER_SHARES["grass"]
        drawn = demand * share * leaf_activity(fading_mean(air, 10.0))
        content = march_water(
            liquid,
            demand * (1.0 - share),
            air,
            LOAM,
            uptake=(drawn, roots / roots.sum()),
            edges_m=edges,
        )
        modelled = content_at(content, 5.0, edges)[0].reshape(-1, 4).mean(axis=1)
        days = first + pd.to_timedelta(np.arange(modelled.size), "D")
        seen = moisture.reindex(days).to_numpy()
        month = pd.DatetimeIndex(days - offset).month
        use = np.isfinite(seen) & (month >= 3) & (month <= 9)
        rain = arrays.rain[0] >= 0.5
        edge = np.flatnonzero(np.diff(np.concatenate([[1], rain.astype(int), [1]])))
        spells = [
            (a, b - 1)
            for a, b in zip(edge[::2], edge[1::2], strict=True)
            if b - a >= 6 and use[a] and use[b - 1]
        ]
        change = np.array([seen[b] - seen[a] for a, b in spells])
        error = np.array([modelled[b] - modelled[a] for a, b in spells]) - change
        correlation = float(np.corrcoef(modelled[use], seen[use])[0, 1])
        rows.append(
            (
                station.station_id,
                correlation,
                len(spells),
                change.mean() if spells else np.nan,
                error.mean() if spells else np.nan,
                rmse(error) if spells else np.nan,
            )
        )
    print("\n" + (columns := "station correlation spells change error rmse"))
    table = pd.DataFrame(rows, columns=columns.split()).set_index("station")
    print(table.round(3).to_string())
    print(table.mean().round(3).to_dict())
    assert table["correlation"].mean() > 0.8
    assert abs(table["error"].mean()) < 0.02
    assert table["rmse"].mean() < 0.05


def test_hours_are_followed_better_than_by_the_days_mean(judged: list[Judged]) -> None:
    """Where a station has hours: the series beats the station's own mean of each day."""
    stations = 0
    for item in judged:
        if item.station.hourly is None:
            continue
        stations += 1
        modelled = item.series.to_series().reindex(item.station.hourly.index)
        pair = pd.DataFrame({"measured": item.station.hourly, "modelled": modelled}).dropna()
        pair = pair[(pair.index.month >= 4) & (pair.index.month <= 9)]
        rmse = float(np.sqrt(((pair["modelled"] - pair["measured"]) ** 2).mean()))
        swing = pair.groupby(pair.index.date).agg(np.ptp).mean()
        print(
            f"\n{item.station.station_id}: hourly RMSE {rmse:.2f} K, daily range "
            f"{swing['modelled']:.1f} K modelled, {swing['measured']:.1f} K measured"
        )
        assert 0.5 < swing["modelled"] / swing["measured"] < 2.0
        within = pair["modelled"] - pair["modelled"].groupby(pair.index.date).transform("mean")
        seen = pair["measured"] - pair["measured"].groupby(pair.index.date).transform("mean")
        assert float(((within - seen) ** 2).mean()) < float((seen**2).mean())
    assert stations
