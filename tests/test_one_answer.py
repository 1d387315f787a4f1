"""One season, one answer: every way to ask for a row gives its days and its stand.

The same row is asked of the forecast, of compare, window, succession, stations, sowing again, the
week, the season page, the check of the soil, the map, and of the functions of the library, by the
season file and by objects in memory. The seasons cover beds, water, readings, estimates, members,
lots and treatments in pairs.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import thermosprout as ts
from tests.reports.season_files import report_of
from thermosprout.api.answers import Forecast
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.saved_estimates import Origin, SavedEstimate, save_estimate
from thermosprout.dates import day_words
from thermosprout.emergence.forecast import RowForecast, clock_for
from thermosprout.planning.compare_answer import compare_ways
from thermosprout.planning.options import Option
from thermosprout.planning.season_window import WindowBuilder, plan_window
from thermosprout.planning.sow_again import weigh_poor_row
from thermosprout.planning.stations import seeds_per_station
from thermosprout.planning.succession import Aim, plan_case
from thermosprout.planning.this_week import Kind, this_week
from thermosprout.reports.season_page import season_page
from thermosprout.season.context import Context, season_context
from thermosprout.season.forecast import SeasonForecast, forecast_rows
from thermosprout.season.load import Season, load_season
from thermosprout.season.open_context import open_context
from thermosprout.season.setting import Question, Setting
from thermosprout.season.soil_check import check_season
from thermosprout.soil.site_readings import read_readings

AS_OF = datetime(2026, 4, 14, 12, tzinfo=UTC)
PLANTED = "2026-04-12"
DAY = date.fromisoformat(PLANTED)
DRAWS = 200
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
class Facts:
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
    "water unknown": Facts(),
    "rainfed under fleece, untested seed": Facts(rainfed=True, bed="covered", lot="PACKET"),
    "watered under fleece, readings, sprouted": Facts(
        watering=True, readings=True, bed="covered", treatment="presprouted"
    ),
    "own estimate, past years, rainfed, soaked": Facts(
        rainfed=True, estimate=True, members=True, treatment="soaked"
    ),
    "past years, readings, untested seed": Facts(members=True, readings=True, lot="PACKET"),
    "own estimate under fleece, watered": Facts(watering=True, estimate=True, bed="covered"),
}


def write_season(folder: Path, facts: Facts) -> Path:
    time = np.arange("2026-03-01", "2026-06-25", dtype="datetime64[h]")
    hour, day = np.arange(time.size), np.arange(time.size) / 24
    soil = 7.0 + 0.11 * day + 3.0 * np.sin(2 * np.pi * (hour - 10) / 24) + 2 * np.sin(day / 4)
    last = 46 * 24 if facts.members else time.size
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
    text = HEAD + ("rainfed = true\n" if facts.rainfed else "")
    if facts.members:
        past = np.arange("2023-01-01", "2026-01-01", dtype="datetime64[h]")
        of_year = (past - past.astype("datetime64[Y]")).astype(float)
        swing = 3 * np.sin(2 * np.pi * (of_year - 10) / 24)
        year = past.astype("datetime64[Y]").astype(int) - 52
        _series(folder / "years.csv", past, 12 - 9 * np.cos(of_year / 1390) + swing + year)
        text += 'past_years_file = "years.csv"\n'
    if facts.readings:
        (folder / "readings.csv").write_text(
            "time_utc,depth_cm,soil_temp_C\n"
            + "\n".join(
                f"2026-04-{d:02d}T{7 + d % 9:02d}:00Z,5,{13.5 + d % 3}" for d in range(2, 12)
            ),
            encoding="utf-8",
        )
        text += 'readings_file = "readings.csv"\n'
    if facts.estimate:
        _own_estimate(folder / "estimates")
        text = text.replace("format = 1\n", 'format = 1\nestimates_folder = "estimates"\n')
    text += (WATERED if facts.watering else "") + LOTS
    text += (
        f'[[rows]]\nid = "A"\nlot = "{facts.lot}"\nbed = "{facts.bed}"\n'
        f'treatment = "{facts.treatment}"\nplanted = {PLANTED}\ndepth_cm = 1.5\n'
        f"seeds_planted = 100\n{ROWS[facts.treatment]}"
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
def facts(request: pytest.FixtureRequest) -> Facts:
    return SEASONS[request.param]


@pytest.fixture(scope="module")
def path(facts: Facts, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("one"), facts)


@pytest.fixture(scope="module")
def season(path: Path) -> Season:
    return load_season(path)


@pytest.fixture(scope="module")
def result(season: Season) -> SeasonForecast:
    """What ``forecast`` says."""
    return forecast_rows(season_context(season, as_of=AS_OF, size=DRAWS))


@pytest.fixture(scope="module")
def row(result: SeasonForecast) -> RowForecast:
    return result.rows[0].forecast


@pytest.fixture(scope="module")
def context(path: Path) -> Context:
    """What the other commands stand on, opened from the file by itself."""
    return open_context(season=path, as_of=AS_OF, size=DRAWS)


def half_days(row: RowForecast) -> float:
    return float((row.stage_quantile("half", [0.5])[0] - row.sowing.planted_h) / 24)


def question(facts: Facts) -> Question:
    return Question(lot=facts.lot, bed=facts.bed, depth_cm=1.5)


def agrees(row: RowForecast, days: float, stand: float | None = None) -> None:
    assert days == pytest.approx(half_days(row), abs=DAYS_APART)
    if stand is not None:
        assert stand == pytest.approx(row.stand_quantile([0.5])[0], abs=STAND_APART)


def test_compare(context: Context, facts: Facts, row: RowForecast) -> None:
    comparison = compare_ways(
        context, question(facts), planted=DAY, soaks_h=(12.0,), water_C=18.0, room_C=20.0,
        sprout_h=96.0, seeds=100,
    ).comparison  # fmt: skip
    outcome = next(
        one for one in comparison.outcomes if one.option.handling.treatment == facts.treatment
    )
    agrees(row, half_days(outcome.row), float(outcome.row.stand_quantile([0.5])[0]))
    water = "Includes drought" if facts.rainfed or facts.watering else "Assumes a moist seedbed"
    assert comparison.setting.water.startswith(water)


def test_soil_check(season: Season, path: Path, facts: Facts, row: RowForecast) -> None:
    """As it stands is the forecast; corrected by the season's own readings is the forecast too."""
    if not (facts.readings or facts.rainfed):
        return  # a check forecasts four times; the others add no new factor
    file = path.parent / ("readings.csv" if facts.readings else "other.csv")
    if not facts.readings:
        file.write_text("time_utc,depth_cm,soil_temp_C\n2026-04-10T07:00Z,5,9.0\n", "utf-8")
    table = read_readings(file, timezone="Europe/London")
    shift = check_season(season, table, as_of=AS_OF, size=DRAWS).rows[0]
    hour = shift.corrected_h if facts.readings else shift.as_is_h
    agrees(row, (hour - row.sowing.planted_h) / 24)
    if facts.readings:
        # Readings 2.8 K above the series at their hours bring the row at least a day forward.
        assert shift.days < -1


