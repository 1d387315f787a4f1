"""The library as a notebook uses it: one question, one answer, one screen."""

from __future__ import annotations

import doctest
import json
from contextlib import chdir
from importlib import import_module
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import xarray as xr

import thermosprout as ts
from thermosprout.errors import InputError, ThermosproutError

DEMO = Path(__file__).parents[2] / "demo"
MODULES = (
    "thermosprout.api.ask",
    "thermosprout.api.inputs",
    "thermosprout.maps.map",
    "thermosprout.maps.files",
    "thermosprout.crops.seed_lots",
)


@pytest.fixture(scope="module")
def soil() -> pd.Series:
    """The demo's logger as pandas reads it."""
    return pd.read_csv(DEMO / "soil.csv", index_col=0, parse_dates=True).iloc[:, 0]


@pytest.fixture(scope="module")
def season() -> object:
    return ts.read_season(DEMO / "season.toml")


def run_examples(module: str) -> dict[str, object]:
    """Run the examples of a module; returns what they named."""
    names: dict[str, object] = {}
    runner = doctest.DocTestRunner(optionflags=doctest.ELLIPSIS)
    for test in doctest.DocTestFinder().find(import_module(module)):
        runner.run(test, clear_globs=False)
        names |= test.globs
    assert runner.tries
    assert not runner.failures
    return names


@pytest.fixture(scope="module")
def of_trials() -> dict[str, object]:
    """What the examples on trials name; they fit carrots to the demo's trial."""
    with chdir(DEMO.parent):
        return run_examples("thermosprout.api.trials")


@pytest.fixture(scope="module")
def fit(of_trials: dict[str, object]) -> object:
    return of_trials["fit"]


