"""Self-contained HTML files, and the page on the method."""

from __future__ import annotations

import base64
import hashlib
import json
from functools import cache
from importlib import resources
from typing import Any

from markupsafe import Markup

_SAFE_JSON = {
    "<": "\\u003c",
    ">": "\\u003e",
    "&": "\\u0026",
    "\u2028": "\\u2028",
    "\u2029": "\\u2029",
}


def offline_page(
    template: str, *, styles: tuple[str, ...], scripts: tuple[str, ...] = (), **context: Any
) -> str:
    """Fill a template into one HTML file that asks nothing of any network.

    Parameters
    ----------
    template : str
        Name of a Jinja template in ``reports/templates``; every value is escaped.
    styles, scripts : tuple of str
        Names of files beside it, put into the page in this order. The page's Content-Security-
        Policy admits these very texts by their SHA-256 and nothing else (W3C CSP Level 3,
        section 8.3: hash sources).
    **context
        Values for the template.

    Returns
    -------
    str
        The page.
    """
    style = "\n".join(_part(name) for name in styles)
    script = "\n".join(_part(name) for name in scripts)
    policy = [
        "default-src 'none'",
        "connect-src 'none'",
        "img-src data:",
        f"style-src {_hash(style)}",
        f"script-src {_hash(script)}" if scripts else "script-src 'none'",
        "base-uri 'none'",
        "form-action 'none'",
    ]
    # The parts are our own files, read whole: nothing a user typed is in them.
    return str(
        _environment()
        .get_template(template)
        .render(
            policy="; ".join(policy),
            style=Markup(style),  # noqa: S704
            script=Markup(script),  # noqa: S704
            **context,
        )
    )


def data_block(value: Any) -> Markup:
    """JSON for a data block of a page, with no sign in it that could end the block."""
    text = json.dumps(value, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for sign, safe in _SAFE_JSON.items():
        text = text.replace(sign, safe)
    return Markup(text)  # noqa: S704


def _hash(text: str) -> str:
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()
    return f"'sha256-{digest}'"


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader("thermosprout.reports", "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )


def _part(name: str) -> str:
    """Text of a style or script; it may not hold the tag that ends it."""
    environment = _environment()
    source: str = environment.loader.get_source(environment, name)[0]
    return source


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
