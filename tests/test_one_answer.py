"""One season, one answer: every way to ask for a row gives its days and its stand.

The same row is asked of the forecast, of compare, of the check of the soil, of sowing again, of the
week, of the window, of a succession and of objects in memory, over beds, waters and seed lots.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.saved_estimates import Origin, SavedEstimate, save_estimate
from thermosprout.emergence.forecast import RowForecast
from thermosprout.planning.compare_answer import compare_ways
from thermosprout.planning.options import Option
from thermosprout.planning.poor_row import weigh_poor_row
from thermosprout.planning.season_window import WindowBuilder
from thermosprout.planning.stations import seeds_per_station
from thermosprout.planning.succession import Aim
from thermosprout.planning.successions import plan_case
from thermosprout.planning.this_week import Kind, this_week
from thermosprout.season.context import season_context
from thermosprout.season.forecast import forecast_rows
from thermosprout.season.load import Season, load_season
from thermosprout.season.open_context import memory_context, open_context
from thermosprout.season.setting import Question
from thermosprout.season.soil_check import check_season
from thermosprout.soil.readers.thermometer import read_readings

AS_OF = datetime(2026, 4, 14, 12, tzinfo=UTC)
PLANTED = "2026-04-12"
DRAWS = 300
DAYS_APART, STAND_APART = 0.1, 0.01
"""What two answers may differ by: a tenth of a day, a point of the stand."""

HEAD = """format = 1
[site]
name = "One"
latitude = 52.0
longitude = 0.5
timezone = "Europe/London"
[soil]
file = "soil.csv"
depth_cm = 5
surface = "bare"
weather_file = "weather.csv"
"""
LOTS = """
[[lots]]
id = "TESTED"
crop = "carrot"
variety = "Long"
germination = 0.8
seeds_tested = 100
tested_on = 2026-02-01
year = 2024
[[lots]]
id = "PACKET"
crop = "carrot"
year = 2023
[[beds]]
id = "open"
[[beds]]
id = "covered"
cover = "fleece"
"""
WATERED = "[[watering]]\non = 2026-04-13\nmm = 12\n[[watering]]\non = 2026-04-25\nmm = 10\n"
ROWS = {
    "direct": "",
    "soaked": "soak_h = 12\nwater_C = 18\n",
    "presprouted": "sprout_h = 96\nroom_C = 20\n",
}


@dataclass(frozen=True)
class Asked:
    """One season: what is known of its water, soil and seed."""

    rainfed: bool = False
    watering: bool = False
    readings: bool = False
    estimate: bool = False
    members: bool = False
    bed: str = "open"
    lot: str = "TESTED"
    treatment: str = "direct"


SEASONS = {
    "water unknown": Asked(),
    "rainfed, under fleece": Asked(rainfed=True, bed="covered"),
    "watered, soaked seed": Asked(watering=True, treatment="soaked"),
    "watered under fleece, sprouted seed": Asked(
        watering=True, bed="covered", treatment="presprouted"
    ),
    "readings of the site, untested seed": Asked(readings=True, lot="PACKET"),
    "an estimate of its own": Asked(estimate=True),
    "past years as members, rainfed": Asked(members=True, rainfed=True),
}


def write_season(folder: Path, asked: Asked) -> Path:
    time = np.arange("2026-03-01", "2026-07-20", dtype="datetime64[h]")
    hour, day = np.arange(time.size), np.arange(time.size) / 24
    soil = 7.0 + 0.11 * day + 3.0 * np.sin(2 * np.pi * (hour - 10) / 24) + 2 * np.sin(day / 4)
    last = 46 * 24 if asked.members else time.size
    _series(folder / "soil.csv", time[:last], soil[:last])
    days = np.unique(time.astype("datetime64[D]"))
    number = np.arange(days.size)
    rain = np.where(number % 4 == 0, 7.0, 0.0)
    lines = [
        f"{when},{4 + 0.1 * n:.1f},{13 + 0.1 * n:.1f},{12 + 0.06 * n:.1f},{mm:.1f}"
        for when, n, mm in zip(days, number, rain, strict=True)
    ]
    head = "date,air_tmin_C,air_tmax_C,ghi_MJ_m2,precip_mm"
    (folder / "weather.csv").write_text("\n".join([head, *lines]) + "\n", encoding="utf-8")
    text = HEAD + ("rainfed = true\n" if asked.rainfed else "")
    if asked.members:
        past = np.arange("2022-01-01", "2026-01-01", dtype="datetime64[h]")
        of_year = (past - past.astype("datetime64[Y]")).astype(float)
        swing = 3 * np.sin(2 * np.pi * (of_year - 10) / 24)
        year = past.astype("datetime64[Y]").astype(int) - 52
        _series(folder / "years.csv", past, 12 - 9 * np.cos(of_year / 1390) + swing + year)
        text += 'past_years_file = "years.csv"\n'
    if asked.readings:
        (folder / "readings.csv").write_text(
            "time_utc,depth_cm,soil_temp_C\n"
            + "\n".join(
                f"2026-04-{d:02d}T{7 + d % 9:02d}:00Z,5,{13.5 + d % 3}" for d in range(2, 12)
            ),
            encoding="utf-8",
        )
        text += 'readings_file = "readings.csv"\n'
    if asked.estimate:
        _own_estimate(folder / "estimates")
        text = text.replace("format = 1\n", 'format = 1\nestimates_folder = "estimates"\n')
    text += (WATERED if asked.watering else "") + LOTS
    text += (
        f'[[rows]]\nid = "A"\nlot = "{asked.lot}"\nbed = "{asked.bed}"\n'
        f'treatment = "{asked.treatment}"\nplanted = {PLANTED}\ndepth_cm = 1.5\n'
        f"seeds_planted = 100\n{ROWS[asked.treatment]}"
    )
    path = folder / "season.toml"
    path.write_text(text, encoding="utf-8")
    return path


def _series(path: Path, time: np.ndarray, values: np.ndarray) -> None:
    lines = [f"{when}:00Z,{value:.2f}" for when, value in zip(time, values, strict=True)]
    path.write_text("\n".join(["time_utc,soil_temp_5cm_C", *lines]) + "\n", encoding="utf-8")


def _own_estimate(folder: Path) -> None:
    """Estimate of the variety that is a third slower than the crop."""
    crop = find_crop("carrot")
    mean = crop.estimate.mean.copy()
    mean[list(crop.estimate.names).index("thermal_time_50_Cd")] += np.log(1.3)
    save_estimate(
        folder,
        SavedEstimate(
            estimate=replace(crop.estimate, mean=mean, variety="Long"),
            response=crop.response,
            origin=Origin(
                files=("own.csv",), digest="0" * 64, plots=6, seeds=600, inspections=30,
                first_planted="2025-04-01", last_inspected="2025-05-01", prior="carrot",
            ),
            made=datetime(2025, 6, 1, tzinfo=UTC),
            version="0.1.0",
        ),
    )  # fmt: skip


@pytest.fixture(params=list(SEASONS), scope="module")
def asked(request: pytest.FixtureRequest) -> Asked:
    return SEASONS[request.param]


@pytest.fixture(scope="module")
def path(asked: Asked, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("one"), asked)


@pytest.fixture(scope="module")
def season(path: Path) -> Season:
    return load_season(path)


@pytest.fixture(scope="module")
def row(season: Season) -> RowForecast:
    """What the forecast says of the row."""
    return forecast_rows(season_context(season, as_of=AS_OF, size=DRAWS)).rows[0].forecast


def half_days(row: RowForecast) -> float:
    return float((row.stage_quantile("half", [0.5])[0] - row.sowing.planted_h) / 24)


def question(asked: Asked) -> Question:
    return Question(lot=asked.lot, bed=asked.bed, depth_cm=1.5)


def agrees(row: RowForecast, days: float, stand: float | None = None) -> None:
    assert days == pytest.approx(half_days(row), abs=DAYS_APART)
    if stand is not None:
        assert stand == pytest.approx(row.stand_quantile([0.5])[0], abs=STAND_APART)


def test_compare(path: Path, asked: Asked, row: RowForecast) -> None:
    context = open_context(season=path, as_of=AS_OF, size=DRAWS)
    found = compare_ways(
        context, question(asked), planted=PLANTED, soaks_h=(12.0,), water_C=18.0, room_C=20.0,
        sprout_h=96.0, seeds=100,
    ).to_dict()  # fmt: skip
    option = next(one for one in found["options"] if one["treatment"] == asked.treatment)
    agrees(
        row, option["days_since_planted"]["half"]["p50"], option["stand_per_seed_planted"]["p50"]
    )
    told = "Includes drought" if asked.rainfed or asked.watering else "Assumes a moist seedbed"
    assert any(note.startswith(told) for note in found["notes"])


def test_soil_check(season: Season, path: Path, asked: Asked, row: RowForecast) -> None:
    """As it stands is the forecast; corrected by the season's own readings is the forecast too."""
    if not asked.readings:
        (path.parent / "other.csv").write_text(
            "time_utc,depth_cm,soil_temp_C\n2026-04-10T07:00Z,5,9.0\n", encoding="utf-8"
        )
        table = read_readings(path.parent / "other.csv", timezone="Europe/London")
        found = check_season(season, table, as_of=AS_OF, size=DRAWS).rows[0]
        agrees(row, (found.as_is_h - row.sowing.planted_h) / 24)
    else:
        table = read_readings(path.parent / "readings.csv", timezone="Europe/London")
        found = check_season(season, table, as_of=AS_OF, size=DRAWS).rows[0]
        agrees(row, (found.corrected_h - row.sowing.planted_h) / 24)
        assert abs(found.days) > 1


