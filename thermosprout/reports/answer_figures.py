"""Pictures of answers in a notebook: options of a comparison, sprouting days, parameters."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

from thermosprout.reports.style import EARTH, LEAF, QUIET, TREATMENT_INK, own_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermosprout.calibration.findings import Finding

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
            ink = TREATMENT_INK.get(option["treatment"], EARTH)
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
            axes.annotate(
                event["summary"], (days[0], -place), xytext=(0, 4), textcoords="offset points",
                fontsize=8,
            )  # fmt: skip
        axes.set_yticks([])
        axes.set_ylim(-len(events) + 0.4, 0.9)
        from matplotlib.dates import AutoDateLocator, DateFormatter

        zone = days[0].tzinfo
        axes.xaxis.set_major_locator(AutoDateLocator(minticks=3, maxticks=6, tz=zone))
        axes.xaxis.set_major_formatter(DateFormatter("%-d %b", tz=zone))
        axes.set_title(title)
    return axes


def draw_parameters(findings: Sequence[Finding], title: str, ax: Axes | None = None) -> Axes:
    """Interval of each parameter after the records, as a share of the interval before.

    Parameters
    ----------
    findings : sequence of Finding
        Parameters; those that the records do not tell are left out.
    """
    shown = [one for one in findings if one.low is not None and one.high is not None]
    with own_style():
        axes = new_axes(ax, height=1.0 + 0.3 * len(shown))
        for place, one in enumerate(reversed(shown)):
            _, low, high = one.prior
            span = (high - low) or 1.0
            axes.plot([-0.5, 0.5], [place, place], color=QUIET, linewidth=5, alpha=0.35)
            known = [value for value in (one.low, one.high) if value is not None]
            ends = [(value - (low + high) / 2.0) / span for value in known]
            axes.plot(ends, [place, place], color=LEAF, linewidth=2.2)
        axes.set_yticks(range(len(shown)), [one.name for one in reversed(shown)])
        axes.set_xlabel("90 % interval before (grey) and after the records")
        axes.set_xticks([])
        axes.set_title(title)
    return axes
