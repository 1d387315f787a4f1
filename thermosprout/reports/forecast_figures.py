"""Pictures of forecasts: rows, one crop, planting days, soil temperature."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from thermosprout.dates import day_words
from thermosprout.quantities import FloatArray, Units, celsius, fahrenheit, show_temperature
from thermosprout.reports.style import (
    EARTH,
    FAINT,
    INK,
    LEAF,
    LOOKS,
    QUIET,
    day_axis,
    keep_apart,
    own_style,
    spaced,
    write,
)
from thermosprout.reports.words import treatment_words
from thermosprout.season.schema import ROW

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from thermosprout.calibration.crop_curve import DayCell
    from thermosprout.season.forecast import EmergenceCurve


def forecast_figure(
    curves: list[EmergenceCurve], units: Units = Units.METRIC, figure: Figure | None = None
) -> Figure:
    """Draw one panel per row, the soil temperature as a strip under it.

    Parameters
    ----------
    curves : list of EmergenceCurve
        At least one.
    units : Units
        Unit of the main temperature axis; the other stands on the right.
    figure : Figure, optional
        To draw on; a new one when absent.
    """
    from matplotlib.figure import Figure

    with own_style():
        across = 1 if len(curves) == 1 else 2 if len(curves) <= 6 else 3
        down = -(-len(curves) // across)
        width, height = 5.2 * across, 3.6 * down
        figure = figure or Figure()
        figure.set_size_inches(width, height)
        outer = figure.add_gridspec(
            down, across, left=0.78 / width, right=1 - 0.55 / width, bottom=0.35 / height,
            top=1 - 0.35 / height, wspace=0.32, hspace=0.3,
        )  # fmt: skip
        for index, curve in enumerate(curves):
            inner = outer[index // across, index % across].subgridspec(
                2, 1, height_ratios=(3, 1.2), hspace=0.1
            )
            top = figure.add_subplot(inner[0])
            bottom = figure.add_subplot(inner[1], sharex=top)
            draw_row(top, curve)
            top.tick_params(labelbottom=False)
            _soil(bottom, curve, units)
            label_apart(top, curve)
        return figure


def draw_row(axes: Axes, curve: EmergenceCurve) -> None:
    """Seedlings of one row with their odds, its counts, the days of planting and today."""
    when = np.array(curve.when, dtype=object)
    axes.fill_between(when, curve.low, curve.high, color=LEAF, alpha=0.22, linewidth=0)
    axes.plot(when, curve.middle, color=LEAF, linewidth=1.8)
    axes.set_ylim(0, 108)
    axes.set_ylabel("seedlings per\n100 seeds planted")
    name = "" if curve.row == ROW else f"{curve.row}  "
    title = f"{name}{curve.title}, {treatment_words(curve.treatment)}"
    axes.set_title(title if len(title) < 46 else f"{title[:45]}…")
    _moment(axes, curve.planted, "planted")
    if curve.when[0] <= curve.today <= curve.when[-1]:
        _moment(axes, curve.today, "today")
    last = len(curve.when) - 1
    at = min(int(last * 0.97), last)
    end = (curve.when[at], curve.high[at])
    write(axes, "80 % range", end, xytext=(0, 4), ha="right", va="bottom", color=LEAF)
    if curve.counts:
        low = curve.counts[-1][1] < 20
        first, end_day = curve.when[0], curve.when[-1]
        late = curve.counts[-1][0] > first + 0.75 * (end_day - first)
        up = (24 if late else 5) if low else -5  # above the words of the band, where they are
        inspected, share = zip(*curve.counts, strict=True)
        axes.plot(inspected, share, "o", color=INK, markersize=4, markerfacecolor="white", zorder=5)
        # Inside the axes: over a ring near their foot, to the left of one at their end.
        write(
            axes, "counted", (inspected[-1], share[-1]), xytext=(-6 if late else 6, up),
            ha="right" if late else "left", va="bottom" if low else "top",
        )  # fmt: skip


def label_apart(axes: Axes, curve: EmergenceCurve) -> None:
    """Move the labels of a row off each other, its counts and its line; once all is drawn."""
    line = list(zip(curve.when, curve.middle, strict=True))
    keep_apart(axes, [*curve.counts, *line[:: max(len(line) // 80, 1)]])


def _moment(axes: Axes, when: Any, text: str) -> None:
    axes.axvline(when, color=QUIET, linewidth=0.9, linestyle=":")
    write(axes, text, (when, 104), xytext=(3, 0), va="top", color=QUIET)


def _soil(axes: Axes, curve: EmergenceCurve, units: Units) -> None:
    us = units is Units.US
    convert = fahrenheit if us else float
    soil, low, high = (
        np.array([convert(value) for value in values])
        for values in (curve.soil_C, curve.soil_low_C, curve.soil_high_C)
    )
    days = np.array(curve.soil_when, dtype=object)
    if np.nanmax(high - low, initial=0.0) > 0.05:
        axes.fill_between(days, low, high, color=EARTH, alpha=0.2, linewidth=0)
    axes.plot(days, soil, color=EARTH, linewidth=1.4, linestyle=(0, (5, 1.2)))
    axes.set_ylabel("soil\n°F" if us else "soil\n°C")
    axes.margins(y=0.25)
    scales: list[Any] = [fahrenheit, celsius]
    other = axes.secondary_yaxis("right", functions=tuple(scales[::-1] if us else scales))
    other.set_ylabel("°C" if us else "°F")
    other.spines["right"].set_color(FAINT)
    day_axis(axes, curve.planted.tzinfo)


_MARKS = ("o", "s", "^", "D")
_LEAST_D, _MOST_D = 0.8, 200.0


@dataclass(frozen=True, kw_only=True)
class CropCurve:
    """What is drawn; arrays have shape (temperature,).

    Attributes
    ----------
    days, low, high : ndarray
        Days to half emergence from 1.27 cm: typical lot, 10 % and 90 % of lots. [d]
    stand : ndarray
        Share of the stand that the temperature allows. [1]
    points, citations : tuple of DayCell, dict
        Published days, and how their sources are cited.
    """

    title: str
    temperature_C: FloatArray
    days: FloatArray
    low: FloatArray
    high: FloatArray
    points: Sequence[DayCell]
    citations: Mapping[str, str]
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

    finite = np.isfinite(curve.days) & (curve.days < 1e4)
    high = np.where(np.isfinite(curve.high), curve.high, 1e6)
    band, at = np.isfinite(curve.low), curve.temperature_C
    axes.fill_between(
        at[band], curve.low[band], high[band], color=LEAF, alpha=0.18, linewidth=0,
        label="80 % of lots",
    )  # fmt: skip
    axes.plot(at[finite], curve.days[finite], color=LEAF, linewidth=1.8, label="typical lot")
    for mark, source in zip(_MARKS, dict.fromkeys(p.source for p in curve.points), strict=False):
        mine = [p for p in curve.points if p.source == source]
        low_d, high_d = np.array([p.low for p in mine]), np.array([p.high for p in mine])
        middle = (low_d + high_d) / 2
        axes.errorbar(
            [p.temperature for p in mine], middle,
            yerr=[middle - np.maximum(low_d, 0.05), high_d - middle], fmt=mark, color=INK,
            markersize=4.5, markerfacecolor="white", capsize=2, linewidth=1,
            label=curve.citations[source],
        )  # fmt: skip
    if curve.base_C > at[0]:
        axes.axvline(curve.base_C, color=QUIET, linewidth=1, linestyle=(0, (4, 3)))
        write(
            axes, f"base {show_temperature(curve.base_C, units)}", (curve.base_C, 0.0),
            xycoords=("data", "axes fraction"), xytext=(4, 5), color=QUIET, fontsize=8,
        )  # fmt: skip
    axes.set_yscale("log")
    axes.set_ylim(_LEAST_D, _MOST_D)
    axes.set_yticks([1, 2, 3, 5, 7, 10, 14, 21, 30, 60, 100, 200])
    axes.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    axes.yaxis.set_minor_locator(NullLocator())
    axes.set_xlim(curve.temperature_C[0], curve.temperature_C[-1])
    axes.set_ylabel("days to half emergence, 1.27 cm deep")
    axes.legend(
        frameon=False, fontsize=8, ncols=4, loc="lower left", bbox_to_anchor=(0.0, 1.0),
        borderaxespad=0.2, handlelength=1.6,
    )  # fmt: skip


def _ticks(axes: Axes, units: Units) -> None:
    if units is Units.US:
        fahrenheits = np.arange(30, 110, 10)
        axes.set_xticks([celsius(float(f)) for f in fahrenheits], [f"{f:d}" for f in fahrenheits])
    else:
        axes.set_xticks(np.arange(0, 45, 5))


def window_figure(
    window: xr.Dataset,
    sensible: Sequence[tuple[Any, Any]],
    *,
    title: str | None = None,
    figure: Figure | None = None,
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
    figure : Figure, optional
        To draw on; a new one when absent.
    """
    from matplotlib.figure import Figure

    strips = [
        (str(cover), str(treatment))
        for cover in window["cover"].values
        for treatment in window["treatment"].values
    ]
    names = [
        treatment if len(window["cover"]) == 1 else f"{treatment}, {cover}"
        for cover, treatment in strips
    ]
    with own_style():
        figure = figure or Figure()
        figure.set_size_inches(8.4, 1.15 * len(strips) + 2.6)
        figure.set_layout_engine("constrained")
        axes = figure.subplots(
            len(strips) + 1, 1, sharex=True, height_ratios=[1.0] * len(strips) + [1.7]
        )
        for index, (cover, treatment) in enumerate(strips):
            one = window.sel(cover=cover, treatment=treatment)
            _strip(axes[index], one, sensible[index])
            axes[index].set_title(names[index], fontsize=9, pad=3)
        _bed(axes[-1], window, dict(zip(names, strips, strict=True)))
        axes[-1].margins(x=0.09)  # room for the days beside the brackets
        day_axis(axes[-1], least=4, most=10)
        axes[-1].set_xlabel("planted")
        figure.suptitle(
            title or f"{window.attrs['called']}: every planting day",
            x=0.01, ha="left", color=INK, fontweight="bold",
        )  # fmt: skip
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
        axes.text(days[0], -12, "no suitable day", fontsize=7.5, color=INK, va="center")
    else:
        axes.plot([earliest, last], [-10, -10], color=INK, linewidth=3.2, solid_capstyle="butt")
        _date(axes, earliest, "right")
        if last != earliest:
            _date(axes, last, "left")