@pytest.mark.parametrize("module", MODULES)
def test_every_example_runs(module: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(DEMO.parent)
    assert run_examples(module)


def test_every_example_on_trials_runs(of_trials: dict[str, object]) -> None:
    assert {"records", "trial", "fit"} <= set(of_trials)


def test_every_public_name_has_an_example() -> None:
    for name in ts.__all__:
        if name != "__version__":
            assert ">>>" in (getattr(ts, name).__doc__ or ""), name


def test_a_series_gives_the_dates_of_the_season(soil: pd.Series, season: object) -> None:
    row = season.forecast("C1", as_of="2026-05-01")
    lot = season.season.seed_lots["COR25"]
    same = ts.forecast(
        soil=soil, sensor_depth_cm=5, lot=lot, planted="2026-05-16", depth_cm=3, seeds=90,
        timezone="Europe/London", as_of="2026-05-01", texture="sandy loam",
        weather=ts.read_weather(DEMO / "weather.csv", at="56.2, -3.1", timezone="Europe/London"),
        watering={str(one.on): one.mm for one in season.season.data.watering},
    )  # fmt: skip
    half = [answer.to_frame().query("stage == 'half'")["days_since_planted"].item()
            for answer in (row, same)]  # fmt: skip
    assert half[0] == pytest.approx(half[1], abs=0.15)


def test_a_constant_temperature_gives_the_days_of_the_crops_command() -> None:
    from thermosprout.emergence.forecast import forecast_constant

    answer = ts.forecast("carrot", soil=15.0, planted="2026-04-20", depth_cm=1.27)
    half = answer.to_frame().set_index("stage").loc["half", "days_since_planted"]
    reference = forecast_constant(ts.crop("carrot"), 15.0).stage_quantile("half", [0.5])[0] / 24
    assert half == pytest.approx(reference, rel=0.03)


@pytest.mark.parametrize(
    "planted",
    [
        "2026-04-20", pd.Timestamp("2026-04-20T12:00"), np.datetime64("2026-04-20"),
        np.datetime64("2026-04-20T12:00:00", "ns"), pd.Timestamp("2026-04-20T12:00", tz="UTC"),
    ],
)  # fmt: skip
def test_a_day_or_a_time_may_be_of_any_library(planted: object) -> None:
    row = ts.forecast("carrot", soil=12.0, planted=planted, draws=50)
    assert row.to_dict()["rows"][0]["planted"] == "2026-04-20T12:00:00+00:00"


def test_weather_and_air_in_memory_stand_in_for_the_seasons_own(season: object) -> None:
    """As ``--air-c`` beside a season file does for the command."""
    options = {"lot": "COR25", "bed": "middle", "date": "2026-05-10", "draws": 50}
    warm, cool = (season.compare(air_C=air, **options).to_dict() for air in (25.0, 12.0))
    days = [one["options"][0]["bed_days"]["to_harvest"]["p50"] for one in (warm, cool)]
    assert days[0] is not None
    assert days[1] is None or days[0] < days[1] - 10


def test_counts_move_a_forecast(soil: pd.Series) -> None:
    common = {
        "soil": soil, "sensor_depth_cm": 5, "planted": "2026-04-25", "timezone": "Europe/London",
    }  # fmt: skip
    before = ts.forecast("carrot", **common)
    after = ts.forecast("carrot", counts={"2026-05-20": 0}, as_of="2026-05-20", **common)
    stage = [one.to_frame().set_index("stage").loc["half", "p50"] for one in (before, after)]
    assert stage[1] > stage[0]


def test_a_calibrated_crop_goes_straight_into_a_forecast(soil: pd.Series, fit: object) -> None:
    after = ts.forecast(
        fit.crop, soil=soil, sensor_depth_cm=5, planted="2026-04-25", timezone="Europe/London"
    )
    before = ts.forecast(
        "carrot", soil=soil, sensor_depth_cm=5, planted="2026-04-25", timezone="Europe/London"
    )
    half = [one.to_frame().set_index("stage").loc["half"] for one in (after, before)]
    spread = [one["p90"] - one["p10"] for one in half]
    assert spread[0] < spread[1]


def answers(season: object, fit: object) -> list[object]:
    return [
        season.forecast(as_of="2026-05-20", draws=200),
        season.compare(lot="COR25", bed="middle", date="2026-05-16", draws=200),
        season.planting_window(lot="COR25", first="2026-05-01", last="2026-06-01", draws=200),
        season.presprout(lot="PAR25", bed_free="2026-04-18", as_of="2026-03-20", draws=200),
        ts.analyse(DEMO / "trial.csv"),
        fit,
    ]


def test_every_answer_prints_itself_in_one_screen_and_draws_itself(
    season: object, fit: object
) -> None:
    several, *others = answers(season, fit)
    for answer in (several, *others):
        lines = repr(answer).splitlines()
        assert 3 < len(lines) <= 40
        assert max(map(len, lines)) <= 80
        assert "<table" in answer._repr_html_()
        assert len(answer.to_frame())
        assert answer.to_dataset().sizes
        assert answer.sentences
    for answer in (season.forecast("C1", as_of="2026-05-20", draws=200), *others):
        assert answer.plot().figure is not None


def test_no_public_object_prints_more_than_a_screen(season: object) -> None:
    result = season.forecast("N1", as_of="2026-05-01", draws=50).result
    file = season.season
    for thing in (season, file, file.seed_lots["COR25"], result, ts.crop("carrot")):
        assert len(repr(thing).splitlines()) <= 40
        assert len(repr(thing)) < 6000


HOURS = pd.date_range("2026-04-01", periods=48, freq="h", tz="UTC")


@pytest.mark.parametrize(
    ("soil", "sentence"),
    [
        (pd.Series(9.0, index=HOURS.tz_localize(None)), "carry no time zone"),
        (pd.Series(9.0, index=HOURS[::-1]), "not sorted"),
        (pd.Series(np.nan, index=HOURS), "holds no value"),
        (pd.Series([], dtype=float, index=HOURS[:0]), "expected two or more"),
        (pd.Series("warm", index=HOURS), "expected numbers"),
        (pd.Series(9.0, index=range(48)), "expected times"),
        (xr.DataArray(np.full(48, 9.0), dims="time", coords={"time": HOURS.tz_localize(None)}),
         "has no units"),
        (xr.DataArray(np.full((48, 2), 9.0), dims=("time", "plot"),
                      coords={"time": HOURS.tz_localize(None)}, attrs={"units": "degC"}),
         "has the dimensions time, plot"),
        ([9.0, 10.0], "cannot be taken from list"),
    ],
)  # fmt: skip
def test_soil_that_cannot_be_taken_is_refused_in_a_sentence(soil: object, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        ts.read_soil(soil)


@pytest.mark.parametrize(
    ("call", "sentence"),
    [
        (lambda: ts.forecast("carrot", soil=12.0), "no day of planting"),
        (lambda: ts.forecast("carrot", soil=12.0, planted="soon"), "'soon' is not a date"),
        (lambda: ts.forecast("carot", soil=12.0, planted="2026-04-20"), "did you mean"),
        (lambda: ts.forecast("carrot", planted="2026-04-20"), "no soil temperature"),
        (lambda: ts.forecast("carrot", soil=12.0, planted="2026-04-20", treatment="wet"),
         "treatment is 'wet'"),
        (lambda: ts.forecast("carrot", soil=12.0, planted="2026-04-20", germination=85),
         "expected 0 to 1"),
        (lambda: ts.forecast("carrot", soil=12.0, planted="2026-04-20", timezone="Mars"),
         "is not a time zone"),
        (lambda: ts.compare("carrot", soil=12.0, goal="fame"), "goal is 'fame'"),
        (lambda: ts.planting_window("carrot", soil=12.0), "constant"),
        (lambda: ts.presprout("carrot"), "no day was named"),
        (lambda: ts.presprout("carrot", bed_free=3), "is not a date"),
        (lambda: ts.forecast("carrot", soil=12.0, planted=pd.NaT), "is not a date"),
        (lambda: ts.compare("carrot", soil=9.0, lot=ts.SeedLot(id="a", crop="carrot"),
                            germination=0.8), "germination test of its own"),
        (lambda: ts.compare("carrot", soil=9.0, seeds_tested=50), "no share germinated"),
        (lambda: ts.read_season(DEMO / "season.toml").compare(lot="PAR25", rainfed=True),
         "the season file says what is watered"),
        (lambda: ts.read_season("nowhere.toml"), "nowhere.toml"),
        (lambda: ts.read_records("nowhere.csv"), "nowhere.csv"),
        (lambda: ts.analyse(3), "cannot be taken from int"),
        (lambda: ts.analyse(pd.DataFrame({"plot": [1]})), "emerged"),
        (lambda: ts.calibrate("nowhere.csv", "carrot"), "nowhere.csv"),
        (lambda: ts.read_weather(pd.DataFrame({"air_temp_C": [1.0]}), at="1, 2"), "expected times"),
        (lambda: ts.read_weather("weather.csv"), "needs its place"),
        (lambda: ts.soil_temperature(xr.Dataset()), "expected air_temperature"),
        (lambda: ts.map(pd.Series(9.0, index=HOURS), "carrot", sowings=["2026-04-01"]),
         "cannot be made of Series"),
        (lambda: ts.open_grid("nowhere.nc"), "nowhere.nc"),
        (lambda: ts.forecast("carrot", soil=12.0, planted="2026-04-10", started="2026-04-20",
                             treatment="soaked"), "is before started"),
        (lambda: ts.forecast("carrot", soil=12.0, planted="2026-04-10", started="2026-04-01"),
         "started lies 9 days before planted"),
        (lambda: ts.forecast("carrot", soil=pd.Series(9.0, index=HOURS), planted="2031-04-10"),
         "the soil temperature ends"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_a_sentence(call: object, sentence: str) -> None:
    with pytest.raises(ThermosproutError) as caught:
        call()
    assert sentence in str(caught.value)
    assert "in memory" not in str(caught.value)


def test_a_weather_table_in_memory_reads_like_its_file() -> None:
    frame = pd.read_csv(DEMO / "weather.csv", index_col=0, parse_dates=True)
    options = {"at": "56.2, -3.1", "timezone": "Europe/London"}
    memory, file = (
        ts.read_weather(frame, **options),
        ts.read_weather(DEMO / "weather.csv", **options),
    )
    xr.testing.assert_allclose(memory["air_temperature"], file["air_temperature"])


@pytest.mark.slow
def test_the_command_and_the_library_fit_the_same(capsys: pytest.CaptureFixture[str]) -> None:
    from thermosprout.cli.app import app

    words = ["calibrate", str(DEMO / "trial.csv"), "--crop", "carrot", "--soil"]
    app([*words, str(DEMO / "soil.csv"), "--json"], standalone_mode=False)
    command = json.loads(capsys.readouterr().out)
    fit = ts.calibrate(DEMO / "trial.csv", "carrot", soil=DEMO / "soil.csv").to_dict()
    for name, mine in fit["parameters"].items():
        assert mine["estimate"] == pytest.approx(command["parameters"][name]["estimate"]), name
        assert mine["low"] == pytest.approx(command["parameters"][name]["low"]), name


def test_records_given_twice_are_refused_as_the_command_refuses_them() -> None:
    records = ts.read_records(DEMO / "trial.csv")
    with pytest.raises(InputError, match="the same counts"):
        ts.calibrate([records, records.copy()], "carrot", soil=DEMO / "soil.csv")
