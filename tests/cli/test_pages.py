"""``report``, ``week``, ``method`` and ``trial sheet`` from the command line."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.reports.season_files import PLAIN, write_season
from thermosprout.cli.app import app
from thermosprout.errors import InputError
from thermosprout.files import demo_folder

SHOWN = re.compile(r"Wrote .*season\.html: 4 rows")


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("season"), PLAIN[:4], crop="pea")


def run(*words: str) -> Any:
    result = CliRunner().invoke(app, list(words))
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def test_report_writes_a_page_and_tells_the_tasks_as_json(season: Path, tmp_path: Path) -> None:
    out = tmp_path / "season.html"
    words = ["report", str(season), "--as-of", "2026-04-09", "-o", str(out), "--draws", "100"]
    result = run(*words)
    assert result.exit_code == 0
    assert result.stdout == ""
    assert f"Wrote {out}" in result.stderr
    first = out.read_bytes()
    # Where the files lie on this machine is not told to whoever gets the page.
    assert b"soil.csv: read as" in first
    assert str(season.parent).encode() not in first
    document = json.loads(run(*words, "--json").stdout)
    assert document["bytes"] == len(first) == len(out.read_bytes())
    assert out.read_bytes() == first
    assert document["page"] == str(out)
    assert {task["task"] for task in document["tasks"]} >= {"sow", "start soaking", "plant"}


def test_week_tells_the_same_tasks(season: Path) -> None:
    words = ["week", str(season), "--as-of", "2026-04-09", "--draws", "100"]
    document = json.loads(run(*words, "--json").stdout)
    assert document["today"] == "2026-04-09"
    shown = run(*words).stdout
    plain = run(*words, "--plain").stdout
    for task in document["tasks"]:
        assert task["task"] in shown
        assert f"\t{task['task']}\t{task['row']} {task['crop']}\t{task['sentence']}" in plain
    assert max(len(line) for line in shown.splitlines()) <= 80


def test_a_page_never_replaces_a_file_that_is_no_page(season: Path, tmp_path: Path) -> None:
    before = season.read_text()
    with pytest.raises(InputError, match=r"must end in \.html"):
        run("report", str(season), "-o", str(season))
    trial = tmp_path / "trial.csv"
    shutil.copy(demo_folder() / "trial.csv", trial)
    with pytest.raises(InputError, match=r"must end in \.html"):
        run("trial", "sheet", str(trial), "-o", str(trial))
    assert season.read_text() == before


def test_the_sheet_lies_beside_its_records_and_can_hide_treatments(tmp_path: Path) -> None:
    trial = tmp_path / "trial.csv"
    shutil.copy(demo_folder() / "trial.csv", trial)
    document = json.loads(run("trial", "sheet", str(trial), "--blind", "--json").stdout)
    page = Path(document["page"])
    assert page == tmp_path / "trial-sheet.html"
    assert document["plots"] == 15
    visible = re.sub(r"<script.*?</script>", "", page.read_text("utf-8"), flags=re.DOTALL)
    assert "presprouted" not in visible
    run("trial", "sheet", str(trial))
    assert "presprouted" in page.read_text("utf-8")


def test_a_sheet_needs_plots(tmp_path: Path) -> None:
    trial = tmp_path / "trial.csv"
    text = (demo_folder() / "trial.csv").read_text().splitlines()[0]
    trial.write_text(text + "\n")
    with pytest.raises(InputError, match="no plot"):
        run("trial", "sheet", str(trial))


def test_method_is_readable_at_80_columns() -> None:
    result = CliRunner().invoke(app, ["method"], env={"COLUMNS": "80"})
    assert "base temperature" in result.stdout
    assert "Sources" in result.stdout
    assert max(len(line) for line in result.stdout.splitlines()) <= 80
