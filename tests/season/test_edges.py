"""Seasons at the edges: clock changes, leap day, far south, date line, holes, no and many rows."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest

from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.this_week import this_week
from thermosprout.season.forecast import forecast_season
from thermosprout.season.load import load_season

HEAD = """format = 1
[site]
name = "Edge"
latitude = {latitude}
longitude = {longitude}
timezone = "{zone}"
[soil]
file = "soil.csv"
depth_cm = 3
surface = "bare"
"""


def write_season(
    folder: Path,
    rows: str,
    *,
    start: str = "2026-03-01",
    days: int = 90,
    values: np.ndarray | None = None,
    zone: str = "Europe/Berlin",
    latitude: float = 50.0,
    longitude: float = 8.0,
) -> Path:
    time = np.datetime64(start, "h") + np.arange(days * 24)
    soil = np.full(time.size, 15.0) if values is None else values
    lines = [
        f"{when!s}:00Z,{'' if np.isnan(value) else f'{value:.2f}'}"
        for when, value in zip(time, soil, strict=True)
    ]
    text = "time_utc,soil_temp_3cm_C\n" + "\n".join(lines) + "\n"
    (folder / "soil.csv").write_text(text, encoding="utf-8")
    path = folder / "season.toml"
    head = HEAD.format(latitude=latitude, longitude=longitude, zone=zone)
    path.write_text(head + rows, encoding="utf-8")
    return path


def row(name: str, planted: str, more: str = "") -> str:
    return f'[[rows]]\nid = "{name}"\ncrop = "pea"\nplanted = {planted}\nstations = 40\n{more}\n'


def answer(path: Path, as_of: datetime | None = None, **options: int) -> list[dict]:
    when = as_of or datetime(2026, 4, 20, 12, tzinfo=UTC)
    document = forecast_season(load_season(path), as_of=when, **options).to_dict()
    return document["rows"]


@pytest.mark.parametrize(
    ("start", "planted", "offset"),
    [("2026-03-01", "2026-03-28", 2), ("2026-10-01", "2026-10-24", 1)],
    ids=["forward", "back"],
)
def test_days_over_a_clock_change_are_days_of_24_hours(
    tmp_path: Path, start: str, planted: str, offset: int
) -> None:
    path = write_season(tmp_path, row("A", planted), start=start)
    (found,) = answer(path, datetime(2026, 12, 1, tzinfo=UTC))
    shown = datetime.fromisoformat(found["stages"]["half"]["p50"])
    begun = datetime.fromisoformat(found["planted"])
    assert shown.utcoffset() == timedelta(hours=offset)
    assert begun.utcoffset() != shown.utcoffset()
    apart = (shown - begun) / timedelta(days=1)
    assert apart == pytest.approx(found["days_since_planted"]["half"]["p50"], abs=0.01)


def test_instants_and_days_of_one_moment_are_the_same(tmp_path: Path) -> None:
    rows = row("A", "2026-04-05") + row("B", "2026-04-05T12:00:00+02:00")
    first, second = answer(write_season(tmp_path, rows))
    assert first["planted"] == second["planted"]


def test_leap_day_is_a_day(tmp_path: Path) -> None:
    path = write_season(tmp_path, row("A", "2028-02-29"), start="2028-02-01")
    (found,) = answer(path, datetime(2028, 3, 1, tzinfo=UTC))
    assert found["planted"].startswith("2028-02-29T12:00")
    (tmp_path / "season.toml").write_text(
        path.read_text().replace("2028-02-29", "2027-02-29"), encoding="utf-8"
    )
    with pytest.raises(InputError, match="not TOML"):
        load_season(path)


@pytest.mark.parametrize(
    ("zone", "latitude", "longitude"),
    [
        ("Pacific/Auckland", -41.0, 174.0),
        ("Pacific/Kiritimati", 1.9, -157.4),
        ("Pacific/Pago_Pago", -14.3, -170.7),
        ("Arctic/Longyearbyen", 78.2, 15.6),
        ("Antarctica/Troll", -72.0, 2.5),
        ("Asia/Kathmandu", 27.7, 85.3),
    ],
)
def test_the_place_changes_the_wall_clock_alone(
    tmp_path: Path, zone: str, latitude: float, longitude: float
) -> None:
    instant = row("A", "2026-04-05T10:00:00+00:00")
    (home,) = answer(write_season(tmp_path, instant))
    path = write_season(tmp_path, instant, zone=zone, latitude=latitude, longitude=longitude)
    (away,) = answer(path)
    assert away["days_since_planted"] == home["days_since_planted"]
    here, there = (datetime.fromisoformat(r["stages"]["half"]["p50"]) for r in (home, away))
    assert abs((here - there).total_seconds()) <= 60


def test_order_and_number_of_rows_have_no_say(tmp_path: Path) -> None:
    rows = [row(name, f"2026-04-{day:02d}") for name, day in (("A", 3), ("B", 9), ("C", 6))]
    forward = {r["row"]: r for r in answer(write_season(tmp_path, "".join(rows)))}
    backward = {r["row"]: r for r in answer(write_season(tmp_path, "".join(rows[::-1])))}
    assert forward == backward


def test_a_hole_over_the_day_of_planting_is_one_sentence(tmp_path: Path) -> None:
    values = np.full(90 * 24, 15.0)
    values[33 * 24 : 38 * 24] = np.nan
    path = write_season(tmp_path, row("A", "2026-04-05"), values=values)
    with pytest.raises(CoverageError, match=r"row A: .*hole at 2026-04-05") as caught:
        answer(path)
    assert caught.value.place is not None
    assert caught.value.exit_code == 3


def test_a_day_without_readings_is_bridged_and_told(tmp_path: Path) -> None:
    whole = answer(write_season(tmp_path, row("A", "2026-04-05")))
    values = np.full(90 * 24, 15.0)
    values[35 * 24 : 36 * 24] = np.nan
    path = write_season(tmp_path, row("A", "2026-04-05"), values=values)
    assert answer(path)[0]["stages"] == whole[0]["stages"]
    when = datetime(2026, 4, 20, 12, tzinfo=UTC)
    notes = forecast_season(load_season(path), as_of=when).notes
    assert any("1 hole of 24 h from 2026-04-05T00:00 UTC was bridged" in note for note in notes)


def test_a_loggers_needs_are_said_in_season_words(tmp_path: Path) -> None:
    path = write_season(tmp_path, row("A", "2026-04-05"))
    soil = tmp_path / "soil.csv"
    lines = soil.read_text(encoding="utf-8").replace("Z,", ",").replace("time_utc", "time")
    soil.write_text(lines, encoding="utf-8")
    with pytest.raises(InputError, match=r"2026-03-29 02:00:00 does not exist.*UTC.1") as caught:
        answer(path)
    assert "file_timezone under [soil]" in caught.value.hint
    assert "--" not in caught.value.hint
    stamped = [text.replace(",", "Z,", 1) for text in lines.splitlines()[1:]]
    soil.write_text("\n".join(["time_utc,soil temp", *stamped]) + "\n", encoding="utf-8")
    with pytest.raises(InputError, match="can be °C or °F") as caught:
        answer(path)
    assert "thermosprout soil read soil.csv --out clean.csv" in caught.value.hint


def test_a_series_that_ends_too_early_leaves_dates_open(tmp_path: Path) -> None:
    path = write_season(tmp_path, row("A", "2026-04-05"), days=38)
    (found,) = answer(path)
    assert found["stages"]["full"]["p50"] is None
    assert any("known only to 2026-04-08" in note for note in found["notes"])


def test_a_row_beyond_the_series_is_one_sentence(tmp_path: Path) -> None:
    path = write_season(tmp_path, row("A", "2026-09-05"))
    with pytest.raises(CoverageError, match=r"row A: .*does not cover 2026-09-05"):
        answer(path)


def test_no_rows_give_an_empty_answer(tmp_path: Path) -> None:
    assert answer(write_season(tmp_path, "")) == []


def test_five_thousand_rows_are_answered(tmp_path: Path) -> None:
    text = "".join(row(f"R{n}", f"2026-04-{1 + n % 28:02d}") for n in range(5000))
    path = write_season(tmp_path, text, days=120)
    loaded = load_season(path)
    assert len(loaded.data.rows) == 5000
    some = frozenset(f"R{n}" for n in range(0, 5000, 500))
    result = forecast_season(loaded, as_of=datetime(2026, 4, 20, tzinfo=UTC), size=100, only=some)
    assert [answer.row.id for answer in result.rows] == sorted(some, key=lambda name: int(name[1:]))


def test_ten_years_of_soil_serve_the_last_row(tmp_path: Path) -> None:
    days = 365 * 10
    hour = np.arange(days * 24)
    values = 10 - 9 * np.cos(2 * np.pi * hour / (365.25 * 24))
    path = write_season(
        tmp_path, row("A", "2019-04-05"), start="2010-01-01", days=days, values=values
    )
    (found,) = answer(path, datetime(2019, 5, 1, tzinfo=UTC))
    assert found["stages"]["half"]["p50"].startswith("2019-0")


def test_frozen_ground_is_never_and_is_said(tmp_path: Path) -> None:
    path = write_season(tmp_path, row("A", "2026-04-05"), values=np.full(90 * 24, -10.0))
    (found,) = answer(path)
    assert found["stages"]["half"]["p50"] is None
    assert found["notes"]


def test_a_batch_too_short_to_sprout_is_told(tmp_path: Path) -> None:
    short = 'treatment = "presprouted"\nsprout_h = 24'
    long = 'treatment = "presprouted"\nsprout_h = 96'
    path = write_season(tmp_path, row("A", "2026-04-05", short) + row("B", "2026-04-05", long))
    first, second = answer(path)
    assert any("In 24 h at 20 °C only about" in note for note in first["notes"])
    assert not any("sprout longer" in note for note in second["notes"])


def test_a_stage_past_the_series_has_no_last_day(tmp_path: Path) -> None:
    values = np.full(60 * 24, 9.0)
    path = write_season(tmp_path, row("A", "2026-04-05"), values=values, days=60)
    result = forecast_season(load_season(path), as_of=datetime(2026, 4, 25, 12, tzinfo=UTC))
    (found,) = result.to_dict()["rows"]
    assert found["stages"]["full"]["p90"] is None
    week = this_week(result)
    tasks = {task.sentence.split(".")[0]: task for task in (*week.now, *week.later)}
    for stage, words in (("half", "Half of the stand"), ("full", "Nine tenths of the stand")):
        if words in tasks and found["stages"][stage]["p90"] is None:
            assert tasks[words].until is None
            assert "not a date" in tasks[words].why
            break
    else:
        pytest.fail(f"no open stage is expected: {tasks}, {found['stages']}")
    # Weeks after the temperatures end nothing is known: the row may long be up.
    later = this_week(
        forecast_season(load_season(path), as_of=datetime(2026, 6, 20, 12, tzinfo=UTC))
    )
    told = [task.sentence for task in later.now if "soil temperature ends on" in task.sentence]
    assert told
    assert all("or over already: the soil temperature ends on" in sentence for sentence in told)
    assert not any("or over already" in task.sentence for task in week.now)


@pytest.mark.parametrize(
    "when", ["9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00", "0202-04-05", "2602-04-05"]
)
def test_a_year_that_cannot_be_right_is_refused(tmp_path: Path, when: str) -> None:
    path = write_season(tmp_path, row("A", "2026-04-06", f"started = {when}"), days=2)
    with pytest.raises(InputError, match=r"the year of .* cannot be right") as caught:
        load_season(path)
    assert str(caught.value).startswith(f"{path}, line 16, ")
