"""Real sowings with nothing but air weather: soil modelled, emergence forecast, uncalibrated.

Sowing and emergence dates and daily weather from the DSSAT experiment files (Cavero et al. 2000;
Soler et al. 2007; Jing et al. 2016; Praeger et al. 2019), Mead, Nebraska, after AmeriFlux site
records. They are no part of the project; without them all is skipped.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

from reference_data.build.weather_stations import list_stations, load_station
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import CropDraws, Sowing, clock_for, forecast_row
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.soil.model.temperature import soil_temperature
from thermosprout.soil.model.weather import day_starts_utc, hourly_from_daily, spread_radiation
from thermosprout.soil.series import weather_dataset

DRAWS = 600
MORNING_H = 10.0
"""Sown at ten and seen at ten: the files give days only."""


def _weather(table: pd.DataFrame, latitude: float, longitude: float, height: float) -> xr.Dataset:
    dates = pd.to_datetime(table["date"]).to_numpy()
    time, air = hourly_from_daily(
        dates,
        latitude=latitude,
        longitude=longitude,
        tmin=table["tmin_C"].to_numpy(),
        tmax=table["tmax_C"].to_numpy(),
    )
    starts = day_starts_utc(dates, longitude=longitude)
    sun = table["srad_MJ_m2"].to_numpy(dtype=float) / 0.0864
    return weather_dataset(
        time,
        source="daily weather of the trial",
        latitude=latitude,
        longitude=longitude,
        elevation_m=height,
        air_temperature=air,
        ghi=spread_radiation(time, starts, sun, latitude, longitude),
        precipitation=np.repeat(table["rain_mm"].to_numpy(dtype=float) / 24.0, 24),
    )


def _days(
    crop: Crop, series: xr.DataArray, sown: str, longitude: float, depth: float
) -> list[float]:
    """Tenth, half and ninetieth percentile of days from sowing to half emergence."""
    start = day_starts_utc(np.array([sown], "datetime64[D]"), longitude=longitude)[0]
    planted = float(start.astype("int64") / 3.6e12) + MORNING_H
    draws = CropDraws.of(crop, DRAWS, 0)
    sowing = Sowing(
        row=sown,
        crop=crop,
        handling=Handling(treatment=Treatment.DIRECT),
        started_h=planted,
        planted_h=planted,
        depth_cm=depth,
        seeds_planted=200,
    )
    row = forecast_row(
        sowing,
        draws,
        clock_for(draws, series),
        viability=np.full(DRAWS, 0.92),
        ln_shift=np.zeros(DRAWS),
    )
    return [float((h - planted) / 24.0) for h in row.stage_quantile("half", [0.1, 0.5, 0.9])]


@pytest.fixture(scope="module")
def sowings(shared: Path) -> pd.DataFrame:
    folder = shared / "data" / "trials"
    weather = pd.read_csv(folder / "field_sowings_daily_weather.csv")
    rows = []
    for _, item in pd.read_csv(folder / "field_sowings_emergence_dates.csv").iterrows():
        try:
            crop = find_crop(item["crop"])
        except ValueError:
            continue
        table = weather[weather["weather_station"] == item["weather_station"]]
        data = _weather(table, item["latitude"], item["longitude"], item["elevation_m"])
        depth = float(item["sowing_depth_cm"])
        series = soil_temperature(data, depth_cm=depth, surface="bare")
        low, middle, high = _days(crop, series, item["sowing_date"], item["longitude"], depth)
        rows.append(
            (
                crop.name,
                item["site"],
                item["sowing_date"],
                item["days_to_emergence"],
                low,
                middle,
                high,
            )
        )
    table = pd.DataFrame(rows, columns=["crop", "site", "sown", "observed", "p10", "p50", "p90"])
    print("\n" + table.round(1).to_string())
    return table


@pytest.mark.parametrize("site", ["Zaragoza", "Piracicaba"])
def test_maize_within_a_day_and_a_half(sowings: pd.DataFrame, site: str) -> None:
    row = sowings[sowings["site"].str.contains(site)].iloc[0]
    assert abs(row["p50"] - row["observed"]) <= 1.5


def test_rapeseed_in_ontario_lies_in_the_interval(sowings: pd.DataFrame) -> None:
    row = sowings[sowings["site"].str.contains("Ontario")]
    if row.empty:
        pytest.skip("the catalogue has no rapeseed")
    assert row.iloc[0]["p10"] - 0.5 <= row.iloc[0]["observed"] <= row.iloc[0]["p90"] + 0.5


@pytest.fixture(scope="module")
def mead(shared: Path) -> pd.DataFrame:
    folder = shared / "data"
    entries = list_stations(folder / "soil")
    entry = next(item for item in entries if item["station_id"].startswith("USCRN_NE_Lincoln"))
    station = load_station(folder / "soil", entry)
    series = soil_temperature(station.weather, depth_cm=4.0, surface="bare")
    trials = pd.read_csv(folder / "trials" / "mead_nebraska_sowing_emergence.csv")
    rows = []
    for _, item in trials[trials["year"] == 2020].drop_duplicates("sowing_date").iterrows():
        crop = find_crop(item["crop"])
        low, middle, high = _days(crop, series, item["sowing_date"], station.longitude, 4.0)
        rows.append((crop.name, item["sowing_date"], item["days_to_emergence"], low, middle, high))
    table = pd.DataFrame(rows, columns=["crop", "sown", "observed", "p10", "p50", "p90"])
    print("\n" + table.round(1).to_string())
    return table


def test_maize_at_mead_from_a_station_fifty_km_off(mead: pd.DataFrame) -> None:
    """Depth of 4 cm is not in the source: usual for maize, common practice, no source."""
    row = mead.iloc[0]
    assert row["p10"] <= row["observed"] <= row["p90"]
