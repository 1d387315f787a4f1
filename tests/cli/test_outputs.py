"""Outputs replace no input, no file of a season and no foreign file; Ctrl-C leaves no half file."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.files import demo_folder

READ = "soil", "read", "logger.csv", "--timezone", "UTC", "--month-first"


@pytest.fixture
def season(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    for name in ("season.toml", "soil.csv", "weather.csv", "counts.csv", "trial.csv"):
        (tmp_path / name).write_bytes((demo_folder() / name).read_bytes())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str) -> tuple[int, str]:
    done = CliRunner().invoke(app, list(words))
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        return getattr(done.exception, "exit_code", 1), str(done.exception)
    return done.exit_code, done.stderr


SPROUT = "presprout", "--crop", "parsnip", "--bed-free", "2026-05-10", "--calendar"
CURVES = "trial", "analyse", "trial.csv", "--plot"
EXPORT = "trial", "export", "trial.csv", "--out"
PLOT = "crops", "onion", "--plot"


@pytest.mark.parametrize("command", [SPROUT, CURVES, EXPORT, PLOT])
@pytest.mark.parametrize("name", ["counts.csv", "season.toml", "trial.csv", "soil.csv"])
def test_no_output_replaces_a_file_of_the_season(
    season: Path, command: tuple[str, ...], name: str
) -> None:
    before = (season / name).read_bytes()
    code, said = run(*command, name)
    assert code == 2, said
    assert name in said
    assert (season / name).read_bytes() == before


@pytest.mark.parametrize(
    ("command", "name"), [(SPROUT, "a.ics"), (PLOT, "a.svg"), (EXPORT, "a.csv")]
)
def test_a_foreign_file_stays_an_own_is_remade(
    season: Path, command: tuple[str, ...], name: str
) -> None:
    target = season / name
    target.write_text("mine")
    code, said = run(*command, name)
    assert (code, target.read_text()) == (2, "mine")
    assert "--force" in said
    target.unlink()
    assert run(*command, name)[0] == 0
    assert run(*command, name)[0] == 0
    target.write_text("mine")
    assert run(*command, name, "--force")[0] == 0
    assert target.read_text() != "mine"


def test_a_device_or_a_folder_is_no_output(season: Path) -> None:
    (season / "folder.ics").mkdir()
    assert run(*SPROUT, "folder.ics")[0] == 2
    os.mkfifo(season / "pipe.ics")
    assert run(*SPROUT, "pipe.ics")[0] == 2
    assert (season / "pipe.ics").is_fifo()


def test_a_link_is_written_where_it_leads(season: Path) -> None:
    (season / "real.ics").write_text("")
    (season / "link.ics").symlink_to("real.ics")
    assert run(*SPROUT, "link.ics")[0] == 0
    assert (season / "link.ics").is_symlink()
    assert (season / "real.ics").read_text().startswith("BEGIN:VCALENDAR")


def test_names_with_markup_and_escapes_reach_the_screen_harmless(season: Path) -> None:
    text = (season / "season.toml").read_text()
    name = json.dumps("A [back] [/x] \x1b[2J garden")
    lines = [f"name = {name}" if line.startswith("name = ") else line for line in text.splitlines()]
    (season / "season.toml").write_text("\n".join(lines) + "\n")
    for words in (("forecast",), ("--plain", "forecast")):
        shown = CliRunner().invoke(app, [*words, "--row", "N1", "--as-of", "2026-05-20"]).stdout
        assert "[back] [/x]" in shown
        assert "\x1b[2J" not in shown


@pytest.mark.parametrize("columns", ["0", "1", "30"])
def test_any_width_prints_the_answer(columns: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", columns)
    shown = CliRunner().invoke(app, ["stations", "--crop", "parsnip", "--constant", "12"]).stdout
    assert "seeds" in shown


@pytest.mark.skipif(os.name == "nt", reason="sends a signal as a terminal does")
def test_stopping_a_long_command_is_said(tmp_path: Path) -> None:
    words = ["crops", "carrot", "--plot", "days.png"]
    # A child that sends itself the signal once the command line is running.
    code = (
        "import os, signal, sys, time\n"
        # A suite run in the background is started with the signal ignored, and hands that on.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from thermosprout.cli import app\n"
        "import thermosprout.cli.crops as crops\n"
        "crops._figure = lambda *a: (os.kill(os.getpid(), signal.SIGINT), time.sleep(30))\n"
        f"sys.argv = ['thermosprout', *{words!r}]\n"
        "app.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False,
        timeout=60,
    )  # fmt: skip
    assert done.returncode == 128 + signal.SIGINT
    assert "thermosprout: stopped. No half-written file was left." in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []
