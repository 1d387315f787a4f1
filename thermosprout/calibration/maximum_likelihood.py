"""Maximum likelihood without a prior: only what the records alone can pin down is moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr
from scipy.stats import qmc

from thermosprout.calibration.fit import Tick, climb, starts
from thermosprout.calibration.hierarchy import Layers, layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.posterior import Posterior, decorrelation_of
from thermosprout.calibration.predict import Model, temperatures_of
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.errors import FitError
from thermosprout.quantities import FloatArray, IntArray

PINNED = 4.0
"""A parameter is moved when the records alone pin it to half of its prior sd, the others of the
fit being free: information of at least four in units of that sd."""

_HOPEFUL = 1.0
_GAIN = 6.0
_FLAT = 1e-3
_RIVALS = 4
_TIE = 0.02
"""Log-likelihoods that differ by less are equal, as far as climbs end at their peaks."""

_REPLICATES = 3
_TRIED = 32
_STARTS = 3
_BEGINNINGS = 6
_SCREENED = 512
DESIGN = 0
"""Scrambling of the starting points, the same for every fit."""

_NOTHING = {"plot_speed_sd": 1e-6, "plot_stand_rho": 1e-9}
_SMALL = {"plot_speed_sd": 0.01, "plot_stand_rho": 0.002}
"""Plots that differ by less are taken as alike: the likelihood is flat there."""

_ORDER = (
    "t_base_C", "opt_gap_C", "ceiling_gap_C", "depth_cost_Cd_per_cm", "soak_credit",
    "germination_share", "handling_delay_Cd", "curvature",
)  # fmt: skip


@dataclass(frozen=True, kw_only=True)
class PlainFit:
    """Result of a fit without a prior.

    Attributes
    ----------
    vector : ndarray, shape (entry,)
        Most likely parameters; those not in ``free`` as the catalogue has them.
    free : ndarray of int
        Entries that were moved.
    covariance : ndarray, shape (free, free)
        Of the free entries, from the curvature.
    log_likelihood : float
        Of labelled seeds, at the maximum.
    """

    crop: Crop
    plots: tuple[Plot, ...]
    layers: Layers
    model: Model
    vector: FloatArray
    free: IntArray
    covariance: FloatArray
    log_likelihood: float


def fit_without_prior(
    crop: Crop,
    plots: Sequence[Plot],
    series: Sequence[xr.DataArray] = (),
    *,
    tick: Tick | None = None,
) -> PlainFit:
    """Fit plots by maximum likelihood.

    Parameters
    ----------
    crop : Crop
        Gives the response, and the values of what the records cannot tell.
    plots : sequence of Plot
        Varieties and lots are pooled. Germination in dishes is taken as the event itself, and
        each temperature of dishes has a final share of its own. With pre-sprouted plots the
        likelihood allows for slips (:data:`~thermosprout.calibration.likelihood.SLIPS`): only the
        seeds that had sprouted were planted, so a seedling a day late would count as impossible.
    series : sequence of xarray.DataArray
        Soil temperature.
    tick : callable, optional
        Called with the number of steps done, four in all.

    Raises
    ------
    FitError
        When nothing emerged, or no maximum is found.
    """
    alike = [replace(plot, variety=None, seed_lot=None) for plot in plots]
    if not any(plot.emerged or plot.noted_h for plot in alike):
        raise FitError(
            "nothing emerged in these records, so they cannot say how fast it comes",
            hint="leave out --no-prior to keep the catalogue's figures",
        )
    report = tick or (lambda _: None)
    layers = layers_of(crop.estimate, alike)
    model = Model(crop, alike, layers, series, dish_share=1.0)
    lenient = Likelihood(model, free_dishes=True)
    sprouted = any(plot.handling.sprout_h > 0 for plot in alike)
    likelihood = lenient if sprouted else Likelihood(model, slips=0.0, free_dishes=True)
    start = _beginning(lenient)
    report(1)
    start = _without_plot_effects(model, layers, start)
    problem, best, free = _search(likelihood, lenient, start)
    report(2)
    best = climb(problem, best[None], exact=True)
    curvature = problem.curvature(best)
    try:
        spread = np.linalg.inv(curvature)
    except np.linalg.LinAlgError:
        raise _no_peak(layers, free) from None
    report(1)
    jacobian = problem.jacobian(best)[free]
    return PlainFit(
        crop=crop,
        plots=tuple(alike),
        layers=layers,
        model=model,
        vector=problem.vectors(best[None])[0],
        free=free,
        covariance=jacobian @ spread @ jacobian.T,
        log_likelihood=float(problem.log_likelihood(best[None])[0]),
    )


def _search(
    likelihood: Likelihood, lenient: Likelihood, start: FloatArray
) -> tuple[Posterior, FloatArray, IntArray]:
    """Find what is free and where the likelihood peaks then.

    From where a weak prior puts the parameters; ``lenient`` allows for slips, see :func:`_peak`.
    Raises FitError when there is no peak however little is free.
    """
    model, layers, start = likelihood.model, likelihood.model.layers, start.copy()
    always = always_free(model, start)
    more = _pinned(likelihood, start, always, least=_HOPEFUL)
    extra: list[int] = []
    while True:
        free = np.array(always + extra + more, dtype=np.intp)
        problem = _problem(likelihood, _start_vector(model, start, free), free)
        best = _peak(problem, lenient)
        peak = problem.vectors(best[None])[0]
        vanished = _empty_effect(layers, peak, always)
        if vanished is not None:
            start[vanished] = _nothing(layers.names[vanished].removeprefix("crop:"))
            always.remove(vanished)
            continue
        others = rivals(likelihood, peak, start, free)
        if others:
            extra.append(_best_rival(likelihood, peak, start, free, others))
            continue
        if np.linalg.eigvalsh(problem.curvature(best)).min() > _FLAT:
            # Judged where the fit ends, not where it began: that hung on the starting points.
            pinned = _pinned(likelihood, peak, always + extra, among=more)
            if pinned == more:
                return problem, best, free
            start[free], more = peak[free], pinned
            continue
        if not more:
            raise _no_peak(layers, free)
        more = more[:-1]


def _no_peak(layers: Layers, free: IntArray) -> FitError:
    return FitError(
        "the likelihood has no peak: these records alone do not determine "
        + ", ".join(PARAMETERS[layers.names[i].rsplit(":", 1)[1]].label for i in free),
        hint="leave out --no-prior, or add inspections, temperatures or plots",
    )


def _empty_effect(layers: Layers, vector: FloatArray, free: Sequence[int]) -> int | None:
    """Entry of a plot effect that the records put at nothing, where there is no peak."""
    for name, small in _SMALL.items():
        entry = layers.entry(name)
        if entry in free and float(PARAMETERS[name].natural(vector[entry])) < small:
            return entry
    return None


def rivals(
    likelihood: Likelihood, peak: FloatArray, start: FloatArray, free: IntArray
) -> list[int]:
    """Entries without which the records cannot be explained, though nothing near the peak says so.

    Those that gain more, on their way to where a weak prior put them, than chance gives one entry
    among all of them; the greatest gain first.

    Parameters
    ----------
    peak, start : ndarray, shape (entry,)
        Where the likelihood peaks with the ``free`` entries moved, and where a weak prior puts all.
    free : ndarray of int
    """
    layers = likelihood.model.layers
    movable = [layers.entry(name) for name in layers.estimate.names if name not in _NOTHING]
    others = [entry for entry in movable if entry not in free]
    points = np.repeat(peak[None], 1 + len(others), axis=0)
    points[1 + np.arange(len(others)), others] = start[others]
    values = likelihood.plots(points).sum(axis=1)
    gains = values[1:] - values[0]
    ranked = np.argsort(-gains, kind="stable")
    return [others[i] for i in ranked if gains[i] > _GAIN][:_RIVALS]


def _best_rival(
    likelihood: Likelihood,
    peak: FloatArray,
    start: FloatArray,
    free: IntArray,
    others: Sequence[int],
) -> int:
    """Rival that explains the records best once all that is free has moved with it.

    Two that do the same work, such as a batch's delay and its share of germination, gain nearly
    the same before that; then where the search started would decide between them.
    """
    if len(others) == 1:
        return others[0]
    ends = {}
    for entry in sorted(others):
        vector = peak.copy()
        vector[entry] = start[entry]
        problem = _problem(likelihood, vector, np.append(free, entry))
        end = climb(problem, np.zeros((1, problem.size)))
        ends[entry] = float(problem.log_likelihood(end[None])[0])
    highest = max(ends.values())
    return next(entry for entry, value in ends.items() if value > highest - _TIE)


def _peak(problem: Posterior, lenient: Likelihood) -> FloatArray:
    """Best point from the likeliest of several starts.

    Where parameters make a count impossible the plain likelihood is a plain without a slope:
    a likelihood that allows for slips leads down from there.
    """
    sloping = replace(problem, likelihood=lenient)
    points = starts(sloping, 0.5 * _design(_TRIED, problem.size), number=_STARTS)
    ascent = climb(sloping, points, thorough=True)
    return climb(problem, ascent[None])


def _design(count: int, size: int) -> FloatArray:
    """Evenly spread normal points, shape (count, size): a Sobol sequence, its count a power of 2.

    The same for every fit: chance has no say in what the records tell.
    """
    return np.asarray(qmc.MultivariateNormalQMC(np.zeros(size), rng=DESIGN).random(count))


def _beginning(lenient: Likelihood) -> FloatArray:
    """Where a weak prior puts the parameters: the same model, the spreads widened."""
    model, layers = lenient.model, lenient.model.layers
    wide = Posterior(
        likelihood=lenient, origin=layers.mean,
        root=2.0 * layers.root(), prior=True, decorrelation=decorrelation_of(model),
    )  # fmt: skip
    points = starts(wide, _design(_SCREENED, wide.size), number=_BEGINNINGS)
    return np.asarray(wide.vectors(climb(wide, points, thorough=True)[None])[0])


def _start_vector(model: Model, start: FloatArray, free: IntArray) -> FloatArray:
    """Begin with what is not moved as the catalogue has it, and the same speed as before."""
    layers = model.layers
    vector = layers.mean.copy()
    effects = [layers.entry(name) for name in _NOTHING]
    vector[effects] = start[effects]
    vector[free] = start[free]
    decorrelation = decorrelation_of(model)
    change = decorrelation.shift(vector[None]) - decorrelation.shift(start[None])
    vector[decorrelation.target] += float(change[0])
    return vector


def _without_plot_effects(model: Model, layers: Layers, vector: FloatArray) -> FloatArray:
    """Take plots as alike where there are too few alike to tell how they differ."""
    changed = vector.copy()
    counted = [i for i, plot in enumerate(model.plots) if plot.noted_h is None]
    alike = len(model.plots) - len(set(model.plot_setting.tolist()))
    alike_counted = len(counted) - len({int(model.plot_setting[i]) for i in counted})
    for name, count in (("plot_speed_sd", alike), ("plot_stand_rho", alike_counted)):
        if count < _REPLICATES:
            entry = layers.entry(name)
            changed[entry] = _nothing(name)
    return changed


def _nothing(name: str) -> float:
    """Value, on the parameter's scale, that stands for no effect of plots."""
    return float(PARAMETERS[name].transform(_NOTHING[name]))


