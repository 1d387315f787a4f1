"""What a calibration says: parameters with intervals, what was learned, and what was not."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import xarray as xr

from thermosprout.arrays import FloatArray
from thermosprout.calibration.fit import DRAWN, Fit, Tick, fit_with_prior
from thermosprout.calibration.maximum_likelihood import PlainFit, fit_without_prior
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.calibration.warnings import (
    Temperatures,
    temperatures_of,
    warnings_with_prior,
    warnings_without_prior,
)
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import Estimate
from thermosprout.crops.parameters import NAMES, PARAMETERS
from thermosprout.emergence.quantiles import weighted_quantile
from thermosprout.errors import InputError

INTERVAL = 0.9
"""Probability of the intervals reported."""

_TAIL = 0.5 * (1.0 - INTERVAL)
_Z = 1.6448536269514722

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
        return not self.kept and self.narrower >= 0.1


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Result of a calibration for one crop, variety or lot.

    Attributes
    ----------
    estimates : tuple of Estimate
        Of the crop and of each variety and lot the records name; empty without a prior.
    treatments : tuple of Finding
        Effects of treatments unknown to the model, as factors on thermal time and odds.
    """

    crop: Crop
    variety: str | None
    seed_lot: str | None
    with_prior: bool
    parameters: tuple[Finding, ...]
    treatments: tuple[Finding, ...]
    warnings: tuple[str, ...]
    temperatures: Temperatures
    effective_draws: float | None
    log_likelihood: float
    plots: tuple[Plot, ...]
    estimates: tuple[Estimate, ...] = ()

    def finding(self, name: str) -> Finding:
        """Finding of one parameter."""
        return next(item for item in self.parameters if item.name == name)


def calibrate(
    crop: Crop,
    plots: Sequence[Plot],
    series: Sequence[xr.DataArray] = (),
    *,
    variety: str | None = None,
    seed_lot: str | None = None,
    with_prior: bool = True,
    seed: int = 0,
    draws: int = DRAWN,
    tick: Tick | None = None,
) -> Calibration:
    """Calibrate a crop on plots.

    Parameters
    ----------
    crop : Crop
        With its estimate before the records.
    plots : sequence of Plot
        All of them take part.
    series : sequence of xarray.DataArray
        Soil temperature, hourly. [degC]
    variety, seed_lot : str, optional
        Whom to report; by default the closest that all plots share.
    with_prior : bool
        False for maximum likelihood.
    seed, draws : int
        Of the random numbers; how many draws the fit takes.
    tick : callable, optional
        Told how many of four steps are done.

    Raises
    ------
    InputError
        When no plot is of the variety or lot.
    FitError
        When a fit without prior is not determined.
    """
    if not with_prior:
        return _plain(crop, fit_without_prior(crop, plots, series, seed=seed, tick=tick))
    chosen = _level(plots, variety, seed_lot)
    fit = fit_with_prior(crop, plots, series, seed=seed, draws=draws, tick=tick)
    return _full(crop, fit, series, *chosen)


def _level(
    plots: Sequence[Plot], variety: str | None, seed_lot: str | None
) -> tuple[str | None, str | None]:
    """Variety and lot that are reported."""
    varieties = {plot.variety for plot in plots}
    lots = {(plot.variety, plot.seed_lot) for plot in plots}
    if variety is None and len(varieties) == 1:
        variety = next(iter(varieties))
    if variety is not None and variety not in varieties:
        raise InputError(
            f"no plot is of the variety {variety!r}",
            hint="the records name " + (", ".join(sorted(filter(None, varieties))) or "none"),
        )
    of_variety = {lot for name, lot in lots if variety is None or name == variety}
    if seed_lot is not None:
        owners = [name for name, lot in lots if lot == seed_lot and variety in (None, name)]
        if not owners:
            raise InputError(
                f"no plot is of the seed lot {seed_lot!r}",
                hint="the records name " + (", ".join(sorted(filter(None, of_variety))) or "none"),
            )
        return owners[0], seed_lot
    if len(of_variety) == 1 and (variety is not None or varieties == {None}):
        return variety, next(iter(of_variety))
    return variety, None


def base_from_prior(fit: Fit) -> Fit:
    """Give the base temperature back the spread it had, with all that hangs on it.

    Records from a narrow range of temperatures tell the time to emergence there. What they seem
    to say of the base temperature comes from the prior of thermal time and the shape of the
    response; it is left out, and the other parameters follow as they hang together with it.
    """
    layers = fit.layers
    index = layers.indices("t_base_C")
    mean, covariance = fit.mean, fit.covariance
    own = covariance[np.ix_(index, index)]
    before = np.linalg.cholesky(layers.covariance[np.ix_(index, index)])
    after = np.linalg.cholesky(own)
    centred = fit.vectors[:, index] - mean[index]
    wanted = layers.mean[index] + centred @ np.linalg.inv(after).T @ before.T
    slope = covariance[:, index] @ np.linalg.inv(own)
    vectors = fit.vectors + (wanted - fit.vectors[:, index]) @ slope.T
    vectors[:, index] = wanted
    return replace(fit, vectors=vectors)


