"""Names with markup, escape signs, formulas and twelve scripts, through every screen and file.

Nothing is lost, nothing is run, and no sign that a terminal obeys comes out.
"""

from __future__ import annotations

import csv
import html
import io
import json
import os
import warnings
from dataclasses import dataclass
from pathlib import Path

import icalendar
import pytest
from typer.testing import CliRunner

from thermosprout.cli.app import app

SCRIPTS = {
    "Arabic": "جزر", "Hebrew": "גזר", "Thai": "แครอท", "Japanese": "にんじん", "Devanagari": "गाजर",
    "Greek": "Καρότο", "Cyrillic": "Морковь", "Georgian": "სტაფილო", "Amharic": "ካሮት",
    "Tamil": "கேரட்", "Korean": "당근", "Chinese": "胡萝卜",
}  # fmt: skip
"""The word carrot in twelve scripts; from memory."""
MARKUP = {
    "markup": "[back]", "closing markup": "[/x]", "tag": '<b onclick="x">&', "template": "{{7*7}}",
    "format": "%s {0}", "separators": "a;b,c", "quote": 'the "best"',
}  # fmt: skip
FORMULAS = ("=SUM(1)", "@SUM(1)", "+1", "-1", "=cmd|'/C calc'!A0")
CONTROLS = ("\x1b[31mred", "bell\x07", "tab\there", "turned \u202eround", "null\x00", "line\nbreak")
NAMES = {**SCRIPTS, **MARKUP, "Arabic and a tag": f"{SCRIPTS['Arabic']} {MARKUP['tag']}"}


def quoted(name: str) -> str:
    return json.dumps(name, ensure_ascii=False)


def season_text(name: str) -> str:
    q = quoted(name)
    return f"""format = 1
title = {q}
[site]
name = {q}
latitude = 52.0
longitude = 5.0
timezone = "UTC"
[soil]
file = "soil.csv"
[records]
file = "counts.csv"
[[beds]]
id = {q}
[[lots]]
id = {q}
crop = "radish"
variety = {q}
[[rows]]
id = {q}
lot = {q}
bed = {q}
planted = 2026-04-20
seeds_planted = 50
"""


def write_soil(folder: Path) -> None:
    lines = [
        f"2026-{month:02}-{day:02}T{hour:02}:00Z,{10 + month + 0.1 * abs(hour - 12):.1f}"
        for month, days in ((4, 30), (5, 31), (6, 30))
        for day in range(1, days + 1)
        for hour in range(24)
    ]
    (folder / "soil.csv").write_text("time_utc,soil_temp_5cm_C\n" + "\n".join(lines) + "\n")


def run(words: list[str], folder: Path, expected: int = 0) -> str:
    """What a command prints on both streams."""
    before = Path.cwd()
    os.chdir(folder)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("error", UserWarning)
            answer = CliRunner().invoke(app, words, env={"COLUMNS": "300"})
    finally:
        os.chdir(before)
    error = answer.exception
    code = getattr(error, "exit_code", answer.exit_code) if error else 0
    text = answer.output + (f"{error}\n" if error and not isinstance(error, SystemExit) else "")
    assert code == expected, f"{words}: {text[-800:]}"
    assert all(sign.isprintable() or sign in "\n\t" for sign in text), f"{words}: a control sign"
    return text


@dataclass(frozen=True)
class Walk:
    """What every command said of a season whose every name is the same."""

    folder: Path
    screens: dict[str, str]


def walk(name: str, folder: Path) -> Walk:
    write_soil(folder)
    (folder / "season.toml").write_text(season_text(name), encoding="utf-8")
    day = ["--as-of", "2026-04-26"]
    few = ["--draws", "100"]
    own = ["--lot", name, "--bed", name]
    screens = {
        "record": run(["record", f"{name}=9", "--on", "2026-04-25", "--observer", name,
                       "--note", name], folder),
        "forecast": run(["forecast", *day, *few, "--plot", "rows.svg"], folder),
        "forecast, plain": run(["--plain", "forecast", *day, *few], folder),
        "forecast, json": run(["forecast", *day, *few, "--json"], folder),
        "week": run(["week", "--as-of", "2026-04-21", *few], folder),
        "compare": run(["compare", *own, "--date", "2026-04-28", *day, *few], folder),
        "presprout": run(["presprout", *own, "--bed-free", "2026-05-10", *day,
                          "--calendar", "sprouts.ics"], folder),
        "sow-again": run(["sow-again", "--row", name, *day], folder),
        "design": run(["trial", "design", "-t", "direct", "-t", name, "-v", name, "--lot", name,
                       "--planting", "2026-05-02", "--blocks", "3", "-o", "plan"], folder),
        "check": run(["trial", "check", "plan/records.csv"], folder),
    }  # fmt: skip
    for plot in ("A1", "A2", "B1", "B2", "C1", "C2"):
        run(["record", "plan/records.csv", f"{plot}=9", "--on", "2026-05-12"], folder)
        run(["record", "plan/records.csv", f"{plot}=19", "--on", "2026-05-14"], folder)
    screens["analyse"] = run(["trial", "analyse", "plan/records.csv", "--plot", "t.svg"], folder)
    run(["trial", "sheet", "plan/records.csv", "-o", "sheet.html"], folder)
    run(["trial", "export", "plan/records.csv", "-o", "tidy.csv"], folder)
    run(["trial", "export", "plan/records.csv", "--form", "notebook", "-o", "wide.csv"], folder)
    run(["report", *day, *few, "--trial", "plan/records.csv", "-o", "page.html"], folder)
    return Walk(folder, screens)


