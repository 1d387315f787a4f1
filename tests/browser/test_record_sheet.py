"""The record sheet in a real browser: tap, close, come back, export, import, same numbers."""

from __future__ import annotations

import base64
import csv
import io
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from tests.browser.conftest import OpenPhone, overflow, serious_faults
from thermosprout.cli.app import app
from thermosprout.reports.pages import COLUMNS, record_sheet, sheet_of
from thermosprout.trials.records.append import append_records
from thermosprout.trials.records.read import load, read_records

HEADER = (
    "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,depth_cm,"
    "inspected,emerged"
)
DAY = "2026-05-03"


@pytest.fixture
def trial(tmp_path: Path) -> Path:
    """Six plots in two blocks, counted once."""
    lines = [HEADER]
    for block in (1, 2):
        for number, treatment in enumerate(("direct", "soaked", "presprouted"), 1):
            name = f"{'AB'[block - 1]}{number}"
            facts = f"{name},{block},Long White,L1,{treatment},2026-04-05,2026-04-06,40,40,1.5"
            lines += [f"{facts},,", f"{facts},2026-04-28,{number - 1}"]
    path = tmp_path / "parsnip.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return path


def make_page(trial: Path, title: str = "parsnip, north bed") -> Path:
    page = trial.with_suffix(".html")
    page.write_text(record_sheet(sheet_of(load(trial).histories, title=title)), encoding="utf-8")
    return page


def tap(page: Any, plot: str, times: int = 1) -> None:
    for _ in range(times):
        page.get_by_role("button", name=f"{plot},").click()


def export(page: Any, folder: Path) -> list[dict[str, str]]:
    """Save the file as a grower does, and read it."""
    text = saved(page, folder).read_text(encoding="utf-8")
    return list(csv.DictReader(io.StringIO(text)))


def saved(page: Any, folder: Path) -> Path:
    page.get_by_role("button", name="Export", exact=True).click()
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Save as CSV file").click()
    path = folder / waiting.value.suggested_filename
    waiting.value.save_as(path)
    text = path.read_text(encoding="utf-8")
    assert page.get_by_label("The same as text").input_value().split() == text.split()
    page.get_by_role("button", name="Back").last.click()
    return path


def set_day(page: Any, day: str = DAY) -> None:
    page.get_by_label("Day of this round").fill(day)


def test_a_round_survives_closing_and_comes_home(
    phone: OpenPhone, trial: Path, tmp_path: Path
) -> None:
    made = phone()
    page = made.open(make_page(trial))
    set_day(page)
    page.get_by_label("Counted by").fill("Ada")
    tap(page, "A1", 5)
    tap(page, "A2", 2)
    page.get_by_role("button", name="None new in A3").click()
    page.close()

    page = made.open(trial.with_suffix(".html"))
    assert page.locator("#progress").inner_text().startswith("3 of 6 plots counted")
    page.get_by_role("button", name="More on B1").click()
    page.get_by_label("Seedlings so far").fill("17")
    page.get_by_label("Note").fill('slugs, "two" eaten\n=1+1 و 👩‍🌾')
    page.get_by_role("button", name="Keep").click()
    page.reload()
    path = saved(page, tmp_path)
    rows = list(csv.DictReader(io.StringIO(path.read_text(encoding="utf-8"))))
    assert [row["plot"] for row in rows] == ["A1", "A2", "A3", "B1"]
    assert tuple(rows[0]) == COLUMNS

    result = CliRunner().invoke(app, ["record", str(trial), "--from", str(path)])
    assert result.exit_code == 0, result.output
    frame = read_records(trial).query("inspected_local == @DAY").set_index("plot")
    assert frame["emerged"].to_dict() == {"A1": 5, "A2": 3, "A3": 2, "B1": 17}
    assert frame.loc["B1", "note"] == 'slugs, "two" eaten =1+1 و 👩‍🌾'
    assert set(frame["observer"]) == {"Ada"}
    # The same file once more changes nothing.
    assert append_records(trial, rows).added == ()


def test_undo_takes_back_one_step_at_a_time(phone: OpenPhone, trial: Path, tmp_path: Path) -> None:
    page = phone().open(make_page(trial))
    set_day(page)
    tap(page, "A1", 2)
    tap(page, "B2", 3)
    page.get_by_role("button", name="Undo B2").click()
    page.reload()
    for _ in range(2):
        page.get_by_role("button", name="Undo B2").click()
    page.get_by_role("button", name="Undo A1").click()
    assert [(row["plot"], row["emerged"]) for row in export(page, tmp_path)] == [("A1", "1")]
    page.get_by_role("button", name="Undo A1").click()
    assert page.get_by_role("button", name="Undo").is_disabled()


def test_the_page_refuses_what_the_records_would_refuse(phone: OpenPhone, trial: Path) -> None:
    page = phone().open(make_page(trial))
    set_day(page)
    page.get_by_role("button", name="More on A3").click()
    for typed, why in (("41", "40 seeds were planted"), ("1", "had 2 on 28 Apr"), ("x", "whole")):
        page.get_by_label("Seedlings so far").fill(typed)
        page.get_by_role("button", name="Keep").click()
        assert why in page.get_by_role("alert").inner_text()
        assert page.get_by_label("Seedlings so far").input_value() == typed
    page.get_by_label("Seedlings so far").fill("40")
    page.keyboard.press("Enter")
    tap(page, "A3")
    assert "41 cannot have come up" in page.locator("#told").inner_text()
    set_day(page, "2026-04-01")
    tap(page, "A1")
    assert "A1 is planted on 6 Apr" in page.locator("#told").inner_text()