def test_sowing_again_waits_for_the_same_row(context: Context, row: RowForecast) -> None:
    document = weigh_poor_row(context, "A").to_dict()
    wait = document["ways"][0]
    half = datetime.fromisoformat(wait["half_up"]["p50"])
    days = (half - datetime.fromisoformat(document["planted"])) / timedelta(days=1)
    agrees(row, days, wait["plants"]["p50"] / 100)


def test_the_week_expects_the_same_row(result: SeasonForecast, row: RowForecast) -> None:
    first = row.stage_quantile("first", [0.1])[0] / 24
    day = date(1970, 1, 1).toordinal() + first
    week = this_week(
        replace(result, as_of=datetime.fromordinal(int(day)).replace(tzinfo=UTC, hour=12))
    ).to_dict()
    tasks = [*week["tasks"], *week["later"]]
    (task,) = [one for one in tasks if one["task"] == Kind.EXPECT]
    assert abs(date.fromisoformat(task["day"]).toordinal() + 0.5 - day) <= 1.5


def test_the_tables_and_the_document_show_the_same_row(
    result: SeasonForecast, row: RowForecast
) -> None:
    document = result.to_dict()
    entry = document["rows"][0]
    agrees(row, entry["days_since_planted"]["half"]["p50"], entry["stand"]["p50"])
    text = Forecast(result=result).text(120)
    half = datetime.fromisoformat(entry["stages"]["half"]["p50"]).date()
    assert day_words(half).rsplit(" ", 1)[0] in text


