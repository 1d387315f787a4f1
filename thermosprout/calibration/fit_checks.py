"""Whether prior, fit and records agree: what a grower should look at before the figures are used.

Four checks. Of the prior: how far the records moved a figure, in the spread such a move has where
the prior is right. Of the stand and of the timing: plots that the fit does not expect, judged by
the catalogue's own spread between plots, since a fit can widen its own to take in anything. Of the
course: seedlings that came in two waves where the model has one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy.stats import betabinom

from thermosprout.calibration.plots import Plot, day_of, half_emergence_d, middle_seedling
from thermosprout.calibration.posterior import THERMAL, Decorrelation, decorrelation_of
from thermosprout.calibration.predict import Model, Predicted
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import NAMES, PARAMETERS, Estimate
from thermosprout.quantities import FloatArray, IntArray, percent
from thermosprout.special import expit, ndtr, ndtri

if TYPE_CHECKING:
    from thermosprout.calibration.fit import Fit

Kind = Literal["prior", "stand", "timing", "flushes"]

CONFLICT = {"speed": 1.25, "field_factor": 2.0, "sigma": 2.3, "t_base_C": 2.3}
"""Moves that are told, in standard deviations; the speed of emergence is what forecasts live on.

That of the speed is the greatest at which half of simulated growers whose crop lies 1.5 sd off, on
either side, are told (19 growers a side, seeds 5000 to 5018); crops that lie as the catalogue's
spread has it are then told in about one of five."""

_STRONG = 2.5
_INFORMATIVE = 0.15
_PRIOR_DRAWS = 4000
_ODDS = 0.01
"""Chance, over all plots together, that a plot of a right model is pointed at (about)."""

_UNUSUAL = 1.3
"""Plots are judged by a spread between plots this many sd above the catalogue's middle one."""

_SENTENCES = 4
FLUSH_GAP = 2.5
"""Two waves of equal width show two crests when their middles lie more than two sd apart
(Robertson & Fryer 1969, Skand. Aktuarietidskr. 1969:137-146); a little more is asked here."""

_FLUSH_PART = 0.12
_FLUSH_GAIN = 14.0
_FLUSH_SEEDLINGS = 15
_FLUSH_LOOKS = 4
"""Fewer looks while seedlings come leave room for two waves in any count."""

_NARROWEST = 0.15


@dataclass(frozen=True, kw_only=True)
class FitCheck:
    """One thing that does not agree.

    Attributes
    ----------
    kind : str
        ``prior``, ``stand``, ``timing`` or ``flushes``.
    sentence : str
        What was seen where, and what to do.
    plots : tuple of str
        The plots concerned; none for the prior.
    day : str or None
        ISO date (UTC) on which it shows.
    size : float
        Standard deviations off; for flushes the distance of the two in sd of one.
    """

    kind: Kind
    sentence: str
    plots: tuple[str, ...] = ()
    day: str | None = None
    size: float = 0.0


def check_fit(fit: Fit, model: Model, level: FloatArray) -> tuple[FitCheck, ...]:
    """Check prior, stand, timing and course of a fit.

    Parameters
    ----------
    model : Model
        Of the fit's plots, with its layers.
    level : ndarray, shape (draw, parameter)
        Posterior draws of the crop, variety or lot that is reported, transformed scale; they go
        with the fit's weights.
    """
    predicted = model.predict(fit.mean[None])
    return (
        *flushes(model, predicted),
        *prior_conflicts(fit.crop, level, fit.weights, decorrelation_of(model)),
        *odd_stands(model, predicted),
        *odd_times(model, predicted),
    )


