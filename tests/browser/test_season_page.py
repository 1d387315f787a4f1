"""The season page in a real browser: from a file, without a network, large, dark and on paper."""

from __future__ import annotations

import io
import re
import unicodedata
from pathlib import Path
from typing import Any

import pytest

from tests.browser.conftest import OpenPhone, overflow, serious_faults
from tests.reports.season_files import (
    HOSTILE,
    PLAIN,
    forecast,
    report_of,
    trial_result,
    write_season,
)
from thermosprout.reports.pages import record_sheet, sheet_of
from thermosprout.reports.season_page import TrialReport, season_page
from thermosprout.trials.records.read import load

PAPER_MM = {"A4": (210.0, 297.0), "Letter": (215.9, 279.4)}
MARGIN_MM = 12.0


def write_page(folder: Path, names: list[str]) -> Path:
    result = forecast(write_season(folder, names))
    trials = tuple(TrialReport(title=name, result=trial_result(names[:3])) for name in names[:2])
    path = folder / "season.html"
    path.write_text(season_page(report_of(result, trials)), encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def plain(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_page(tmp_path_factory.mktemp("plain"), PLAIN)


@pytest.fixture(scope="module")
def hostile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_page(tmp_path_factory.mktemp("hostile"), HOSTILE)


def open_all(page: Any) -> None:
    page.evaluate("for (const part of document.querySelectorAll('details')) part.open = true")


@pytest.mark.parametrize("scheme", [pytest.param("light", marks=pytest.mark.slow), "dark"])
def test_the_page_opens_without_fault_and_is_accessible(
    phone: OpenPhone, plain: Path, scheme: str
) -> None:
    page = phone(color_scheme=scheme).open(plain)
    assert serious_faults(page) == []
    open_all(page)
    assert serious_faults(page) == []
    assert overflow(page) == []


@pytest.mark.slow
def test_axe_sees_a_fault_that_is_planted(phone: OpenPhone, plain: Path, tmp_path: Path) -> None:
    spoilt = tmp_path / "spoilt.html"
    text = plain.read_text(encoding="utf-8")
    spoilt.write_text(text.replace('role="img" aria-label', 'role="img" data-label'), "utf-8")
    assert any("svg-img-alt" in fault for fault in serious_faults(phone().open(spoilt)))


@pytest.mark.parametrize("width", [390, 1280])
def test_text_of_twice_the_size_is_not_cut(phone: OpenPhone, hostile: Path, width: int) -> None:
    page = phone(width).open(hostile)
    open_all(page)
    before = page.evaluate("document.body.innerText.length")
    page.evaluate("document.documentElement.style.setProperty('font-size', '200%')")
    assert overflow(page) == []
    assert page.evaluate("document.body.innerText.length") == before


def test_zoomed_to_200_percent_the_page_still_fits(phone: OpenPhone, plain: Path) -> None:
    # Zooming halves the window in CSS pixels (WCAG 2.2, success criteria 1.4.4 and 1.4.10).
    page = phone(640, 450).open(plain)
    open_all(page)
    assert overflow(page) == []
    narrow = phone(320, 640).open(plain)
    open_all(narrow)
    assert overflow(narrow) == []


def test_hostile_names_run_nothing(phone: OpenPhone, hostile: Path) -> None:
    made = phone()
    alerts: list[str] = []

    def alert(dialog: Any) -> None:
        alerts.append(dialog.message)
        dialog.dismiss()

    page = made.page()
    page.on("dialog", alert)
    page.goto(hostile.as_uri())
    shown = page.evaluate("document.body.textContent")
    for name in HOSTILE:
        assert name in shown
    assert alerts == []
    assert page.evaluate("document.querySelectorAll('img, script').length") == 0
    page.remove_listener("dialog", alert)


def test_the_keyboard_reaches_the_week_first_and_opens_reasons(
    phone: OpenPhone, plain: Path
) -> None:
    page = phone(1280, 900).open(plain)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getAttribute('href')") == "#week"
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    page.keyboard.press("Tab")
    focused = "document.activeElement.tagName"
    assert page.evaluate(focused) in ("A", "SUMMARY")
    page.locator("details > summary").first.focus()
    page.keyboard.press("Enter")
    assert page.locator("details").first.get_attribute("open") is not None


def printed(page: Any, paper: str) -> list[str]:
    """Text of each printed page; nothing may stand outside the paper."""
    pypdf = pytest.importorskip("pypdf")
    reader = pypdf.PdfReader(io.BytesIO(page.pdf(format=paper)))
    width, height = (mm / 25.4 * 72 for mm in PAPER_MM[paper])
    texts = []
    for sheet in reader.pages:
        assert float(sheet.mediabox.width) == pytest.approx(width, abs=2)
        assert float(sheet.mediabox.height) == pytest.approx(height, abs=2)
        # Ligatures are one sign on paper and two in the text.
        texts.append(re.sub(r"\s+", " ", unicodedata.normalize("NFKC", sheet.extract_text())))
    return texts


def fits_the_paper(page: Any, paper: str) -> list[str]:
    """Lay the page out as printed, at the width of the paper, and look for what sticks out."""
    width = round((PAPER_MM[paper][0] - 2 * MARGIN_MM) / 25.4 * 96)
    page.emulate_media(media="print")
    page.set_viewport_size({"width": width, "height": 1000})
    found = overflow(page)
    page.emulate_media(media="null")
    return found


@pytest.mark.parametrize("paper", ["A4", pytest.param("Letter", marks=pytest.mark.slow)])
def test_the_season_prints_whole(phone: OpenPhone, plain: Path, paper: str) -> None:
    page = phone().open(plain)
    assert fits_the_paper(page, paper) == []
    texts = printed(page, paper)
    whole = " ".join(texts)
    for name in PLAIN:
        assert name in whole
    for word in ("This week", "first seedling", "wait until", "Sources", "What it does not know"):
        assert word in whole
    # A card of a row is never torn: its heading and its last line share a sheet.
    cards = [len(re.findall(r"first seedling [\d–]", text)) for text in texts]
    assert sum(cards) == len(PLAIN)
    assert cards == [text.count("and their sources") for text in texts]


@pytest.mark.parametrize("paper", ["A4", pytest.param("Letter", marks=pytest.mark.slow)])
def test_the_record_sheet_prints_whole(phone: OpenPhone, tmp_path: Path, paper: str) -> None:
    header = (
        "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,"
        "depth_cm,inspected,emerged"
    )
    lines = [header]
    names = [f"{'ABCD'[block]}{number}" for block in range(4) for number in range(1, 13)]
    for index, name in enumerate(names):
        treatment = ("direct", "soaked", "a treatment with a rather long name")[index % 3]
        lines.append(
            f"{name},{index // 12},variety {index % 2},L,{treatment},2026-04-05,2026-04-06,40,40,"
            f"1.5,2026-04-20,{index % 5}"
        )
    trial = tmp_path / "trial.csv"
    trial.write_text("\n".join(lines) + "\n", encoding="utf-8")
    path = tmp_path / "sheet.html"
    path.write_text(record_sheet(sheet_of(load(trial).histories, title="long bed")), "utf-8")
    page = phone().open(path)
    assert fits_the_paper(page, paper) == []
    texts = printed(page, paper)
    for name in names:
        assert sum(len(re.findall(rf"\b{name}\b", text)) for text in texts) == 2, name
    assert "Export" not in " ".join(texts)
    # The head of the table stands on every sheet that holds some of it.
    assert all("planted" in text for text in texts if re.search(r"6 Apr", text)), texts
    assert sum("planted" in text for text in texts) >= 2