def test_the_season_page_shows_the_same_row(result: SeasonForecast, row: RowForecast) -> None:
    """The page rounds to whole days and whole plants."""
    page = season_page(report_of(result))
    (days,) = re.findall(r"<dt>since planted</dt><dd>(\d+) \(", page)
    (plants,) = re.findall(r"<dd>(\d+) plants? \(", page)
    assert float(days) == pytest.approx(half_days(row), abs=0.5 + DAYS_APART)
    stand = row.stand_quantile([0.5])[0]
    assert float(plants) / 100 == pytest.approx(stand, abs=0.005 + STAND_APART)


def test_stations_count_on_the_same_stand(context: Context, facts: Facts, row: RowForecast) -> None:
    if facts.treatment != "direct":
        return
    plan = seeds_per_station(context, question(facts), planted=DAY, stations=100)
    expected = float(np.median(row.share))
    assert plan.emergence["p50"] == pytest.approx(expected, abs=STAND_APART)


def test_a_window_over_the_day(context: Context, facts: Facts, row: RowForecast) -> None:
    """To three tenths of a day: its soil is read in steps of a few hours."""
    first, last = date(2026, 4, 11), date(2026, 4, 13)
    option = Option(name=facts.treatment, handling=row.sowing.handling, minutes=0.0)
    builder = WindowBuilder(context, first=first, last=last)
    windows = [builder.window(context.case(question(facts)), (option,))]
    if facts.treatment == "direct":
        windows.append(plan_window(context, question(facts), first=first, last=last).dataset)
    for window in windows:
        day = window.isel(cover=0, treatment=0, sowing=1)
        days = float(day["days_to_half"].sel(probability=0.5))
        assert days == pytest.approx(half_days(row), abs=0.3)
        stand = row.stand_quantile([0.5])[0]
        assert float(day["stand"]) == pytest.approx(stand, abs=STAND_APART)


def test_the_first_sowing_of_a_succession(context: Context, facts: Facts, row: RowForecast) -> None:
    if facts.treatment != "direct":
        return
    plan = plan_case(
        context, context.case(question(facts)), first=date(2026, 4, 12), every_d=3, count=1,
        aim=Aim.EMERGENCE, treatment="direct",
    )  # fmt: skip
    days = (plan.sowings[0].middle - plan.sowings[0].sow) / np.timedelta64(1, "D")
    assert days == pytest.approx(half_days(row), abs=0.3)


def test_the_map_of_the_same_soil(context: Context, facts: Facts, row: RowForecast) -> None:
    """One cell, to three tenths of a day; a map takes the seedbed as moist and the lot as a share.

    Its response is that of the centre of the estimate.
    """
    case = context.case(question(facts))
    series, draws = context.series(case), context.draws(case.crop)
    setting = Setting(
        draws=draws, clock=clock_for(draws, series), viability=np.full(DRAWS, 0.8),
        ln_shift=np.zeros(DRAWS), depth_cm=1.5,
    )  # fmt: skip
    handling = row.sowing.handling
    reference = setting.forecast(handling, row.sowing.planted_h)
    cell = series.drop_vars("depth", errors="ignore").expand_dims(lat=[52.0], lon=[0.5])
    days = ts.map(
        cell, case.crop, sowings=["2026-04-12T11:00"], treatments=[facts.treatment], depth_cm=1.5,
        viability=0.8, draws=DRAWS, soak_h=handling.soak_h or None,
        sprout_h=handling.sprout_h or None, water_C=18.0, room_C=20.0,
    )["days_since_planted"]  # fmt: skip
    half = float(days.sel(stage="half", odds=0.5).squeeze())
    assert half == pytest.approx(half_days(reference), abs=0.3)


def test_the_library_by_the_season_file(path: Path, facts: Facts, row: RowForecast) -> None:
    season = ts.read_season(path)
    table = season.forecast("A", as_of=AS_OF, draws=DRAWS).to_frame().set_index("stage")
    agrees(row, table.loc["half", "days_since_planted"], table.loc["half", "stand"])
    options = {"lot": facts.lot, "bed": facts.bed, "depth_cm": 1.5, "as_of": AS_OF, "draws": DRAWS}
    if facts.treatment != "direct" or facts.members:
        return
    way = season.compare(date=PLANTED, soak_h=[12.0], seeds=100, **options).to_frame().iloc[0]
    agrees(row, way["half_p50_d"], way["stand"])
    window = season.planting_window(first=PLANTED, last=PLANTED, **options).to_dataset()
    day = window.isel(cover=0, treatment=0, sowing=0)
    assert float(day["days_to_half"][1]) == pytest.approx(half_days(row), abs=0.3)
    assert float(day["stand"]) == pytest.approx(row.stand_quantile([0.5])[0], abs=STAND_APART)