def prior_conflicts(
    crop: Crop, level: FloatArray, weights: FloatArray, decorrelation: Decorrelation
) -> list[FitCheck]:
    """Figures that the records moved further than the prior allows for.

    Notes
    -----
    Under the prior the posterior mean has the variance that the records took away, so that its
    move over the root of that is standard normal (Evans & Moshonov 2006, Bayesian Analysis
    1:893-914, for the normal case).
    """
    draws = crop.estimate.draw(_PRIOR_DRAWS, np.random.default_rng(0))
    before = np.stack([PARAMETERS[n].transform(draws[n]) for n in NAMES], axis=1)
    checks = []
    for name, least in CONFLICT.items():
        prior, after = _figure(name, before, decorrelation), _figure(name, level, decorrelation)
        mean = float(weights @ after)
        variance = float(weights @ np.square(after - mean))
        information = float(prior.var()) - variance
        if information < _INFORMATIVE * float(prior.var()):
            continue
        move = (mean - float(prior.mean())) / np.sqrt(information)
        if abs(move) >= least:
            sentence = _conflict(crop, name, float(prior.mean()), mean, move)
            checks.append(FitCheck(kind="prior", sentence=sentence, size=float(abs(move))))
    return checks


def _figure(name: str, vectors: FloatArray, decorrelation: Decorrelation) -> FloatArray:
    """Ln time at what the plots saw, or a parameter, of vectors of shape (draw, parameter)."""
    if name != "speed":
        return np.asarray(vectors[:, NAMES.index(name)])
    thermal = vectors[:, NAMES.index("thermal_time_50_Cd")]
    places = np.array([NAMES.index(parameter) for parameter in THERMAL])
    return np.asarray(thermal - decorrelation.shift(vectors, places))


def _conflict(crop: Crop, name: str, before: float, after: float, move: float) -> str:
    far = "far " if abs(move) >= _STRONG else ""
    often = f"{move:+.1f} standard deviations from what the catalogue expects of {crop.name}"
    if name == "speed":
        word = "slower" if move > 0 else "faster"
        return (
            f"seedlings came {far}{word} than the catalogue expects: "
            f"{np.exp(after - before):.2g} times the usual time ({often}); check that the soil "
            "temperature is that of the bed, the sowing depth, the dates, and the age of the seed"
        )
    if name == "field_factor":
        word = "fewer" if move < 0 else "more"
        return (
            f"{far}{word} of the live seed came up than the catalogue expects: "
            f"{percent(expit(after))} against {percent(expit(before))} ({often}); look for a "
            "crust, dry days, slugs, mice or birds, and test the lot"
        )
    if name == "sigma":
        word = "longer" if move > 0 else "shorter"
        return (
            f"seedlings came over a {far}{word} time than the catalogue expects ({often}); uneven "
            "depth or moisture draws it out, rare counts hide it"
        )
    return (
        f"the base temperature moved {far}from {before:.1f} to {after:.1f} °C ({often}); check "
        "the soil temperature of the coldest and the warmest planting"
    )


def odd_stands(model: Model, predicted: Predicted) -> list[FitCheck]:
    """Plots in which far fewer seedlings came up than their neighbours suggest."""
    rows = [i for i, p in enumerate(model.plots) if p.noted_h is None and not p.dish]
    if len(rows) < 3:
        return []
    rho = _unusual(model.layers.estimate, "plot_stand_rho")
    share = predicted.share[0, rows] * _share_at_last_look(predicted)[rows]
    seeds = np.array([model.plots[i].seeds for i in rows], dtype=float)
    emerged = np.array([model.plots[i].emerged for i in rows], dtype=float)
    ratio = (emerged + 0.5) / (share * seeds + 0.5)
    usual = np.empty(len(rows))
    for mine in _alike(model, rows):
        usual[mine] = np.median(ratio[mine]) if mine.size >= 3 else np.median(ratio)
    expected = np.clip(usual * share, 1e-3, 0.999)
    strength = (1.0 - rho) / rho
    chance = betabinom.cdf(emerged, seeds, expected * strength, (1.0 - expected) * strength)
    checks = []
    for at in np.flatnonzero(chance < _ODDS / len(rows)):
        plot = model.plots[rows[at]]
        last = day_of(plot.last_h)
        checks.append(
            FitCheck(
                kind="stand",
                sentence=(
                    f"plot {plot.name}: {emerged[at]:.0f} of {seeds[at]:.0f} seeds had come up by "
                    f"{last}, where plots like it suggest about {expected[at] * seeds[at]:.0f}; if "
                    "mice, slugs, birds or a flood took them, leave the plot out and calibrate "
                    "again"
                ),
                plots=(plot.name,),
                day=last,
                size=float(-ndtri(max(float(chance[at]), 1e-300))),
            )
        )
    return _few(checks, "and {n} more plots with far too few seedlings: {names}")


