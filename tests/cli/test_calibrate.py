"""`thermosprout calibrate`, as a grower and as another program meet it."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.calibration.growers import Planting, grow, spring, write_records, write_soil
from tests.calibration.seedbeds import Nature, season
from tests.cli.conftest import Run
from thermosprout.calibration.plots import Plot
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.saved_estimates import best_estimate, load_saved


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """Invented carrots, slower than the catalogue's, planted on two days in one bed."""
    folder = tmp_path_factory.mktemp("trial")
    crop, series = find_crop("carrot"), spring(days=90, seed=3, site_C=3.0)
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    truth["thermal_time_50_Cd"] *= 1.3
    plots = grow(
        crop, truth, series,
        [Planting(day=12.4, variety="Long", seed_lot="A"),
         Planting(day=30.4, variety="Long", seed_lot="A")],
        np.random.default_rng(1),
    )  # fmt: skip
    return (
        write_records(plots, folder / "trial.csv"),
        write_soil(series, folder / "bed.csv"),
    )


def dishes(folder: Path, temperatures: tuple[float, ...], days: tuple[float, ...]) -> Path:
    """Dishes of 50 seeds that come in a narrow wave about a day."""
    plots = []
    for temperature, day in zip(temperatures, days, strict=True):
        looks = 24.0 * np.arange(1, 31)
        shown = np.round(45 / (1 + np.exp(-(looks / 24 - day) / (0.12 * day))))
        shown = np.where(shown < 1, 0, shown)
        plots.append(
            Plot(
                name=f"{temperature:g}",
                planted_h=420_000.0,
                depth_cm=1.27,
                seeds=50,
                hours=420_000.0 + looks,
                new=np.diff(shown, prepend=0.0),
                constant_C=temperature,
                dish=True,
            )
        )
    return write_records(plots, folder / "dishes.csv")


def test_the_document_holds_what_other_programs_rely_on(run: Run, trial, tmp_path: Path) -> None:
    records, soil = trial
    code, out, err = run("calibrate", records, "--soil", soil, "--crop", "carrot", "--json")
    assert code == 0, err
    document = json.loads(out)
    assert document["interval"] == 0.9
    for name in ("t_base_C", "thermal_time_50_Cd", "sigma", "field_factor", "t_opt_C"):
        item = document["parameters"][name]
        assert item["low"] < item["estimate"] < item["high"]
    assert (document["crop"], document["variety"], document["seed_lot"]) == ("carrot", "Long", "A")
    assert document["prior"] == "catalogue: carrot"
    assert document["parameters"]["thermal_time_50_Cd"]["learned"]
    assert not document["parameters"]["soak_credit"]["learned"]
    assert any("base temperature stays at the catalogue's" in w for w in document["warnings"])
    assert document["records"]["plots"] == 4
    assert document["effective_draws"] > 50
    # The bed was about 30 % slower than the catalogue has it.
    before = document["parameters"]["thermal_time_50_Cd"]["before"]["estimate"]
    assert document["parameters"]["thermal_time_50_Cd"]["estimate"] > 1.1 * before


def test_a_page_for_people_fits_eighty_columns(run: Run, trial) -> None:
    records, soil = trial
    code, out, err = run("calibrate", records, "--soil", soil, "--crop", "carrot")
    assert code == 0, err
    assert "thermal time to half" in out
    assert "kept" in out
    assert max(map(len, out.splitlines())) <= 80


