"""Records of trials: read, analysed, and brought into a crop's parameters."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pandas as pd
import xarray as xr

from thermosprout.api.answers import Answer
from thermosprout.api.inputs import on_disk, read_soil
from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.errors import InputError
from thermosprout.soil.readers.logger import join_series
from thermosprout.trials.records.read import read_records as read_file
from thermosprout.trials.records.read import records_timezone

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from thermosprout.api.inputs import SeriesInput
    from thermosprout.calibration.result import Calibration as Fit
    from thermosprout.trials.analysis.analyse import Compared
    from thermosprout.trials.analysis.results import TrialResult

    RecordsInput = str | Path | pd.DataFrame


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class TrialAnalysis(Answer):
    """What a trial shows."""

    result: TrialResult
    """Treatments, differences and conclusions."""
    more_warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON document of ``thermosprout trial analyse``."""
        document = super().to_dict()
        document["warnings"] = [*document["warnings"], *self.more_warnings]
        return document

    def to_frame(self) -> pd.DataFrame:
        """Return one line a treatment: plots, seeds, stand and times with their intervals."""
        lines = []
        for one in self.to_dict()["treatments"]:
            line = {key: one[key] for key in ("treatment", "plots", "seeds_planted")}
            for measure in ("stand", "t50_since_planted_d", "t50_since_started_d"):
                for name in ("estimate", "low", "high"):
                    line[f"{measure}_{name}"] = (one.get(measure) or {}).get(name)
            lines.append(line)
        return pd.DataFrame(lines)

    def differences(self) -> pd.DataFrame:
        """Return one line a pair of treatments and measure."""
        return pd.DataFrame(self.to_dict()["differences"])

    def to_dataset(self) -> xr.Dataset:
        """Return the treatments' figures along ``treatment``."""
        frame = self.to_frame().set_index("treatment")
        dataset = xr.Dataset.from_dataframe(frame)
        for name in dataset.data_vars:
            dataset[name].attrs["units"] = "d" if "_d_" in str(name) else "1"
        return dataset

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the curves of the treatments with their bands."""
        from thermosprout.reports.style import new_axes
        from thermosprout.reports.trial_figures import draw_curves

        return draw_curves(new_axes(ax, height=4.3), self.to_dict())

    def _tables(self) -> Sequence[Any]:
        from thermosprout.reports.crop_tables import trial_tables

        return list(trial_tables(self.to_dict()))


@dataclass(frozen=True, kw_only=True, repr=False, eq=False)
class Calibration(Answer):
    """What records say of a crop's parameters.

    Attributes
    ----------
    result : thermosprout.calibration.result.Calibration
        Parameters, estimates and warnings; also called ``fit``.
    crop : Crop
        The crop with its new estimate, ready for :func:`thermosprout.forecast`.
    """

    result: Fit
    crop: Crop
    prior: str = ""
    more_warnings: tuple[str, ...] = ()
    files: tuple[Any, ...] = field(default=())

    @property
    def fit(self) -> Fit:
        """Parameters, estimates and warnings."""
        return self.result

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON document of ``thermosprout calibrate``."""
        from thermosprout.calibration.result import calibration_document

        document = calibration_document(
            self.fit, files=list(self.files), prior=self.prior, scores=(), left_out="", saved=(),
            more_warnings=list(self.more_warnings),
        )  # fmt: skip
        return document | ({"soil_checks": list(self.soil_checks)} if self.soil_checks else {})

    def to_frame(self) -> pd.DataFrame:
        """Return one line a parameter: estimate and 90 % interval."""
        return pd.DataFrame(
            [
                {"parameter": name, **{key: one.get(key) for key in ("estimate", "low", "high")}}
                for name, one in self.to_dict()["parameters"].items()
            ]
        )

    def to_dataset(self) -> xr.Dataset:
        """Return the parameters along ``parameter``."""
        return xr.Dataset.from_dataframe(self.to_frame().set_index("parameter"))

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw each parameter's interval before and after the records."""
        from thermosprout.reports.style import draw_parameters

        return draw_parameters(self.fit.parameters, self.crop.name, ax)

    def _tables(self) -> Sequence[Any]:
        from thermosprout.reports.crop_tables import calibration_tables

        return calibration_tables(self.to_dict())


def read_records(path: str | Path, *, timezone: str | None = None) -> pd.DataFrame:
    """Records of a trial: one line per plot and inspection.

    Parameters
    ----------
    path : path
        A CSV file with the columns ``plot, block, ..., inspected, emerged``.
    timezone : str, optional
        IANA zone of dates that stand alone; the file's own when absent.

    Returns
    -------
    pandas.DataFrame

    Raises
    ------
    InputError
        For the first fault, with its line and column.

    Examples
    --------
    >>> import thermosprout as ts
    >>> records = ts.read_records("demo/trial.csv")
    >>> bool((records["emerged"] <= records["seeds_planted"]).all())
    True
    """
    file = Path(path)
    table = read_file(file, timezone=timezone or records_timezone(file))
    table.attrs["checked"] = True
    return table


