"""The answer of a calibration, its document, and its estimates kept in the grower's folder."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict, dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from thermosprout import __version__
from thermosprout.calibration.findings import (
    DERIVED,
    INTERVAL,
    Finding,
    Z,
    factor_finding,
    parameter_finding,
    treatment_findings,
    warnings_with_prior,
    warnings_without_prior,
)
from thermosprout.calibration.fit import DRAWS, Fit, Tick, base_from_prior, fit_with_prior
from thermosprout.calibration.fit_checks import FitCheck, check_fit
from thermosprout.calibration.maximum_likelihood import PlainFit, fit_without_prior
from thermosprout.calibration.plots import Plot, day_of, digest_of, half_emergence_d
from thermosprout.calibration.predict import Model, Temperatures, temperatures_of
from thermosprout.calibration.scores import Score
from thermosprout.crops.crop import Crop
from thermosprout.crops.estimate import NAMES, PARAMETERS, Estimate
from thermosprout.crops.saved_estimates import Origin, SavedEstimate, save_estimate
from thermosprout.errors import InputError


@dataclass(frozen=True, kw_only=True)
class Calibration:
    """Result of a calibration for one crop, variety or lot.

    Attributes
    ----------
    prior : Crop
        With its estimate before the records.
    estimates : tuple of Estimate
        Of the crop and of each variety and lot the records name; empty without a prior.
    treatments : tuple of Finding
        Effects of treatments unknown to the model, as factors on thermal time and odds.
    checks : tuple of FitCheck
        Where prior, fit and records do not agree; their sentences are among the warnings.
    """

    prior: Crop
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
    checks: tuple[FitCheck, ...] = ()

    @property
    def crop(self) -> Crop:
        """The crop with the estimate of the variety and lot reported, for a forecast.

        Without a prior the estimate is the catalogue's still: the records alone give no spread
        for what they do not tell.
        """
        for estimate in self.estimates:
            if (estimate.variety, estimate.seed_lot) == (self.variety, self.seed_lot):
                return replace(self.prior, estimate=estimate)
        return self.prior

    def __repr__(self) -> str:
        name = ", ".join(filter(None, (self.prior.name, self.variety, self.seed_lot)))
        items = [item for item in self.parameters if item.learned and item.estimate is not None]
        lines = [f"Calibration of {name} on {len(self.plots)} plots"]
        lines += [
            f"  {item.name} {item.estimate:.4g} ({item.low:.4g} to {item.high:.4g})"
            for item in items[:20]
        ]
        lines += [f"  note: {text}" for text in self.warnings[:10]]
        return "\n".join(lines)

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
    draws: int = DRAWS,
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
        Called with the number of steps done, four in all.

    Raises
    ------
    InputError
        When no plot is of the variety or lot.
    FitError
        When a fit without prior is not determined.
    """
    if not with_prior:
        return calibration_without_prior(crop, fit_without_prior(crop, plots, series, tick=tick))
    level = reported_level(plots, variety, seed_lot)
    fit = fit_with_prior(crop, plots, series, seed=seed, draws=draws, tick=tick)
    return calibration_with_prior(crop, fit, series, *level)