def _problem(likelihood: Likelihood, vector: FloatArray, free: IntArray) -> Posterior:
    spreads = np.sqrt(np.diag(likelihood.model.layers.covariance))
    root = np.zeros((vector.size, free.size))
    root[free, np.arange(free.size)] = np.maximum(spreads[free], 0.05)
    return Posterior(
        likelihood=likelihood, origin=vector, root=root, prior=False,
        decorrelation=decorrelation_of(likelihood.model),
    )  # fmt: skip


def always_free(model: Model, vector: FloatArray) -> list[int]:
    """Entries that every fit moves: what such plots can tell, whatever their counts.

    Parameters
    ----------
    vector : ndarray, shape (entry,)
        Says which effects of plots are more than nothing.
    """
    names = model.layers.names
    always = ["crop:thermal_time_50_Cd"]
    if max((int((plot.new > 0).sum()) for plot in model.plots), default=0) >= 3:
        always.append("crop:sigma")
    if any(not plot.dish and plot.noted_h is None for plot in model.plots):
        always.append("crop:field_factor")
    for name in _NOTHING:
        if vector[model.layers.entry(name)] > _nothing(name) + 1.0:
            always.append(f"crop:{name}")
    emerging = {plot.treatment for plot in model.plots if not plot.dish and plot.seeds}
    for name in names:
        if name.startswith("treatment "):
            label, parameter = name.removeprefix("treatment ").rsplit(":", 1)
            if parameter != "field_factor" or label in emerging:
                always.append(name)
    return [names.index(name) for name in always]