def test_sowing_again_waits_for_the_same_row(path: Path, row: RowForecast) -> None:
    found = weigh_poor_row(open_context(season=path, as_of=AS_OF, size=DRAWS), "A").to_dict()
    wait = found["ways"][0]
    half = datetime.fromisoformat(wait["half_up"]["p50"]) - datetime.fromisoformat(found["planted"])
    agrees(row, half / timedelta(days=1), wait["plants"]["p50"] / 100)


def test_the_week_expects_the_same_row(season: Season, row: RowForecast) -> None:
    first = row.stage_quantile("first", [0.1])[0] / 24
    day = date(1970, 1, 1).toordinal() + first
    asked_on = datetime.fromordinal(int(day)).replace(tzinfo=UTC, hour=12)
    week = this_week(forecast_rows(season_context(season, as_of=asked_on, size=DRAWS)))
    (task,) = [one for one in (*week.now, *week.later) if one.kind is Kind.EXPECT]
    assert abs(task.day.toordinal() + 0.5 - day) <= 1.5


def test_stations_count_on_the_same_stand(path: Path, asked: Asked, row: RowForecast) -> None:
    if asked.treatment != "direct":
        return
    context = open_context(season=path, as_of=AS_OF, size=DRAWS)
    found = seeds_per_station(context, question(asked), planted=PLANTED, stations=100)
    expected = float(np.median(row.share))
    assert found.plan.emergence["p50"] == pytest.approx(expected, abs=STAND_APART)


