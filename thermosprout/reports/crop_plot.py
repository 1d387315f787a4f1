"""Picture of one crop: days to emergence and stand against temperature."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.quantities import Units, celsius, show_temperature
from thermosprout.reports.style import EARTH, INK, LEAF, QUIET, own_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure


_MARKS = ("o", "s", "^", "D")
_LEAST_D, _MOST_D = 0.8, 200.0


@dataclass(frozen=True, kw_only=True)
class PublishedPoint:
    """Published days [d] at a temperature [degC], as rounded, and the key of its source."""

    temperature_C: float
    low_d: float
    high_d: float
    label: str


@dataclass(frozen=True, kw_only=True)
class CropCurve:
    """What is drawn; arrays have shape (temperature,).

    Attributes
    ----------
    days, low, high : ndarray
        Days to half emergence from 1.27 cm: typical lot, 10 % and 90 % of lots. [d]
    stand : ndarray
        Share of the stand that the temperature allows. [1]
    """

    title: str
    temperature_C: FloatArray
    days: FloatArray
    low: FloatArray
    high: FloatArray
    points: tuple[PublishedPoint, ...]
    base_C: float
    stand: FloatArray


def crop_figure(curve: CropCurve, units: Units = Units.METRIC) -> Figure:
    """Draw days (logarithmic) over the stand, temperature along the bottom."""
    from matplotlib.figure import Figure

    with own_style():
        figure = Figure(figsize=(7.0, 5.4), layout="constrained")
        upper, lower = figure.subplots(2, 1, sharex=True, height_ratios=[3, 1])
        _draw_days(upper, curve, units)
        lower.plot(curve.temperature_C, 100 * curve.stand, color=EARTH, linewidth=1.8)
        lower.set_ylim(0, 105)
        lower.set_ylabel("stand allowed [%]")
        lower.set_xlabel(f"constant soil temperature [°{'F' if units is Units.US else 'C'}]")
        _ticks(lower, units)
        figure.suptitle(curve.title, x=0.01, ha="left", fontsize=11, fontweight="bold", color=INK)
    return figure


def _draw_days(axes: Axes, curve: CropCurve, units: Units) -> None:
    from matplotlib.ticker import NullLocator

    shown = np.isfinite(curve.days) & (curve.days < 1e4)
    high = np.where(np.isfinite(curve.high), curve.high, 1e6)
    band = np.isfinite(curve.low)
    axes.fill_between(
        curve.temperature_C[band],
        curve.low[band],
        high[band],
        color=LEAF,
        alpha=0.18,
        linewidth=0,
        label="8 of 10 lots",
    )
    axes.plot(
        curve.temperature_C[shown],
        curve.days[shown],
        color=LEAF,
        linewidth=1.8,
        label="typical lot",
    )
    for mark, label in zip(_MARKS, dict.fromkeys(p.label for p in curve.points), strict=False):
        mine = [p for p in curve.points if p.label == label]
        middle = np.array([(p.low_d + p.high_d) / 2 for p in mine])
        reach = [
            [m - max(p.low_d, 0.05) for m, p in zip(middle, mine, strict=True)],
            [p.high_d - m for m, p in zip(middle, mine, strict=True)],
        ]
        axes.errorbar(
            [p.temperature_C for p in mine],
            middle,
            yerr=reach,
            fmt=mark,
            color=INK,
            markersize=4.5,
            markerfacecolor="white",
            capsize=2,
            linewidth=1,
            label=label,
        )
    if curve.base_C > curve.temperature_C[0]:
        axes.axvline(curve.base_C, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))
        axes.annotate(
            f"base {show_temperature(curve.base_C, units)}",
            (curve.base_C, 0.0),
            xycoords=("data", "axes fraction"),
            xytext=(4, 5),
            textcoords="offset points",
            color=QUIET,
            fontsize=8,
        )
    axes.set_yscale("log")
    axes.set_ylim(_LEAST_D, _MOST_D)
    axes.set_yticks([1, 2, 3, 5, 7, 10, 14, 21, 30, 60, 100, 200])
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.yaxis.set_minor_locator(NullLocator())
    axes.set_xlim(curve.temperature_C[0], curve.temperature_C[-1])
    axes.set_ylabel("days to half emergence, 1.27 cm deep")
    axes.legend(
        frameon=False,
        fontsize=8,
        ncols=4,
        loc="lower left",
        bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2,
        handlelength=1.6,
    )


def _ticks(axes: Axes, units: Units) -> None:
    if units is Units.US:
        fahrenheits = np.arange(30, 110, 10)
        axes.set_xticks([celsius(float(f)) for f in fahrenheits], [f"{f:d}" for f in fahrenheits])
    else:
        axes.set_xticks(np.arange(0, 45, 5))
