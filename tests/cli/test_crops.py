"""``thermosprout crops``: list, search, one crop with sources, days at a temperature, one's own."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops.catalogue import catalogue
from thermosprout.crops.crop import PACKET_FIRST
from thermosprout.errors import InputError

runner = CliRunner()


def run(*words: str):
    return runner.invoke(app, ["crops", *words], env={"COLUMNS": "80"})


def document(*words: str):
    result = run(*words, "--json")
    assert result.exit_code == 0, result.output
    return json.loads(result.stdout)


def test_list_has_every_crop_in_eighty_columns():
    result = run()
    assert result.exit_code == 0
    for name in catalogue():
        assert f"{name} " in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80


def test_list_as_json_has_cardinal_temperatures():
    rows = document()["crops"]
    assert len(rows) == len(catalogue())
    for row in rows:
        assert row["t_base_C"] < row["t_opt_C"] < row["t_ceiling_C"]


def test_search_narrows_the_list():
    assert [row["name"] for row in document("--search", "aubergine")["crops"]] == ["eggplant"]


def test_search_that_finds_nothing_says_so():
    result = run("--search", "zzz")
    assert isinstance(result.exception, InputError)


def test_one_crop_shows_every_figure_with_source_and_verified():
    found = document("French bean")
    assert found["name"] == "snap bean"
    assert set(found["parameters"]) >= {"t_base_C", "thermal_time_50_Cd", "sigma"}
    for row in found["parameters"].values():
        assert row["low"] < row["estimate"] < row["high"]
    assert all(item["source"] and item["verified"] for item in found["provenance"])
    assert len(found["published_days"]) == 5
    spoken = " ".join(item["what"] for item in found["provenance"])
    for name in found["parameters"]:
        if name not in ("opt_gap_C", "ceiling_gap_C", "curvature", "thermal_time_50_Cd"):
            assert name in spoken
    text = run("French bean").stdout
    assert "Harrington & Minges 1954" in text
    assert "poisonous" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_days_at_a_constant_temperature_have_the_agreed_form():
    found = document("snap bean", "--constant", "20")
    assert set(found) == {
        "format", "crop", "temperature_C", "depth_cm", "treatment", "days_since_planted", "stand",
        "cautions",
    }  # fmt: skip
    assert found["depth_cm"] == 1.27
    assert found["treatment"] == "direct"
    for stage in ("first", "half", "full"):
        days = found["days_since_planted"][stage]
        assert days["p10"] < days["p50"] < days["p90"]
    assert 0 < found["stand"]["p50"] < 1
    # Harrington & Minges (1954): 11 whole days (page), 11.4 (memory), read as days to half.
    assert found["days_since_planted"]["half"]["p50"] == pytest.approx(11.4, rel=0.15)


def test_deeper_is_later_and_sprouted_is_earlier():
    def half(*words: str) -> float:
        return document("pea", "--constant", "15", *words)["days_since_planted"]["half"]["p50"]

    assert half("--depth-cm", "5") > half()
    assert half("--treatment", "presprouted") < half() - 1


def test_same_seed_same_answer_and_another_seed_nearly_so():
    first, again, other = (
        document("onion", "--constant", "12", "--seed", seed) for seed in ("0", "0", "1")
    )
    assert first == again
    assert first != other


def test_cautions_end_the_answer_where_seed_is_wetted():
    words = ("snap bean", "--constant", "25", "--treatment", "soaked")
    cautions = " ".join(document(*words)["cautions"])
    assert "poisonous" in cautions
    assert "Dressed" in cautions
    *_, last = run(*words).stdout.splitlines()
    assert last == f"Caution: {PACKET_FIRST}"
    assert document("snap bean", "--constant", "25")["cautions"] == []


def test_us_units_show_fahrenheit_and_inches():
    text = run("tomato", "--constant", "20", "--depth-cm", "2.54", "--units", "us").stdout
    assert "68 °F" in text
    assert "1 in" in text


@pytest.mark.parametrize("ending", ["png", "svg"])
def test_plot_is_written(tmp_path, ending):
    target = tmp_path / f"parsnip.{ending}"
    result = run("parsnip", "--plot", str(target))
    assert result.exit_code == 0, result.output
    start = target.read_bytes()[:200]
    assert start.startswith(b"\x89PNG") if ending == "png" else b"<?xml" in start


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("snapp bean",), "did you mean snap bean"),
        (("--constant", "20"), "need the name of a crop"),
        (("pea", "--plot", "x.gif"), r"\.png, \.svg or \.pdf"),
    ],
)
def test_wrong_input_is_one_sentence(words, said):
    result = run(*words)
    assert isinstance(result.exception, InputError)
    with pytest.raises(InputError, match=said):
        raise result.exception


@pytest.mark.parametrize("crop", ["cucumber", "tomato"])
def test_below_the_base_or_past_a_year_is_never(crop):
    cold = document(crop, "--constant", "5")
    assert set(cold["days_since_planted"]["half"].values()) == {None}
    assert "never" in run(crop, "--constant", "5").stdout


def test_days_near_the_base_are_those_of_the_table():
    # Harrington & Minges (1954), read on page: 43 days at 50 F.
    warmer = document("tomato", "--constant", "10")
    assert 25 < warmer["days_since_planted"]["half"]["p50"] < 70


RUN = CliRunner()
LIKE = ("--crop-season", "warm", "--seed-size", "small")
COMMANDS = {
    "stations": ("stations", "--crop", "teff", "--constant", "20"),
    "compare": ("compare", "--crop", "teff", "--constant", "20", "--draws", "200"),
    "presprout": ("presprout", "--crop", "teff", "--bed-free", "2027-05-10"),
    "forecast": ("forecast", "--crop", "teff", "--reading", "20", "--draws", "200"),
    "lot": ("lot", "teff", "--tested", "100", "--germinated", "80"),
    "trial design": ("trial", "design", "-t", "direct", "-t", "soaked", "--planting", "2027-05-02",
                     "-o", "teff", "--crop", "teff", "--simulations", "100"),
}  # fmt: skip


@pytest.mark.parametrize("command", COMMANDS)
def test_a_crop_the_catalogue_lacks_goes_the_whole_way(
    command: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    words = list(COMMANDS[command])
    with pytest.raises(InputError, match="--crop-season and --seed-size"):
        RUN.invoke(app, words, catch_exceptions=False)
    result = RUN.invoke(app, [*words, *LIKE], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    assert "teff is not in the catalogue: taken as a warm-season crop" in result.stderr
