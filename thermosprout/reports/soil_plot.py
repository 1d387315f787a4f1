"""Picture of a soil temperature series against the grower's readings."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermosprout.quantities import Units, fahrenheit
from thermosprout.reports.style import EARTH, FAINT, INK, LEAF, QUIET, own_style

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr
    from matplotlib.figure import Figure


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
        Of :class:`thermosprout.soil.site_readings.SeriesCheck`.
    title : str
    units : Units
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
    from matplotlib.figure import Figure

    def scale(celsius: np.ndarray) -> np.ndarray:
        return np.asarray(fahrenheit(celsius) if units is Units.US else celsius)  # type: ignore[arg-type]

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
            when,
            scale(table["reading_C"].to_numpy()),
            "o",
            color=INK,
            markersize=4,
            markerfacecolor="white",
            label="readings",
        )
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
        locator = AutoDateLocator(maxticks=9)
        bottom.xaxis.set_major_locator(locator)
        bottom.xaxis.set_major_formatter(ConciseDateFormatter(locator))
        return figure
