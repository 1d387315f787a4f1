"""What a calibration says of each parameter, what the records added, and what to be wary of."""

from __future__ import annotations

import itertools
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from thermosprout.calibration.fit import Fit
from thermosprout.calibration.fit_checks import FitCheck, offsets
from thermosprout.calibration.plots import Plot, half_emergence_d
from thermosprout.calibration.predict import NARROW_C, Temperatures
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import NAMES, PARAMETERS
from thermosprout.crops.germination_test import replicate_warning
from thermosprout.emergence.weighted_draws import weighted_quantile
from thermosprout.quantities import FloatArray, percent

if TYPE_CHECKING:
    from thermosprout.calibration.maximum_likelihood import PlainFit


INTERVAL = 0.9
"""Probability of the intervals reported."""

_TAIL = 0.5 * (1.0 - INTERVAL)
_NARROWER, _MOVE = 0.1, 0.3
Z = 1.6448536269514722

DERIVED: dict[str, tuple[str, ...]] = {
    "t_opt_C": ("t_base_C", "opt_gap_C"),
    "t_ceiling_C": ("t_base_C", "opt_gap_C", "ceiling_gap_C"),
}
"""Temperatures that are sums of parameters."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One parameter.

    Attributes
    ----------
    estimate, low, high : float or None
        Centre and 90 % interval; None where the records alone do not tell it.
    prior : tuple of float
        Estimate, low and high before the records.
    narrower : float
        By which part the interval is narrower than before, on the parameter's scale.
    kept : bool
        The catalogue's figure stands.
    """

    name: str
    estimate: float | None
    low: float | None
    high: float | None
    prior: tuple[float, float, float]
    narrower: float
    kept: bool

    @property
    def learned(self) -> bool:
        """Whether the records moved or narrowed it noticeably."""
        if self.kept or self.estimate is None:
            return False
        middle, low, high = self.prior
        side = high - middle if self.estimate > middle else middle - low
        return self.narrower >= _NARROWER or abs(self.estimate - middle) >= _MOVE * side


def parameter_finding(
    crop: Crop, draws: FloatArray, weights: FloatArray, name: str, *, kept: bool
) -> Finding:
    """One parameter from weighted draws of shape (draw, parameter), transformed scale."""
    estimate = crop.estimate
    if name in DERIVED:
        parts = DERIVED[name]
        values = sum(PARAMETERS[part].natural(draws[:, NAMES.index(part)]) for part in parts)
        rng = np.random.default_rng(0)
        draws_before = estimate.draw(4000, rng)
        before = np.sort(sum(draws_before[part] for part in parts))
        prior = tuple(float(np.quantile(before, p)) for p in (0.5, _TAIL, 1 - _TAIL))
        low, middle, high = weighted_quantile(np.asarray(values), weights, [_TAIL, 0.5, 1 - _TAIL])
        narrower = 1.0 - (high - low) / (prior[2] - prior[1])
    else:
        column = draws[:, NAMES.index(name)]
        scale = PARAMETERS[name]
        quantiles = weighted_quantile(column, weights, [_TAIL, 0.5, 1 - _TAIL])
        low, middle, high = (float(scale.natural(q)) for q in quantiles)
        prior = (estimate.centre()[name], *estimate.interval(name, INTERVAL))
        sd = float(np.sqrt(estimate.covariance[NAMES.index(name), NAMES.index(name)]))
        narrower = 1.0 - float(quantiles[2] - quantiles[0]) / max(2 * Z * sd, 1e-12)
    if kept:
        middle, low, high = prior
        narrower = 0.0
    return Finding(
        name=name, estimate=float(middle), low=float(low), high=float(high),
        prior=(float(prior[0]), float(prior[1]), float(prior[2])),
        narrower=float(max(narrower, 0.0)), kept=kept,
    )  # fmt: skip


def treatment_findings(fit: Fit) -> tuple[Finding, ...]:
    """Effects of unknown treatments as factors, with their intervals."""
    findings = []
    for column, entry in enumerate(fit.layers.names):
        owner, name = entry.rsplit(":", 1)
        if owner.startswith("treatment "):
            quantiles = weighted_quantile(
                fit.vectors[:, column], fit.weights, [0.5, _TAIL, 1 - _TAIL]
            )
            sd = float(np.sqrt(fit.layers.covariance[column, column]))
            middle, low, high = (float(q) for q in np.exp(quantiles))
            findings.append(factor_finding(owner, name, middle, low, high, sd))
    return tuple(findings)


