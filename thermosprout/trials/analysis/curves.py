"""Emergence curves of treatments, with bands that know that plots differ."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.errors import FitError
from thermosprout.trials.analysis.intervals import ClockName, plot_intervals
from thermosprout.trials.analysis.lognormal import fit_lognormal
from thermosprout.trials.analysis.npmle import turnbull
from thermosprout.trials.analysis.results import Curve, Shape
from thermosprout.trials.analysis.summaries import wilson

if TYPE_CHECKING:
    import pandas as pd


def emergence_curve(
    records: pd.DataFrame,
    *,
    clock: ClockName = "planted",
    thermal: FloatArray | None = None,
    correlation: float = 0.0,
    level: float = 0.9,
) -> Curve | None:
    """Curve of all seeds in the records, taken together; None where nothing was planted.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts of the plots of one treatment.
    thermal : ndarray, shape (row,), optional
        For the thermal clock. [C d]
    correlation : float
        Of the fates of two seeds in one plot; makes the band wider.
    level : float
        Of the band.
    """
    intervals = plot_intervals(records, clock, thermal)
    if intervals.empty:
        return None
    fit = turnbull(intervals["left"], intervals["right"], intervals["seeds"])
    shown = np.isfinite(fit.right) & (fit.mass > 1e-9)
    emerged = np.cumsum(fit.mass[shown])
    sizes = intervals.groupby("plot")["seeds"].sum().to_numpy(dtype=float)
    seeds = float(sizes.sum())
    # Seeds that share their luck count for less (Kish 1965, design effect).
    crowded = 1.0 + correlation * (float((sizes**2).sum()) / seeds - 1.0)
    worth = seeds / max(crowded, 1.0)
    band = [wilson(share * worth, worth, level) for share in np.clip(emerged, 0.0, 1.0)]
    return Curve(
        clock=clock,
        left=fit.left[shown].tolist(),
        right=fit.right[shown].tolist(),
        emerged=emerged.tolist(),
        low=[low for low, _ in band],
        high=[high for _, high in band],
    )


def emergence_shape(records: pd.DataFrame) -> Shape | None:
    """Log-normal fit to all seeds in the records, in days since planting; None without one."""
    intervals = plot_intervals(records, "planted")
    usable = intervals[intervals["right"] > intervals["left"]]
    try:
        fit = fit_lognormal(usable["left"], usable["right"], usable["seeds"])
    except (FitError, ValueError):
        return None
    return Shape(
        t50_d=float(np.exp(fit.mu[0])), sigma=float(fit.sigma[0]), final=float(fit.final[0])
    )


@dataclass(frozen=True, kw_only=True)
class PlotSteps:
    """Counts of one plot for its small picture: days since planting, share of seeds planted."""

    block: str
    label: str
    plot: str
    days: list[float]
    emerged: list[float]


def block_steps(records: pd.DataFrame, compared: str = "treatment") -> list[PlotSteps]:
    """Counts of every plot in the order of blocks, for small multiples.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts.
    compared : str
        Column that tells plots of a block apart.
    """
    counted = records[records["inspected"].notna() & (records["seeds_planted"] > 0)]
    waits = (counted["inspected"] - counted["planted"]).dt.total_seconds() / 86_400.0
    table = counted.assign(days=waits, share=counted["emerged"] / counted["seeds_planted"])
    several = counted["variety"].nunique() > 1 and compared != "variety"
    found = []
    for plot, rows in table.sort_values("days").groupby("plot", sort=False):
        first = rows.iloc[0]
        block = f"{first['variety']}, block {first['block']}" if several else first["block"]
        found.append(
            PlotSteps(
                block=str(block) or "all",
                label=str(first[compared]),
                plot=str(plot),
                days=[0.0, *rows["days"].tolist()],
                emerged=[0.0, *rows["share"].tolist()],
            )
        )
    return sorted(found, key=lambda item: (item.block, item.plot))
