"""Counts turned into what they really say: between which two looks each seedling came up.

Thermal time between planting and each inspection, the clock that takes the weather out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
import numpy.typing as npt

from thermosprout.arrays import FloatArray
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.errors import CoverageError, InputError

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from thermosprout.crops.crop import Crop
    from thermosprout.crops.estimate import Estimate
    from thermosprout.emergence.response import Shape


ClockName = Literal["planted", "started", "thermal"]

_DAY_NS = 86_400e9


def plot_intervals(
    records: pd.DataFrame, clock: ClockName = "planted", thermal: npt.ArrayLike | None = None
) -> pd.DataFrame:
    """Interval- and right-censored emergence times of every plot.

    A seedling counted at one inspection and not at the one before came up in between; seed that
    never showed is kept with an open end.

    Parameters
    ----------
    records : pandas.DataFrame
        As :func:`thermosprout.trials.records.read.read_records` returns.
    clock : {"planted", "started", "thermal"}
        Days since planting, days since the seed first met water or soil, or thermal time since
        planting.
    thermal : array_like, shape (row,), optional
        Thermal time from planting to the inspection of each row; needed by ``thermal``. [C d]

    Returns
    -------
    pandas.DataFrame
        ``plot``, ``left``, ``right`` (inf = not up by the last inspection), ``seeds`` (above
        zero), in the order of plots and time. A time ``t`` lies in ``left < t <= right``. [d] or
        [C d]

    Raises
    ------
    InputError
        When the thermal clock is asked for without thermal time.
    """
    import pandas as pd

    counted = records["inspected"].notna().to_numpy()
    if clock == "thermal":
        if thermal is None:
            raise InputError("the thermal-time clock needs a soil temperature")
        progress = np.asarray(thermal, dtype=float)[counted]
    rows = records.loc[counted]
    started, planted, inspected = (
        rows[name].to_numpy().astype("datetime64[ns]").astype("int64")
        for name in ("started", "planted", "inspected")
    )
    since_planted, lead = (inspected - planted) / _DAY_NS, (planted - started) / _DAY_NS
    if clock == "planted":
        time, begin = np.maximum(since_planted, 0.0), np.zeros(len(rows))
    elif clock == "started":
        time, begin = np.maximum(since_planted, 0.0) + lead, lead
    else:
        time, begin = np.maximum(progress, 0.0), np.zeros(len(rows))
    code, labels = pd.factorize(rows["plot"])
    order = np.lexsort((time, code))
    code, time, begin = code[order], time[order], begin[order]
    emerged = rows["emerged"].to_numpy(dtype=float)[order]
    planted_seeds = rows["seeds_planted"].to_numpy(dtype=float)[order]
    first = np.r_[True, code[1:] != code[:-1]][: len(code)]
    last = np.r_[first[1:], True][: len(code)]
    left = np.where(first, begin, np.r_[0.0, time[:-1]])
    came = emerged - np.where(first, 0.0, np.r_[0.0, emerged[:-1]])
    frame = pd.DataFrame(
        {
            "code": np.r_[code, code[last]],
            "left": np.r_[left, time[last]],
            "right": np.r_[time, np.full(int(last.sum()), np.inf)],
            "seeds": np.r_[came, (planted_seeds - emerged)[last]],
        }
    )
    frame = frame[frame["seeds"] > 0].sort_values(["code", "left"], kind="stable")
    frame.insert(0, "plot", labels.to_numpy()[frame["code"].to_numpy()])
    return frame.drop(columns="code").reset_index(drop=True)


def padded(
    group: npt.NDArray[np.intp], groups: int, *columns: FloatArray
) -> tuple[FloatArray, ...]:
    """Columns of intervals as arrays of shape (group, k), missing ones filled with NaN.

    Parameters
    ----------
    group : ndarray of int, shape (interval,), rising
        Which group each interval belongs to.
    """
    sizes = np.bincount(group, minlength=groups)
    position = np.arange(group.size) - np.repeat(np.cumsum(sizes) - sizes, sizes)
    width = int(sizes.max()) if sizes.size else 0
    filled = []
    for column in columns:
        table = np.full((groups, width), np.nan)
        table[group, position] = column
        filled.append(table)
    return tuple(filled)


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
        As :func:`thermosprout.trials.records.read.read_records` returns; a row with
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
    planted, inspected = (
        records[name].to_numpy().astype("datetime64[ns]").astype("int64") / _HOUR_NS
        for name in ("planted", "inspected")
    )
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


def thermal_clock(
    records: pd.DataFrame, crop: str | Crop = "", soil: xr.DataArray | None = None
) -> tuple[FloatArray | None, list[str]]:
    """Thermal time of every row of the records, where a temperature is known.

    Parameters
    ----------
    records : pandas.DataFrame
        See :func:`thermal_times`.
    crop : str or Crop
        For its response; a crop of which nothing is known when empty.
    soil : xarray.DataArray, dims (time,), optional
        Hourly soil temperature. [degC]

    Returns
    -------
    tuple of (ndarray or None, list of str)
        Thermal time [C d], None without a temperature; and what was assumed.
    """
    if soil is None and not records["temperature_C"].notna().all():
        return None, []
    from thermosprout.crops.catalogue import find_crop
    from thermosprout.crops.estimate import Estimate

    if crop:
        sown = find_crop(crop) if isinstance(crop, str) else crop
        return thermal_times(records, central_response(sown.estimate, sown.response), soil), []
    response = central_response(Estimate.generic("unnamed"), "linear")
    base = float(response.t_base[0])
    assumed = (
        f"thermal time was summed above {base:g} °C, as for a crop that is not known; name the "
        "crop (--crop) for its own base temperature"
    )
    return thermal_times(records, response, soil), [assumed]
