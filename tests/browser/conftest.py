"""A real browser for the pages: Chromium from the system's packages, driven by playwright."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Everything in this folder needs the browser."""
    for item in items:
        if Path(__file__).parent in item.path.parents:
            item.add_marker(pytest.mark.browser)


def _chromium() -> str | None:
    given = os.environ.get("THERMOSPROUT_CHROMIUM")
    names = ("chromium", "chromium-browser", "google-chrome")
    return given or next(filter(None, map(shutil.which, names)), None)


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """Headless Chromium; skips where there is none."""
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    path = _chromium()
    if path is None:
        pytest.skip("no Chromium found: install the system's package or set THERMOSPROUT_CHROMIUM")
    with playwright.sync_playwright() as driver:
        running = driver.chromium.launch(executable_path=path, args=ARGUMENTS)
        yield running
        running.close()


@dataclass
class Watched:
    """A page and what went wrong on it."""

    page: Any
    faults: list[str] = field(default_factory=list)

    def watch(self) -> None:
        """Note console errors, script errors and every request that is not the file itself."""
        self.page.on(
            "console",
            lambda message: (
                self.faults.append(f"{message.type}: {message.text}")
                if message.type in ("error", "warning")
                else None
            ),
        )
        self.page.on("pageerror", lambda error: self.faults.append(f"script: {error}"))
        self.page.on("request", self._asked)

    def _asked(self, request: Any) -> None:
        if not request.url.startswith(("file:", "data:", "blob:")):
            self.faults.append(f"request: {request.url}")


@dataclass
class Phone:
    """A browser profile that remembers, as a phone's does, with as many pages as wanted."""

    context: Any
    opened: list[Watched] = field(default_factory=list)

    def open(self, path: Path) -> Any:
        """Open a page from its file."""
        watched = Watched(self.context.new_page())
        watched.watch()
        self.opened.append(watched)
        watched.page.goto(path.resolve().as_uri())
        return watched.page

    @property
    def faults(self) -> list[str]:
        """Faults of all pages opened."""
        return [fault for watched in self.opened for fault in watched.faults]


OpenPhone = Callable[..., Phone]


@pytest.fixture
def phone(browser: Any) -> Iterator[OpenPhone]:
    """Make a browser profile of a given size; no page may end with a fault on its console."""
    phones: list[Phone] = []

    def make(width: int = 390, height: int = 844, **options: Any) -> Phone:
        context = browser.new_context(
            viewport={"width": width, "height": height}, accept_downloads=True, **options
        )
        context.set_default_timeout(10_000)
        phones.append(Phone(context))
        return phones[-1]

    yield make
    for made in phones:
        assert made.faults == []
        made.context.close()


def serious_faults(page: Any) -> list[str]:
    """What axe-core calls serious or critical (WCAG 2.2 A and AA, and its best practices)."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright")
    found = axe.Axe().run(page).response["violations"]
    return [
        f"{fault['id']}: {fault['help']} ({fault['nodes'][0]['html'][:120]})"
        for fault in found
        if fault["impact"] in ("serious", "critical")
    ]


def overflow(page: Any) -> list[str]:
    """Elements wider than the window, or whose text is cut off by their box."""
    return list(
        page.evaluate(
            """() => {
              const out = [], wide = document.documentElement.clientWidth;
              if (document.documentElement.scrollWidth > wide + 1) out.push(
                `page is ${document.documentElement.scrollWidth} wide in a window of ${wide}`);
              for (const element of document.body.querySelectorAll('*')) {
                if (element.closest('svg') || element.closest('.unseen')) continue;
                const box = element.getBoundingClientRect(), style = getComputedStyle(element);
                if (box.width === 0 || style.visibility === 'hidden') continue;
                if (box.right > wide + 1 && !element.closest('[data-scrolls]'))
                  out.push(`${element.tagName}.${element.className} ends at ${box.right}`);
                const cuts = ['hidden', 'clip'].includes(style.overflowX)
                  || ['hidden', 'clip'].includes(style.overflowY);
                if (cuts && (element.scrollWidth > element.clientWidth + 1
                  || element.scrollHeight > element.clientHeight + 1))
                  out.push(`${element.tagName}.${element.className} cuts its text`);
              }
              return out.slice(0, 10);
            }"""
        )
    )
