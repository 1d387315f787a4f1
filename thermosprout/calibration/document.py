"""Keep what a calibration found in the grower's folder, one file per crop, variety and lot.

The answer of a calibration as a plain document, for JSON, tables and pages.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from thermosprout import __version__
from thermosprout.calibration.findings import INTERVAL, Finding
from thermosprout.calibration.plots import Plot, digest_of, half_seen_d
from thermosprout.calibration.result import Calibration
from thermosprout.calibration.scores import Score
from thermosprout.crops.parameters import PARAMETERS
from thermosprout.crops.saved_estimates import Origin, SavedEstimate, save_estimate
from thermosprout.errors import InputError


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
    written = []
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
        written.append(save_estimate(folder, saved))
    return tuple(written)


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
        first_planted=_day(min(plot.planted_h for plot in plots)),
        last_inspected=_day(max(plot.last_h for plot in plots)),
        prior=prior,
        effective_draws=effective_draws,
    )


def _day(hour: float) -> str:
    return str(np.datetime64(int(hour), "h").astype("datetime64[D]"))


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
    seen = calibration.temperatures
    document: dict[str, Any] = {
        "crop": calibration.prior.name,
        "variety": calibration.variety,
        "seed_lot": calibration.seed_lot,
        "prior": prior if calibration.with_prior else None,
        "response": calibration.prior.response,
        "interval": INTERVAL,
        "parameters": {item.name: _parameter(item) for item in calibration.parameters},
        "treatments": [_effect(item) for item in calibration.treatments],
        "settings": _settings(calibration.plots),
        "temperatures_C": {"low": seen.low, "high": seen.high},
        "log_likelihood": calibration.log_likelihood,
        "effective_draws": calibration.effective_draws,
        "records": {
            key: value
            for key, value in asdict(origin).items()
            if key not in ("prior", "effective_draws")
        },
        "checks": [asdict(item) for item in calibration.checks],
        "warnings": [*more_warnings, *calibration.warnings],
    }
    if scores:
        document["check"] = {
            "left_out": left_out,
            "scores": [asdict(score) for score in scores],
        }
    if saved:
        document["saved"] = [str(path) for path in saved]
    return document


def _parameter(item: Finding) -> dict[str, Any]:
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


def _effect(item: Finding) -> dict[str, Any]:
    label, measure = item.name.rsplit(":", 1)
    return {
        "treatment": label,
        "measure": measure,
        "estimate": item.estimate,
        "low": item.low,
        "high": item.high,
    }


def _settings(plots: Sequence[Plot]) -> list[dict[str, Any]]:
    """Plots alike, with what was counted, to be held beside the fit."""
    groups: dict[tuple[Any, ...], list[Plot]] = defaultdict(list)
    for plot in plots:
        groups[
            (plot.variety, plot.seed_lot, plot.treatment, plot.constant_C, plot.planted_h)
        ].append(plot)
    found = []
    for (variety, lot, treatment, constant, planted), group in groups.items():
        days = [day for day in map(half_seen_d, group) if day is not None]
        seeds = sum(plot.seeds for plot in group)
        counted = group[0].noted_h is None
        found.append(
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
    return found
