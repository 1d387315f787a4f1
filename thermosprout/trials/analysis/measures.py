"""What is compared between treatments: one score a plot, on a scale where plots vary alike."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray
from thermosprout.trials.analysis.lognormal import LogNormalFits, fit_plots
from thermosprout.trials.analysis.timing import (
    PlotTiming,
    ShapeCheck,
    check_shape,
    padded,
    plot_intervals,
    plot_timing,
    step_quantile,
    step_variance,
)

if TYPE_CHECKING:
    import pandas as pd


Kind = Literal["share", "time"]
ScaleName = Literal["angle", "ln", "plain"]

LEAST_SEEDLINGS = 3
"""Seedlings a plot needs before its times are worth comparing."""


@dataclass(frozen=True, kw_only=True)
class Measure:
    """One measure of a trial.

    Attributes
    ----------
    name : str
        Key in the results, with its unit.
    kind : {"share", "time"}
        Shares are compared as angles (arcsine of the root), times as they are or as logarithms,
        so that plots of good and bad treatments vary about alike.
    words : str
        Name in sentences.
    """

    name: str
    kind: Kind
    words: str


STAND = Measure(name="stand", kind="share", words="final stand per seed planted")
STAND_STARTED = Measure(
    name="stand_per_started", kind="share", words="final stand per seed started"
)
T50_PLANTED = Measure(
    name="t50_since_planted_d", kind="time", words="half emergence, counted from planting"
)
T50_STARTED = Measure(
    name="t50_since_started_d",
    kind="time",
    words="half emergence, counted from starting the seed",
)
THERMAL_50 = Measure(
    name="thermal_time_50_Cd", kind="time", words="thermal time from planting to half emergence"
)
BED_DAYS = Measure(
    name="bed_days_to_first_harvest", kind="time", words="bed-days from planting to first harvest"
)
HARVEST_STARTED = Measure(
    name="first_harvest_since_started_d",
    kind="time",
    words="first harvest, counted from starting the seed",
)
COMPARED: tuple[Measure, ...] = (
    STAND,
    STAND_STARTED,
    T50_PLANTED,
    T50_STARTED,
    THERMAL_50,
    BED_DAYS,
    HARVEST_STARTED,
)
"""Measures whose differences are tested, in the order they are told."""

HalfFrom = Literal["log-normal", "step curve"]


@dataclass(frozen=True, kw_only=True)
class PlotScores:
    """Values and scores of each plot, arrays of shape (plot,), NaN where there is none.

    Attributes
    ----------
    values : dict
        Measure name to value in its unit.
    scores : dict
        Measure name to score: the angle of a share, the ln of a time.
    seed_variance : dict
        Measure name to the part of the score's variance that chance among seeds brings.
    seedlings : ndarray
        Emerged at the last inspection.
    reach : dict
        Time measure to the latest at which seedlings of each plot were looked for, in its unit.
    timing : PlotTiming
    shape : ShapeCheck
        Of the log-normal, for all plots.
    """

    values: dict[str, FloatArray]
    scores: dict[str, FloatArray]
    seed_variance: dict[str, FloatArray]
    seedlings: FloatArray
    reach: dict[str, FloatArray]
    timing: PlotTiming
    shape: ShapeCheck

    @property
    def half_from(self) -> HalfFrom:
        """What half emergence is read from."""
        return "log-normal" if self.shape.fits else "step curve"


def angle(emerged: FloatArray, seeds: FloatArray) -> FloatArray:
    """Arcsine of the root of a share, after Anscombe (1948), Biometrika 35:246-254. [rad]"""
    return np.asarray(np.arcsin(np.sqrt((emerged + 0.375) / (seeds + 0.75))))


def score_plots(
    records: pd.DataFrame, plots: pd.DataFrame, thermal: FloatArray | None
) -> PlotScores:
    """Score every plot.

    Parameters
    ----------
    records : pandas.DataFrame
        Counts.
    plots : pandas.DataFrame
        One row per plot, in the order of the scores; all counted.
    thermal : ndarray, shape (row of records,), optional
        Thermal time since planting. [C d]
    """
    import pandas as pd

    seedlings = plots["final"].to_numpy(dtype=float)
    planted = plots["seeds_planted"].to_numpy(dtype=float)
    started = plots["seeds_started"].to_numpy(dtype=float)
    with np.errstate(invalid="ignore", divide="ignore"):
        values = {STAND.name: seedlings / planted, STAND_STARTED.name: seedlings / started}
    scores = {
        STAND.name: np.where(planted > 0, angle(seedlings, planted), np.nan),
        STAND_STARTED.name: np.where(started > 0, angle(seedlings, started), np.nan),
    }
    variance = {
        STAND.name: 1.0 / (4.0 * planted + 2.0),
        STAND_STARTED.name: 1.0 / (4.0 * started + 2.0),
    }
    counts = _counts(plot_intervals(records, "planted"), plots)
    fits = fit_plots(*counts)
    last = _days(plots["last_inspected"], plots["planted"])
    looks = plots["inspections"].to_numpy(dtype=float)
    timing = plot_timing(*counts, looks, last)
    shape = check_shape(*counts, fits)
    # A plot that was counted once has no time of its own.
    enough = (seedlings >= LEAST_SEEDLINGS) & (looks > 1)
    lead = _days(plots["planted"], plots["started"])
    first = _first(records, plots)

    def add(name: str, days: FloatArray, seeds_part: FloatArray | None = None) -> None:
        with np.errstate(divide="ignore", invalid="ignore"):
            kept = np.where(enough & (days > 0), days, np.nan)
            values[name], scores[name] = kept, np.log(kept)
        variance[name] = np.full(days.shape, 1e-4) if seeds_part is None else seeds_part

    half = _half(counts, fits, shape)
    tenth, full = (
        fits.quantile(q) if shape.fits else step_quantile(*counts, q) for q in (0.1, 0.9)
    )
    t50, location = half
    add(T50_PLANTED.name, t50, location)
    add(T50_STARTED.name, t50 + lead, location * (t50 / (t50 + lead)) ** 2)
    add("first_since_planted_d", first)
    add("first_since_started_d", first + lead)
    add("full_since_planted_d", full)
    add("full_since_started_d", full + lead)
    add("spread_d", full - tenth)
    reach = {name: last + (lead if "started" in name else 0.0) for name in values if _is_time(name)}
    if thermal is not None:
        warm = _counts(plot_intervals(records, "thermal", thermal), plots)
        add(THERMAL_50.name, *_half(warm, fit_plots(*warm), shape))
        ends = pd.Series(thermal).groupby(records["plot"].to_numpy()).max()
        reach[THERMAL_50.name] = np.asarray(ends.reindex(plots["plot"]), dtype=np.float64)
    if plots["first_harvest"].notna().any():
        enough = plots["first_harvest"].notna().to_numpy()
        add(BED_DAYS.name, _days(plots["first_harvest"], plots["planted"]))
        add(HARVEST_STARTED.name, _days(plots["first_harvest"], plots["started"]))
    return PlotScores(
        values=values, scores=scores, seed_variance=variance, seedlings=seedlings, reach=reach,
        timing=timing, shape=shape,
    )  # fmt: skip


def _is_time(name: str) -> bool:
    return name not in (STAND.name, STAND_STARTED.name)


def _days(later: pd.Series, earlier: pd.Series) -> FloatArray:
    return np.asarray((later - earlier).dt.total_seconds().to_numpy(dtype=float) / 86_400.0)


def _half(
    counts: tuple[FloatArray, FloatArray, FloatArray], fits: LogNormalFits, shape: ShapeCheck
) -> tuple[FloatArray, FloatArray]:
    """Half emergence of each plot, and the variance that chance among seeds brings to its ln."""
    if shape.fits:
        return np.exp(fits.mu), fits.covariance[:, 0, 0]
    return step_quantile(*counts, 0.5), step_variance(*counts)


def _counts(
    intervals: pd.DataFrame, plots: pd.DataFrame
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Left and right ends and seeds of the intervals of each plot, shape (plot, interval)."""
    import pandas as pd

    code = pd.Index(plots["plot"]).get_indexer(intervals["plot"])
    order = np.argsort(code, kind="stable")
    columns = [intervals[name].to_numpy(dtype=float)[order] for name in ("left", "right", "seeds")]
    # A count on the clock's zero (looked at on the planting day) has no width to lie in.
    columns[1] = np.maximum(columns[1], columns[0] + 1e-3)
    left, right, seeds = padded(code[order], len(plots), *columns)
    return left, right, seeds