def _date(axes: Axes, day: Any, side: str) -> None:
    """Name an end of the bracket beside it."""
    move = (4 if side == "left" else -4, 0)
    text = day_words(day.astype("datetime64[D]").item())
    write(axes, text, (day, -10), xytext=move, ha=side, va="center", color=INK)


def _key(figure: Figure, window: xr.Dataset) -> None:
    """Say once what hill, broken line, hatching and bracket mean."""
    from matplotlib.lines import Line2D
    from matplotlib.patches import Patch

    within = window.attrs["within_days"]
    marks: list[Any] = [
        Patch(facecolor=LEAF, alpha=0.55, label=f"odds of half up in {within:g} d"),
        Line2D([], [], color=INK, linewidth=1.2, linestyle=(0, (4, 2)), label="stand"),
        Line2D([], [], color=INK, linewidth=3.2, label="suitable days"),
    ]
    if "frost_risk" in window and window.attrs["tender"]:
        marks.append(Patch(facecolor="none", edgecolor=QUIET, hatch="////", label="frost"))
    figure.legend(
        handles=marks, loc="outside upper right", ncols=len(marks), frameon=False, fontsize=7.5,
        handlelength=1.8, columnspacing=1.4,
    )  # fmt: skip


def _bed(axes: Axes, window: xr.Dataset, strips: dict[str, tuple[str, str]]) -> None:
    """Bed-days to first harvest, where most years see one; to half emergence otherwise."""
    middle = window.sel(probability=0.5, method="nearest")
    harvest = np.isfinite(middle["days_to_harvest"].values).mean() > 0.2
    name = "days_to_harvest" if harvest else "days_to_half"
    days = window["sowing"].values
    ends: list[tuple[float, str, str]] = []
    for index, (label, (cover, treatment)) in enumerate(strips.items()):
        values = middle.sel(cover=cover, treatment=treatment)[name].values
        colour, line = LOOKS[index % len(LOOKS)]
        axes.plot(days, np.where(np.isfinite(values), values, np.nan), color=colour,
                  linestyle=line, linewidth=1.4)  # fmt: skip
        if np.isfinite(values).any():
            ends.append((float(values[np.isfinite(values)][-1]), label, colour))
    axes.set_ylim(0, None)
    top = axes.get_ylim()[1]
    # Labels stand beside the ends of their lines, pushed apart where lines lie close.
    heights = spaced([height / top for height, _, _ in sorted(ends)], 0.105)
    too_high = max([0.0, *(height - 1.0 for height in heights)])
    for height, (_, label, colour) in zip(heights, sorted(ends), strict=True):
        at = (days[-1], (height - too_high) * top)
        write(axes, label, at, xytext=(5, 0), va="center", color=colour)
    axes.grid(color=FAINT, linewidth=0.6)
    what = "first harvest" if harvest else "half emergence"
    axes.set_title(f"bed-days to {what} (median of all years)", fontsize=9, pad=3)
    axes.set_ylabel("days")


