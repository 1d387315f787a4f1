"""Analysis of a trial: each treatment summed up, treatments compared, and what it means."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray, IntArray
from thermosprout.trials.analysis.block_model import fit_blocked
from thermosprout.trials.analysis.cautions import cautions
from thermosprout.trials.analysis.compare import (
    LEVEL,
    TIMES,
    WIDEST,
    Fits,
    Fitted,
    Group,
    differences,
    fit_group,
    holm,
    interaction_p,
    reach_of,
    still_to_come,
)
from thermosprout.trials.analysis.curves import emergence_curve, emergence_shape
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
    CurveFit,
    Difference,
    Interaction,
    PlotStands,
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
        When nothing has been counted.

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
    notes = tuple(records.attrs.get("notes", ()))
    records = records.loc[counted].reset_index(drop=True)
    if thermal_times is not None:
        thermal_times = thermal_times[counted]
    plots = plots_of(records)
    factor: Compared = compare or _factor(plots)
    scores = score_plots(records, plots, thermal_times)
    rng = np.random.default_rng(seed)
    whole = _group(plots, np.arange(len(plots)), factor, None)
    fits = fit_group(whole, scores, level)
    compared, overall, errors = differences(whole, scores, fits, rng, resamples)
    compared = holm(compared)
    varieties = _by_variety(plots, scores, factor, level, rng, resamples)
    variation = Variation(
        stand_correlation=_correlation(whole, scores),
        ln_t50_sd=_speed_sd(whole, scores),
        error=errors,
    )
    treatments = tuple(
        _with_curve(s, records, thermal_times, clock, whole, i, variation.stand_correlation, level)
        for i, s in enumerate(summaries(whole, scores, fits, level))
    )
    fit = _curve_fit(records, whole, scores)
    tests = [*compared, *(item for variety in varieties for item in variety.differences)]
    result = TrialResult(
        treatments=treatments,
        differences=tuple(compared),
        overall=tuple(overall),
        varieties=varieties,
        variation=variation,
        interactions=_interactions(whole, fits) if varieties else (),
        curve_fit=fit,
        warnings=(*notes, *cautions(records, whole, scores, compared, fit)),
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
        fitted = fits[measure.name]
        p = None if fitted is None else interaction_p(group, fitted)
        if p is not None:
            result.append(Interaction(measure=measure.name, p_value=p, shown=p <= LEVEL))
    return tuple(result)


def _curve_fit(records: pd.DataFrame, group: Group, scores: PlotScores) -> CurveFit:
    """How well the log-normal fits, and which treatments came in two flushes."""
    plot_p = scores.shape.plot_p[group.rows]
    poor = group.plots.loc[np.nan_to_num(plot_p, nan=1.0) < _POOR_P, "plot"]
    flushes = {}
    if not scores.shape.fits:
        intervals = plot_intervals(records, "planted")
        for index, label in enumerate(group.labels):
            mine = intervals["plot"].isin(group.plots.loc[group.treatment == index, "plot"])
            part = intervals[mine]
            days = two_flushes(*(part[c].to_numpy(dtype=float) for c in ("left", "right", "seeds")))
            if days is not None:
                flushes[label] = days
    p = scores.shape.p_value
    return CurveFit(
        half_from=scores.half_from,
        p_value=p if np.isfinite(p) else None,
        poor=tuple(poor) if not scores.shape.fits else (),
        flushes=flushes,
    )


def _factor(plots: pd.DataFrame) -> Compared:
    if plots["treatment"].nunique() == 1 and plots["variety"].nunique() > 1:
        return "variety"
    return "treatment"


def _group(
    plots: pd.DataFrame, rows: npt.NDArray[np.intp], factor: Compared, variety: str | None
) -> Group:
    """Plots with their codes; blocks of different varieties are kept apart."""
    import pandas as pd

    part = plots.iloc[rows]
    names = set(part[factor])
    labels = treatment_order(names) if factor == "treatment" else sorted(names)
    blocks = part["block"] if factor == "variety" else part["variety"] + "\x1f" + part["block"]
    return Group(
        plots=part,
        rows=rows,
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
    names = list(dict.fromkeys(plots["variety"]))
    compared: list[Difference] = []
    summed: dict[str, tuple[TreatmentSummary, ...]] = {}
    for name in names:
        rows = np.flatnonzero((plots["variety"] == name).to_numpy())
        group = _group(plots, rows, factor, name)
        fits = fit_group(group, scores, level)
        summed[name] = summaries(group, scores, fits, level)
        compared += differences(group, scores, fits, rng, resamples)[0]
    by_name: dict[str, list[Difference]] = {name: [] for name in names}
    for item in holm(compared):
        by_name[item.variety or ""].append(item)
    return tuple(
        VarietyResult(variety=name, treatments=summed[name], differences=tuple(by_name[name]))
        for name in names
    )


def _correlation(group: Group, scores: PlotScores) -> float:
    """Correlation within plots; treatments and varieties have their own means."""
    means = group.plots.groupby(["variety", "treatment", "seed_lot"]).ngroup().to_numpy()
    return plot_correlation(
        scores.seedlings[group.rows], group.plots["seeds_planted"].to_numpy(), means
    )


def _speed_sd(group: Group, scores: PlotScores) -> float | None:
    """Plot-to-plot sd of ln t50 within blocks, beyond what chance among the seeds brings."""
    score = scores.scores[T50_PLANTED.name][group.rows]
    finite = np.isfinite(score)
    if finite.sum() < 2:
        return None
    fit = fit_blocked(
        score[finite], group.treatment[finite], group.block[finite], len(group.labels),
        least_variance=0.0,
    )  # fmt: skip
    if fit.df < 1:
        return None
    by_chance = float(np.median(scores.seed_variance[T50_PLANTED.name][group.rows][finite]))
    return float(np.sqrt(max(fit.error_variance - by_chance, 0.0)))


def _with_curve(
    summary: TreatmentSummary,
    records: pd.DataFrame,
    thermal: FloatArray | None,
    clock: ClockName,
    group: Group,
    index: int,
    correlation: float,
    level: float,
) -> TreatmentSummary:
    mine = set(group.plots.loc[group.treatment == index, "plot"])
    rows = records["plot"].isin(mine).to_numpy()
    part = records[rows]
    return replace(
        summary,
        curve=emergence_curve(
            part,
            clock=clock,
            thermal=None if thermal is None else thermal[rows],
            correlation=correlation,
            level=level,
        ),
        log_normal=emergence_shape(part),
    )


def summaries(
    group: Group, scores: PlotScores, fits: Fits, level: float
) -> tuple[TreatmentSummary, ...]:
    """Sum up every treatment of a group."""
    rest = still_to_come(group, scores, "seeds_planted")
    result = []
    for index, label in enumerate(group.labels):
        mine = group.treatment == index
        part = group.plots[mine]
        seedlings = scores.seedlings[group.rows][mine]
        planted = part["seeds_planted"].to_numpy(dtype=float)
        times = {
            name: _time(fits[name], scores, name, group.rows[mine], index, level) for name in TIMES
        }
        shares = seedlings[planted > 0] / planted[planted > 0]
        result.append(
            TreatmentSummary(
                treatment=label,
                plots=len(part),
                seeds_started=int(part["seeds_started"].sum()),
                seeds_planted=int(part["seeds_planted"].sum()),
                emerged=int(seedlings.sum()),
                stand=_share(fits[STAND.name], seedlings.sum(), planted.sum(), index, level),
                stand_per_started=_share(
                    fits[STAND_STARTED.name],
                    seedlings.sum(),
                    part["seeds_started"].sum(),
                    index,
                    level,
                ),
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
    fitted: Fitted | None, seedlings: float, seeds: float, index: int, level: float
) -> Value:
    if seeds <= 0:
        return Value(estimate=float("nan"))
    fit = None if fitted is None else fitted.fit
    estimate = float(seedlings / seeds)
    half = np.nan if fit is None else float(fit.mean_half_width[index])
    if fit is None or not np.isfinite(half):
        low, high = wilson(seedlings, seeds, level)
        return Value(estimate=estimate, low=low, high=high)
    centre = float(fit.means[index])
    low, high = back("angle", centre - half), back("angle", centre + half)
    return Value(estimate=estimate, low=min(low, estimate), high=max(high, estimate))


def _time(
    fitted: Fitted | None,
    scores: PlotScores,
    name: str,
    rows: IntArray,
    index: int,
    level: float,
) -> Value | None:
    from thermosprout.special import ndtri

    if fitted is None or not np.isfinite(fitted.fit.means[index]):
        return None
    centre, half = float(fitted.fit.means[index]), float(fitted.fit.mean_half_width[index])
    if not np.isfinite(half):  # no replicates: only chance among the seeds is known
        variance = float(np.nanmean(scores.seed_variance[name][rows]))
        half = float(ndtri(0.5 + level / 2.0)) * float(np.sqrt(variance / rows.size))
    estimate = back(fitted.scale, centre)
    low, high = back(fitted.scale, centre - half), back(fitted.scale, centre + half)
    reach = reach_of(name, scores, rows)
    if reach is None:
        if fitted.scale == "ln" and half > WIDEST:
            return Value(estimate=estimate)
        return Value(estimate=estimate, low=max(0.0, low), high=high)
    return Value(estimate=estimate, low=max(0.0, low), high=max(min(high, reach), estimate))
