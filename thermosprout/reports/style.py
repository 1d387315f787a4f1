"""One style for every picture: two inks, earth and leaf, that stay apart in grey print."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermosprout.errors import InputError

if TYPE_CHECKING:
    from matplotlib.figure import Figure

INK = "#22201c"
QUIET = "#6b655b"
FAINT = "#ddd8cc"
LEAF = "#1f6f4a"
EARTH = "#a3541f"
WATER = "#2a5d8f"
PAPER = "#fffdf8"

TREATMENT_INK = {"direct": EARTH, "soaked": WATER, "presprouted": LEAF}
"""Ink of each known treatment; line pattern and label say it as well."""

TREATMENT_LINE = {"direct": "-", "soaked": (0, (6, 2)), "presprouted": (0, (2, 1.4))}

_RC = {
    "font.size": 9,
    "font.family": "DejaVu Sans",
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10,
    "axes.titleweight": "bold",
    "axes.titlelocation": "left",
    "axes.grid": True,
    "grid.color": FAINT,
    "grid.linewidth": 0.6,
    "xtick.color": INK,
    "ytick.color": INK,
    "figure.facecolor": PAPER,
    "axes.facecolor": PAPER,
    "savefig.facecolor": PAPER,
    "svg.hashsalt": "thermosprout",
    "svg.fonttype": "none",
}

_METADATA: dict[str, dict[str, Any]] = {
    "png": {"Software": "thermosprout"},
    "svg": {"Creator": "thermosprout", "Date": None},
    "pdf": {"Creator": "thermosprout", "CreationDate": None},
}
"""Who made the picture, without a date: the same picture is the same file."""


@contextmanager
def own_style() -> Iterator[None]:
    """Draw inside this and it looks like thermosprout."""
    import matplotlib as mpl

    with mpl.rc_context(_RC):
        yield


def figure_bytes(figure: Figure, path: str | Path) -> bytes:
    """Figure as PNG, SVG or PDF, by the ending of a path.

    Raises
    ------
    InputError
        For another ending.
    """
    from io import BytesIO

    kind = Path(path).suffix.lower().lstrip(".")
    if kind not in _METADATA:
        raise InputError(f"a picture ends in .png, .svg or .pdf, found {Path(path).name!r}")
    buffer = BytesIO()
    figure.savefig(buffer, format=kind, dpi=150, metadata=_METADATA[kind])
    return buffer.getvalue()