def analyse(
    records: RecordsInput,
    *,
    soil: SeriesInput | None = None,
    crop: str | Crop = "",
    compare: Compared | None = None,
    timezone: str | None = None,
    seed: int = 1,
) -> TrialAnalysis:
    """What a trial shows, what it does not, and how big a difference could still be.

    Parameters
    ----------
    records : path or DataFrame
        See :func:`thermosprout.read_records`.
    soil : path, Series or DataArray, optional
        Soil temperature; adds the thermal-time clock.
    crop : str or Crop
        For its base temperature on that clock.
    compare : {"treatment", "variety", "seed_lot"}, optional
        What is compared; treatments by default.

    Returns
    -------
    TrialAnalysis

    Raises
    ------
    InputError
        When nothing has been counted, or a record cannot be right.

    Examples
    --------
    >>> import thermosprout as ts
    >>> trial = ts.analyse(ts.read_records("demo/trial.csv"))
    >>> trial.to_frame()["treatment"].tolist()
    ['direct', 'soaked', 'presprouted']
    """
    from thermosprout.trials.analysis.analyse import analyse as run
    from thermosprout.trials.analysis.timing import thermal_clock

    table = _records(records, timezone)
    series = None if soil is None else read_soil(soil, timezone=timezone)
    thermal, warnings = thermal_clock(table, crop, series)
    return TrialAnalysis(
        result=run(table, thermal=thermal, compare=compare, seed=seed),
        more_warnings=tuple(warnings),
        soil_checks=() if series is None else tuple(series.attrs.get("doubts", ())),
    )


def calibrate(
    records: RecordsInput | Sequence[RecordsInput],
    crop: str | Crop,
    *,
    soil: SeriesInput | Sequence[SeriesInput] = (),
    variety: str | None = None,
    lot: str | None = None,
    germination: float | None = None,
    with_prior: bool = True,
    timezone: str | None = None,
    seed: int = 0,
) -> Calibration:
    """Fit a crop's parameters to records and show what changed.

    Parameters
    ----------
    records : path, DataFrame or sequence of them
        See :func:`thermosprout.read_records`.
    crop : str or Crop
        Where the fit starts from.
    soil : path, Series, DataArray or sequence of them
        Soil temperature of the trials; not needed for dishes of known temperature.
    variety, lot : str, optional
        Fit this variety or lot.
    germination : float, optional
        Share of live seed; as is usual for the crop when absent.
    with_prior : bool
        Start from what is published; without it only what the records pin down is given.

    Returns
    -------
    Calibration
        Its ``crop`` goes straight into :func:`thermosprout.forecast`.

    Raises
    ------
    InputError
        When a record cannot be right, or none is of the crop.
    FitError
        When the fit is not to be trusted.

    Examples
    --------
    >>> import thermosprout as ts
    >>> fit = ts.calibrate("demo/trial.csv", "carrot", soil="demo/soil.csv")
    >>> fit.crop.name
    'carrot'
    """
    from thermosprout.calibration.plots import gather_plots
    from thermosprout.calibration.result import calibrate as run

    kind = crop if isinstance(crop, Crop) else find_crop(crop)
    tables = {
        str(one) if isinstance(one, str | Path) else f"records {number}": one
        for number, one in enumerate(_several(records), 1)
    }
    collection = gather_plots(
        [(name, _records(one, timezone)) for name, one in tables.items()], kind,
        variety=variety, lot=lot, germination=germination,
    )  # fmt: skip
    loggers = [read_soil(one, timezone=timezone) for one in _several(soil)]
    fit = run(
        kind, collection.plots, join_series(loggers), variety=variety, seed_lot=lot,
        with_prior=with_prior, seed=seed,
    )  # fmt: skip
    return Calibration(
        result=fit,
        soil_checks=tuple(doubt for one in loggers for doubt in one.attrs.get("doubts", ())),
        crop=fit.crop,
        prior=f"catalogue: {kind.name}",
        more_warnings=collection.warnings,
        files=tuple(Path(one) for one in tables.values() if isinstance(one, str | Path)),
    )


def _several(data: Any) -> list[Any]:
    """One thing, or each of several."""
    return list(data) if isinstance(data, list | tuple) else [data]


def _records(records: Any, timezone: str | None) -> pd.DataFrame:
    if isinstance(records, str | Path):
        return read_records(records, timezone=timezone)

    if isinstance(records, pd.DataFrame):
        if records.attrs.get("checked"):
            return records
        with on_disk(records.to_csv(index=False), "records.csv") as path:
            return read_records(path, timezone=timezone)
    raise InputError(
        f"records cannot be taken from {type(records).__name__}; expected a file or a pandas "
        "DataFrame"
    )