def test_rounds_follow_on_and_can_be_exported(
    phone: OpenPhone, trial: Path, tmp_path: Path
) -> None:
    page = phone().open(make_page(trial))
    set_day(page)
    tap(page, "A1", 4)
    export(page, tmp_path)
    page.get_by_role("button", name="Export", exact=True).click()
    page.get_by_role("button", name="Begin the next round").click()
    set_day(page, "2026-05-05")
    tap(page, "A1")
    page.get_by_role("button", name="Export", exact=True).click()
    page.get_by_role("button", name="Mark the plots not counted").click()
    page.get_by_label("With the earlier rounds").check()
    text = page.get_by_label("The same as text").input_value()
    rows = list(csv.DictReader(io.StringIO(text)))
    assert [(row["inspected"], row["emerged"]) for row in rows if row["plot"] == "A1"] == [
        (DAY, "4"), ("2026-05-05", "5"),
    ]  # fmt: skip
    assert len(rows) == 1 + 6
    append_records(trial, rows)
    assert len(read_records(trial)) == 6 + 7


def test_two_windows_and_two_trials_do_not_lose_taps(phone: OpenPhone, trial: Path) -> None:
    made = phone()
    one, two = made.open(make_page(trial)), made.open(trial.with_suffix(".html"))
    tap(one, "A1")
    two.wait_for_function("document.querySelector('.count').textContent === '1'")
    tap(two, "A1")
    one.wait_for_function("document.querySelector('.count').textContent === '2'")
    other = made.open(make_page(trial, title="another trial"))
    assert other.locator("#progress").inner_text().startswith("0 of 6")


def test_what_cannot_be_read_is_put_aside(phone: OpenPhone, trial: Path) -> None:
    page = phone().open(make_page(trial))
    tap(page, "A1")
    page.evaluate("localStorage.setItem(Object.keys(localStorage)[0], '{\"format\":9}')")
    page.reload()
    kept = page.evaluate("Object.entries(localStorage)")
    assert any("unreadable" in name and value == '{"format":9}' for name, value in kept)
    tap(page, "A1")


@pytest.mark.parametrize(
    ("scheme", "size"),
    [
        ("light", "100%"),
        ("dark", "200%"),
        pytest.param("light", "200%", marks=pytest.mark.slow),
        pytest.param("dark", "100%", marks=pytest.mark.slow),
    ],
)
def test_the_sheet_is_accessible_and_scales(
    phone: OpenPhone, trial: Path, scheme: str, size: str
) -> None:
    page = phone(color_scheme=scheme).open(make_page(trial))
    tap(page, "A1")
    page.evaluate("size => { document.documentElement.style.setProperty('font-size', size) }", size)
    assert serious_faults(page) == []
    assert overflow(page) == []
    page.get_by_role("button", name="More on B1").click()
    assert serious_faults(page) == []
    page.keyboard.press("Escape")
    page.get_by_role("button", name="Export", exact=True).click()
    assert serious_faults(page) == []
    assert overflow(page) == []


def test_the_sheet_works_from_the_keyboard(phone: OpenPhone, trial: Path) -> None:
    page = phone().open(make_page(trial))
    page.get_by_role("button", name="A1,").focus()
    page.keyboard.press("Enter")
    page.keyboard.press("Space")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    page.keyboard.press("Enter")
    assert [tile.inner_text() for tile in page.locator(".count").all()][:2] == ["2", "2"]
    assert page.get_by_role("status").inner_text() == "A2: 2"


def test_nothing_exported_runs_in_a_spreadsheet(
    phone: OpenPhone, trial: Path, tmp_path: Path
) -> None:
    page = phone().open(make_page(trial))
    set_day(page)
    page.get_by_label("Counted by").fill("@SUM(A1:A9)")
    notes = ("=cmd|' /C calc'!A0", "+1", "-1", "@x", "\t=2", "plain", "'=3")
    for plot, note in zip(("A1", "A2", "A3", "B1", "B2", "B3"), notes, strict=False):
        page.get_by_role("button", name=f"More on {plot}").click()
        page.get_by_label("Note").fill(note)
        page.get_by_role("button", name="Keep").click()
    rows = export(page, tmp_path)
    cells = [cell for row in rows for cell in row.values()]
    assert not [cell for cell in cells if cell.lstrip().startswith(("=", "+", "-", "@"))]
    assert [row["note"] for row in rows][:2] == ["'=cmd|' /C calc'!A0", "'+1"]
    append_records(trial, rows)


def test_a_browser_that_keeps_nothing_still_counts(
    phone: OpenPhone, trial: Path, tmp_path: Path
) -> None:
    made = phone()
    page = made.page()
    # A page without an origin of its own has no storage, as on phones that open files that way.
    text = base64.b64encode(make_page(trial).read_bytes()).decode()
    page.goto(f"data:text/html;base64,{text}")
    assert "keeps nothing" in page.locator("#told").inner_text()
    set_day(page)
    page.get_by_role("button", name="More on A1").click()
    page.get_by_label("Seedlings so far").fill("7")
    page.get_by_role("button", name="Keep").click()
    assert [(row["plot"], row["emerged"]) for row in export(page, tmp_path)] == [("A1", "7")]
