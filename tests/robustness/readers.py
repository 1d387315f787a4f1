"""Every reader of the program under one name, with small files to spoil, for fuzzing.

All numbers are invented.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np

from tests.soil.readers.exports import EXPORTS
from tests.weather import playing
from thermosprout.errors import ThermosproutError
from thermosprout.weather.transport import BadAnswerError

REFUSALS = (ThermosproutError, BadAnswerError)
"""What a reader may raise; a bad answer becomes a service error at the session's edge."""

SEASON = """format = 1

[site]
name = "The lower field"
latitude = 52.5
longitude = 13.4
timezone = "Europe/Berlin"
texture = "sandy loam"

[soil]
file = "soil.csv"

[[beds]]
id = "A"
length_m = 10.0
cover = "fleece"

[[lots]]
id = "carrot-24"
crop = "carrot"
variety = "Nantes"
germination = 0.82
seeds_tested = 100
year = 2024

[[lots]]
id = "bean-25"
crop = "bean"
year = 2025
dressed = true

[[rows]]
id = "C1"
lot = "carrot-24"
bed = "A"
treatment = "presprouted"
started = 2026-04-10
planted = 2026-04-14T09:00:00+02:00
depth_cm = 1.5
seeds_planted = 120
sprout_h = 96

[[rows]]
id = "B1"
crop = "bean"
planted = 2026-05-02
depth_cm = 4
stations = 60

[[watering]]
on = 2026-05-14
mm = 12
"""

RECORDS = """plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,\
depth_cm,inspected,emerged,temperature_C,note,entered
A1,1,Nantes,L1,direct,2026-04-01,2026-04-01,50,50,1.5,2026-04-12,3,,"first, small",
A1,1,Nantes,L1,direct,2026-04-01,2026-04-01,50,50,1.5,2026-04-15,13,,,
A1,1,Nantes,L1,direct,2026-04-01,2026-04-01,50,50,1.5,2026-04-15,14,,,2026-04-16T08:00:00Z
A2,1,Nantes,L1,soaked,2026-03-31T20:00+02:00,2026-04-01T08:00+02:00,50,48,1.5,2026-04-12,9,,,
"""


def _hours(count: int) -> list[tuple[datetime, float]]:
    start = datetime(2026, 4, 1)
    return [
        (start + timedelta(hours=i), round(11 + 3 * math.sin(i / 3.8), 1)) for i in range(count)
    ]


def _weather_csv() -> bytes:
    lines = ["time_utc,air_temp_C,ghi_W_m2,precip_mm,wind_m_s,rh_pct"]
    lines += [f"{t:%Y-%m-%dT%H:%M}Z,{v},{max(0, v * 30)},0.1,2.1,70" for t, v in _hours(30)]
    return "\n".join(lines).encode()


def _daily_csv() -> bytes:
    lines = ["date;air_tmin_C;air_tmax_C;precip_mm"]
    lines += [f"{12 + i:02d}.04.2026;{3 + i % 4},5;{14 + i % 5},1;0" for i in range(12)]
    return "\n".join(lines).encode()


def _readings() -> bytes:
    lines = [f"{t:%Y-%m-%d %H:%M},5,{v}" for t, v in _hours(6)]
    return "\n".join(["time,depth_cm,soil_temp_C", *lines]).encode()


@lru_cache
def _netcdf() -> bytes:
    import tempfile

    import pandas as pd
    import xarray as xr

    time = pd.date_range("2026-04-01", periods=30, freq="h")
    array = xr.DataArray(
        np.linspace(8.0, 12.0, 30).astype("f4"),
        dims="time",
        coords={"time": time},
        attrs={"units": "degC", "standard_name": "soil_temperature"},
    )
    data = array.to_dataset(name="soil_temperature")
    data = data.assign_coords(depth=0.05, latitude=52.5, longitude=13.4)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "a.nc"
        data.to_netcdf(path, engine="h5netcdf")
        return path.read_bytes()


@lru_cache
def _estimate() -> bytes:
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.saved_estimates import Origin, SavedEstimate, document_of

    crop = find_crop("carrot")
    origin = Origin(
        files=("trial.csv",), digest="ab12", plots=3, seeds=150, inspections=9,
        first_planted="2026-04-01", last_inspected="2026-05-01", prior="catalogue",
        effective_draws=900.0,
    )  # fmt: skip
    made = datetime(2026, 5, 2, 8, 0, tzinfo=UTC)
    saved = SavedEstimate(
        estimate=crop.estimate, response=crop.response, origin=origin, made=made, version="0"
    )
    return document_of(saved).encode()


@lru_cache
def _open_meteo() -> tuple[bytes, ...]:
    query = {"latitude": "52.5", "longitude": "13.4", "forecast_days": "1", "past_days": "0"}
    both = {**query, "hourly": "temperature_2m,precipitation"}
    few = {**query, "hourly": "temperature_2m"}
    today = date(2026, 4, 1)
    return (
        json.dumps(playing.open_meteo("/v1/forecast", both, today)).encode(),
        json.dumps(playing.open_meteo("/v1/ensemble", few, today)).encode(),
    )


@lru_cache
def _power() -> bytes:
    query = {"latitude": "52.5", "longitude": "13.4", "start": "20260401", "end": "20260401"}
    return json.dumps(playing.power(query)).encode()