def reported_level(
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


def calibration_with_prior(
    crop: Crop, fit: Fit, series: Sequence[xr.DataArray], variety: str | None, seed_lot: str | None
) -> Calibration:
    """Figures, checks and warnings of a fit with a prior, for one variety and lot."""
    model = Model(crop, fit.plots, fit.layers, series)
    temperatures = temperatures_of(model)
    if not temperatures.wide_enough:
        fit = base_from_prior(fit)
    level_map, spread = fit.layers.level(variety, seed_lot)
    below = np.random.default_rng(0).standard_normal((fit.weights.size, spread.shape[0]))
    root = np.linalg.eigh(spread)
    noise = below @ (root[1] * np.sqrt(np.maximum(root[0], 0.0))).T
    draws = fit.vectors @ level_map.T + noise
    findings = tuple(
        parameter_finding(
            crop, draws, fit.weights, name, kept=name == "t_base_C" and not temperatures.wide_enough
        )
        for name in (*NAMES, *DERIVED)
    )
    levels = [(None, None), *_levels(fit.plots)]
    checks = check_fit(fit, model, draws)
    return Calibration(
        prior=crop,
        variety=variety,
        seed_lot=seed_lot,
        with_prior=True,
        parameters=findings,
        treatments=treatment_findings(fit),
        checks=checks,
        warnings=warnings_with_prior(crop, fit, checks, temperatures),
        temperatures=temperatures,
        effective_draws=fit.effective_draws,
        log_likelihood=fit.log_likelihood,
        plots=fit.plots,
        estimates=tuple(fit.estimate(*level) for level in levels),
    )


def _levels(plots: Sequence[Plot]) -> list[tuple[str | None, str | None]]:
    """Varieties and lots that plots name, varieties first."""
    varieties = dict.fromkeys((plot.variety, None) for plot in plots if plot.variety)
    lots = dict.fromkeys((plot.variety, plot.seed_lot) for plot in plots if plot.seed_lot)
    return [*varieties, *lots]


def calibration_without_prior(crop: Crop, fit: PlainFit) -> Calibration:
    """Figures and warnings of a fit without a prior, which has no estimates to save."""
    temperatures = temperatures_of(fit.model)
    errors = dict(
        zip(
            (fit.layers.names[i] for i in fit.free),
            np.sqrt(np.maximum(np.diag(fit.covariance), 0.0)).tolist(),
            strict=True,
        )
    )
    findings = []
    for at, name in zip(fit.vector, NAMES, strict=False):
        prior = (crop.estimate.centre()[name], *crop.estimate.interval(name, INTERVAL))
        ends: tuple[float | None, ...] = (None, None, None)
        error = errors.get(f"crop:{name}")
        if error is not None:
            low, middle, high = PARAMETERS[name].natural(
                at + Z * error * np.array([-1.0, 0.0, 1.0])
            )
            ends = float(low), float(middle), float(high)
        findings.append(
            Finding(
                name=name, estimate=ends[1], low=ends[0], high=ends[2], prior=prior,
                narrower=float(error is not None), kept=error is None,
            )
        )  # fmt: skip
    effects = []
    for entry, error in errors.items():
        owner, name = entry.rsplit(":", 1)
        if owner.startswith("treatment "):
            at = fit.vector[fit.layers.names.index(entry)]
            low, middle, high = np.exp(at + Z * error * np.array([-1.0, 0.0, 1.0]))
            effects.append(factor_finding(owner, name, middle, low, high, 1.0))
    return Calibration(
        prior=crop,
        variety=None,
        seed_lot=None,
        with_prior=False,
        parameters=tuple(findings),
        treatments=tuple(effects),
        warnings=warnings_without_prior(crop, fit, tuple(findings), temperatures),
        temperatures=temperatures,
        effective_draws=None,
        log_likelihood=fit.log_likelihood,
        plots=fit.plots,
    )


def save_calibration(
    calibration: Calibration, folder: Path, files: Sequence[Path], *, prior: str
) -> tuple[Path, ...]:
    """Write the estimates of a calibration; what they replace is kept.

    Parameters
    ----------
    files : sequence of Path
        The records it was made from, for the provenance.
    prior : str
        What was known before, in words.

    Raises
    ------
    InputError
        When the calibration was made without a prior, or the folder cannot be written to.
    """
    if not calibration.estimates:
        raise InputError(
            "a fit without prior holds no estimate that forecasts could use",
            hint="leave out --no-prior to save",
        )
    paths = []
    for estimate in calibration.estimates:
        mine = [
            plot
            for plot in calibration.plots
            if estimate.variety in (None, plot.variety)
            and estimate.seed_lot in (None, plot.seed_lot)
        ]
        saved = SavedEstimate(
            estimate=estimate,
            response=calibration.prior.response,
            origin=origin_of(
                mine, files, prior=prior, effective_draws=calibration.effective_draws or 0.0
            ),
            made=datetime.now(UTC),
            version=__version__,
        )
        paths.append(save_estimate(folder, saved))
    return tuple(paths)


def origin_of(
    plots: Sequence[Plot], files: Sequence[Path], *, prior: str, effective_draws: float
) -> Origin:
    """Provenance of an estimate: which records, how many plots and seeds, from when to when."""
    return Origin(
        files=tuple(path.name for path in files),
        digest=digest_of(plots),
        plots=len(plots),
        seeds=sum(plot.seeds for plot in plots),
        inspections=sum(plot.hours.size if plot.noted_h is None else 1 for plot in plots),
        first_planted=day_of(min(plot.planted_h for plot in plots)),
        last_inspected=day_of(max(plot.last_h for plot in plots)),
        prior=prior,
        effective_draws=effective_draws,
    )


_MEANING = {
    "t_opt_C": "optimum temperature",
    "t_ceiling_C": "ceiling temperature: no progress at or above it",
}


def calibration_document(
    calibration: Calibration,
    *,
    files: Sequence[Path],
    prior: str,
    scores: Sequence[Score] = (),
    left_out: str = "",
    saved: Sequence[Path] = (),
    more_warnings: Sequence[str] = (),
) -> dict[str, Any]:
    """Document of a calibration; its keys are those other programs rely on."""
    origin = origin_of(
        calibration.plots, files, prior=prior, effective_draws=calibration.effective_draws or 0.0
    )
    temperatures = calibration.temperatures
    document: dict[str, Any] = {
        "crop": calibration.prior.name,
        "variety": calibration.variety,
        "seed_lot": calibration.seed_lot,
        "prior": prior if calibration.with_prior else None,
        "response": calibration.prior.response,
        "interval": INTERVAL,
        "parameters": {item.name: parameter_entry(item) for item in calibration.parameters},
        "treatments": [
            {
                **dict(zip(("treatment", "measure"), item.name.rsplit(":", 1), strict=True)),
                "estimate": item.estimate,
                "low": item.low,
                "high": item.high,
            }
            for item in calibration.treatments
        ],
        "settings": plot_settings(calibration.plots),
        "temperatures_C": {"low": temperatures.low, "high": temperatures.high},
        "log_likelihood": calibration.log_likelihood,
        "effective_draws": calibration.effective_draws,
        "records": asdict(origin),
        "checks": [asdict(item) for item in calibration.checks],
        "warnings": [*more_warnings, *calibration.warnings],
    }
    for key in ("prior", "effective_draws"):  # stand above
        del document["records"][key]
    if scores:
        document["check"] = {"left_out": left_out, "scores": [asdict(score) for score in scores]}
    if saved:
        document["saved"] = [str(path) for path in saved]
    return document


def parameter_entry(item: Finding) -> dict[str, Any]:
    """One parameter in the document."""
    name = item.name
    entry: dict[str, Any] = {
        "estimate": item.estimate,
        "low": item.low,
        "high": item.high,
        "before": dict(zip(("estimate", "low", "high"), item.prior, strict=True)),
        "narrower": round(item.narrower, 3),
        "learned": item.learned,
        "kept": item.kept,
        "meaning": _MEANING.get(name) or PARAMETERS[name].meaning,
    }
    if item.estimate is None:
        entry["kept_at"] = item.prior[0]
    return entry


def plot_settings(plots: Sequence[Plot]) -> list[dict[str, Any]]:
    """Plots alike, with what was counted, to be held beside the fit."""
    groups: dict[tuple[Any, ...], list[Plot]] = defaultdict(list)
    for plot in plots:
        groups[
            (plot.variety, plot.seed_lot, plot.treatment, plot.constant_C, plot.planted_h)
        ].append(plot)
    settings = []
    for (variety, lot, treatment, constant, planted), group in groups.items():
        days = [day for day in map(half_emergence_d, group) if day is not None]
        seeds = sum(plot.seeds for plot in group)
        counted = group[0].noted_h is None
        settings.append(
            {
                "variety": variety,
                "seed_lot": lot,
                "treatment": treatment,
                "planted": f"{np.datetime64(round(planted * 60), 'm')}Z",
                "temperature_C": constant,
                "plots": len(group),
                "seeds": seeds if counted else None,
                "emerged": sum(plot.emerged for plot in group) if counted else None,
                "half_d": float(np.mean(days)) if days else None,
            }
        )
    return settings
