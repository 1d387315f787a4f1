"""The planning commands on the demo season: answers, documents, files and refusals."""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import xarray as xr
from icalendar import Calendar

from tests.planning.climates import INLAND, START, years
from thermosprout.cli.app import app
from thermosprout.errors import CoverageError, InputError
from thermosprout.files import demo_folder

DEMO = demo_folder() / "season.toml"
Run = Callable[..., tuple[str, str]]


@pytest.fixture
def run(capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Run:
    """Run a command in this process; returns standard output and standard error."""
    monkeypatch.setenv("COLUMNS", "80")

    def _run(*words: object) -> tuple[str, str]:
        capsys.readouterr()
        app([str(word) for word in words], standalone_mode=False)
        captured = capsys.readouterr()
        return captured.out, captured.err

    return _run


def document(run: Run, *words: object) -> dict[str, Any]:
    out, _ = run(*words, "--json")
    found: dict[str, Any] = json.loads(out)
    return found


@pytest.fixture(scope="module")
def weather(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four invented years of daily weather."""
    air = years(INLAND, 1, days=4 * 365 + 2, seed=7)[0, :-1].reshape(-1, 24)
    days = START.astype("datetime64[D]") + np.arange(len(air))
    lines = ["date,air_tmin_C,air_tmax_C"]
    lines += [f"{day},{row.min():.1f},{row.max():.1f}" for day, row in zip(days, air, strict=True)]
    path = tmp_path_factory.mktemp("weather") / "weather.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def place(weather: Path) -> tuple[object, ...]:
    return ("--weather", weather, "--at", "48, 11", "--timezone", "Europe/Berlin")


def test_a_day_too_cold_is_doubted_beside_the_advice(run: Run) -> None:
    """Snap bean in soil of 11 °C (guides ask for 15 °C or more: common practice, no source)."""
    cold = document(run, "compare", "--crop", "snap bean", "--constant", 11)["cautions"]
    assert any("should be half up within" in text for text in cold)
    warm = document(run, "compare", "--crop", "snap bean", "--constant", 20)["cautions"]
    assert not any("half up within" in text or "seeds for each plant" in text for text in warm)
    weak = document(
        run, "compare", "--crop", "snap bean", "--constant", 20, "--germination", 0.45,
        "--seeds-tested", 400,
    )["cautions"]  # fmt: skip
    assert any("seeds for each plant" in text for text in weak)
    dead = document(
        run, "compare", "--crop", "snap bean", "--constant", 20, "--germination", 0.05,
        "--seeds-tested", 400,
    )["cautions"]  # fmt: skip
    assert any("No sensible number of seeds" in text for text in dead)


def test_dry_seed_carries_no_wet_cautions(run: Run) -> None:
    found = document(run, "compare", DEMO, "--lot", "COR25", "--date", "2026-05-16")
    wet = {option["treatment"] for option in found["options"]} != {"direct"}
    assert any("not food" in text for text in found["cautions"]) == wet


def test_a_batch_that_is_hardly_ready_in_time_is_told(run: Run) -> None:
    words = ("presprout", "--crop", "pumpkin", "--bed-free", "2026-05-12", "--as-of", "2026-04-01")
    found = document(run, *words)
    assert found["too_short_odds"] > 0.5
    assert any("are still too short on the day" in note for note in found["notes"])


def test_a_bed_that_came_free_in_the_past_is_told(run: Run) -> None:
    _, err = run("presprout", "--crop", "carrot", "--bed-free", "2021-05-12")
    assert "2021-05-12 is past" in err
    _, err = run(
        "presprout", "--crop", "carrot", "--bed-free", "2021-05-12", "--as-of", "2021-04-01"
    )
    assert "is past" not in err


def test_depths_hardly_meant_are_told_and_none_is_passed_over(run: Run) -> None:
    words = ("compare", "--crop", "carrot", "--constant", 12)
    _, err = run(*words, "--depth-cm", 12)
    assert "12 cm is more than 3 times as deep as carrot is usually sown" in err
    _, err = run(*words, "--depth-cm", 2)
    assert "times as deep" not in err


def test_a_lot_tested_on_no_day_is_told(run: Run, tmp_path: Path) -> None:
    text = DEMO.read_text(encoding="utf-8").replace("tested_on = 2026-02-10\n", "")
    for name in DEMO.parent.glob("*.csv"):
        (tmp_path / name.name).write_bytes(name.read_bytes())
    season = tmp_path / "season.toml"
    season.write_text(text, encoding="utf-8")
    words = ("stations", season, "--date", "2026-04-18", "--as-of", "2026-04-01", "--lot")
    assert "PAR23: the day of its germination test is not known" in run(*words, "PAR23")[1]
    assert "is not known (tested_on)" not in run(*words, "PAR25")[1]


def test_compare_at_a_constant_temperature(run: Run) -> None:
    found = document(run, "compare", "--crop", "carrot", "--constant", 10)
    assert found["crop"] == "carrot"
    assert found["options"][0]["treatment"] == "direct"
    assert {option["treatment"] for option in found["options"]} == {
        "direct", "soaked", "presprouted",
    }  # fmt: skip
    for option in found["options"]:
        half = option["days_since_planted"]["half"]
        assert half["p10"] <= half["p50"] <= half["p90"]
        assert option["planted"] is None
        assert 0 < option["stand_per_seed_started"]["p50"] <= 1
        if option["treatment"] != "presprouted":
            assert option["stand_per_seed_started"] == option["stand_per_seed_planted"]
    assert found["advice"]
    assert found["reason"]
    assert any("not food" in text for text in found["cautions"])


def test_compare_on_the_demo_season(run: Run) -> None:
    found = document(
        run, "compare", DEMO, "--lot", "COR25", "--bed", "middle", "--as-of", "2026-05-01"
    )
    assert found["bed_free"].startswith("2026-05-26T12:00:00+01:00")
    sprouted = found["options"][-1]
    assert datetime.fromisoformat(sprouted["started"]) < datetime.fromisoformat(sprouted["planted"])
    minutes = [option["minutes"] for option in found["options"]]
    assert minutes[0] == 10
    assert minutes[-1] == 45


def test_tables_fit_eighty_columns(run: Run, weather: Path) -> None:
    for words in (
        ("compare", "--crop", "carrot", "--constant", 10),
        ("presprout", "--crop", "parsnip", "--bed-free", "2026-05-10"),
        ("stations", "--crop", "parsnip", "--constant", 12),
        ("window", "--crop", "bean", *place(weather), "--from", "2026-05-01", "--to", "2026-05-20"),
        ("sow-again", DEMO, "--row", "N4", "--as-of", "2026-05-08"),
    ):
        out, _ = run(*words)
        assert max(len(line) for line in out.splitlines()) <= 80
        assert "nan" not in out.lower().split()


def test_presprout_writes_a_calendar(run: Run, tmp_path: Path) -> None:
    target = tmp_path / "sprouts.ics"
    found = document(
        run, "presprout", DEMO, "--lot", "PAR25", "--bed", "north", "--bed-free", "2026-04-18",
        "--room-c", 18, "--calendar", target,
    )  # fmt: skip
    assert found["hold"]["days"] == 15
    assert found["seeds_to_start"] > found["seeds_to_plant"] > found["plants_wanted"]
    calendar = Calendar.from_ical(target.read_bytes())
    starts = [one.decoded("dtstart") for one in calendar.walk("VEVENT")]
    assert [start.isoformat() for start in starts] == [event["start"] for event in found["events"]]
    assert len(starts) == 4


def test_presprout_for_a_range_of_days(run: Run) -> None:
    found = document(run, "presprout", "--crop", "onion", "--bed-free", "2026-04-10/2026-04-14")
    assert found["bed_free_until"].startswith("2026-04-14")
    assert found["hold"]["days"] == 9


def test_stations_from_a_known_emergence(run: Run) -> None:
    found = document(run, "stations", "--emergence", 0.7, "--stations", 50)
    assert found["seeds_per_station"] == 3
    assert found["choices"][2]["stations_filled"]["p50"] == pytest.approx(0.973)
    assert found["choices"][2]["seeds_in_all"] == 150


def test_stations_carry_the_doubt_of_a_small_test(run: Run) -> None:
    words = ("stations", "--crop", "parsnip", "--constant", 14, "--germination", 0.7)
    small = document(run, *words, "--seeds-tested", 10)["emergence"]
    large = document(run, *words, "--seeds-tested", 400)["emergence"]
    assert small["p90"] - small["p10"] > large["p90"] - large["p10"]


@pytest.mark.slow
def test_window_over_years_with_picture_and_netcdf(run: Run, weather: Path, tmp_path: Path) -> None:
    picture, data = tmp_path / "w.svg", tmp_path / "w.nc"
    found = document(
        run, "window", "--crop", "snap bean", *place(weather), "--from", "2026-04-01",
        "--to", "2026-08-31", "--cover", "none", "--cover", "fleece", "--plot", picture,
        "--netcdf", data,
    )  # fmt: skip
    assert found["members"] == 4
    assert found["harvest_on"] == "air temperature"
    assert len(found["days"]) == 153 * 2 * 3
    assert found["days"][0]["planted"] == "2026-04-01"
    sprouted = next(
        one for one in found["sensible"]
        if one["treatment"] == "pre-sprouted" and one["cover"] == "fleece"
    )  # fmt: skip
    assert "2026-04-01" <= sprouted["earliest"] <= sprouted["last"]
    assert picture.read_text(encoding="utf-8").lstrip().startswith("<?xml")
    with xr.open_dataset(data, engine="h5netcdf") as read:
        assert dict(read.sizes)["sowing"] == 153
        assert list(read["cover"].values) == ["open bed", "fleece"]


def test_succession_comes_even(run: Run, weather: Path) -> None:
    found = document(
        run, "succession", "--crop", "lettuce", *place(weather), "--first", "2026-04-10",
        "--every", 14, "--count", 5,
    )  # fmt: skip
    assert len(found["sowings"]) == 5
    assert found["sowings"][0]["planted"] == "2026-04-10"
    assert all(abs(sowing["off_by_days"]) <= 1.5 for sowing in found["sowings"])


def test_succession_by_lot_and_another_name_of_its_crop(run: Run) -> None:
    found = document(
        run, "succession", DEMO, "--lot", "BEE25", "--crop", "beet", "--first", "2026-04-12",
        "--every", 10, "--count", 5, "--aim", "emergence",
    )  # fmt: skip
    assert found["crop"] == "beet"
    assert len(found["sowings"]) == 5


def test_stations_of_a_weak_lot_are_explained(run: Run) -> None:
    # Half of the seed germinated, and a field's stand varies widely: two rows in ten come up so
    # thin that no number of seeds fills 95 % of the stations in eight rows of ten.
    words = ("stations", DEMO, "--lot", "PAR23", "--date", "2026-04-18", "--stations", 40)
    answer = document(run, *words)
    assert answer["seeds_per_station"] is None
    assert answer["choices"][-1]["odds_reached"] < answer["odds_wanted"]
    assert "test the lot" in answer["notes"][0]
    out, _ = run(*words)
    assert len(out.splitlines()) <= 25
    modest = document(run, *words, "--filled", 0.7)
    assert 6 < modest["seeds_per_station"] <= 50
    assert "test the lot" in modest["notes"][0]


def test_openings_are_filled_from_the_best(run: Run, weather: Path) -> None:
    found = document(
        run, "succession", "--crop", "lettuce", "--crop", "parsnip", *place(weather),
        "--opening", "north=2026-05-01/2026-07-10",
    )["openings"]  # fmt: skip
    assert found[0]["crop"] == "lettuce"
    assert found[0]["ready_odds"] >= found[-1]["ready_odds"]
    assert {fit["bed"] for fit in found} == {"north"}


def test_sow_again_on_the_demo_season(run: Run) -> None:
    found = document(run, "sow-again", DEMO, "--row", "N4", "--as-of", "2026-05-08")
    assert [way["way"] for way in found["ways"]] == ["wait", "fill the gaps", "sow again"]
    assert found["advised"] in {way["way"] for way in found["ways"]}
    assert found["days"][0]["day"] == "2026-05-08"
    assert found["plants_wanted"] == 36


def test_the_same_seed_gives_the_same_words(run: Run) -> None:
    words = ("compare", "--crop", "beet", "--constant", 9, "--seed", 4, "--draws", 200, "--json")
    assert run(*words) == run(*words)


def test_american_units_are_shown(run: Run) -> None:
    out, _ = run("compare", "--crop", "carrot", "--constant", 10, "--units", "us")
    assert re.search(r"0\.5\d? in deep", out)
    out, _ = run("presprout", "--crop", "carrot", "--bed-free", "2026-05-10", "--units", "us")
    assert "68 °F" in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("compare", "--crop", "carrot"), "no soil temperature or place is named"),
        (("compare", "--crop", "carot", "--constant", 10), "did you mean carrot"),
        (("compare", "--constant", 10), "no crop was named"),
        (("compare", DEMO, "--crop", "beet", "--bed", "nowhere"), "has no bed 'nowhere'"),
        (("compare", DEMO, "--lot", "XX"), "there is no seed lot 'XX'"),
        (("compare", DEMO, "--lot", "PAR25", "--crop", "beet"), "lot PAR25 is parsnip"),
        (("compare", DEMO, "--crop", "beet", "--date", "1 May"), "is not a date"),
        (("presprout", "--crop", "carrot"), "no day was named"),
        (
            ("presprout", "--crop", "carrot", "--bed-free", "2026-05-10/2026-05-01"),
            "ends before it starts",
        ),
        (("window", "--crop", "carrot", "--constant", "10"), ""),
        (("stations", "--emergence", 0.7, "--constant", 5), "--constant has no effect beside"),
        (("stations", "--emergence", 0.5, "--filled", 1), "expected above 0 and below 1"),
        (("sow-again", DEMO, "--row", "ZZ"), "there is no row 'ZZ'"),
        (("succession", DEMO, "--crop", "beet"), "no first day and no opening"),
        (("succession", DEMO, "--crop", "beet", "--opening", "north"), "is no opening"),
        (
            ("succession", DEMO, "--crop", "beet", "--opening", "attic=2026-05-01/2026-06-15"),
            "has no bed 'attic'",
        ),
        (
            (
                "succession",
                DEMO,
                "--crop",
                "beet",
                "--opening",
                "north=2026-05-01/2026-06-15",
                "--first",
                "2026-05-02",
            ),
            "--first has no effect beside --opening",
        ),
        (("compare", DEMO, "--lot", "PAR25", "--germination", 0.5), "germination test of its own"),
        (("compare", "--crop", "beet", "--constant", 9, "--seeds-tested", 50), "no share"),
        (
            ("window", DEMO, "--crop", "beet", "--from", "2026-05-02", "--to", "2026-05-01"),
            "ends on 2026-05-01, before it begins on 2026-05-02",
        ),
        (("compare", "--crop", "carrot", "--weather", "w.csv"), "needs its place"),
        (("compare", "--crop", "carrot", "--soil", "gone.csv"), "no such file"),
        (("compare", "--crop", "carrot", "--constant", 9, "--timezone", "Mars"), "IANA"),
        (("compare", DEMO, "--crop", "beet", "--as-of", "soon"), "is not a date"),
    ],
)
def test_wrong_questions_are_refused_in_one_sentence(
    run: Run, words: tuple[object, ...], said: str
) -> None:
    with pytest.raises(Exception) as caught:
        run(*words)
    if said:
        assert isinstance(caught.value, InputError)
        assert caught.value.exit_code == 2
        assert said in str(caught.value)
        assert "\n" not in str(caught.value)


def test_a_lot_in_an_opening_is_its_own_crop(run: Run) -> None:
    opening = ("--opening", "north=2026-05-01/2026-07-10")
    fits = document(run, "succession", DEMO, "--lot", "BEE25", *opening)["openings"]
    assert {fit["called"] for fit in fits} == {"beetroot"}


def test_sprouting_too_short_to_sprout_is_not_advised(run: Run) -> None:
    words = ("compare", DEMO, "--lot", "COR25", "--date", "2026-05-10", "--sprout-h", 1)
    answer = document(run, *words)
    assert answer["options"][-1]["seeds_to_start"] is None
    assert answer["advised"] != "pre-sprouted"


def test_a_lot_named_alone_is_soaked_for_its_usual_hours(run: Run) -> None:
    row = document(
        run, "forecast", DEMO, "--lot", "BEE25", "--treatment", "soaked", "--date", "2026-05-02"
    )["rows"][0]
    started, planted = (datetime.fromisoformat(row[key]) for key in ("started", "planted"))
    assert timedelta(hours=6) <= planted - started <= timedelta(hours=24)


def test_days_the_record_does_not_hold_end_with_coverage(run: Run) -> None:
    with pytest.raises(CoverageError, match=r"gaps would be ready too late: .* ends on 2026-07-19"):
        run("sow-again", DEMO, "--row", "N4", "--as-of", "2026-05-08", "--room-c", 1)
    with pytest.raises(CoverageError):
        run("window", DEMO, "--crop", "beet", "--from", "2026-04-01", "--to", "2027-03-01")
    with pytest.raises(CoverageError):
        run("compare", DEMO, "--crop", "beet", "--date", "2030-04-01")


@pytest.mark.parametrize(
    "words",
    [
        ("compare", "--date", "2026-05-02"),
        ("presprout", "--bed-free", "2026-05-10"),
        ("window", "--from", "2026-05-01", "--to", "2026-05-08"),
        ("stations", "--date", "2026-05-02"),
        ("succession", "--first", "2026-05-02", "--count", "2", "--aim", "emergence"),
    ],
    ids=lambda words: words[0],
)
def test_a_crop_keeps_the_word_it_was_named_by(run: Run, words: tuple[str, ...]) -> None:
    """The catalogue says beet; who says beetroot reads beetroot, and programs read both."""
    command, *options = words
    line = (command, DEMO, "--crop", "beetroot", *options)
    text, _ = run(*line)
    answer = document(run, *line)
    assert "beetroot" in text
    assert "beet " not in text.partition("\n\n")[0]
    assert (answer["crop"], answer["called"]) == ("beet", "beetroot")
