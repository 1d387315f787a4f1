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
class Phone:
    """A browser profile that remembers, as a phone's does, and what went wrong on its pages.

    A page of its own for every test would start a process each time: the first is used again.
    """

    context: Any
    faults: list[str] = field(default_factory=list)
    pages: list[Any] = field(default_factory=list)

    def page(self) -> Any:
        """Give a page that the test has not used yet."""
        page = next((one for one in self.context.pages if one not in self.pages), None)
        page = page or self.context.new_page()
        self.pages.append(page)
        return page

    def open(self, path: Path) -> Any:
        """Open a page from its file."""
        page = self.page()
        page.goto(path.resolve().as_uri())
        return page

    def watch(self) -> None:
        """Note console errors, script errors and every request that is not the file itself."""
        self.context.on("console", self._console)
        self.context.on("weberror", lambda error: self.faults.append(f"script: {error.error}"))
        self.context.on("request", self._request)

    def _console(self, message: Any) -> None:
        if message.type in ("error", "warning"):
            self.faults.append(f"{message.type}: {message.text}")

    def _request(self, request: Any) -> None:
        if not request.url.startswith(("file:", "data:", "blob:")):
            self.faults.append(f"request: {request.url}")

    def forget(self) -> None:
        """Make it as new for the next test."""
        for page in self.context.pages:
            if page.url.startswith("file:"):
                page.evaluate("localStorage.clear()")
            page.goto("about:blank")
        for page in self.context.pages[1:]:
            page.close()
        self.faults.clear()
        self.pages.clear()


OpenPhone = Callable[..., Phone]


@pytest.fixture(scope="session")
def one_phone(browser: Any) -> Iterator[Phone]:
    """The browser profile of all tests."""
    phone = Phone(browser.new_context(accept_downloads=True))
    phone.context.set_default_timeout(10_000)
    phone.watch()
    yield phone
    phone.context.close()


@pytest.fixture
def phone(one_phone: Phone) -> Iterator[OpenPhone]:
    """Give the phone a size; no page may end with a fault on its console."""

    def sized(width: int = 390, height: int = 844, color_scheme: str = "light") -> Phone:
        one_phone.pages.clear()
        page = one_phone.page()
        page.set_viewport_size({"width": width, "height": height})
        page.emulate_media(media="null", color_scheme=color_scheme)
        one_phone.pages.clear()
        return one_phone

    yield sized
    faults = list(one_phone.faults)
    one_phone.forget()
    assert faults == []


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