def factor_finding(
    owner: str, name: str, middle: float, low: float, high: float, sd: float
) -> Finding:
    """Effect of an unknown treatment as a factor; ``sd`` is the prior's, of its ln."""
    what = "thermal_time_factor" if name == "thermal_time_50_Cd" else "stand_odds_factor"
    return Finding(
        name=f"{owner.removeprefix('treatment ')}:{what}",
        estimate=float(middle), low=float(low), high=float(high),
        prior=(1.0, float(np.exp(-Z * sd)), float(np.exp(Z * sd))),
        narrower=1.0 - float(np.log(high / low)) / (2 * Z * sd), kept=False,
    )  # fmt: skip


FEW_DRAWS = 100.0
_SCATTER = 4.0
LINE_APART_C = 4.0
"""Distance from the fitted base to that of a straight line through the speeds past which the
records do not fix a base (common practice, no source). [K]"""
_COLD_C, _WARM_C = -5.0, 20.0


def warnings_with_prior(
    crop: Crop, fit: Fit, checks: Sequence[FitCheck], temperatures: Temperatures
) -> tuple[str, ...]:
    """Sentences on a fit with prior, the gravest first."""
    sentences = []
    if not temperatures.wide_enough:
        sentences.append(_base_of_catalogue(crop, temperatures))
    if fit.effective_draws < FEW_DRAWS:
        sentences.append(
            f"the fit rests on {fit.effective_draws:.0f} effective draws: take its intervals as "
            "rough"
        )
    sentences += [item.sentence for item in checks]
    sentences += _of_plots(fit.plots, crop)
    return tuple(sentences)


def warnings_without_prior(
    crop: Crop, fit: PlainFit, findings: Sequence[Finding], temperatures: Temperatures
) -> tuple[str, ...]:
    """Sentences on a fit without prior, the gravest first."""
    sentences = []
    by_name = {item.name: item for item in findings}
    base = by_name["t_base_C"]
    if not temperatures.wide_enough:
        sentences.append(_base_of_catalogue(crop, temperatures))
    elif base.estimate is None:
        sentences.append(
            "the records do not pin down a base temperature: it is held at the catalogue's "
            f"{base.prior[0]:.1f} °C and not reported"
        )
    else:
        sentences += _base_alone(fit, base, temperatures)
    thermal = by_name["thermal_time_50_Cd"]
    if base.estimate is None and thermal.estimate is not None:
        sentences.append(
            f"thermal time {thermal.estimate:.0f} °C d holds for a base temperature of "
            f"{base.prior[0]:.1f} °C only"
        )
    if any(plot.dish for plot in fit.plots):
        sentences.append(
            "germination in dishes was taken as the event itself: thermal time is to germination, "
            "not to emergence from a depth"
        )
    sentences += _scatter(fit)
    sentences += _of_plots(fit.plots, crop)
    return tuple(sentences)


def _base_of_catalogue(crop: Crop, temperatures: Temperatures) -> str:
    base = crop.estimate.centre()["t_base_C"]
    if temperatures.means.size == 0:
        return (
            f"nothing came up in any plot: base temperature stays at the catalogue's {base:.1f} °C"
        )
    low, high = f"{temperatures.low:.0f}", f"{temperatures.high:.0f}"
    where = f"all at {low} °C" if low == high else f"between {low} and {high} °C"
    return (
        f"your plots were {where}: base temperature stays at the catalogue's {base:.1f} °C "
        f"(it takes plots {NARROW_C:.0f} °C or more apart)"
    )


def _base_alone(fit: PlainFit, base: Finding, temperatures: Temperatures) -> list[str]:
    """What to think of a base temperature that the records alone gave."""
    sentences: list[str] = []
    if base.estimate is None or base.low is None or base.high is None:
        return sentences
    plausible = base.prior[1] - 3 <= base.estimate <= base.prior[2] + 3
    usual = base.prior[1] <= base.estimate <= base.prior[2]
    if not (usual or _COLD_C <= base.estimate <= _WARM_C):
        sentences.append(
            f"a base temperature of {base.estimate:.1f} °C is absurd for a crop: the records do "
            "not support one"
        )
    elif not plausible:
        sentences.append(
            f"a base temperature of {base.estimate:.1f} °C is far from the "
            f"{base.prior[1]:.1f} to {base.prior[2]:.1f} °C known for {fit.crop.name}: do not "
            "trust it without more trials"
        )
    if base.high - base.low > 10.0:
        sentences.append(
            f"the base temperature is only known to lie between {base.low:.1f} and "
            f"{base.high:.1f} °C"
        )
    if base.estimate < temperatures.low - 10.0:
        sentences.append(
            f"the base temperature lies {temperatures.low - base.estimate:.0f} °C below the "
            "coldest plot: it is read off a line drawn far beyond the records"
        )
    sentences += _line_elsewhere(fit, base.estimate)
    if len(temperatures.plots_at) == 2:
        sentences.append("two temperatures give a line but nothing to check it with")
    if all(count == 1 for _, count in temperatures.plots_at):
        sentences.append(
            "there is one plot or dish at each temperature: chance differences between plots "
            "cannot be told from the effect of temperature, and intervals are too narrow"
        )
    return sentences