def test_the_library_with_objects_in_memory(
    season: Season, context: Context, facts: Facts, row: RowForecast
) -> None:
    """The season's series and weather as arrays, its crop and lot as objects."""
    handling = row.sowing.handling
    answer = ts.forecast(
        row.sowing.crop, soil=context.supply.base(), weather=context.weather(),
        lot=season.seed_lots[facts.lot], planted=PLANTED, treatment=facts.treatment, depth_cm=1.5,
        soak_h=handling.soak_h or None, sprout_h=handling.sprout_h or None,
        water_C=18.0 if handling.soak_h else None, room_C=20.0 if handling.sprout_h else None,
        cover="fleece" if facts.bed == "covered" else None, rainfed=facts.rainfed,
        watering={"2026-04-13": 12.0, "2026-04-25": 10.0} if facts.watering else None,
        timezone="Europe/London", as_of=AS_OF, draws=DRAWS,
    ).result.rows[0].forecast  # fmt: skip
    agrees(row, half_days(answer), float(answer.stand_quantile([0.5])[0]))


def test_the_library_with_a_pandas_series(
    path: Path, season: Season, facts: Facts, row: RowForecast
) -> None:
    if facts != SEASONS["water unknown"]:
        return
    frame = pd.read_csv(path.parent / "soil.csv", parse_dates=["time_utc"], index_col="time_utc")
    answer = ts.forecast(
        "carrot", soil=frame["soil_temp_5cm_C"], lot=season.seed_lots["TESTED"], planted=PLANTED,
        depth_cm=1.5, sensor_depth_cm=5, timezone="Europe/London", as_of=AS_OF, draws=DRAWS,
    )  # fmt: skip
    forecast = answer.result.rows[0].forecast
    agrees(row, half_days(forecast), float(forecast.stand_quantile([0.5])[0]))


def test_a_bed_that_is_dry_at_sowing(tmp_path: Path) -> None:
    """A soak brings water to a dry bed: sooner and fuller than in a moist one, however asked.

    More than half of the works on soaking in dry beds say so (their rows stand in
    ``presowing_evidence.csv``, moisture ``dry`` or ``drying``).
    """
    facts = Facts(treatment="soaked")
    path = write_season(tmp_path, facts)
    moist, dry = (
        forecast_rows(season_context(load_season(file), as_of=AS_OF, size=DRAWS)).rows[0]
        for file in (path, _with_line(path, "dry_bed = true"))
    )
    assert half_days(moist.forecast) - half_days(dry.forecast) > 0.5
    assert dry.forecast.share.mean() > moist.forecast.share.mean() + 0.03
    assert any("dry when the seed goes in" in note.sentence for note in dry.notes)
    row = dry.forecast
    context = open_context(season=path, as_of=AS_OF, size=DRAWS)
    ways = compare_ways(
        context, replace(question(facts), dry_bed=True), planted=DAY, soaks_h=(12.0,),
        water_C=18.0, seeds=100,
    )  # fmt: skip
    outcome = ways.comparison.outcomes[1]
    agrees(row, half_days(outcome.row), float(outcome.row.stand_quantile([0.5])[0]))
    assert "dry when the seed goes in" in ways.notes[0]
    options = {"lot": facts.lot, "bed": facts.bed, "depth_cm": 1.5, "as_of": AS_OF, "draws": DRAWS}
    way = (
        ts.read_season(path)
        .compare(date=PLANTED, soak_h=[12.0], water_C=18.0, seeds=100, dry_bed=True, **options)
        .to_frame()
        .iloc[1]
    )
    agrees(row, way["half_p50_d"], way["stand"])
    answer = ts.forecast(
        row.sowing.crop, soil=context.supply.base(), weather=context.weather(),
        lot=context.season.seed_lots[facts.lot], planted=PLANTED, treatment="soaked",
        depth_cm=1.5, soak_h=12.0, water_C=18.0, dry_bed=True, timezone="Europe/London",
        as_of=AS_OF, draws=DRAWS,
    )  # fmt: skip
    frame = answer.to_frame().set_index("stage")
    agrees(row, frame.loc["half", "days_since_planted"], frame.loc["half", "stand"])


