"""Make the pictures of the README from the demo season, into ``demo/pictures``.

Run ``python demo/make_pictures.py``. Pages are photographed by Chromium, driven by playwright;
where either is missing, those pictures are left as they are and the script says so.
"""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.cli.season import DEMO_DAY

HERE = Path(__file__).resolve().parent
PICTURES = HERE / "pictures"
ROWS = ("N1", "N2", "N3", "C1")
CHROMIUM = ("chromium", "chromium-browser", "google-chrome")
ARGUMENTS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]


def run(*words: str) -> None:
    """Run one command as a grower would; stop when it fails."""
    result = CliRunner().invoke(app, list(words))
    if result.exit_code != 0:
        sys.exit(f"thermosprout {' '.join(words)}: {result.exception or result.stderr}")


def draw(folder: Path) -> None:
    """Pictures that the commands draw themselves."""
    season = str(folder / "season.toml")
    rows = [word for row in ROWS for word in ("--row", row)]
    run(
        "forecast",
        season,
        "--as-of",
        DEMO_DAY,
        *rows,
        "--plot",
        str(PICTURES / "rows.png"),
        "--force",
    )
    trial, soil = str(folder / "trial.csv"), str(folder / "soil.csv")
    run("trial", "analyse", trial, "--soil", soil, "--plot", str(PICTURES / "trial.png"), "--force")
    run("report", season, "--as-of", DEMO_DAY, "--trial", trial, "-o", str(folder / "season.html"))
    run("trial", "sheet", trial, "-o", str(folder / "sheet.html"))


def photograph(folder: Path) -> None:
    """Pictures of the pages, as a phone shows them."""
    chromium = next(filter(None, map(shutil.which, CHROMIUM)), None)
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        chromium = None
    if chromium is None:
        sys.stderr.write("No Chromium with playwright: pictures of pages are left as they are.\n")
        return
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        for name, scheme, prepare in (
            ("season", "light", ""),
            ("season-row", "dark", "document.querySelector('#row-2').scrollIntoView()"),
            ("sheet", "light", _TAPS),
        ):
            page = browser.new_page(
                viewport={"width": 390, "height": 844}, color_scheme=scheme
            )  # fmt: skip
            _shoot(page, folder / f"{name.partition('-')[0]}.html", prepare, name)
        browser.close()


_TAPS = """
  document.getElementById('day').value = '2026-06-02';
  document.getElementById('day').dispatchEvent(new Event('change'));
  const tap = (k, n) => { while (n--) document.querySelectorAll('.tap')[k].click(); };
  tap(0, 2); tap(2, 1); document.querySelectorAll('.same')[1].click();
"""


def _shoot(page: Any, path: Path, prepare: str, name: str) -> None:
    page.goto(path.as_uri())
    if prepare:
        page.evaluate(f"() => {{ {prepare} }}")
    page.wait_for_timeout(300)
    page.screenshot(path=str(PICTURES / f"{name}.png"))


def main() -> None:
    """Make all pictures in a copy of the demo."""
    PICTURES.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "demo"
        shutil.copytree(HERE, folder)
        draw(folder)
        photograph(folder)


if __name__ == "__main__":
    main()
