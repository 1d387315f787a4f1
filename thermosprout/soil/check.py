"""How far a soil temperature series is from a grower's own readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError
from thermosprout.soil.site_readings import Kind, series_at_readings


@dataclass(frozen=True, kw_only=True)
class SeriesCheck:
    """Series against readings.

    Attributes
    ----------
    table : pandas.DataFrame
        ``time_utc``, ``depth_cm``, ``reading_C``, ``series_C`` and ``difference_K`` (series minus
        reading), one line a reading.
    bias_K, rmse_K : float
        Mean and root mean square of the differences.
    outside : int
        Readings that the series does not cover.
    kind : Kind
        How the readings were taken.
    """

    table: pd.DataFrame
    bias_K: float
    rmse_K: float
    outside: int
    kind: Kind

    @property
    def count(self) -> int:
        """Number of readings compared."""
        return len(self.table)


def check_series(
    series: xr.DataArray, readings: pd.DataFrame, *, kind: Kind = Kind.INSTANT
) -> SeriesCheck:
    """Compare a series with readings, each at its own depth and time.

    Parameters
    ----------
    series : xarray.DataArray, dims ([member,] time)
    readings : pandas.DataFrame
        Columns ``time_utc``, ``depth_cm``, ``soil_temp_C``.
    kind : Kind
        Whether readings are of instants or means of days.

    Raises
    ------
    CoverageError
        When no reading falls into the series.
    """
    table, guess = series_at_readings(series, readings, kind)
    known = np.isfinite(guess)
    if not known.any():
        raise CoverageError("the series has no value at the time of any reading")
    measured = table["soil_temp_C"].to_numpy(dtype=float)[known]
    compared = pd.DataFrame(
        {
            "time_utc": table["time_utc"].to_numpy()[known],
            "depth_cm": table["depth_cm"].to_numpy(dtype=float)[known],
            "reading_C": measured,
            "series_C": guess[known],
            "difference_K": guess[known] - measured,
        }
    )
    difference = compared["difference_K"].to_numpy()
    return SeriesCheck(
        table=compared,
        bias_K=float(difference.mean()),
        rmse_K=float(np.sqrt(np.mean(difference**2))),
        outside=len(readings) - len(compared),
        kind=kind,
    )