def _alike(model: Model, rows: Sequence[int]) -> list[IntArray]:
    """Places in ``rows`` of plots with the same variety, lot, treatment and planting day."""
    plots = [model.plots[i] for i in rows]
    keys = [(p.variety, p.seed_lot, p.treatment, p.constant_C, p.planted_h // 24) for p in plots]
    return [
        np.array([at for at, key in enumerate(keys) if key == one], dtype=np.intp)
        for one in dict.fromkeys(keys)
    ]


def _few(checks: list[FitCheck], rest: str) -> list[FitCheck]:
    """The worst of many, and one sentence for the others."""
    checks.sort(key=lambda item: -item.size)
    if len(checks) <= _SENTENCES:
        return checks
    first, others = checks[: _SENTENCES - 1], checks[_SENTENCES - 1 :]
    names = tuple(name for item in others for name in item.plots)
    sentence = rest.format(n=len(names), names=", ".join(names))
    return [*first, replace(others[0], sentence=sentence, plots=names, day=None)]


def _unusual(estimate: Estimate, name: str) -> float:
    """A spread between plots that is high for the catalogue's estimate, in natural units."""
    index = NAMES.index(name)
    at = estimate.mean[index] + _UNUSUAL * np.sqrt(estimate.covariance[index, index])
    return float(PARAMETERS[name].natural(float(at)))


def _share_at_last_look(predicted: Predicted) -> FloatArray:
    """Share of the final stand that should show at the last look, shape (plot,)."""
    last = ndtr(deviates(predicted)[:, -1])
    low, high = ndtr(predicted.z_low[0]), ndtr(predicted.z_high[0])
    return np.asarray(np.clip((last - low) / np.maximum(high - low, 1e-9), 0.0, 1.0))


def deviates(predicted: Predicted) -> FloatArray:
    """Normal deviates of ln thermal time at each look, shape (plot, inspection), of one draw."""
    shift = predicted.shift[0]
    credit = predicted.credit[0] + predicted.credit_slope[0] * shift
    progress = np.maximum(predicted.progress[0] + credit[:, None], 1e-9)
    middle = (predicted.ln_scale[0] + shift)[:, None]
    return np.asarray((np.log(progress) - middle) / predicted.sigma[0][:, None])


def offsets(model: Model, predicted: Predicted) -> tuple[IntArray, FloatArray, FloatArray]:
    """How much later than the fit half of the seedlings of plots came, in ln thermal time.

    Returns
    -------
    tuple of ndarray
        Places of the plots with three seedlings or more, their offsets, and standard errors.
    """
    rows, off, error = [], [], []
    sigma = predicted.sigma[0]
    low, high = ndtr(predicted.z_low[0]), ndtr(predicted.z_high[0])
    centre = predicted.ln_scale[0] + predicted.shift[0]
    for i, plot in enumerate(model.plots):
        new = plot.informative_looks()[1] if plot.noted_h is None else np.zeros(0)
        if new.sum() < 3:
            continue
        progress = np.concatenate([[0.0], predicted.progress[0, i, : new.size]])
        progress = np.maximum(progress + predicted.credit[0, i], 1e-9)
        at, part = middle_seedling(new)
        middle = progress[at - 1] + part * (progress[at] - progress[at - 1])
        # Seedlings that were still to come at the last look are none of those counted.
        z_last = (np.log(progress[-1]) - centre[i]) / sigma[i]
        top = min(max(float(ndtr(z_last)), low[i] + 1e-6), high[i])
        z_half = float(ndtri(np.clip(0.5 * (low[i] + top), 1e-9, 1 - 1e-9)))
        expected = centre[i] + sigma[i] * z_half
        width = np.log(progress[at] / max(progress[at - 1], 0.5 * progress[at])) / 3.5
        rows.append(i)
        off.append(np.log(middle) - expected)
        error.append(np.sqrt(1.57 * sigma[i] ** 2 / new.sum() + width**2))
    return np.array(rows, dtype=np.intp), np.array(off), np.array(error)


def odd_times(model: Model, predicted: Predicted) -> list[FitCheck]:
    """Plots that came far earlier or later than the fit says of their planting."""
    rows, off, error = offsets(model, predicted)
    if rows.size < 3:
        return []
    speed = _unusual(model.layers.estimate, "plot_speed_sd")
    z = off / np.hypot(error, speed)
    least = float(-ndtri(0.5 * _ODDS / rows.size))
    checks = []
    for at in np.flatnonzero(np.abs(z) > least):
        plot = model.plots[rows[at]]
        half = half_emergence_d(plot)
        if half is None:
            continue
        word = "later" if off[at] > 0 else "earlier"
        day = day_of(plot.planted_h + 24.0 * half)
        checks.append(
            FitCheck(
                kind="timing",
                sentence=(
                    f"plot {plot.name} was half up about {day}, {word} than the other plots "
                    f"suggest: it took {np.exp(off[at]):.2g} times the warmth; check its depth, "
                    "its planting date and its soil temperature"
                ),
                plots=(plot.name,),
                day=day,
                size=float(abs(z[at])),
            )
        )
    return _few(checks, "and {n} more plots came early or late: {names}")


@dataclass(frozen=True)
class _Waves:
    """Two normal waves through counted seedlings: how much more likely than one, and where.

    Only waves with two crests are looked at, ``part`` of the seedlings in the first.
    """

    gain: float
    first: float
    second: float
    sd: float
    part: float

    @property
    def gap(self) -> float:
        return abs(self.second - self.first) / self.sd


def flushes(model: Model, predicted: Predicted) -> list[FitCheck]:
    """Plots whose seedlings came in two waves."""
    courses = _courses(model, predicted)
    if not courses:
        return []
    together = _waves(np.concatenate(list(courses.values()), axis=1))
    alone = {i: _waves(own) for i, own in courses.items() if own[3].sum() >= _FLUSH_SEEDLINGS}
    least = _FLUSH_GAIN + 2.0 * np.log(max(len(alone), 1))
    mine = [i for i, waves in alone.items() if waves.gain > least]
    shared = together.gain > _FLUSH_GAIN
    if not mine and not shared:
        return []
    order = sorted(alone, key=lambda i: -alone[i].gain) if shared else mine
    rows = order or [next(iter(courses))]
    worst = rows[0]
    waves = together if shared else alone[worst]
    plot = model.plots[worst]
    first, second = (
        day_of(_hour_at(plot, predicted, worst, z)) for z in (waves.first, waves.second)
    )
    names = tuple(model.plots[i].name for i in rows)
    names_text = ", ".join(names[:_SENTENCES]) + (" and others" if len(names) > _SENTENCES else "")
    return [
        FitCheck(
            kind="flushes",
            sentence=(
                f"seedlings came in two flushes in {'plots' if len(names) > 1 else 'plot'} "
                f"{names_text}: in {plot.name} about {percent(waves.part)} near {first} and the "
                f"rest near {second}. The fit has one, so its half emergence and spread do not "
                "hold; look for the cause (crust, dry days, uneven depth, mixed seed), and leave "
                "those plots out or count the first flush alone"
            ),
            plots=names,
            day=second,
            size=float(waves.gap),
        )
    ]


def _courses(model: Model, predicted: Predicted) -> dict[int, FloatArray]:
    """Seedlings of counted plots of which no part of the seed was left out, by place.

    Deviates about the plot's own middle between which seedlings came, that of the last look, and
    their number; shape (4, interval).
    """
    z = deviates(predicted)
    rows, off, _ = offsets(model, predicted)
    own = dict(zip(rows.tolist(), (off / predicted.sigma[0, rows]).tolist(), strict=True))
    courses = {}
    for i, plot in enumerate(model.plots):
        whole = np.isneginf(predicted.z_low[0, i]) and np.isposinf(predicted.z_high[0, i])
        new = plot.informative_looks()[1]
        if i not in own or not whole or new.size < _FLUSH_LOOKS:
            continue
        edges = np.concatenate([[-np.inf], z[i, : new.size] - own[i]])
        last = np.full(new.size, edges[-1])
        courses[i] = np.stack([edges[:-1], edges[1:], last, new])[:, new > 0]
    return courses


_MIDDLES = np.arange(-3.0, 4.01, 0.2)
_SDS = np.geomspace(_NARROWEST, 1.6, 10)
_PARTS = np.arange(_FLUSH_PART, 1.0 - _FLUSH_PART + 1e-9, 0.076)


def _waves(course: FloatArray) -> _Waves:
    """Most likely one wave and two waves of equal width through intervals, on a grid."""
    low, high, last, new = course

    def below(edges: FloatArray, middles: FloatArray, sd: float) -> FloatArray:
        return np.asarray(ndtr((edges - middles[:, None]) / sd))

    def one(middles: FloatArray, sd: float) -> float:
        inside = below(high, middles, sd) - below(low, middles, sd)
        return float((_logs(inside, below(last, middles, sd)) @ new).max())

    fine = np.arange(-1.5, 1.51, 0.05)
    single = max(one(fine, sd) for sd in np.geomspace(_NARROWEST, 3.0, 40))
    best, at = -np.inf, (0.0, 0.0, 1.0, 0.5)
    earlier, later = np.triu_indices(_MIDDLES.size, 1)
    for sd in _SDS:
        apart = (_MIDDLES[later] - _MIDDLES[earlier]) / sd >= FLUSH_GAP
        first, second = earlier[apart], later[apart]
        if first.size == 0:
            continue
        inside = below(high, _MIDDLES, sd) - below(low, _MIDDLES, sd)
        until = below(last, _MIDDLES, sd)
        for part in _PARTS:
            rest = 1.0 - part
            logs = _logs(
                part * inside[first] + rest * inside[second],
                part * until[first] + rest * until[second],
            )
            likely = logs @ new
            top = int(np.argmax(likely))
            if likely[top] > best:
                best = float(likely[top])
                at = (_MIDDLES[first[top]], _MIDDLES[second[top]], sd, part)
    return _Waves(2.0 * (best - single), *(float(value) for value in at))


def _logs(inside: FloatArray, until: FloatArray) -> FloatArray:
    return np.asarray(np.log(np.maximum(inside, 1e-30)) - np.log(np.maximum(until, 1e-30)))


def _hour_at(plot: Plot, predicted: Predicted, i: int, z: float) -> float:
    """Hour at which a plot reaches a deviate about its own middle."""
    hours = plot.informative_looks()[0]
    at = deviates(predicted)[i, : hours.size]
    half = half_emergence_d(plot)
    middle = plot.planted_h + 24.0 * (half or 0.0)
    own = float(np.interp(middle, hours, at))
    return float(np.interp(z + own, at, hours))


def misfit(checks: Sequence[FitCheck]) -> FitCheck | None:
    """The check that says the model does not describe the records, if one does."""
    return next((item for item in checks if item.kind == "flushes"), None)
