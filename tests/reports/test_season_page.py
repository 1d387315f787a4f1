"""The season page as text: whatever stands in the files is shown as text, and nothing leads out."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser
from pathlib import Path

import pytest

from tests.reports.big_season import big_report
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


class Skeleton(HTMLParser):
    """Tags with the names of their attributes, and all text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, tuple[str, ...]]] = []
        self.text: list[str] = []
        self.values: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, tuple(name for name, _ in attrs)))
        self.values += [value or "" for _, value in attrs]

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def page_of(folder: Path, names: list[str]) -> str:
    result = forecast(write_season(folder, names))
    trials = (TrialReport(title=names[0], result=trial_result(names)),)
    return season_page(report_of(result, trials))


@pytest.fixture(scope="module")
def pages(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, str]:
    """The same season with hostile names and with plain ones."""
    return (
        page_of(tmp_path_factory.mktemp("hostile"), HOSTILE),
        page_of(tmp_path_factory.mktemp("plain"), PLAIN),
    )


def test_hostile_names_are_shown_as_text_and_change_no_tag(pages: tuple[str, str]) -> None:
    hostile, plain = Skeleton(pages[0]), Skeleton(pages[1])
    text = "\0".join(hostile.text)
    for name in HOSTILE:
        assert name in text
    # Draws go by the names of rows, so that notes and ticks may differ in number, not in kind.
    assert set(hostile.tags) == set(plain.tags)
    for tag in ("article", "svg", "table", "h4", "style", "head", "body"):
        counts = [sum(name == tag for name, _ in page.tags) for page in (hostile, plain)]
        assert counts[0] == counts[1], tag


def test_the_page_has_no_script_and_no_address(
    pages: tuple[str, str],
) -> None:
    page = pages[1]
    skeleton = Skeleton(page)
    names = {tag for tag, _ in skeleton.tags}
    assert not names & {"script", "img", "iframe", "object", "form", "base", "embed"}
    assert {name for _, given in skeleton.tags for name in given if name.startswith("on")} == set()
    assert all("style" not in given for _, given in skeleton.tags)
    assert not [value for value in skeleton.values if re.search(r"(https?:)?//", value)]
    policy = re.search(r'Content-Security-Policy" content="([^"]+)"', page)
    assert policy is not None
    told = policy[1].replace("&#39;", "'")
    style = re.search(r"<style>(.*?)</style>", page, re.DOTALL)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    for part in ("default-src 'none'", "connect-src 'none'", "script-src 'none'",
                 f"style-src 'sha256-{digest}'", "form-action 'none'"):  # fmt: skip
        assert part in told


def test_every_row_has_picture_dates_and_sources(
    pages: tuple[str, str],
) -> None:
    page = pages[1]
    anchors = set(re.findall(r' id="([^"]+)"', page))
    assert len(anchors) == len(re.findall(r' id="([^"]+)"', page))
    assert set(re.findall(r'href="#([^"]+)"', page)) <= anchors
    assert page.count('class="picture"') == len(PLAIN) + 1
    assert page.count("Where these numbers come from") == len(PLAIN)
    assert page.count('role="img" aria-label="') == len(PLAIN) + 1


def test_a_season_without_rows_says_so(tmp_path: Path) -> None:
    path = write_season(tmp_path, PLAIN[:2])
    text = path.read_text().split("[[lots]]")[0]
    path.write_text(text, encoding="utf-8")
    page = season_page(report_of(forecast(path)))
    assert "The season has no rows yet." in page
    assert "Nothing is due this week." in page


HEADER = (
    "plot,block,variety,seed_lot,treatment,started,planted,seeds_started,seeds_planted,depth_cm,"
    "inspected,emerged"
)


def sheet_page(folder: Path, names: list[str]) -> str:
    lines = [HEADER]
    for index, name in enumerate(names):
        quoted = '"' + name.replace('"', '""') + '"'
        lines.append(
            f"{quoted},{index % 2},{quoted},{quoted},{quoted},2026-04-05,2026-04-06,40,40,1.5,,"
        )
    path = folder / "trial.csv"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    return record_sheet(sheet_of(load(path).histories, title=names[0]))


def test_hostile_names_are_shown_as_text_on_the_record_sheet(tmp_path: Path) -> None:
    # What a spreadsheet would run, or no eye can see, never gets past the reader of records.
    fit = [name for name in HOSTILE if not name.startswith(("=", "+", "-", "@", "\u200f"))]
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    hostile, plain = (
        Skeleton(sheet_page(tmp_path / "a", fit)),
        Skeleton(sheet_page(tmp_path / "b", PLAIN[: len(fit)])),
    )
    assert hostile.tags == plain.tags
    text = "\0".join(hostile.text)
    for name in fit:
        assert name in text


def test_sixty_rows_and_four_trials_stay_small(tmp_path: Path) -> None:
    page = season_page(big_report(tmp_path))
    assert page.count('<article class="card"') == 60
    assert page.count('<article class="trial"') == 4
    assert len(page.encode()) < 1.5e6
