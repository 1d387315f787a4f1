"""Picture of a sowing window: for each treatment, how good every planting day is.

Each strip stands for one cover and treatment. The hill is the odds that half of the row is up in
time, the broken line the stand; days with frost on the seedlings are hatched; a bracket under the
strip marks the sensible days. The lowest panel shows how long the bed is taken.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from thermosprout.reports.style import EARTH, FAINT, INK, LEAF, QUIET, WATER, own_style

if TYPE_CHECKING:
    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_LINES: tuple[tuple[str, Any], ...] = (
    (EARTH, "-"),
    (WATER, (0, (6, 2))),
    (LEAF, (0, (2, 1.4))),
    (INK, (0, (8, 2, 1.5, 2))),
    (QUIET, (0, (1, 2.5))),
    (EARTH, (0, (1, 1))),
    (WATER, (0, (10, 3))),
    (LEAF, (0, (4, 1.5, 1, 1.5, 1, 1.5))),
)


def window_figure(
    window: xr.Dataset, sensible: Sequence[tuple[Any, Any]], *, title: str | None = None
) -> Figure:
    """Draw a sowing window.

    Parameters
    ----------
    window : xarray.Dataset
        Dims cover, treatment, sowing; see the planning window.
    sensible : sequence of (earliest, last)
        Days of each cover and treatment in the window's order; None where no day will do.
    title : str, optional
        Heading.
    """
    import matplotlib.dates as mdates
    from matplotlib.figure import Figure

    strips = [
        (str(cover), str(treatment))
        for cover in window["cover"].values
        for treatment in window["treatment"].values
    ]
    with own_style():
        height = 1.15 * len(strips) + 2.6
        figure = Figure(figsize=(8.4, height), layout="constrained")
        axes = figure.subplots(
            len(strips) + 1, 1, sharex=True, height_ratios=[1.0] * len(strips) + [1.7]
        )
        for index, (cover, treatment) in enumerate(strips):
            one = window.sel(cover=cover, treatment=treatment)
            _strip(axes[index], one, sensible[index])
            name = treatment if len(window["cover"]) == 1 else f"{treatment}, {cover}"
            axes[index].set_title(name, fontsize=9, pad=3)
        _bed(axes[-1], window, strips)
        locator = mdates.AutoDateLocator(minticks=4, maxticks=10)
        axes[-1].xaxis.set_major_locator(locator)
        form = mdates.DateFormatter("%-d %b")
        axes[-1].xaxis.set_major_formatter(form)
        axes[-1].set_xlabel("planted")
        figure.suptitle(
            title or f"{window.attrs['crop']}: every planting day", x=0.01, ha="left", color=INK
        )
        _key(figure, window)
    return figure


def _strip(axes: Axes, one: xr.Dataset, sensible: tuple[Any, Any]) -> None:
    days = one["sowing"].values
    odds, stand = one["odds_in_time"].values, one["stand"].values
    axes.fill_between(days, 0, 100 * odds, color=LEAF, alpha=0.55, linewidth=0)
    axes.plot(days, 100 * odds, color=LEAF, linewidth=1.0)
    axes.plot(days, 100 * stand, color=INK, linewidth=1.2, linestyle=(0, (4, 2)))
    if "frost_risk" in one and one.attrs["tender"]:
        risky = np.nan_to_num(one["frost_risk"].values, nan=1.0) > 0.1
        axes.fill_between(
            days, 0, 100, where=risky, facecolor="none", edgecolor=QUIET, hatch="////",
            linewidth=0.0,
        )  # fmt: skip
    axes.set_ylim(-22, 104)
    axes.set_yticks([0, 50, 100], labels=["0", "50", "100 %"])
    axes.axhline(0, color=QUIET, linewidth=0.7)
    earliest, last = sensible
    if earliest is None or last is None:
        axes.text(days[0], -12, "no sensible day", fontsize=7.5, color=INK, va="center")
    else:
        axes.plot([earliest, last], [-10, -10], color=INK, linewidth=3.2, solid_capstyle="butt")
        _date(axes, earliest, "left" if earliest == days[0] else "right")
        if last != earliest:
            _date(axes, last, "right" if last == days[-1] else "left", after=True)


def _date(axes: Axes, day: Any, side: str, *, after: bool = False) -> None:
    """Name an end of the bracket beside it, or above it at the edge of the picture."""
    text = day.astype("datetime64[D]").item()
    outside = (side == "right") != after
    axes.annotate(
        f"{text.day} {text:%b}",
        (day, -10),
        xytext=((-4 if not after else 4) if outside else 0, 0 if outside else 4),
        textcoords="offset points",
        ha=side,
        va="center" if outside else "bottom",
        fontsize=7.5,
        color=INK,
    )


def _key(figure: Figure, window: xr.Dataset) -> None:
    """Say once what hill, broken line, hatching and bracket mean."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    within = window.attrs["within_days"]
    marks: list[Any] = [
        Patch(facecolor=LEAF, alpha=0.55, label=f"odds of half up in {within:g} d"),
        Line2D([], [], color=INK, linewidth=1.2, linestyle=(0, (4, 2)), label="stand"),
        Line2D([], [], color=INK, linewidth=3.2, label="sensible days"),
    ]
    if "frost_risk" in window and window.attrs["tender"]:
        marks.append(Patch(facecolor="none", edgecolor=QUIET, hatch="////", label="frost"))
    figure.legend(
        handles=marks, loc="outside upper right", ncols=len(marks), frameon=False, fontsize=7.5,
        handlelength=1.8, columnspacing=1.4,
    )  # fmt: skip


def _bed(axes: Axes, window: xr.Dataset, strips: list[tuple[str, str]]) -> None:
    """Bed-days to first harvest, where most years see one; to half emergence otherwise."""
    middle = window.sel(probability=0.5, method="nearest")
    harvest = np.isfinite(middle["days_to_harvest"].values).mean() > 0.2
    name = "days_to_harvest" if harvest else "days_to_half"
    days = window["sowing"].values
    ends: list[tuple[float, str, str]] = []
    for index, (cover, treatment) in enumerate(strips):
        values = middle.sel(cover=cover, treatment=treatment)[name].values
        colour, line = _LINES[index % len(_LINES)]
        values = np.where(np.isfinite(values), values, np.nan)
        axes.plot(days, values, color=colour, linestyle=line, linewidth=1.4)
        known = np.flatnonzero(np.isfinite(values))
        if known.size:
            label = treatment if len(window["cover"]) == 1 else f"{treatment}, {cover}"
            ends.append((float(values[known[-1]]), label, colour))
    axes.set_ylim(0, None)
    top = axes.get_ylim()[1]
    heights: list[float] = []
    # Labels stand beside the ends of their lines, pushed apart where lines lie close.
    for height, _, _ in sorted(ends):
        heights.append(max(height / top, heights[-1] + 0.105 if heights else 0.0))
    too_high = max(heights[-1] - 1.0, 0.0) if heights else 0.0
    for height, (_, label, colour) in zip(heights, sorted(ends), strict=True):
        axes.text(
            1.01, height - too_high, label, transform=axes.transAxes, fontsize=7.5,
            color=colour, va="center",
        )  # fmt: skip
    axes.grid(color=FAINT, linewidth=0.6)
    what = "first harvest" if harvest else "half emergence"
    axes.set_title(f"bed-days to {what} (middle of all years)", fontsize=9, pad=3)
    axes.set_ylabel("days")