@dataclass(frozen=True)
class Reader:
    """A reader, its sound files, and the share of a campaign it is given."""

    read: Callable[[Path], Any]
    seeds: Callable[[], tuple[bytes, ...]]
    weight: float = 1.0
    suffix: str = ".csv"


def _season(path: Path) -> None:
    from thermosprout.season.load import load_season

    load_season(path)


def _records(path: Path) -> None:
    from thermosprout.trials.records.read import read_records

    read_records(path, timezone="Europe/Berlin")


def _notebook(path: Path) -> None:
    from thermosprout.trials.records.notebook import read_notebook

    read_notebook(path, timezone="Europe/Berlin")


def _counts(path: Path) -> None:
    from thermosprout.trials.records.notebook import filed_counts

    filed_counts(path, "2026-05-03")


def _dates(path: Path) -> None:
    from thermosprout.calibration.plots import is_dates_file, read_dates
    from thermosprout.crops.catalogue import find_crop

    is_dates_file(path)
    read_dates(path, find_crop("carrot"))


def _logger(path: Path) -> None:
    """Read with all that can be said of a file; with nothing said more may be refused."""
    from thermosprout.soil.readers.logger import read_soil_csv
    from thermosprout.soil.series import check_soil_series

    with suppress(ThermosproutError):
        check_soil_series(read_soil_csv(path)[0])
    series, reading = read_soil_csv(path, timezone="Europe/Berlin", unit="C", day_first=True)
    check_soil_series(series)
    assert reading.sentences()
    assert np.isfinite(series.values).all() or reading.gaps


def _station(path: Path) -> None:
    from thermosprout.soil.readers.weather_table import read_weather_csv

    read_weather_csv(path, latitude=52.5, longitude=13.4, timezone="Europe/Berlin")


def _readings_of(path: Path) -> None:
    from thermosprout.soil.site_readings import read_readings

    frame = read_readings(path, timezone="Europe/Berlin")
    assert np.isfinite(frame["soil_temp_C"]).all()


def _nc(path: Path) -> None:
    from thermosprout.soil.readers.netcdf import read_soil_netcdf

    read_soil_netcdf(path)


def _saved(path: Path) -> None:
    from thermosprout.crops.saved_estimates import load_saved

    for saved in load_saved(path.parent).values():
        assert np.isfinite(saved.estimate.mean).all()
        assert np.isfinite(saved.estimate.covariance).all()


def _open_meteo_answer(path: Path) -> None:
    from thermosprout.weather.open_meteo import parse
    from thermosprout.weather.service import json_object

    data = parse(json_object(path.read_bytes()))
    assert np.isfinite(data["air_temperature"].values).all()


def _power_answer(path: Path) -> None:
    from thermosprout.weather.nasa_power import parse
    from thermosprout.weather.service import json_object

    data = parse(json_object(path.read_bytes()))
    assert np.isfinite(data["air_temperature"].values).all()


def _two_columns() -> tuple[bytes, ...]:
    return tuple(e.raw for e in EXPORTS.values() if 0 < len(e.raw) < 6000)


NOTEBOOK = b"""plot,block,treatment,planted,seeds_planted,2026-04-12,2026-04-15,\
2026-04-18T08:00+02:00
A1,1,direct,2026-04-01,50,3,9,11
A2,1,soaked,2026-04-01,50,0,5,
"""
COUNTS = b"plot,inspected,emerged,note\nA1,2026-05-01,3,\nA2,2026-05-01 07:30,0,cold\n"
DATES = b"""planted,emergence_date,treatment,started,depth_cm,variety
2026-04-01,2026-04-15,direct,,1.5,Nantes
2026-04-03,2026-04-15,soaked,2026-04-02,2,Nantes
"""

READERS: dict[str, Reader] = {
    "season": Reader(_season, lambda: (SEASON.encode(),), 1.5, ".toml"),
    "records": Reader(_records, lambda: (RECORDS.encode(),), 1.5),
    "notebook": Reader(_notebook, lambda: (NOTEBOOK,)),
    "counts": Reader(_counts, lambda: (COUNTS,), 0.5),
    "dates": Reader(_dates, lambda: (DATES,)),
    "logger": Reader(_logger, _two_columns, 3.0),
    "station": Reader(_station, lambda: (_weather_csv(), _daily_csv()), 1.5),
    "readings": Reader(_readings_of, lambda: (_readings(),)),
    "netcdf": Reader(_nc, lambda: (_netcdf(),), 1.0, ".nc"),
    "estimate": Reader(_saved, lambda: (_estimate(),), 1.0, ".estimate.toml"),
    "open_meteo": Reader(_open_meteo_answer, _open_meteo, 1.0, ".json"),
    "power": Reader(_power_answer, lambda: (_power(),), 1.0, ".json"),
}


def fault(reader: Reader, path: Path) -> str:
    """Read a spoilt file; returns what is wrong with the reader's behaviour, or nothing."""
    try:
        reader.read(path)
    except REFUSALS as error:
        sentence = str(error)
        if "\n" in sentence or "\r" in sentence:
            return f"more than one line: {sentence!r}"
        return "" if sentence.strip() else "an empty sentence"
    except Exception as error:
        import traceback

        last = traceback.extract_tb(error.__traceback__)
        ours = [f for f in last if "/thermosprout/" in f.filename]
        at = f"{Path(ours[-1].filename).name}:{ours[-1].name}" if ours else "?"
        return f"{type(error).__name__} in {at}: {error}"[:300]
    return ""