def soil_check_figure(
    series: xr.DataArray,
    corrected: xr.DataArray,
    table: pd.DataFrame,
    title: str,
    units: Units = Units.METRIC,
) -> Figure:
    """Draw series, corrected series and readings over time, and the differences below.

    Parameters
    ----------
    series, corrected : xarray.DataArray, dims ([member,] time)
        As it stands and as the readings correct it. [degC]
    table : pandas.DataFrame
        Of :class:`thermosprout.soil.site_readings.ReadingsComparison`.
    title : str
    units : Units
    """
    from matplotlib.figure import Figure

    scale: Any = fahrenheit if units is Units.US else np.asarray
    symbol = "°F" if units is Units.US else "°C"
    when = table["time_utc"].to_numpy()
    pad = np.timedelta64(3, "D")
    window = slice(when.min() - pad, when.max() + pad)
    with own_style():
        figure = Figure(figsize=(7.2, 4.6), layout="constrained")
        top, bottom = figure.subplots(2, 1, sharex=True, height_ratios=(2.6, 1))
        for data, color, width, label in (
            (series, EARTH, 1.0, "series as it stands"),
            (corrected, LEAF, 1.3, "corrected by the readings"),
        ):
            part = data.sel(time=window)
            if "member" in part.dims:
                part = part.mean("member")
            top.plot(part["time"].values, scale(part.values), color=color, lw=width, label=label)
        top.plot(
            when, scale(table["reading_C"].to_numpy()), "o", color=INK, markersize=4,
            markerfacecolor="white", label="readings",
        )  # fmt: skip
        top.set_ylabel(f"soil temperature ({symbol})")
        top.set_title(title)
        top.legend(loc="upper left", fontsize=8, frameon=False, ncols=3)
        low, high = top.get_ylim()
        top.set_ylim(low, high + 0.16 * (high - low))
        factor = 1.8 if units is Units.US else 1.0
        difference = table["difference_K"].to_numpy() * factor
        bottom.axhline(0.0, color=QUIET, lw=0.8)
        bottom.vlines(when, 0.0, difference, color=EARTH, lw=1.4)
        bottom.plot(when, difference, "o", color=EARTH, markersize=3.5)
        bottom.axhline(difference.mean(), color=EARTH, lw=0.9, ls=(0, (4, 3)))
        bottom.set_ylabel(f"series − reading\n({symbol})")
        bottom.grid(color=FAINT)
        day_axis(bottom, most=9)
        return figure