def _full(
    crop: Crop, fit: Fit, series: Sequence[xr.DataArray], variety: str | None, seed_lot: str | None
) -> Calibration:
    seen = temperatures_of(Model(crop, fit.plots, fit.layers, series))
    if not seen.wide_enough:
        fit = base_from_prior(fit)
    chosen, spread = fit.layers.level(variety, seed_lot)
    below = np.random.default_rng(0).standard_normal((fit.weights.size, spread.shape[0]))
    root = np.linalg.eigh(spread)
    noise = below @ (root[1] * np.sqrt(np.maximum(root[0], 0.0))).T
    draws = fit.vectors @ chosen.T + noise
    findings = tuple(
        _finding(crop, draws, fit.weights, name, kept=name == "t_base_C" and not seen.wide_enough)
        for name in (*NAMES, *DERIVED)
    )
    levels = [(None, None), *_named(fit.plots)]
    return Calibration(
        crop=crop,
        variety=variety,
        seed_lot=seed_lot,
        with_prior=True,
        parameters=findings,
        treatments=_treatments(fit),
        warnings=warnings_with_prior(crop, fit, findings, seen),
        temperatures=seen,
        effective_draws=fit.effective_draws,
        log_likelihood=fit.log_likelihood,
        plots=fit.plots,
        estimates=tuple(fit.estimate(*level) for level in levels),
    )


def _named(plots: Sequence[Plot]) -> list[tuple[str | None, str | None]]:
    """Varieties and lots that plots name, varieties first."""
    varieties = dict.fromkeys((plot.variety, None) for plot in plots if plot.variety)
    lots = dict.fromkeys((plot.variety, plot.seed_lot) for plot in plots if plot.seed_lot)
    return [*varieties, *lots]


def _finding(
    crop: Crop, draws: FloatArray, weights: FloatArray, name: str, *, kept: bool
) -> Finding:
    """One parameter from weighted draws of shape (draw, parameter), transformed scale."""
    estimate = crop.estimate
    if name in DERIVED:
        parts = DERIVED[name]
        values = sum(PARAMETERS[part].natural(draws[:, NAMES.index(part)]) for part in parts)
        rng = np.random.default_rng(0)
        drawn = estimate.draw(4000, rng)
        before = np.sort(sum(drawn[part] for part in parts))
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
        narrower = 1.0 - float(quantiles[2] - quantiles[0]) / max(2 * _Z * sd, 1e-12)
    if kept:
        middle, low, high = prior
        narrower = 0.0
    return Finding(
        name=name, estimate=float(middle), low=float(low), high=float(high),
        prior=(float(prior[0]), float(prior[1]), float(prior[2])),
        narrower=float(max(narrower, 0.0)), kept=kept,
    )  # fmt: skip


def _treatments(fit: Fit) -> tuple[Finding, ...]:
    """Effects of unknown treatments as factors, with their intervals."""
    found = []
    for column, entry in enumerate(fit.layers.names):
        owner, name = entry.rsplit(":", 1)
        if owner.startswith("treatment "):
            quantiles = weighted_quantile(
                fit.vectors[:, column], fit.weights, [0.5, _TAIL, 1 - _TAIL]
            )
            sd = float(np.sqrt(fit.layers.covariance[column, column]))
            middle, low, high = (float(q) for q in np.exp(quantiles))
            found.append(_factor(owner, name, middle, low, high, sd))
    return tuple(found)


def _factor(owner: str, name: str, middle: float, low: float, high: float, sd: float) -> Finding:
    what = "thermal_time_factor" if name == "thermal_time_50_Cd" else "stand_odds_factor"
    return Finding(
        name=f"{owner.removeprefix('treatment ')}:{what}",
        estimate=float(middle), low=float(low), high=float(high),
        prior=(1.0, float(np.exp(-_Z * sd)), float(np.exp(_Z * sd))),
        narrower=1.0 - float(np.log(high / low)) / (2 * _Z * sd), kept=False,
    )  # fmt: skip


def _plain(crop: Crop, fit: PlainFit) -> Calibration:
    seen = temperatures_of(fit.model)
    entries = {fit.layers.names[i]: row for row, i in enumerate(fit.free)}
    errors = np.sqrt(np.maximum(np.diag(fit.covariance), 0.0))
    findings, effects = [], []
    for name in NAMES:
        prior = (crop.estimate.centre()[name], *crop.estimate.interval(name, INTERVAL))
        row = entries.get(f"crop:{name}")
        if row is None:
            findings.append(
                Finding(name=name, estimate=None, low=None, high=None, prior=prior,
                        narrower=0.0, kept=True)
            )  # fmt: skip
            continue
        scale, at = PARAMETERS[name], float(fit.vector[NAMES.index(name)])
        findings.append(
            Finding(
                name=name, estimate=float(scale.natural(at)),
                low=float(scale.natural(at - _Z * errors[row])),
                high=float(scale.natural(at + _Z * errors[row])),
                prior=prior, narrower=1.0, kept=False,
            )
        )  # fmt: skip
    for entry, row in entries.items():
        owner, name = entry.rsplit(":", 1)
        if owner.startswith("treatment "):
            at = float(fit.vector[fit.layers.names.index(entry)])
            low, middle, high = np.exp(at + _Z * errors[row] * np.array([-1.0, 0.0, 1.0]))
            effects.append(_factor(owner, name, middle, low, high, 1.0))
    return Calibration(
        crop=crop,
        variety=None,
        seed_lot=None,
        with_prior=False,
        parameters=tuple(findings),
        treatments=tuple(effects),
        warnings=warnings_without_prior(crop, fit, tuple(findings), seen),
        temperatures=seen,
        effective_draws=None,
        log_likelihood=fit.log_likelihood,
        plots=fit.plots,
    )
