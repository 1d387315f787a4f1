"""Thermal time between planting and each inspection, the clock that takes the weather out."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from thermosprout.arrays import FloatArray
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.errors import CoverageError, InputError

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermosprout.crops.estimate import Estimate
    from thermosprout.emergence.response import Shape


_HOUR_NS = 3.6e12


def central_response(estimate: Estimate, shape: Shape) -> ResponseDraws:
    """Temperature response at the centre of an estimate, as a single draw."""
    centre = {name: np.array([value]) for name, value in estimate.centre().items()}
    return ResponseDraws.from_draws(shape, centre)


def thermal_times(
    records: pd.DataFrame, response: ResponseDraws, soil: xr.DataArray | None = None
) -> FloatArray:
    """Thermal time from planting to the inspection of every row.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read_records` returns; a row with
        ``temperature_C`` was held at that temperature, the others lay in ``soil``.
    response : ResponseDraws
        Of one draw.
    soil : xarray.DataArray, dims (time,), optional
        Hourly soil temperature. [degC]

    Returns
    -------
    ndarray, shape (row,)
        NaN where a plot has no inspection yet. [C d]

    Raises
    ------
    InputError
        When neither a soil temperature nor a constant one is known of a row.
    CoverageError
        When the soil temperature does not cover a planting or an inspection.
    """
    planted = records["planted"].to_numpy().astype("int64") / _HOUR_NS
    inspected = records["inspected"].to_numpy().astype("int64") / _HOUR_NS
    held = records["temperature_C"].to_numpy(dtype=float)
    counted = records["inspected"].notna().to_numpy()
    result = np.full(len(records), np.nan)
    for temperature in np.unique(held[counted & np.isfinite(held)]):
        rows = counted & (held == temperature)
        rate = float(response.at(np.array([temperature]))[0])
        result[rows] = rate * np.maximum(inspected[rows] - planted[rows], 0.0) / 24.0
    open_ground = counted & np.isnan(held)
    if not open_ground.any():
        return result
    if soil is None:
        row = records.loc[open_ground].iloc[0]
        raise InputError(
            f"the soil temperature of plot {row['plot']} is not known",
            hint="give a soil temperature series, or its constant temperature in temperature_C",
        )
    clock = ThermalClock(soil, response)
    for start in np.unique(planted[open_ground]):
        rows = open_ground & (planted == start)
        ends = inspected[rows]
        if ends.max() > clock.end_h(start) + 1.0:
            raise CoverageError(
                "the soil temperature ends, or has a hole, before the inspection of "
                f"{records.loc[rows, 'inspected_local'].iloc[int(ends.argmax())]}"
            )
        result[rows] = clock.progress(float(start), np.maximum(ends, start))[0]
    return result
