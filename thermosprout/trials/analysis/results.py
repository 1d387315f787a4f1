"""What the analysis of a trial found, as plain data that other programs can read."""

from __future__ import annotations

from dataclasses import asdict, dataclass, field
from typing import Any

import numpy as np


@dataclass(frozen=True, kw_only=True)
class Value:
    """An estimate with its interval; an end is None where it is not known."""

    estimate: float
    low: float | None = None
    high: float | None = None


@dataclass(frozen=True, kw_only=True)
class Curve:
    """Emergence curve of a treatment on one clock, without a shape assumed.

    Attributes
    ----------
    clock : str
    left, right : list of float
        Ends of the intervals in which seedlings came.
    emerged, low, high : list of float
        Share of the seeds planted that has emerged by the right end, with its interval.
    """

    clock: str
    left: list[float]
    right: list[float]
    emerged: list[float]
    low: list[float]
    high: list[float]


@dataclass(frozen=True, kw_only=True)
class Shape:
    """Log-normal fit to all seeds of a treatment: median and spread of times, final share."""

    t50_d: float
    sigma: float
    final: float


@dataclass(frozen=True, kw_only=True)
class PlotStands:
    """How the plots of one treatment differ in stand.

    Attributes
    ----------
    lowest, highest : float
        Share of the seeds planted that emerged.
    scatter_p : float or None
        Chi-square test that chance among seeds alone makes them differ.
    """

    lowest: float
    highest: float
    scatter_p: float | None


@dataclass(frozen=True, kw_only=True)
class TreatmentSummary:
    """One treatment; see the field names for units.

    Times are None where no seedling can be timed: none came, or not between two looks.
    ``still_to_come`` is the share of the seeds planted that may come up after the last look, by
    the rate of coming; infinite (None in the document) where that sets no bound.
    """

    treatment: str
    plots: int
    seeds_started: int
    seeds_planted: int
    emerged: int
    stand: Value
    stand_per_started: Value
    t50_since_planted_d: Value | None
    t50_since_started_d: Value | None
    thermal_time_50_Cd: Value | None
    first_since_planted_d: Value | None
    first_since_started_d: Value | None
    full_since_planted_d: Value | None
    full_since_started_d: Value | None
    spread_d: Value | None
    bed_days_to_first_harvest: Value | None
    first_harvest_since_started_d: Value | None
    still_to_come: float
    plot_stands: PlotStands
    log_normal: Shape | None = None
    curve: Curve | None = None


@dataclass(frozen=True, kw_only=True)
class Difference:
    """Treatment ``a`` minus treatment ``b`` in one measure.

    Attributes
    ----------
    estimate, low, high : float or None
        In the unit of the measure.
    shown : bool
        Whether the difference stands at 5 % after adjustment.
    p_value, p_adjusted : float or None
        Two-sided; adjusted for the number of ``comparisons`` of this measure (Holm).
    method : str
        ``plots as replicates`` (blocked comparison of plot values, Student's t) or
        ``permutation within blocks``.
    mid_p : float or None
        For permutations: p value with ties counted by half, for layouts with few arrangements.
    smallest_p, arrangements : float, int or None
        What the layout allows, for permutations.
    exact : bool or None
        Whether all arrangements were tried.
    variety : str or None
        None for all varieties together.
    """

    a: str
    b: str
    measure: str
    estimate: float | None
    low: float | None
    high: float | None
    p_value: float | None
    method: str
    shown: bool = False
    p_adjusted: float | None = None
    comparisons: int = 1
    mid_p: float | None = None
    smallest_p: float | None = None
    arrangements: int | None = None
    exact: bool | None = None
    variety: str | None = None


@dataclass(frozen=True, kw_only=True)
class Overall:
    """Test that no treatment differs from another in one measure."""

    measure: str
    p_value: float
    method: str


@dataclass(frozen=True, kw_only=True)
class Interaction:
    """F test that a treatment does the same in every variety, in one measure."""

    measure: str
    p_value: float
    shown: bool


@dataclass(frozen=True, kw_only=True)
class CurveFit:
    """What half emergence is read from, and how well the log-normal fits the counts.

    Attributes
    ----------
    half_from : str
        ``log-normal``, or ``step curve`` where that does not fit.
    p_value : float or None
        Chi-square test of the log-normal, all plots together.
    poor : tuple of str
        Plots that it does not fit.
    flushes : dict
        Treatment to the days since planting of its two flushes, where it had two.
    """

    half_from: str
    p_value: float | None
    poor: tuple[str, ...]
    flushes: dict[str, tuple[float, float]]


@dataclass(frozen=True, kw_only=True)
class PlotError:
    """Variance of one plot within its block, its degrees of freedom, and the scale it is on."""

    variance: float
    df: int
    scale: str


@dataclass(frozen=True, kw_only=True)
class Variation:
    """How much plots of one treatment differ, beyond chance among seeds.

    Attributes
    ----------
    stand_correlation : float
        Of the fates of two seeds in one plot (beta-binomial).
    ln_t50_sd : float or None
        Sd of ln t50 from plot to plot within blocks.
    error : dict
        Per measure, on the scale of its test.
    """

    stand_correlation: float
    ln_t50_sd: float | None
    error: dict[str, PlotError] = field(default_factory=dict)


@dataclass(frozen=True, kw_only=True)
class VarietyResult:
    """The same comparison within one variety."""

    variety: str
    treatments: tuple[TreatmentSummary, ...]
    differences: tuple[Difference, ...]


@dataclass(frozen=True, kw_only=True)
class TrialResult:
    """Everything the analysis says; :meth:`to_dict` is the document other programs read.

    ``bottom_line`` holds the one to three sentences that a grower would repeat, ``verdict`` those
    that support them, ``warnings`` what to keep in mind. Where every plot was ``counted_once``
    stands are those of that day.
    """

    treatments: tuple[TreatmentSummary, ...]
    differences: tuple[Difference, ...]
    overall: tuple[Overall, ...]
    varieties: tuple[VarietyResult, ...]
    variation: Variation
    interactions: tuple[Interaction, ...]
    curve_fit: CurveFit
    warnings: tuple[str, ...]
    bottom_line: tuple[str, ...]
    verdict: tuple[str, ...]
    compared: str
    blocks: int
    comparisons: int
    counted_once: bool = False
    interval: float = 0.9

    def to_dict(self) -> dict[str, Any]:
        """Nested plain data; numbers to six digits, what is not known as None."""
        document: dict[str, Any] = _plain(asdict(self))
        document["contrast"] = "a minus b"
        return document


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, float | np.floating):
        return float(f"{value:.6g}") if np.isfinite(value) else None
    if isinstance(value, np.integer):
        return int(value)
    return value
