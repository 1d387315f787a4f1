"""One style for every picture: two inks, earth and leaf, that stay apart in grey print."""

from __future__ import annotations

import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from datetime import datetime, tzinfo
from pathlib import Path
from typing import TYPE_CHECKING, Any

from thermosprout.errors import InputError

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.calibration.findings import Finding


INK = "#22201c"
QUIET = "#6b655b"
FAINT = "#ddd8cc"
LEAF = "#1f6f4a"
EARTH = "#a3541f"
WATER = "#2a5d8f"
PAPER = "#fffdf8"

LOOKS: tuple[tuple[str, Any], ...] = (
    (EARTH, "-"), (WATER, (0, (6, 2))), (LEAF, (0, (2, 1.4))), (INK, (0, (8, 2, 1.5, 2))),
    (QUIET, (0, (1, 2.5))), (EARTH, (0, (1, 1))), (WATER, (0, (10, 3))),
    (LEAF, (0, (4, 1.5, 1, 1.5, 1, 1.5))),
)  # fmt: skip
"""Ink and pattern of lines that stand side by side; either of them tells neighbours apart."""

TREATMENT_LOOKS = dict(zip(("direct", "soaked", "presprouted"), LOOKS, strict=False))
"""Look of each known treatment, the same in all pictures."""

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

    with mpl.rc_context(_RC), warnings.catch_warnings():
        warnings.filterwarnings("ignore", "Glyph")  # said once, when the picture is written
        yield


def write(axes: Axes, text: str, at: tuple[Any, Any], **look: Any) -> None:
    """Write a small word at a place in data, moved by ``xytext`` points; see ``annotate``."""
    axes.annotate(text, at, **{"textcoords": "offset points", "fontsize": 7.5, **look})


def day_axis(axes: Axes, zone: tzinfo | None = None, *, least: int = 3, most: int = 6) -> None:
    """Name days along the bottom as ``6 May``."""
    from matplotlib.dates import AutoDateLocator, DateFormatter

    locator = AutoDateLocator(minticks=least, maxticks=most, tz=zone, interval_multiples=False)
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(DateFormatter("%-d %b", tz=zone))


def spaced(wishes: Sequence[float], gap: float) -> list[float]:
    """Places in rising order, each moved up until it is a gap away from the one below."""
    places: list[float] = []
    for place in wishes:
        places.append(max(place, places[-1] + gap) if places else place)
    return places


_APART_PX = 1.5
_MOVES = (0, -1, 1, -2, 2, -3, 3, -4, 4, -5, 5, -6, 6)
"""Lines by which a label is moved down or up until it is clear, nearest first."""


def keep_apart(axes: Axes, clear_of: Sequence[tuple[Any, float]] = ()) -> None:
    """Move the labels of axes up or down until none lies on another or on a point.

    Parameters
    ----------
    axes : Axes
        With all that is drawn on them; annotations are moved in the order they were made.
    clear_of : sequence of (x, y)
        Points to keep clear of, in data.
    """
    from matplotlib.text import Annotation
    from matplotlib.transforms import Bbox

    axes.get_xlim(), axes.get_ylim()  # settles the limits, which places in pixels rest on
    across: Any = axes.xaxis.convert_units
    places = [axes.transData.transform((across(x), y)) for x, y in clear_of]
    boxes = [Bbox.from_bounds(x - 3, y - 3, 6, 6) for x, y in places]
    inside = axes.get_window_extent()
    dots = axes.figure.dpi / 72.0
    for label in (text for text in axes.texts if isinstance(text, Annotation)):
        box = label.get_window_extent()
        for lines in _MOVES:
            up = lines * (box.height + _APART_PX)
            moved = box.translated(0.0, up)
            within = inside.y0 <= moved.y0 and moved.y1 <= inside.y1 + box.height
            if within and not any(moved.padded(_APART_PX / 2).overlaps(other) for other in boxes):
                break
        else:
            moved, up = box, 0.0
        x, y = label.xyann
        label.xyann = (x, y + up / dots)
        boxes.append(moved)


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