def test_a_dry_bed_in_every_other_plan(tmp_path: Path) -> None:
    """Soaked for 12 h at 20 degC, the water of the usual ways of sowing."""
    path = write_season(tmp_path, Facts(treatment="soaked"))
    path.write_text(path.read_text(encoding="utf-8").replace("water_C = 18", "water_C = 20"))
    season = load_season(_with_line(path, "dry_bed = true"))
    row = forecast_rows(season_context(season, as_of=AS_OF, size=DRAWS)).rows[0].forecast
    asked = replace(question(Facts()), dry_bed=True)
    one = open_context(
        season=path, as_of=AS_OF, size=DRAWS,
        row={
            "crop": "", "lot": "TESTED", "bed": "open", "planted": date(2026, 4, 12),
            "depth_cm": 1.5, "treatment": "soaked", "soak_h": 12.0, "dry_bed": True,
        },
    )  # fmt: skip
    alone = forecast_rows(one).rows[0].forecast
    agrees(row, half_days(alone), float(alone.stand_quantile([0.5])[0]))
    context = open_context(season=path, as_of=AS_OF, size=DRAWS)
    days = {"first": date(2026, 4, 11), "last": date(2026, 4, 13)}
    windows = [
        plan_window(context, asked, soaks_h=(12.0,), **days).dataset,
        ts.read_season(path)
        .planting_window(
            lot="TESTED", bed="open", depth_cm=1.5, soak_h=[12.0], dry_bed=True, as_of=AS_OF,
            draws=DRAWS, **days,
        )
        .result.dataset,
    ]  # fmt: skip
    for window in windows:
        day = window.isel(cover=0, treatment=1, sowing=1)
        half = float(day["days_to_half"].sel(probability=0.5))
        assert half == pytest.approx(half_days(row), abs=0.3)
        assert float(day["stand"]) == pytest.approx(row.stand_quantile([0.5])[0], abs=STAND_APART)
    usual = min(24.0, context.case(asked).crop.safe_soak_h)
    plan = seeds_per_station(context, asked, planted=DAY, treatment="soaked")
    soaked = compare_ways(context, asked, planted=DAY, soaks_h=(usual,)).comparison.outcomes[1]
    assert plan.emergence["p50"] == pytest.approx(np.median(soaked.row.share), abs=STAND_APART)
    evenly = plan_case(
        context, context.case(asked), first=date(2026, 4, 12), every_d=3, count=1,
        aim=Aim.EMERGENCE, treatment="soaked",
    )  # fmt: skip
    middle = (evenly.sowings[0].middle - evenly.sowings[0].sow) / np.timedelta64(1, "D")
    assert middle == pytest.approx(half_days(soaked.row), abs=0.3)
    for notes in (plan.notes, evenly.notes):
        assert any("dry when the seed goes in" in note for note in notes)


def test_gaps_filled_in_a_dry_bed(tmp_path: Path) -> None:
    """Of a dead row nothing is left but what fills it: as ``compare`` has that very sowing.

    To three tenths of a day, as a second sowing has its own luck with the ground.
    """
    path = write_season(tmp_path, Facts())
    path.write_text(
        path.read_text(encoding="utf-8").replace('lot = "TESTED"\nbed', 'lot = "DEAD"\nbed')
        + '[[lots]]\nid = "DEAD"\ncrop = "carrot"\ngermination = 0.001\nseeds_tested = 1000\n'
    )
    noon = datetime(2026, 4, 14, 11, tzinfo=UTC)
    for dry_bed in (False, True):
        context = open_context(season=path, as_of=noon, size=DRAWS)
        poor = weigh_poor_row(context, "A", new_lot="TESTED", target=80, dry_bed=dry_bed)
        sown_today = replace(question(Facts()), dry_bed=dry_bed)
        direct, *_, sprouted = compare_ways(
            context, sown_today, planted=noon.date(), earliest=noon.date(), seeds=80
        ).comparison.outcomes
        _, fill, again = poor.ways
        for way, outcome in ((fill, sprouted), (again, direct)):
            days = [float(np.median(one.half_h - context.now_h)) / 24 for one in (way, outcome)]
            assert days[0] == pytest.approx(days[1], abs=0.3)
        assert any("dry when the seed goes in" in note for note in poor.notes) is dry_bed


def _with_line(path: Path, line: str) -> Path:
    changed = path.with_name("changed.toml")
    changed.write_text(path.read_text(encoding="utf-8") + line + "\n", encoding="utf-8")
    return changed