def _pinned(
    likelihood: Likelihood,
    vector: FloatArray,
    always: Sequence[int],
    *,
    among: Sequence[int] | None = None,
    least: float = PINNED,
) -> list[int]:
    """Further entries that the records alone pin down at a vector, the ``always`` being free.

    Judged ``among`` some, or among all that could be moved; they have the ``least`` information.
    """
    layers = likelihood.model.layers
    maybe = [layers.entry(name) for name in _ORDER]
    if not temperatures_of(likelihood.model).wide_enough:
        maybe.remove(layers.entry("t_base_C"))
    if among is not None:
        maybe = [entry for entry in maybe if entry in among]
    problem = _problem(likelihood, vector, np.array([*always, *maybe], dtype=np.intp))
    information = problem.curvature(np.zeros(problem.size))
    return [maybe[i - len(always)] for i in informed(information, len(always), least)]


def informed(information: FloatArray, always: int, least: float = PINNED) -> list[int]:
    """Places that a matrix of information pins down, one after the other.

    Parameters
    ----------
    information : ndarray, shape (place, place)
    always : int
        The first so many places are free whatever is known of them.
    least : float
        Information a further place needs when those before it are free too.
    """
    free = list(range(always))
    for candidate in range(always, information.shape[0]):
        cross = information[candidate, free]
        own = np.linalg.pinv(information[np.ix_(free, free)])
        if information[candidate, candidate] - cross @ own @ cross >= least:
            free.append(candidate)
    return free[always:]