def test_saving_moves_forecasts_and_undo_takes_it_back(run: Run, trial, tmp_path: Path) -> None:
    records, soil = trial
    own = tmp_path / "own"
    words = (records, "--soil", soil, "--crop", "carrot", "--save", own)
    assert run("calibrate", *words)[0] == 0
    assert list(load_saved(own)) == [
        ("carrot", "long", "a"), ("carrot", "long", None), ("carrot", None, None),
    ]  # fmt: skip
    code, out, _ = run("crops", "--estimates", own, "--json")
    listed = json.loads(out)["own_estimates"]
    assert [item["variety"] for item in listed] == ["Long", "Long", None]
    assert "4 plots, 160 seeds" in listed[0]["what"]
    code, out, err = run("crops", "carrot", "--estimates", own, "--json")
    assert "Own estimate of carrot, Long, A" in err
    crop = find_crop("carrot")
    thermal = best_estimate(crop, "Long", "A", own).centre()["thermal_time_50_Cd"]
    assert thermal > 1.1 * crop.estimate.centre()["thermal_time_50_Cd"]
    assert run("calibrate", *words)[0] == 0
    assert len(list((own / "older").iterdir())) == 3
    undo = ("--crop", "carrot", "--variety", "Long", "--lot", "A", "--save", own, "--undo")
    for left in (True, False):
        code, out, _ = run("calibrate", *undo, "--json")
        assert code == 0
        assert (json.loads(out)["in_force"] is not None) is left
    code, _, err = run("calibrate", *undo)
    assert code == 2
    assert "no saved estimate of carrot, Long, A to undo" in err


def test_a_check_scores_what_was_left_out(run: Run, trial) -> None:
    records, soil = trial
    words = ("--soil", soil, "--crop", "carrot", "--check", "date", "--packet-days", "14")
    code, out, err = run("calibrate", records, *words, "--json")
    assert code == 0, err
    check = json.loads(out)["check"]
    scores = {score["name"]: score for score in check["scores"]}
    assert check["left_out"] == "date"
    assert set(scores) == {"catalogue", "calibrated", "packet", "mean of the others"}
    assert scores["calibrated"]["date_crps_d"] < scores["catalogue"]["date_crps_d"]


def test_no_prior_recovers_a_straight_line_and_its_foot(run: Run, tmp_path: Path) -> None:
    # Half after 80 / (T - 3) days.
    temperatures = (8.0, 13.0, 18.0, 23.0)
    path = dishes(tmp_path, temperatures, tuple(80 / (t - 3) for t in temperatures))
    code, out, err = run(
        "calibrate", path, "--crop", "some weed nobody knows", "--no-prior", "--json"
    )
    assert code == 0, err
    document = json.loads(out)
    assert document["prior"] is None
    assert document["parameters"]["t_base_C"]["estimate"] == pytest.approx(3.0, abs=0.8)
    assert document["parameters"]["thermal_time_50_Cd"]["estimate"] == pytest.approx(80, rel=0.06)
    assert any("is not in the catalogue" in text for text in document["warnings"])
    assert any("one plot or dish at each temperature" in text for text in document["warnings"])


def test_one_temperature_gives_no_base_temperature(run: Run, tmp_path: Path) -> None:
    path = dishes(tmp_path, (20.0,), (5.0,))
    code, out, err = run("calibrate", path, "--crop", "carrot", "--no-prior", "--json")
    assert code == 0, err
    base = json.loads(out)["parameters"]["t_base_C"]
    assert base["estimate"] is None
    assert base["low"] is None
    assert base["kept_at"] == pytest.approx(find_crop("carrot").estimate.centre()["t_base_C"])
    code, out, _ = run("calibrate", path, "--crop", "carrot", "--no-prior")
    assert "base temperature" in out


def test_dates_alone_are_enough(run: Run, trial, tmp_path: Path) -> None:
    _, soil = trial
    book = tmp_path / "book.csv"
    book.write_text(
        "planted,emergence_date\n2025-04-01,2025-04-22\n2025-04-19,2025-05-06\n", encoding="utf-8"
    )
    code, out, err = run("calibrate", book, "--soil", soil, "--crop", "carrot", "--json")
    assert code == 0, err
    document = json.loads(out)
    assert document["records"]["seeds"] == 0
    assert document["parameters"]["thermal_time_50_Cd"]["learned"]


def test_a_crop_nobody_listed_starts_from_a_generic_one(run: Run, trial) -> None:
    records, soil = trial
    code, out, err = run(
        "calibrate", records, "--soil", soil, "--crop", "oca", "--crop-season", "warm", "--json"
    )
    assert code == 0, err
    document = json.loads(out)
    assert document["prior"] == "generic warm-season crop with medium seed"
    assert "oca is not in the catalogue" in document["warnings"][0]