def _line_elsewhere(fit: PlainFit, base: float) -> list[str]:
    """Say that the records do not fix the base, where a line through their speeds is elsewhere."""
    centre = fit.crop.estimate.centre()
    top = centre["t_base_C"] + centre["opt_gap_C"] + 3.0
    dishes = [p for p in fit.plots if p.constant_C is not None and p.constant_C <= top]
    speeds = [(p.constant_C, 1.0 / days) for p in dishes if (days := half_emergence_d(p))]
    if len({warm for warm, _ in speeds}) < 3:
        return []
    temperature, speed = np.array(speeds, dtype=float).T
    slope, cut = np.polyfit(temperature, speed, 1)
    line = -cut / slope if slope > 0 else -np.inf
    if abs(line - base) <= LINE_APART_C:
        return []
    other = f"at {line:.1f} °C" if np.isfinite(line) else "nowhere"
    sentence = (
        f"the base temperature is not fixed by these records: the fit has it at {base:.1f} °C, a "
        f"straight line through the speeds meets zero {other}; repeat the dishes at each "
        "temperature, or leave the base to the catalogue"
    )
    return [sentence]


def _scatter(fit: PlainFit) -> list[str]:
    """Plots that differ from the fit by more than their seeds explain."""
    rows, off, error = offsets(fit.model, fit.model.predict(fit.vector[None]))
    free = rows.size - 2
    if free < 1:
        return []
    ratio = float(np.square(off / error).sum() / free)
    if ratio < _SCATTER:
        return []
    worst = int(np.argmax(np.abs(off / error)))
    change = np.expm1(abs(off[worst]))
    word = "slower" if off[worst] > 0 else "faster"
    return [
        (
            f"plots scatter about the fit {np.sqrt(ratio):.1f} times more than their seeds "
            f"explain; {fit.plots[rows[worst]].name} is {percent(change)} {word}: do not trust the "
            "intervals"
        )
    ]


def _falling_rates(plots: Sequence[Plot], crop: Crop) -> list[str]:
    """Speed that does not rise with temperature below the optimum the catalogue gives."""
    centre = crop.estimate.centre()
    optimum = centre["t_base_C"] + centre["opt_gap_C"]
    days: dict[float, list[float]] = defaultdict(list)
    for plot in plots:
        half = half_emergence_d(plot) if plot.noted_h is None else None
        if plot.constant_C is not None and half is not None:
            days[plot.constant_C].append(half)
    levels = sorted(days)
    for cooler, warmer in itertools.pairwise(levels):
        slower = np.mean(days[warmer]) > 1.05 * np.mean(days[cooler])
        if slower and warmer <= optimum + 3.0:
            return [
                (
                    f"speed does not rise steadily with temperature: half had come after "
                    f"{np.mean(days[warmer]):.1f} d at {warmer:g} °C and after "
                    f"{np.mean(days[cooler]):.1f} d at {cooler:g} °C"
                )
            ]
    return []


def _of_plots(plots: Sequence[Plot], crop: Crop) -> list[str]:
    """What plots say of themselves: no replicates, replicates that disagree, nothing up."""
    sentences = _falling_rates(plots, crop)
    alike: dict[tuple[object, ...], list[Plot]] = defaultdict(list)
    for plot in plots:
        key = (plot.variety, plot.seed_lot, plot.treatment, plot.constant_C, plot.dish,
               None if plot.constant_C is not None else plot.planted_h, plot.depth_cm)  # fmt: skip
        alike[key].append(plot)
    counted = [group for group in alike.values() if group[0].noted_h is None]
    if counted and all(len(group) == 1 for group in counted):
        sentences.append(
            "no plot was replicated: what a plot has of its own cannot be told from its "
            "treatment, date or temperature"
        )
    for group in counted:
        if group[0].dish:
            scatter = replicate_warning(tuple((plot.emerged, plot.seeds) for plot in group))
            if scatter:
                sentences.append(f"dishes at {group[0].constant_C:g} °C: {scatter}")
    empty = [plot.name for plot in plots if plot.noted_h is None and plot.emerged == 0]
    if empty:
        shown = ", ".join(empty[:4]) + (" and others" if len(empty) > 4 else "")
        sentences.append(f"nothing came up in {shown}")
    return sentences
