"""Analysis of a trial: each treatment summed up, treatments compared, and what it means."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from thermosprout.errors import FitError, InputError
from thermosprout.quantities import FloatArray
from thermosprout.trials.analysis.block_model import fit_blocked
from thermosprout.trials.analysis.cautions import cautions
from thermosprout.trials.analysis.compare import (
    LEVEL,
    TIMES,
    WIDEST,
    Comparison,
    Fits,
    Group,
    differences,
    fit_group,
    holm,
    interaction_p,
    reach_of,
    still_to_come,
)
from thermosprout.trials.analysis.curves import fit_lognormal, turnbull
from thermosprout.trials.analysis.measures import (
    STAND,
    STAND_STARTED,
    T50_PLANTED,
    PlotScores,
    back,
    plot_correlation,
    scatter_p,
    score_plots,
    wilson,
)
from thermosprout.trials.analysis.results import (
    Curve,
    CurveFit,
    Difference,
    Interaction,
    PlotStands,
    Shape,
    TreatmentSummary,
    TrialResult,
    Value,
    Variation,
    VarietyResult,
)
from thermosprout.trials.analysis.sentences import bottom_line, verdict
from thermosprout.trials.analysis.timing import ClockName, plot_intervals, two_flushes
from thermosprout.trials.records.read import complete
from thermosprout.trials.records.read import plots as plots_of
from thermosprout.trials.records.values import treatment_order

if TYPE_CHECKING:
    import pandas as pd


Compared = Literal["treatment", "variety", "seed_lot"]

_POOR_P = 0.01


def analyse(
    records: pd.DataFrame,
    *,
    thermal: npt.ArrayLike | None = None,
    compare: Compared | None = None,
    clock: ClockName = "planted",
    level: float = 0.9,
    seed: int = 1,
    resamples: int = 9_999,
) -> TrialResult:
    """Analyse the counts of a trial.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns.
    thermal : array_like, shape (row,), optional
        Thermal time from planting to each inspection, see
        :func:`thermosprout.trials.analysis.timing.thermal_times`. [C d]
    compare : {"treatment", "variety", "seed_lot"}, optional
        What is compared; treatments by default, varieties when there is one treatment only.
    clock : {"planted", "started", "thermal"}
        Of the curves.
    level : float
        Of the intervals.
    seed : int
        For permutations too many to try one by one.
    resamples : int
        Random arrangements then.

    Raises
    ------
    InputError
        When nothing has been counted, or nothing was planted.

    Notes
    -----
    Seeds of one plot are not independent, so that plots are the replicates: each plot gives one
    score per measure (the angle of its stand, the ln of its half emergence from an
    interval-censored log-normal fit or, where that does not fit, from the step curve), compared
    within blocks by Student's t with the scatter of the two treatments' own plots, and by
    permutation.
    """
    records = complete(records)
    thermal_times = None if thermal is None else np.asarray(thermal, dtype=float)
    counted = records["inspected"].notna().to_numpy()
    if not counted.any():
        raise InputError("nothing has been counted yet", hint="record counts first")
    if not (records["seeds_planted"][counted] > 0).any():
        raise InputError("no seed was planted in the plots counted", hint="fill in seeds_planted")
    notes = tuple(records.attrs.get("notes", ()))
    records = records.loc[counted].reset_index(drop=True)
    if thermal_times is not None:
        thermal_times = thermal_times[counted]
    plots = plots_of(records)
    factor = compare or "treatment"
    if compare is None and plots["treatment"].nunique() == 1 and plots["variety"].nunique() > 1:
        factor = "variety"
    scores = score_plots(records, plots, thermal_times)
    rng = np.random.default_rng(seed)
    whole = _group(plots, scores, factor)
    fits = fit_group(whole, level)
    compared, overall, errors = differences(whole, fits, rng, resamples)
    compared = holm(compared)
    varieties = _by_variety(plots, scores, factor, level, rng, resamples)
    # Correlation within plots; treatments, varieties and lots have means of their own.
    alike = plots.groupby(["variety", "treatment", "seed_lot"]).ngroup()
    correlation = plot_correlation(scores.seedlings, plots["seeds_planted"], alike)
    treatments = []
    for summary in summaries(whole, fits, level):
        rows = records["plot"].isin(plots.loc[plots[factor] == summary.treatment, "plot"])
        part = records[rows]
        curve = emergence_curve(
            part,
            clock=clock,
            thermal=None if thermal_times is None else thermal_times[rows],
            correlation=correlation,
            level=level,
        )
        treatments.append(replace(summary, curve=curve, log_normal=emergence_shape(part)))
    fit = _curve_fit(records, whole)
    tests = [*compared, *(item for variety in varieties for item in variety.differences)]
    result = TrialResult(
        treatments=tuple(treatments),
        differences=tuple(compared),
        overall=tuple(overall),
        varieties=varieties,
        variation=Variation(
            stand_correlation=correlation, ln_t50_sd=_speed_sd(whole), error=errors
        ),
        interactions=_interactions(whole, fits) if varieties else (),
        curve_fit=fit,
        warnings=(*notes, *cautions(records, whole, compared, fit)),
        bottom_line=(),
        verdict=(),
        compared=factor,
        blocks=int(np.unique(plots["block"]).size),
        comparisons=sum(item.p_value is not None for item in tests),
        counted_once=bool((scores.timing.looks < 2).all()),
        interval=level,
    )
    return replace(result, bottom_line=bottom_line(result), verdict=verdict(result))


def _interactions(group: Group, fits: Fits) -> tuple[Interaction, ...]:
    """Whether varieties differ in what treatments do, for the stand and half emergence."""
    stand = STAND if fits[STAND.name] is fits[STAND_STARTED.name] else STAND_STARTED
    result = []
    for measure in (stand, T50_PLANTED):
        comparison = fits[measure.name]
        p = None if comparison is None else interaction_p(group, comparison)
        if p is not None:
            result.append(Interaction(measure=measure.name, p_value=p, shown=p <= LEVEL))
    return tuple(result)


def _curve_fit(records: pd.DataFrame, group: Group) -> CurveFit:
    """How well the log-normal fits, and which treatments came in two flushes."""
    shape, half_from = group.scores.shape, group.scores.half_from
    p = shape.p_value if np.isfinite(shape.p_value) else None
    if shape.fits:
        return CurveFit(half_from=half_from, p_value=p, poor=(), flushes={})
    poor = group.plots.loc[np.nan_to_num(shape.plot_p, nan=1.0) < _POOR_P, "plot"]
    intervals = plot_intervals(records, "planted")
    flushes = {}
    for index, label in enumerate(group.labels):
        mine = intervals["plot"].isin(group.plots.loc[group.treatment == index, "plot"])
        days = two_flushes(*intervals.loc[mine, ["left", "right", "seeds"]].to_numpy(float).T)
        if days is not None:
            flushes[label] = days
    return CurveFit(half_from=half_from, p_value=p, poor=tuple(poor), flushes=flushes)


def _group(
    plots: pd.DataFrame, scores: PlotScores, factor: Compared, variety: str | None = None
) -> Group:
    """Plots of one variety or all; blocks of different varieties are kept apart."""
    import pandas as pd

    rows = np.arange(len(plots))
    if variety is not None:
        rows = np.flatnonzero(plots["variety"] == variety)
    part = plots.iloc[rows]
    names = set(part[factor])
    labels = treatment_order(names) if factor == "treatment" else sorted(names)
    blocks = part["block"] if factor == "variety" else part["variety"] + "\x1f" + part["block"]
    return Group(
        plots=part,
        scores=scores.of(rows),
        labels=labels,
        treatment=pd.Categorical(part[factor], categories=labels).codes.astype(np.intp),
        block=pd.factorize(blocks)[0].astype(np.intp),
        stratum=np.zeros(len(part), dtype=np.intp)
        if factor == "variety"
        else pd.factorize(part["variety"])[0].astype(np.intp),
        variety=variety,
    )


def _by_variety(
    plots: pd.DataFrame,
    scores: PlotScores,
    factor: Compared,
    level: float,
    rng: np.random.Generator,
    resamples: int,
) -> tuple[VarietyResult, ...]:
    """Repeat the comparison within each variety, p values adjusted over all of them."""
    if factor == "variety" or plots["variety"].nunique() < 2:
        return ()
    compared: list[Difference] = []
    treatments: dict[str, tuple[TreatmentSummary, ...]] = {}
    for name in dict.fromkeys(plots["variety"]):
        group = _group(plots, scores, factor, name)
        fits = fit_group(group, level)
        treatments[name] = summaries(group, fits, level)
        compared += differences(group, fits, rng, resamples)[0]
    adjusted = holm(compared)
    return tuple(
        VarietyResult(
            variety=name,
            treatments=treatments[name],
            differences=tuple(item for item in adjusted if item.variety == name),
        )
        for name in treatments
    )


def _speed_sd(group: Group) -> float | None:
    """Plot-to-plot sd of ln t50 within blocks, beyond what chance among the seeds brings."""
    score = group.scores.scores[T50_PLANTED.name]
    finite = np.isfinite(score)
    if finite.sum() < 2:
        return None
    fit = fit_blocked(
        score[finite], group.treatment[finite], group.block[finite], len(group.labels),
        least_variance=0.0,
    )  # fmt: skip
    if fit.df < 1:
        return None
    by_chance = float(np.median(group.scores.seed_variance[T50_PLANTED.name][finite]))
    return float(np.sqrt(max(fit.error_variance - by_chance, 0.0)))


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
    closed = np.isfinite(fit.right) & (fit.mass > 1e-9)
    emerged = np.cumsum(fit.mass[closed])
    sizes = intervals.groupby("plot")["seeds"].sum().to_numpy(dtype=float)
    seeds = float(sizes.sum())
    # Seeds that share their luck count for less (Kish 1965, design effect).
    crowded = 1.0 + correlation * (float((sizes**2).sum()) / seeds - 1.0)
    worth = seeds / max(crowded, 1.0)
    low, high = wilson(np.clip(emerged, 0.0, 1.0) * worth, worth, level)
    return Curve(
        clock=clock, left=fit.left[closed].tolist(), right=fit.right[closed].tolist(),
        emerged=emerged.tolist(), low=low.tolist(), high=high.tolist(),
    )  # fmt: skip


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


def summaries(group: Group, fits: Fits, level: float) -> tuple[TreatmentSummary, ...]:
    """Sum up every treatment of a group."""
    rest = still_to_come(group, "seeds_planted")
    result = []
    for index, label in enumerate(group.labels):
        mine = group.treatment == index
        part = group.plots[mine]
        seedlings = group.scores.seedlings[mine]
        planted = part["seeds_planted"].to_numpy(dtype=float)
        shares = seedlings[planted > 0] / planted[planted > 0]
        stand, stand_started = (
            _share(fits[measure.name], seedlings.sum(), float(part[seeds].sum()), index, level)
            for measure, seeds in ((STAND, "seeds_planted"), (STAND_STARTED, "seeds_started"))
        )
        times = {name: _time(group, fits[name], name, index, level) for name in TIMES}
        result.append(
            TreatmentSummary(
                treatment=label,
                plots=len(part),
                seeds_started=int(part["seeds_started"].sum()),
                seeds_planted=int(planted.sum()),
                emerged=int(seedlings.sum()),
                stand=stand,
                stand_per_started=stand_started,
                still_to_come=float(rest.share[index]),
                plot_stands=PlotStands(
                    lowest=float(shares.min()) if shares.size else np.nan,
                    highest=float(shares.max()) if shares.size else np.nan,
                    scatter_p=scatter_p(seedlings, planted),
                ),
                **times,  # type: ignore[arg-type]
            )
        )
    return tuple(result)


def _share(
    comparison: Comparison | None, seedlings: float, seeds: float, index: int, level: float
) -> Value:
    if seeds <= 0:
        return Value(estimate=float("nan"))
    estimate = float(seedlings / seeds)
    half = np.nan if comparison is None else comparison.fit.mean_half_width[index]
    if comparison is None or not np.isfinite(half):
        low, high = (float(end) for end in wilson(seedlings, seeds, level))
        return Value(estimate=estimate, low=low, high=high)
    low, high = (back("angle", comparison.fit.means[index] + away) for away in (-half, half))
    return Value(estimate=estimate, low=min(low, estimate), high=max(high, estimate))


def _time(
    group: Group, comparison: Comparison | None, name: str, index: int, level: float
) -> Value | None:
    from thermosprout.special import ndtri

    if comparison is None or not np.isfinite(comparison.fit.means[index]):
        return None
    mine = group.members[index]
    centre, half = float(comparison.fit.means[index]), float(comparison.fit.mean_half_width[index])
    if not np.isfinite(half):  # no replicates: only chance among the seeds is known
        variance = float(np.nanmean(group.scores.seed_variance[name][mine]))
        half = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(variance / mine.sum()))
    low, estimate, high = (back(comparison.scale, centre + away) for away in (-half, 0.0, half))
    reach = reach_of(group, name, mine)
    if reach is not None:
        high = max(min(high, reach), estimate)
    elif comparison.scale == "ln" and half > WIDEST:
        return Value(estimate=estimate)
    return Value(estimate=estimate, low=max(0.0, low), high=high)