@pytest.fixture(scope="module", params=[
    pytest.param(name, marks=() if name == "Arabic and a tag" else
                 pytest.mark.slow) for name in NAMES
])  # fmt: skip
def walked(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[str, Walk]:
    name = NAMES[request.param]
    return name, walk(name, tmp_path_factory.mktemp("names"))


def test_every_screen_shows_the_name_as_it_is(walked: tuple[str, Walk]) -> None:
    name, done = walked
    for screen, text in done.screens.items():
        if screen == "forecast, json":
            document, _ = json.JSONDecoder().raw_decode(text[text.index("{\n") :])
            assert document["rows"][0]["row"] == name
        elif screen not in ("record", "check"):
            assert name in text, screen


def test_pages_and_pictures_show_the_name_without_code(walked: tuple[str, Walk]) -> None:
    name, done = walked
    for page in ("page.html", "sheet.html"):
        text = (done.folder / page).read_text(encoding="utf-8")
        assert name in html.unescape(text) or quoted(name).replace("<", "\\u003c") in text, page
        assert "<b onclick" not in text
    for picture in ("rows.svg", "t.svg", "plan/layout.svg"):
        text = (done.folder / picture).read_text(encoding="utf-8")
        assert "<b onclick" not in text


def test_files_hold_it_and_no_cell_is_a_formula(walked: tuple[str, Walk]) -> None:
    name, done = walked
    for file in ("counts.csv", "plan/records.csv", "plan/calendar.csv", "tidy.csv", "wide.csv"):
        text = (done.folder / file).read_text(encoding="utf-8")
        cells = [cell for row in csv.reader(io.StringIO(text)) for cell in row]
        assert any(name in cell for cell in cells), file
        assert not [cell for cell in cells if cell.startswith(("=", "+", "-", "@"))], file


def test_the_calendar_holds_it(walked: tuple[str, Walk]) -> None:
    name, done = walked
    calendar = icalendar.Calendar.from_ical((done.folder / "sprouts.ics").read_bytes())
    events = calendar.walk("VEVENT")
    assert events
    assert any(name in str(event["SUMMARY"]) + str(event["DESCRIPTION"]) for event in events)


@pytest.mark.parametrize("name", FORMULAS)
def test_a_formula_is_shown_and_never_written_to_a_table(name: str, tmp_path: Path) -> None:
    write_soil(tmp_path)
    (tmp_path / "season.toml").write_text(season_text(name), encoding="utf-8")
    few = ["--as-of", "2026-04-26", "--draws", "100"]
    assert name in run(["forecast", *few], tmp_path)
    told = run(["record", "--on", "2026-04-25", "--", f"{name}=9"], tmp_path, expected=2)
    assert "formula" in told
    design = ["trial", "design", "-t", "direct", "-t", "soaked", "--planting", "2026-05-02"]
    for option in ("--lot", "-v", "-t"):
        told = run([*design, f"{option}={name}" if option[1] == "-" else f"{option}{name}",
                    "-o", "plan"], tmp_path, expected=2)  # fmt: skip
        assert "formula" in told, option
    assert not (tmp_path / "counts.csv").exists()
    assert not (tmp_path / "plan").exists()


@pytest.mark.parametrize("name", CONTROLS)
def test_control_signs_are_refused_or_blanked(name: str, tmp_path: Path) -> None:
    write_soil(tmp_path)
    text = season_text("A").replace('id = "A"', f"id = {json.dumps(name)}")
    (tmp_path / "season.toml").write_text(text, encoding="utf-8")
    for words in (["forecast", "--as-of", "2026-04-26"], ["record", f"{name}=9"],
                  ["week", "--as-of", "2026-04-26"]):  # fmt: skip
        run([*words], tmp_path, expected=2)
