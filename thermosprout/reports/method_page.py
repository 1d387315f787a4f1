"""The page on the method: why the dates are what they are, in words a grower reads."""

from __future__ import annotations

from functools import cache
from importlib import resources

from markupsafe import Markup


@cache
def method_text() -> str:
    """Return the page as Markdown."""
    return resources.files("thermosprout.reports").joinpath("method.md").read_text("utf-8")


@cache
def method_html() -> Markup:
    """Return the page as HTML, its headings one level down, without links that lead away."""
    from markdown_it import MarkdownIt

    reader = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = reader.parse(method_text())
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{int(token.tag[1]) + 1}"
    # The text is our own file, rendered with raw HTML turned off.
    return Markup(reader.renderer.render(tokens, reader.options, {}))  # noqa: S704