def _first(records: pd.DataFrame, plots: pd.DataFrame) -> FloatArray:
    """Middle of the interval in which the first seedling came. [d since planted]"""
    intervals = plot_intervals(records, "planted")
    came = intervals[np.isfinite(intervals["right"])]
    earliest = came.drop_duplicates("plot").set_index("plot")
    middle = 0.5 * (earliest["left"] + earliest["right"])
    return np.asarray(middle.reindex(plots["plot"]).to_numpy(dtype=float))


def back(scale: ScaleName, score: float) -> float:
    """Value that belongs to a score: a share of 0 to 1, or a time."""
    if scale == "angle":
        return float(np.sin(np.clip(score, 0.0, np.pi / 2)) ** 2)
    return float(np.exp(score)) if scale == "ln" else float(score)


def difference(
    scale: ScaleName, middle: float, gap: float, half_width: float, middle_half_width: float
) -> tuple[float, float, float]:
    """Difference in the measure's unit from a difference of scores, with its interval.

    Parameters
    ----------
    middle : float
        Mean score of the two treatments.
    gap, half_width : float
        Difference of scores and half width of its interval.
    middle_half_width : float
        Half width of the interval of ``middle``; added in the manner of Zou & Donner (2008),
        Stat. Med. 27:1693-1702.

    Returns
    -------
    tuple of float
        Estimate, low, high; zero lies within exactly when it does for the scores, but for what
        the middle adds.
    """
    if scale == "plain":
        return gap, gap - half_width, gap + half_width
    if scale == "angle":

        def turn(x: float) -> float:
            return float(np.sin(2.0 * middle) * np.sin(np.clip(x, -np.pi / 2, np.pi / 2)))

        drift = abs(2.0 * np.cos(2.0 * middle) * np.sin(gap)) * middle_half_width
    else:

        def turn(x: float) -> float:
            return float(np.exp(middle) * 2.0 * np.sinh(x / 2.0))

        drift = abs(turn(gap)) * middle_half_width
    centre, low, high = turn(gap), turn(gap - half_width), turn(gap + half_width)
    down, up = float(np.hypot(centre - low, drift)), float(np.hypot(high - centre, drift))
    return centre, centre - down, centre + up