def test_objects_in_memory(path: Path, season: Season, asked: Asked, row: RowForecast) -> None:
    """The season's series and weather handed over as arrays, and its lot as it is."""
    supply = season_context(season, as_of=AS_OF, size=DRAWS).supply
    context = memory_context(
        supply.base(), weather=supply.weather(), timezone="Europe/London", as_of=AS_OF, size=DRAWS,
        watering={"2026-04-13": 12.0, "2026-04-25": 10.0} if asked.watering else None,
        rainfed=asked.rainfed,
    )  # fmt: skip
    case = context.case(
        Question(
            crop=row.sowing.crop, lot=season.seed_lots[asked.lot], depth_cm=1.5,
            cover="fleece" if asked.bed == "covered" else "",
        )
    )  # fmt: skip
    setting = context.setting(case, row.sowing.planted_h, started_h=row.sowing.started_h)
    again = setting.forecast(row.sowing.handling, row.sowing.planted_h, seeds=100)
    agrees(row, half_days(again), float(again.stand_quantile([0.5])[0]))


def test_a_pandas_series_of_the_file(
    path: Path, season: Season, asked: Asked, row: RowForecast
) -> None:
    if asked != SEASONS["water unknown"]:
        return
    frame = pd.read_csv(path.parent / "soil.csv", parse_dates=["time_utc"], index_col="time_utc")
    context = memory_context(
        frame["soil_temp_5cm_C"], sensor_depth_cm=5, surface="bare", as_of=AS_OF, size=DRAWS,
        timezone="Europe/London",
    )  # fmt: skip
    case = context.case(Question(crop="carrot", lot=season.seed_lots["TESTED"], depth_cm=1.5))
    planted_h = context.planting_h(PLANTED)
    again = context.setting(case, planted_h).forecast(
        forecast_rows(season_context(season, as_of=AS_OF, size=DRAWS))
        .rows[0]
        .forecast.sowing.handling,
        planted_h,
        seeds=100,
    )
    reference = forecast_rows(season_context(season, as_of=AS_OF, size=DRAWS)).rows[0].forecast
    agrees(reference, half_days(again), float(again.stand_quantile([0.5])[0]))


def test_a_window_over_the_day(path: Path, asked: Asked, row: RowForecast) -> None:
    """To three tenths of a day: its soil is read in steps of a few hours."""
    context = open_context(season=path, as_of=AS_OF, size=DRAWS)
    case = context.case(question(asked))
    option = Option(name=asked.treatment, handling=row.sowing.handling, minutes=0.0)
    first, last = date(2026, 4, 11), date(2026, 4, 13)
    window = WindowBuilder(context, first=first, last=last).window(case, (option,), seeds=100)
    day = window.isel(cover=0, treatment=0, sowing=1)
    days = float(day["days_to_half"].sel(probability=0.5))
    assert days == pytest.approx(half_days(row), abs=0.3)
    assert float(day["stand"]) == pytest.approx(row.stand_quantile([0.5])[0], abs=STAND_APART)


def test_the_first_sowing_of_a_succession(path: Path, asked: Asked, row: RowForecast) -> None:
    context = open_context(season=path, as_of=AS_OF, size=DRAWS)
    if asked.treatment != "direct":
        return
    found = plan_case(
        context, context.case(question(asked)), first=date(2026, 4, 12), every_d=5, count=2,
        aim=Aim.EMERGENCE, treatment="direct",
    )  # fmt: skip
    middle = found.sowings[0].middle
    half = row.sowing.planted_h + 24 * half_days(row)
    assert (middle - np.datetime64(0, "h")) / np.timedelta64(1, "h") == pytest.approx(half, abs=7.2)
