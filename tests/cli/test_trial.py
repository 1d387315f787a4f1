"""``trial`` as it is typed: from the plan to the outcome."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from tests.cli.conftest import Run
from tests.trials.model_trials import simulate_records
from thermosprout.cli.app import app
from thermosprout.crops.catalogue import find_crop
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.read import plots, read_records

DESIGN = ("trial", "design", "-t", "direct", "-t", "presprouted", "--planting", "2026-05-02")


@pytest.fixture(scope="module")
def planned_once(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of a planned trial, made once."""
    folder = tmp_path_factory.mktemp("plan") / "bed"
    done = CliRunner().invoke(app, [*DESIGN, "--blocks", "4", "-o", str(folder)])
    assert done.exit_code == 0, done.output
    return folder


@pytest.fixture(scope="module")
def counted_once(planned_once: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Records of that trial, counted by simulation."""
    path = tmp_path_factory.mktemp("counted") / "records.csv"
    shutil.copy(planned_once / "records.csv", path)
    table = plots(read_records(path, planned=True))
    made = simulate_records(
        find_crop("beet"), table, list(range(2, 24)), np.random.default_rng(3), temperature_C=15.0
    )
    columns = zip(made["plot"], made["inspected"], made["emerged"], strict=True)
    append_records(
        path,
        [{"plot": p, "inspected": f"{when:%Y-%m-%dT%H:%MZ}", "emerged": str(n)}
         for p, when, n in columns],
    )  # fmt: skip
    return path


@pytest.fixture
def folder(planned_once: Path, tmp_path: Path) -> Path:
    """Folder of a planned trial that has not been counted."""
    return Path(shutil.copytree(planned_once, tmp_path / "bed"))


@pytest.fixture
def counted(counted_once: Path, tmp_path: Path) -> Path:
    """Records that a test may spoil."""
    return Path(shutil.copy(counted_once, tmp_path / "records.csv"))


def test_a_plan_writes_its_files(folder: Path) -> None:
    assert sorted(path.name for path in folder.iterdir() if path.name[0] != ".") == [
        "calendar.csv", "layout.png", "layout.svg", "records.csv"
    ]  # fmt: skip
    assert "wet the seed" in (folder / "calendar.csv").read_text()
    assert (folder / "layout.svg").read_text().count("presprouted") >= 4


def test_records_are_never_written_over(run: Run, folder: Path) -> None:
    before = (folder / "records.csv").read_bytes()
    code, _, err = run(*DESIGN, "-o", folder)
    assert code == 2
    assert "there already" in err
    assert (folder / "records.csv").read_bytes() == before


def test_the_plan_says_what_it_can_show(run: Run, tmp_path: Path) -> None:
    code, out, _ = run(
        *DESIGN, "--crop", "beet", "--simulations", "100", "--detect-points", "0",
        "--detect-days", "3", "--every-d", "2", "-o", tmp_path / "bed", "--json",
    )  # fmt: skip
    assert code == 0
    document = json.loads(out)
    (item,) = document["power"]
    assert item["unit"] == "days"
    assert 0 <= item["chance"] <= 1
    assert item["smallest"]["chance"] >= 0.8
    assert document["cautions"]
    assert [task["what"].split()[0] for task in document["calendar"]] == ["wet", "plant", "plant"]


@pytest.mark.parametrize("layout", ["single", "split", "latin"])
def test_other_layouts(run: Run, tmp_path: Path, layout: str) -> None:
    words = ["--layout", layout, "--blocks", "2", "-o", tmp_path / "bed"]
    if layout == "split":
        words += ["--planting", "2026-05-16"]
    code, _, err = run(*DESIGN, *words)
    assert code == 0, err
    assert len(read_records(tmp_path / "bed" / "records.csv", planned=True)) == {
        "single": 4, "split": 8, "latin": 4}[layout]  # fmt: skip


def test_check_says_what_is_there(run: Run, counted: Path) -> None:
    code, out, _ = run("trial", "check", counted)
    assert code == 0
    assert "8 plots in 4 blocks" in out
    code, out, _ = run("trial", "check", counted, "--json")
    assert json.loads(out)["counts"] == 8 * 22


def test_check_refuses_with_the_line(run: Run, counted: Path) -> None:
    text = counted.read_text().splitlines()
    text[20] = text[20].replace("2026-05-", "2026-5-")
    counted.write_text("\n".join(text) + "\n")
    code, out, err = run("trial", "check", counted)
    assert (code, out) == (2, "")
    assert "line 21, column" in err
    assert err.count("\n") == 1


def test_analyse_prints_the_document(run: Run, counted: Path) -> None:
    code, out, _ = run("trial", "analyse", counted, "--json")
    assert code == 0
    document = json.loads(out)
    assert [item["treatment"] for item in document["treatments"]] == ["direct", "presprouted"]
    assert document["contrast"] == "a minus b"
    assert document["treatments"][0]["thermal_time_50_Cd"] is None


def test_analyse_in_words_fits_eighty_columns(
    run: Run, counted: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    code, out, _ = run("trial", "analyse", counted)
    assert code == 0
    assert "What it shows" in out
    assert "Keep in mind" in out
    assert max(len(line) for line in out.splitlines()) <= 80


def test_analyse_with_a_soil_temperature(run: Run, counted: Path, tmp_path: Path) -> None:
    soil = tmp_path / "soil.csv"
    hours = np.arange("2026-04-20T00", "2026-06-10T00", dtype="datetime64[h]")
    lines = [
        f"{str(h).replace('T', ' ')}:00,{15.0 + (i % 24) / 24:.2f}" for i, h in enumerate(hours)
    ]
    soil.write_text("time_utc,soil_temp_C\n" + "\n".join(lines) + "\n")
    code, out, err = run("trial", "analyse", counted, "--soil", soil, "--json")
    assert code == 0, err
    document = json.loads(out)
    assert document["treatments"][0]["thermal_time_50_Cd"]["estimate"] > 20
    assert any("--crop" in warning for warning in document["warnings"])
    code, out, _ = run("trial", "analyse", counted, "--soil", soil, "--crop", "beet", "--json")
    assert not any("--crop" in warning for warning in json.loads(out)["warnings"])
    code, out, _ = run("trial", "analyse", counted, "--soil", soil, "--clock", "thermal", "--json")
    assert json.loads(out)["treatments"][0]["curve"]["clock"] == "thermal"


def test_soil_that_ends_before_the_trial_exits_three(
    run: Run, counted: Path, tmp_path: Path
) -> None:
    soil = tmp_path / "soil.csv"
    hours = np.arange("2026-04-20T00", "2026-05-10T00", dtype="datetime64[h]")
    lines = [f"{str(h).replace('T', ' ')}:00,15.0{i % 7}" for i, h in enumerate(hours)]
    soil.write_text("time_utc,soil_temp_C\n" + "\n".join(lines) + "\n")
    assert run("trial", "analyse", counted, "--soil", soil)[0] == 3


def test_pictures_are_drawn(run: Run, counted: Path, tmp_path: Path) -> None:
    curves, blocks = tmp_path / "curves.svg", tmp_path / "blocks.svg"
    code, _, err = run(
        "trial", "analyse", counted, "--plot", curves, "--blocks-plot", blocks, "--json"
    )
    assert code == 0, err
    assert curves.stat().st_size > 5_000
    assert blocks.stat().st_size > 5_000
    assert "presprouted" in curves.read_text()
    assert "block A" in blocks.read_text()


def test_a_notebook_goes_out_and_in(run: Run, counted: Path, tmp_path: Path) -> None:
    wide, fresh = tmp_path / "wide.csv", tmp_path / "fresh.csv"
    assert run("trial", "export", counted, "-o", wide)[0] == 0
    code, out, err = run("trial", "import", wide, fresh)
    assert code == 0, err
    assert read_records(fresh)["emerged"].sum() == read_records(counted)["emerged"].sum()
    code, out, _ = run("trial", "import", wide, counted)
    assert "0 lines added" in out
    code, out, _ = run("trial", "export", counted, "--form", "lines")
    assert code == 0
    assert out.startswith("plot,block,variety")


def test_an_export_does_not_write_over_the_records(run: Run, counted: Path) -> None:
    code, _, err = run("trial", "export", counted, "-o", counted)
    assert code == 2
    assert "not written over" in err


def test_counts_alone_do_not_begin_a_records_file(run: Run, tmp_path: Path) -> None:
    table = tmp_path / "notebook.csv"
    table.write_text("plot,2026-05-29\nA1,21\n")
    code, out, err = run("trial", "import", table, tmp_path / "new.csv")
    assert (code, out) == (2, "")
    assert "notebook.csv" in err
    assert "treatment" in err
    assert not (tmp_path / "new.csv").exists()