@pytest.mark.parametrize(
    ("words", "code", "told"),
    [
        (["--crop", "carrot"], 2, "no records file is named"),
        (["absent.csv", "--crop", "carrot"], 2, "absent.csv: there is no such file"),
        (["RECORDS", "--crop", "carrot"], 3, "plot p0 has no temperature; give --soil"),
        (["RECORDS", "--crop", "carot"], 2, "did you mean carrot"),
        (["RECORDS", "--crop", "carrot", "--no-prior", "--save", "x"], 2, "without a prior"),
        (["RECORDS", "--crop", "carrot", "--no-prior", "--check", "plot"], 2, "leave out --no-p"),
        (["RECORDS", "--soil", "SOIL", "--crop", "carrot", "--variety", "Stump"], 2,
         "no plot is of the variety 'Stump'; the records name Long"),
        (["RECORDS", "--soil", "SOIL", "--crop", "carrot", "--check", "season"], 2, "one season"),
        (["--crop", "carrot", "--undo"], 2, "--undo needs the folder"),
    ],
)  # fmt: skip
def test_faults_are_one_sentence(run: Run, trial, words: list[str], code: int, told: str) -> None:
    records, soil = trial
    named = {"RECORDS": records, "SOIL": soil}
    found, out, err = run("calibrate", *(named.get(word, word) for word in words))
    assert found == code
    assert told in err
    assert "Traceback" not in err
    assert out == ""


def test_nothing_up_without_prior_is_no_fit(run: Run, tmp_path: Path) -> None:
    path = dishes(tmp_path, (20.0,), (5.0,))
    text = path.read_text(encoding="utf-8").splitlines()
    empty = [text[0]] + [",".join([*line.split(",")[:11], "0", "20"]) for line in text[1:]]
    path.write_text("\n".join(empty) + "\n", encoding="utf-8")
    code, _, err = run("calibrate", path, "--crop", "carrot", "--no-prior")
    assert code == 5
    assert "nothing emerged in these records" in err


def test_two_files_may_name_their_plots_alike(run: Run, trial, tmp_path: Path) -> None:
    records, soil = trial
    table = pd.read_csv(records)
    shorter = table[table.groupby("plot").cumcount(ascending=False) > 0]
    second = tmp_path / "second.csv"
    shorter.to_csv(second, index=False)
    code, out, err = run("calibrate", records, second, "--soil", soil, "--crop", "carrot", "--json")
    assert code == 0, err
    assert json.loads(out)["records"]["plots"] == 2 * table["plot"].nunique()


def test_the_same_counts_in_two_files_are_refused(run: Run, trial, tmp_path: Path) -> None:
    records, soil = trial
    copy = tmp_path / "copy.csv"
    copy.write_bytes(records.read_bytes())
    code, out, err = run("calibrate", records, copy, "--soil", soil, "--crop", "carrot")
    assert (code, out) == (2, "")
    assert f"{copy}: plot " in err
    assert f"same counts in {records}" in err


@pytest.mark.slow
def test_a_spoilt_estimate_is_saved_only_when_insisted(run: Run, tmp_path: Path) -> None:
    plots, soil = season(
        find_crop("carrot"), Nature(times="flushes"), 2025, np.random.default_rng(3), plots=2
    )
    records = write_records(plots, tmp_path / "trial.csv")
    bed = write_soil(soil, tmp_path / "bed.csv")
    own = tmp_path / "own"
    words = (records, "--soil", bed, "--crop", "carrot", "--save", own)
    code, _, err = run("calibrate", *words, "--json")
    assert code == 5
    assert "not saved" in err
    assert "--save-anyway" in err
    assert not own.exists()
    code, out, err = run("calibrate", *words, "--save-anyway", "--json")
    assert code == 0, err
    assert own.is_dir()
    (flushes,) = [check for check in json.loads(out)["checks"] if check["kind"] == "flushes"]
    assert flushes["plots"]
    assert flushes["day"].startswith("2025-")
