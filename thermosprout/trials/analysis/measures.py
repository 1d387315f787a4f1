"""What is compared between treatments: one score a plot, on a scale where plots vary alike."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from thermosprout.quantities import FloatArray, IntArray
from thermosprout.trials.analysis.curves import LogNormalFits, fit_plots
from thermosprout.trials.analysis.timing import (
    PlotTiming,
    ShapeCheck,
    check_shape,
    days_between,
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
    sentence : str
        Of a clear difference, with ``{a}``, ``{b}``, ``{amount}`` and ``{way}``.
    small : float or None
        Difference below which nobody would change what they do (our judgement).
    """

    name: str
    kind: Kind
    words: str
    sentence: str
    small: float | None = None


STAND = Measure(
    name="stand", kind="share", words="final stand per seed planted", small=0.05,
    sentence="{a} had a stand {amount} {way} than {b} per seed planted",
)  # fmt: skip
STAND_STARTED = Measure(
    name="stand_per_started", kind="share", words="final stand per seed started", small=0.05,
    sentence="{a} had a stand {amount} {way} than {b} per seed started",
)  # fmt: skip
T50_PLANTED = Measure(
    name="t50_since_planted_d", kind="time", small=0.5,
    words="half emergence, counted from planting",
    sentence="{a} reached half emergence {amount} {way} than {b}, counted from planting",
)  # fmt: skip
T50_STARTED = Measure(
    name="t50_since_started_d", kind="time", small=0.5,
    words="half emergence, counted from starting the seed",
    sentence="{a} reached half emergence {amount} {way} than {b}, counted from starting the seed",
)  # fmt: skip
THERMAL_50 = Measure(
    name="thermal_time_50_Cd", kind="time",
    words="thermal time from planting to half emergence",
    sentence="{a} needed {amount} {way} than {b} from planting to half emergence",
)  # fmt: skip
BED_DAYS = Measure(
    name="bed_days_to_first_harvest", kind="time", small=1.0,
    words="bed-days from planting to first harvest",
    sentence="{a} gave its first harvest {amount} {way} than {b}, counted from planting",
)  # fmt: skip
HARVEST_STARTED = Measure(
    name="first_harvest_since_started_d", kind="time", small=1.0,
    words="first harvest, counted from starting the seed",
    sentence="{a} gave its first harvest {amount} {way} than {b}, counted from starting the seed",
)  # fmt: skip
COMPARED = (
    STAND, STAND_STARTED, T50_PLANTED, T50_STARTED, THERMAL_50, BED_DAYS, HARVEST_STARTED,
)  # fmt: skip
"""Measures whose differences are tested, in the order of the report."""

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

    def of(self, rows: IntArray) -> PlotScores:
        """Scores of some of the plots; how well the log-normal fits stays that of all."""

        def some(table: dict[str, FloatArray]) -> dict[str, FloatArray]:
            return {name: column[rows] for name, column in table.items()}

        return PlotScores(
            values=some(self.values), scores=some(self.scores), reach=some(self.reach),
            seed_variance=some(self.seed_variance), seedlings=self.seedlings[rows],
            timing=PlotTiming(**some(vars(self.timing))),
            shape=replace(self.shape, plot_p=self.shape.plot_p[rows]),
        )  # fmt: skip

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
    values, scores, variance = {}, {}, {}
    for measure, seeds in ((STAND, planted), (STAND_STARTED, started)):
        with np.errstate(invalid="ignore", divide="ignore"):
            values[measure.name] = seedlings / seeds
        scores[measure.name] = np.where(seeds > 0, angle(seedlings, seeds), np.nan)
        variance[measure.name] = 1.0 / (4.0 * seeds + 2.0)
    intervals = plot_intervals(records, "planted")
    counts = _counts(intervals, plots)
    fits = fit_plots(*counts)
    last = days_between(plots["planted"], plots["last_inspected"])
    looks = plots["inspections"].to_numpy(dtype=float)
    timing = plot_timing(*counts, looks, last)
    shape = check_shape(*counts, fits)
    # A plot that was counted once has no time of its own.
    enough = (seedlings >= LEAST_SEEDLINGS) & (looks > 1)
    lead = days_between(plots["started"], plots["planted"])
    # The first seedling came in the middle of its interval.
    earliest = intervals[np.isfinite(intervals["right"])].drop_duplicates("plot").set_index("plot")
    first = earliest[["left", "right"]].mean(axis=1).reindex(plots["plot"]).to_numpy(dtype=float)

    def add(name: str, days: FloatArray, seeds_part: FloatArray | None = None) -> None:
        with np.errstate(divide="ignore", invalid="ignore"):
            usable = np.where(enough & (days > 0), days, np.nan)
            values[name], scores[name] = usable, np.log(usable)
        variance[name] = np.full(days.shape, 1e-4) if seeds_part is None else seeds_part

    t50, location = _half(counts, fits, shape)
    tenth, full = (
        fits.quantile(q) if shape.fits else step_quantile(*counts, q) for q in (0.1, 0.9)
    )
    add(T50_PLANTED.name, t50, location)
    add(T50_STARTED.name, t50 + lead, location * (t50 / (t50 + lead)) ** 2)
    add("first_since_planted_d", first)
    add("first_since_started_d", first + lead)
    add("full_since_planted_d", full)
    add("full_since_started_d", full + lead)
    add("spread_d", full - tenth)
    reach = {
        name: last + (lead if "started" in name else 0.0) for name in values if "stand" not in name
    }
    if thermal is not None:
        warm = _counts(plot_intervals(records, "thermal", thermal), plots)
        add(THERMAL_50.name, *_half(warm, fit_plots(*warm), shape))
        ends = pd.Series(thermal).groupby(records["plot"].to_numpy()).max()
        reach[THERMAL_50.name] = np.asarray(ends.reindex(plots["plot"]), dtype=np.float64)
    if plots["first_harvest"].notna().any():
        enough = plots["first_harvest"].notna().to_numpy()
        add(BED_DAYS.name, days_between(plots["planted"], plots["first_harvest"]))
        add(HARVEST_STARTED.name, days_between(plots["started"], plots["first_harvest"]))
    return PlotScores(
        values=values, scores=scores, seed_variance=variance, seedlings=seedlings, reach=reach,
        timing=timing, shape=shape,
    )  # fmt: skip


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
    gaps = np.array([gap, gap - half_width, gap + half_width])
    if scale == "plain":
        centre, low, high = gaps.tolist()
        return centre, low, high
    if scale == "angle":
        centre, low, high = np.sin(2.0 * middle) * np.sin(np.clip(gaps, -np.pi / 2, np.pi / 2))
        drift = abs(2.0 * np.cos(2.0 * middle) * np.sin(gap)) * middle_half_width
    else:
        centre, low, high = np.exp(middle) * 2.0 * np.sinh(gaps / 2.0)
        drift = abs(centre) * middle_half_width
    down, up = np.hypot(centre - low, drift), np.hypot(high - centre, drift)
    return float(centre), float(centre - down), float(centre + up)


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


def wilson(
    emerged: npt.ArrayLike, seeds: float, level: float = 0.9
) -> tuple[FloatArray, FloatArray]:
    """Score interval of a share, Wilson (1927), J. Am. Stat. Assoc. 22:209-212.

    Parameters
    ----------
    emerged : array_like
    seeds : float
        May be an effective number, smaller than counted, where seeds share their luck.
    """
    from thermosprout.special import ndtri

    z = float(ndtri(0.5 + level / 2.0))
    share = np.asarray(emerged, dtype=float) / seeds
    centre = (share + z**2 / (2 * seeds)) / (1 + z**2 / seeds)
    half = z / (1 + z**2 / seeds) * np.sqrt(share * (1 - share) / seeds + z**2 / (4 * seeds**2))
    return np.maximum(centre - half, 0.0), np.minimum(centre + half, 1.0)
