"""Keep what a calibration found in the grower's folder, one file per crop, variety and lot."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from thermosprout import __version__
from thermosprout.calibration.plots import Plot, digest_of
from thermosprout.calibration.result import Calibration
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
            response=calibration.crop.response,
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