_STAGES = ("first", "half", "full")
_MARKS = {"first": "|", "half": "o", "full": "D"}


def new_axes(ax: Axes | None, *, height: float = 3.2) -> Axes:
    """Return the axes given, or those of a new figure that a notebook shows."""
    if ax is not None:
        return ax
    from matplotlib import pyplot

    axes: Axes = pyplot.figure(figsize=(6.4, height), layout="constrained").add_subplot()
    return axes


def draw_options(document: Mapping[str, Any], ax: Axes | None = None) -> Axes:
    """Days from planting to each stage of every option, half emergence with its 80 % range.

    Parameters
    ----------
    document : mapping
        The JSON document of ``thermosprout compare``.
    """
    options = document["options"]
    with own_style():
        axes = new_axes(ax, height=1.2 + 0.45 * len(options))
        for place, option in enumerate(reversed(options)):
            ink, _ = TREATMENT_LOOKS.get(option["treatment"], LOOKS[0])
            days = option["days_since_planted"]
            half = days["half"]
            if half["p10"] is not None and half["p90"] is not None:
                axes.plot([half["p10"], half["p90"]], [place, place], color=ink, linewidth=2.4)
            for stage in _STAGES:
                middle = days[stage]["p50"]
                if middle is not None:
                    axes.plot(middle, place, _MARKS[stage], color=ink, markersize=7)
        axes.set_yticks(range(len(options)), [one["option"] for one in reversed(options)])
        axes.set_ylim(-0.6, len(options) - 0.4)
        axes.set_xlim(left=0)
        axes.set_xlabel("days from planting (first |, half ●, full ◆; bar: 80 % range of half)")
        axes.set_title(f"{document['crop']}: ways to sow")
    return axes


def draw_events(events: Sequence[Mapping[str, Any]], title: str, ax: Axes | None = None) -> Axes:
    """Things to do along the days, one line each.

    Parameters
    ----------
    events : sequence of mapping
        With ``start`` (ISO time) and ``summary``.
    """
    with own_style():
        axes = new_axes(ax, height=1.0 + 0.42 * len(events))
        days: list[Any] = [datetime.fromisoformat(event["start"]) for event in events]
        for place, (day, event) in enumerate(zip(days, events, strict=True)):
            axes.plot([days[0], day], [-place, -place], color=QUIET, linewidth=0.8)
            axes.plot(day, -place, "o", color=LEAF, markersize=6)
            write(axes, event["summary"], (days[0], -place), xytext=(0, 4), fontsize=8)
        axes.set_yticks([])
        axes.set_ylim(-len(events) + 0.4, 0.9)
        day_axis(axes, days[0].tzinfo)
        axes.set_title(title)
    return axes


def draw_parameters(findings: Sequence[Finding], title: str, ax: Axes | None = None) -> Axes:
    """Interval of each parameter after the records, as a share of the interval before.

    Parameters
    ----------
    findings : sequence of Finding
        Parameters; those that the records do not tell are left out.
    """
    rows = [one for one in findings if one.low is not None and one.high is not None]
    with own_style():
        axes = new_axes(ax, height=1.0 + 0.3 * len(rows))
        for place, one in enumerate(reversed(rows)):
            _, low, high = one.prior
            span = (high - low) or 1.0
            axes.plot([-0.5, 0.5], [place, place], color=QUIET, linewidth=5, alpha=0.35)
            limits = [value for value in (one.low, one.high) if value is not None]
            ends = [(value - (low + high) / 2.0) / span for value in limits]
            axes.plot(ends, [place, place], color=LEAF, linewidth=2.2)
        axes.set_yticks(range(len(rows)), [one.name for one in reversed(rows)])
        axes.set_xlabel("90 % interval before (grey) and after the records")
        axes.set_xticks([])
        axes.set_title(title)
    return axes