def plot_correlation(emerged: npt.ArrayLike, seeds: npt.ArrayLike, group: npt.ArrayLike) -> float:
    """Correlation of two seeds of one plot, within groups of plots that were treated alike.

    Parameters
    ----------
    emerged, seeds : array_like, shape (plot,)
    group : array_like of int, shape (plot,)
        Plots of one group share their mean.

    Returns
    -------
    float
        Zero where plots differ no more than chance allows.

    Notes
    -----
    Moments of the Pearson statistic, Williams (1982), Appl. Stat. 31:144-148.
    """
    y, n = np.asarray(emerged, dtype=float), np.asarray(seeds, dtype=float)
    code = np.unique(np.asarray(group), return_inverse=True)[1]
    total, sown = np.bincount(code, y), np.bincount(code, n)
    # Groups in which all or none emerged tell nothing of the correlation.
    telling = ((total > 0) & (total < sown))[code] & (n > 0)
    y, n, code = y[telling], n[telling], code[telling]
    if y.size == 0:
        return 0.0
    mean, free = (total / np.maximum(sown, 1.0))[code], 1.0 - n / sown[code]
    scatter = float(((y - n * mean) ** 2 / (n * mean * (1.0 - mean))).sum())
    room = float((free * (n - 1.0)).sum())
    return float(np.clip((scatter - free.sum()) / room, 0.0, 0.99)) if room > 0 else 0.0


def scatter_p(emerged: FloatArray, seeds: FloatArray) -> float | None:
    """Whether plots of one treatment differ by more than chance among seeds: chi-square, p."""
    from thermosprout.special import chdtrc

    emerged, seeds = emerged[seeds > 0], seeds[seeds > 0]
    if emerged.size < 2 or not 0 < emerged.sum() < seeds.sum():
        return None
    expected = seeds * emerged.sum() / seeds.sum()
    square = (emerged - expected) ** 2 / (expected * (1.0 - expected / seeds))
    return float(chdtrc(emerged.size - 1, square.sum()))


def wilson(emerged: float, seeds: float, level: float = 0.9) -> tuple[float, float]:
    """Score interval of a share, Wilson (1927), J. Am. Stat. Assoc. 22:209-212.

    Parameters
    ----------
    emerged, seeds : float
        Seeds may be an effective number, smaller than counted, where seeds share their luck.
    """
    from thermosprout.special import ndtri

    z = float(ndtri(0.5 + level / 2.0))
    share = emerged / seeds
    centre = (share + z**2 / (2 * seeds)) / (1 + z**2 / seeds)
    half = z / (1 + z**2 / seeds) * np.sqrt(share * (1 - share) / seeds + z**2 / (4 * seeds**2))
    return max(0.0, float(centre - half)), min(1.0, float(centre + half))
