"""Picture of a forecast: seedlings with their odds over the soil temperature they stand on."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.quantities import Units, fahrenheit
from thermosprout.reports.style import EARTH, FAINT, INK, LEAF, QUIET, own_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.season.curve import EmergenceCurve


def forecast_figure(curves: list[EmergenceCurve], units: Units = Units.METRIC) -> Figure:
    """Draw one panel per row, the soil temperature as a strip under it.

    Parameters
    ----------
    curves : list of EmergenceCurve
        At least one.
    units : Units
        Unit of the main temperature axis; the other stands on the right.
    """
    from matplotlib.figure import Figure

    with own_style():
        across = 1 if len(curves) == 1 else 2 if len(curves) <= 6 else 3
        down = -(-len(curves) // across)
        height = 3.6 * down
        figure = Figure(figsize=(5.2 * across, height))
        outer = figure.add_gridspec(
            down,
            across,
            left=0.78 / (5.2 * across),
            right=1 - 0.55 / (5.2 * across),
            bottom=0.35 / height,
            top=1 - 0.35 / height,
            wspace=0.32,
            hspace=0.3,
        )
        for index, curve in enumerate(curves):
            inner = outer[index // across, index % across].subgridspec(
                2, 1, height_ratios=(3, 1.2), hspace=0.1
            )
            top = figure.add_subplot(inner[0])
            bottom = figure.add_subplot(inner[1], sharex=top)
            _seedlings(top, curve)
            _soil(bottom, curve, units)
        return figure


def _seedlings(axes: Axes, curve: EmergenceCurve) -> None:
    when = np.array(curve.when, dtype=object)
    axes.fill_between(when, curve.low, curve.high, color=LEAF, alpha=0.22, linewidth=0)
    axes.plot(when, curve.middle, color=LEAF, linewidth=1.8)
    axes.set_ylim(0, 108)
    axes.set_ylabel("seedlings per\n100 seeds planted")
    title = f"{curve.row}  {curve.title}, {curve.treatment}"
    axes.set_title(title if len(title) < 46 else f"{title[:45]}…")
    axes.tick_params(labelbottom=False)
    last = len(curve.when) - 1
    at = min(int(last * 0.97), last)
    axes.annotate(
        "8 in 10 odds",
        (curve.when[at], curve.high[at]),
        xytext=(0, 4),
        textcoords="offset points",
        ha="right",
        va="bottom",
        fontsize=7.5,
        color=LEAF,
    )
    if curve.counts:
        low = curve.counts[-1][1] < 20
        late = _late(curve.counts[-1][0], curve)
        up = (24 if late else 5) if low else -5  # above the words of the band, where they are
        inspected, seen = zip(*curve.counts, strict=True)
        axes.plot(inspected, seen, "o", color=INK, markersize=4, markerfacecolor="white", zorder=5)
        axes.annotate(
            "counted",
            (inspected[-1], seen[-1]),
            # Inside the axes: over a ring near their foot, to the left of one at their end.
            xytext=(-6 if late else 6, up),
            textcoords="offset points",
            ha="right" if late else "left",
            va="bottom" if low else "top",
            fontsize=7.5,
        )
    _moment(axes, curve.planted, "planted", curve)
    if curve.when[0] <= curve.today <= curve.when[-1]:
        _moment(axes, curve.today, "today", curve)


def _moment(axes: Axes, when: object, text: str, curve: EmergenceCurve) -> None:
    axes.axvline(when, color=QUIET, linewidth=0.9, linestyle=":")  # type: ignore[arg-type]
    axes.annotate(
        text,
        (when, 104),
        xytext=(3, 0),
        textcoords="offset points",
        va="top",
        fontsize=7.5,
        color=QUIET,
    )


def _late(when: datetime, curve: EmergenceCurve) -> bool:
    """Whether an instant lies in the last quarter of the picture."""
    first, last = curve.when[0], curve.when[-1]
    return when > first + 0.75 * (last - first)


def _soil(axes: Axes, curve: EmergenceCurve, units: Units) -> None:
    from matplotlib.dates import AutoDateLocator, DateFormatter

    us = units is Units.US
    convert = fahrenheit if us else float
    soil = np.array([convert(value) for value in curve.soil_C])
    low = np.array([convert(value) for value in curve.soil_low_C])
    high = np.array([convert(value) for value in curve.soil_high_C])
    days = np.array(curve.soil_when, dtype=object)
    if np.nanmax(high - low, initial=0.0) > 0.05:
        axes.fill_between(days, low, high, color=EARTH, alpha=0.2, linewidth=0)
    axes.plot(days, soil, color=EARTH, linewidth=1.4, linestyle=(0, (5, 1.2)))
    axes.set_ylabel("soil\n°F" if us else "soil\n°C")
    axes.margins(y=0.25)
    other = axes.secondary_yaxis(
        "right",
        functions=(
            (lambda f: (np.asarray(f) - 32) / 1.8, lambda c: np.asarray(c) * 1.8 + 32)
            if us
            else (lambda c: np.asarray(c) * 1.8 + 32, lambda f: (np.asarray(f) - 32) / 1.8)
        ),
    )
    other.set_ylabel("°C" if us else "°F")
    other.spines["right"].set_color(FAINT)
    locator = AutoDateLocator(
        minticks=3, maxticks=6, tz=curve.planted.tzinfo, interval_multiples=False
    )
    axes.xaxis.set_major_locator(locator)
    axes.xaxis.set_major_formatter(DateFormatter("%-d %b", tz=curve.planted.tzinfo))
