"""What to do this week, read off forecasts whose days are set by the season file itself."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from pathlib import Path

import pytest

from tests.reports.season_files import forecast, write_soil
from thermosprout.planning.this_week import Kind, Task, Week, this_week
from thermosprout.season.forecast import SeasonForecast

ROWS = """
[[rows]]
id = "dry"
crop = "pea"
planted = 2026-04-20
depth_cm = 4.0

[[rows]]
id = "wet"
crop = "pea"
treatment = "soaked"
soak_h = 10.0
planted = 2026-04-20

[[rows]]
id = "sprouted"
crop = "pea"
treatment = "presprouted"
started = 2026-04-16
planted = 2026-04-20
room_C = 18.0
seeds_started = 120
seeds_planted = 100
"""

WeekOn = Callable[[str], Week]


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("week")
    write_soil(folder)
    path = folder / "season.toml"
    path.write_text(
        'format = 1\n[site]\nname = "Bed"\nlatitude = 50.0\nlongitude = 8.0\n'
        'timezone = "Europe/Berlin"\n[soil]\nfile = "soil.csv"\n[records]\nfile = "c.csv"\n' + ROWS,
        encoding="utf-8",
    )
    return path


@pytest.fixture(scope="module")
def results(season: Path) -> Callable[[str], SeasonForecast]:
    made: dict[str, SeasonForecast] = {}

    def result(day: str) -> SeasonForecast:
        if day not in made:
            made[day] = forecast(season, day, draws=400)
        return made[day]

    return result


@pytest.fixture(scope="module")
def week_on(results: Callable[[str], SeasonForecast]) -> WeekOn:
    return lambda day: this_week(results(day))


def of(tasks: tuple[Task, ...], row: str) -> list[tuple[Kind, date]]:
    return [(task.kind, task.day) for task in tasks if task.row == row]


def test_seed_is_started_looked_at_and_planted_on_its_days(week_on: WeekOn) -> None:
    week = week_on("2026-04-15")
    assert of(week.now, "dry") == [(Kind.SOW, date(2026, 4, 20))]
    # Ten hours before noon is two at night: it is soaked in the evening before.
    assert of(week.now, "wet") == [
        (Kind.SOAK, date(2026, 4, 19)),
        (Kind.SOW, date(2026, 4, 20)),
    ]
    kinds = of(week.now, "sprouted")
    assert kinds[0] == (Kind.SPROUT, date(2026, 4, 16))
    assert [kind for kind, _ in kinds[:3]] == [Kind.SPROUT, Kind.LOOK, Kind.PLANT]
    assert date(2026, 4, 17) <= kinds[1][1] <= date(2026, 4, 20)


def test_what_lies_behind_is_not_told_again(week_on: WeekOn) -> None:
    week = week_on("2026-04-18")
    assert Kind.SPROUT not in {task.kind for task in week.now}
    look = next(task for task in week.now if task.kind is Kind.LOOK)
    assert look.until == date(2026, 4, 20)
    assert week_on("2026-04-21").now == tuple(
        task for task in week_on("2026-04-21").now if task.kind in (Kind.EXPECT, Kind.STOP)
    )


def test_emergence_is_expected_in_the_days_of_the_forecast(
    results: Callable[[str], SeasonForecast], week_on: WeekOn
) -> None:
    result = results("2026-04-21")
    week = week_on("2026-04-21")
    for answer in result.rows:
        low, _, high = answer.forecast.stage_quantile("first", [0.1, 0.5, 0.9])
        tasks = [t for t in (*week.now, *week.later) if t.row == answer.row.id]
        expected = next(task for task in tasks if task.kind is Kind.EXPECT)
        to_day = date(1970, 1, 1).toordinal()
        # Local days of the two odds; the zone is one or two hours ahead of UTC.
        assert abs(expected.day.toordinal() - to_day - (low + 2) / 24) < 1.0 or (
            expected.day == week.today
        )
        assert expected.until is not None
        assert abs(expected.until.toordinal() - to_day - (high + 2) / 24) < 1.0
        assert "First seedlings" in expected.sentence


def test_a_counted_row_is_expected_by_its_next_stage(season: Path) -> None:
    counts = season.with_name("c.csv")
    head = (
        "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,"
        "depth_cm,inspected,emerged\n"
    )
    facts = "dry,,,,direct,2026-04-20,2026-04-20,100,100,4.0"
    try:
        counts.write_text(head + f"{facts},2026-05-05,20\n", encoding="utf-8")
        week = this_week(forecast(season, "2026-05-05", draws=400))
        expected = next(t for t in (*week.now, *week.later) if t.row == "dry")
        assert not expected.sentence.startswith("First")
        assert "Counted so far: 20." in expected.why or expected.kind is Kind.STOP
        counts.write_text(head + f"{facts},2026-05-25,0\n", encoding="utf-8")
        week = this_week(forecast(season, "2026-05-25", draws=400))
        stop = next(task for task in week.now if task.row == "dry")
        assert stop.kind is Kind.STOP
        assert stop.day == date(2026, 5, 25)
        assert "failed" in stop.why
    finally:
        counts.unlink()


def test_the_day_to_stop_waiting_is_the_forecasts_own(
    results: Callable[[str], SeasonForecast], week_on: WeekOn
) -> None:
    result = results("2026-04-21")
    dry = next(answer for answer in result.rows if answer.row.id == "dry")
    wait = dry.forecast.wait_until_h
    day = date.fromordinal(date(1970, 1, 1).toordinal() + int((wait + 2) // 24))
    week = week_on(day.isoformat())
    assert (Kind.STOP, day) in of(week.now, "dry")


def test_tasks_stand_in_order_and_cautions_come_with_handled_seed(week_on: WeekOn) -> None:
    week = week_on("2026-04-15")
    days = [task.day for task in (*week.now, *week.later)]
    assert days == sorted(days)
    assert all(task.day <= week.last for task in week.now)
    for task in (*week.now, *week.later):
        handled = task.kind in (Kind.SOAK, Kind.SPROUT, Kind.PLANT)
        assert bool(task.cautions) == handled
