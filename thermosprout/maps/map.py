"""Emergence on a map: soil temperature on a grid, times crops, treatments and sowing days.

From the question to the days of each tile, members pooled; names, units and flags by the CF
conventions; and a finished map in a few lines.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import STAGES
from thermosprout.errors import CoverageError, InputError
from thermosprout.maps.engine import NODE_H, SingleArray, SoilGrid, days_to_reach
from thermosprout.maps.files import GridSoil, grid_soil
from thermosprout.maps.odds import MapPlan, crop_plan, levels_of, option_of
from thermosprout.planning.options import usual_options
from thermosprout.quantities import TABLE_DEPTH_CM
from thermosprout.soil.readers.netcdf import open_options

REACHED, TOO_SHORT, NO_SOIL = 0, 1, 2
"""Values of ``outcome``."""

_ATTRIBUTES: dict[str, dict[str, Any]] = {
    "days_since_planted": {
        "long_name": "days from planting until a stage of emergence (BBCH 09) is reached",
        "units": "days",
        "ancillary_variables": "outcome",
        "comment": "add days_before_planting for the days since the seed was started",
    },
    "outcome": {
        "long_name": "whether the stage is reached within the soil temperature at hand",
        "standard_name": "status_flag",
        "flag_values": np.array([REACHED, TOO_SHORT, NO_SOIL], dtype="int8"),
        "flag_meanings": "reached series_ends_first no_soil_temperature",
    },
    "days_before_planting": {
        "long_name": "days from wetting the seed to planting it",
        "units": "days",
    },
    "sowing": {"long_name": "instant of planting"},
    "stage": {
        "long_name": "stage of the row: first seedling, half, nine tenths of the final stand"
    },
    "odds": {"long_name": "odds that the stage is reached by then", "units": "1"},
}


def map_dataset(
    days: xr.DataArray,
    plan: MapPlan,
    sowings: npt.NDArray[np.datetime64],
    grid: GridSoil,
    *,
    depth_cm: float,
    seeds: int,
) -> xr.Dataset:
    """Dataset with names, units and flags by the CF conventions."""
    from thermosprout import __version__

    reached = np.isfinite(days)
    outcome = TOO_SHORT + (REACHED - TOO_SHORT) * reached + (NO_SOIL - TOO_SHORT) * days.isnull()
    lead = np.array([crop.lead_d for crop in plan.crops])
    result = xr.Dataset(
        {
            "days_since_planted": days.where(reached),
            "outcome": outcome.astype("int8"),
        },
        coords={
            "crop": [crop.name for crop in plan.crops],
            "treatment": list(plan.treatments),
            "sowing": sowings,
            "stage": list(STAGES),
            "odds": np.asarray(plan.odds),
            "days_before_planting": (("crop", "treatment"), lead),
        },
    )
    for name, attributes in _ATTRIBUTES.items():
        result[name].attrs = dict(attributes)
    clock = "local clock of the days of the file" if grid.daily else "UTC"
    result["sowing"].attrs["comment"] = clock
    _keep_coordinates(result, grid.arrays[0])
    names = " and ".join(str(array.name) for array in grid.arrays)
    kind = "daily minimum and maximum" if grid.daily else "hourly"
    result.attrs = {
        "Conventions": "CF-1.10",
        "title": "Days to emergence of seed",
        "source": f"thermosprout {__version__}, thermal time at the centre of each crop's estimate",
        "soil_temperature": f"{names}, {kind}, {grid.days} days from {str(grid.first)[:10]}",
        "sowing_depth_cm": depth_cm,
        "seeds_per_row": seeds,
        "comment": "Odds, not promises: local advice and the seed packet come first.",
    }
    return result


def _keep_coordinates(result: xr.Dataset, soil: xr.DataArray) -> None:
    """Name the projection and the coordinates of the grid as its own file does."""
    projection = soil.attrs.get("grid_mapping") or soil.encoding.get("grid_mapping")
    if projection in result.coords:
        for array in result.data_vars.values():
            array.attrs["grid_mapping"] = projection
    for name in soil.coords:
        if name in result.coords:
            result[name].attrs = dict(soil[name].attrs)


def map_tile(
    *arrays: npt.NDArray[np.floating], plan: MapPlan, offset: float, daily: bool
) -> SingleArray:
    """Days of one tile of the grid.

    Parameters
    ----------
    *arrays : ndarray, shape (..., [member,] time)
        Hourly values, or daily minimum and daily maximum.
    plan : MapPlan
        What is asked.
    offset : float
        Added to the values. [K]
    daily : bool
        Whether the arrays are minimum and maximum.

    Returns
    -------
    ndarray of float32, shape (..., crop, treatment, sowing, stage, odds)
    """
    core = 2 if plan.pooled else 1
    spatial = arrays[0].shape[:-core]
    members = arrays[0].shape[-2] if plan.pooled else 1
    columns = []
    for array in arrays:
        # Time to the front, as it lies in most files: a view there, a copy elsewhere.
        front = np.moveaxis(array, -1, 0)
        if plan.pooled:
            front = np.moveaxis(front, -1, 1)
        columns.append(front.reshape(front.shape[0], -1))
    soil = (
        SoilGrid(low=columns[0], high=columns[1], offset=offset)
        if daily
        else SoilGrid(hourly=columns[0], offset=offset)
    )
    cells = soil.cells // members
    out = np.empty((*plan.shape, cells), np.float32)
    for c, crop in enumerate(plan.crops):
        by_treatment = days_to_reach(
            soil, crop.response, plan.sown_h, crop.thresholds, node_h=plan.node_h
        )
        for t, days in enumerate(by_treatment):
            levels = days.reshape(len(STAGES), -1, len(plan.sown_h), members, cells)
            # Each odds looks up its own thermal time; none may overtake an earlier one.
            np.maximum.accumulate(levels, axis=1, out=levels)
            np.maximum.accumulate(levels, axis=0, out=levels)
            if plan.pooled:
                levels = pool(levels, plan.odds)
            out[c, t] = levels.reshape(*levels.shape[:3], cells).transpose(2, 0, 1, 3)
    # Odds and stages run fastest for xarray; as a view, so that nothing is copied here.
    return np.moveaxis(out, -1, 0).reshape(*spatial, *plan.shape)


def pool(levels: SingleArray, odds: Sequence[float]) -> SingleArray:
    """Quantiles over the levels of all members together.

    Parameters
    ----------
    levels : ndarray, shape (stage, level, sowing, member, cell)
        Evenly spaced quantiles of each member; inf counts as later than all others.
    odds : sequence of float
        Quantiles wanted.

    Returns
    -------
    ndarray, shape (stage, odds, sowing, cell)
        As numpy's ``hazen`` method; NaN where any member has no soil temperature.
    """
    stages, _, sowings, _, cells = levels.shape
    together = np.sort(levels.transpose(0, 2, 4, 1, 3).reshape(stages, sowings, cells, -1), axis=-1)
    size = together.shape[-1]
    quantiles = []
    for odd in odds:
        place = float(np.clip(odd * size - 0.5, 0, size - 1))
        below = int(place)
        low = together[..., below]
        high = together[..., min(below + 1, size - 1)]
        with np.errstate(invalid="ignore"):
            between = low + (place - below) * (high - low)
        quantiles.append(np.where(np.isinf(high), high if place > below else low, between))
    missing = np.isnan(together[..., -1])
    return np.where(missing[:, None], np.nan, np.stack(quantiles, axis=1)).astype(np.float32)


def emergence_map(
    soil: xr.DataArray | xr.Dataset,
    crops: str | Crop | Sequence[str | Crop],
    *,
    sowings: Sequence[Any],
    treatments: Sequence[str] = ("direct",),
    odds: Sequence[float] = (0.1, 0.5, 0.9),
    depth_cm: float = TABLE_DEPTH_CM,
    seeds: int = 100,
    viability: float = 1.0,
    soak_h: float | None = None,
    sprout_h: float | None = None,
    water_C: float = 20.0,
    room_C: float = 20.0,
    node_h: int = NODE_H,
    draws: int = 1000,
    seed: int = 0,
) -> xr.Dataset:
    """Days to the stages of emergence for every cell of a grid, with odds.

    Parameters
    ----------
    soil : xarray.DataArray or xarray.Dataset, dims (time, ...) and perhaps member
        Soil temperature at seed depth: hourly values at the instant [UTC], or a Dataset of daily
        minimum and maximum; see :func:`thermosprout.maps.files.grid_soil`. Arrays of dask
        stay lazy and are worked on chunk by chunk. [degC or K]
    crops : str, Crop, or sequence of these
        Names of the catalogue, or crops of your own.
    sowings : sequence of date-like
        Days of planting; noon of the local day where values are daily, and noon by the sun at the
        middle of the grid where they are hourly. A time of day is taken as UTC.
    treatments : sequence of {"direct", "soaked", "presprouted"}
        Ways of sowing, with the hours that ``soak_h`` and ``sprout_h`` give or the usual ones of
        the crop.
    odds : sequence of float, rising
        Quantiles, given that anything comes up, over what is not known: parameters, seeds, rows
        and, where there is a ``member``
        dimension, the weather.
    depth_cm : float
        Sowing depth. [cm]
    seeds, viability : int, float
        Seeds planted in a row, and their live share.
    node_h : int
        Hours between nodes of the running sums; see :mod:`thermosprout.maps.engine`. [h]
    draws, seed : int
        Draws behind the odds, and the seed of their random numbers.

    Returns
    -------
    xarray.Dataset, dims (crop, treatment, sowing, stage, odds, ...)
        ``days_since_planted`` (float32, NaN where not reached) [d] and ``outcome`` (0 reached,
        1 the series ends first, 2 no soil temperature). The coordinate ``days_before_planting``
        of crop and treatment leads from there to days since the seed was started.

    Raises
    ------
    InputError
        When a crop, treatment or the grid is not understood.
    CoverageError
        When the soil temperature does not hold a sowing.

    Notes
    -----
    Every cell moves by the response at the centre of the crop's estimate; the spread of its
    parameters is carried by the thermal times asked for
    (:func:`thermosprout.maps.odds.stage_thresholds`).

    Examples
    --------
    >>> import thermosprout as ts
    >>> soil, _ = ts.open_grid("demo/grid.nc")
    >>> days = ts.map(soil, "carrot", sowings=["2026-04-12"]).days_since_planted
    >>> days.dims
    ('crop', 'treatment', 'sowing', 'stage', 'odds', 'latitude', 'longitude')
    """
    if not isinstance(soil, xr.DataArray | xr.Dataset):
        raise InputError(
            f"a map cannot be made of {type(soil).__name__}; expected an xarray DataArray or "
            "Dataset on a grid",
            hint="for one place use forecast",
        )
    grid = grid_soil(soil)
    kinds = [
        find_crop(crop) if isinstance(crop, str) else crop
        for crop in ([crops] if isinstance(crops, str | Crop) else crops)
    ]
    if not kinds or not len(sowings) or not len(treatments):
        raise InputError("a map needs at least one crop, one sowing and one treatment")
    levels = levels_of(odds, pooled=grid.pooled)
    stamps, sown_h = _sowing_hours(grid, sowings)
    plans = []
    for crop in kinds:
        usual = usual_options(
            crop, soaks_h=() if soak_h is None else (soak_h,), sprout_h=sprout_h,
            water_C=water_C, room_C=room_C,
        )  # fmt: skip
        options = [option_of(usual, treatment) for treatment in treatments]
        plans.append(
            crop_plan(
                crop, options, levels, depth_cm=depth_cm, seeds=seeds, viability=viability,
                draws=draws, seed=seed,
            )
        )  # fmt: skip
    plan = MapPlan(
        crops=tuple(plans),
        treatments=tuple(treatments),
        odds=tuple(odds),
        sown_h=tuple(sown_h.tolist()),
        pooled=grid.pooled,
        node_h=node_h,
    )
    return map_dataset(_days(grid, plan), plan, stamps, grid, depth_cm=depth_cm, seeds=seeds)


def _days(grid: GridSoil, plan: MapPlan) -> xr.DataArray:
    """Days of the whole grid: finite, inf past the horizon, NaN without soil temperature."""
    core = ["member", "time"] if grid.pooled else ["time"]
    out = ["crop", "treatment", "sowing", "stage", "odds"]
    arrays = [_whole(array, core) for array in grid.arrays]
    days: xr.DataArray = xr.apply_ufunc(
        partial(map_tile, plan=plan, offset=grid.offset, daily=grid.daily),
        *arrays,
        input_core_dims=[core] * len(arrays),
        output_core_dims=[out],
        dask="parallelized",
        output_dtypes=[np.float32],
        dask_gufunc_kwargs={"output_sizes": dict(zip(out, plan.shape, strict=True))},
        keep_attrs=False,
    )
    return days.transpose(*out, ...)


def _whole(array: xr.DataArray, core: list[str]) -> xr.DataArray:
    """Return the array with each dimension that is summed over in one chunk."""
    if array.chunks is None:
        return array
    split = [dim for dim in core if len(array.chunksizes[dim]) > 1]
    return array.chunk(dict.fromkeys(split, -1)) if split else array


def _sowing_hours(
    grid: GridSoil, sowings: Sequence[Any]
) -> tuple[npt.NDArray[np.datetime64], npt.NDArray[np.float64]]:
    """Instants of the sowings, and their hours after the first value of the grid."""
    stamps = []
    for sowing in sowings:
        try:
            stamp = np.datetime64(sowing)
        except (ValueError, TypeError):
            raise InputError(f"{sowing!r} is not a date; write it like 2026-05-01") from None
        if np.isnat(stamp):
            raise InputError("a day of sowing is missing")
        dated = stamp.dtype in (np.dtype("datetime64[D]"), np.dtype("datetime64[M]"))
        noon = np.timedelta64(round(grid.noon_h * 60), "m")
        stamps.append((stamp.astype("datetime64[D]") + noon if dated else stamp).astype("M8[ns]"))
    instants = np.array(stamps)
    if (np.diff(instants) <= np.timedelta64(0, "ns")).any():
        raise InputError("the days of sowing must rise, each given once")
    hours = (instants - grid.first).astype("int64") / 3.6e12
    last = grid.first + np.timedelta64(grid.days, "D")
    outside = (hours < 0) | (hours >= 24.0 * grid.days)
    if outside.any():
        raise CoverageError(
            f"the soil temperature runs from {str(grid.first)[:16]} to {str(last)[:16]} and does "
            f"not cover a sowing on {str(instants[outside][0])[:16]}"
        )
    return instants, hours


def map_summary(path: Path) -> list[dict[str, Any]]:
    """Half emergence at middling odds over all cells, for each crop, treatment and sowing.

    Parameters
    ----------
    path : Path
        A map as :func:`thermosprout.maps.files.write_map` leaves it.

    Returns
    -------
    list of dict
        ``crop``, ``treatment``, ``planted``, ``days_before_planting`` (when the seed is started),
        ``cells`` with soil temperature, the share of them ``reached`` within the series, and the
        ``mean``, ``soonest`` and ``latest`` of their ``days_since_planted`` and
        ``days_since_started``; None where nothing is reached.
    """
    # Days are numbers here; some releases of xarray would make durations of them.
    options: dict[str, Any] = {"chunks": {}, "decode_timedelta": False, **open_options(path)}
    with xr.open_dataset(path, **options) as whole:
        middle = whole.sel(stage="half").sel(odds=0.5, method="nearest")
        space = middle["outcome"].dims[3:]
        days, there = middle["days_since_planted"], middle["outcome"] == REACHED
        cells = (middle["outcome"] != NO_SOIL).sum(space).rename("cells")
        sums = xr.merge(
            [
                cells,
                (there.sum(space) / cells).rename("reached"),
                days.mean(space, dtype=float).rename("mean"),
                days.min(space).rename("soonest"),
                days.max(space).rename("latest"),
            ],
            compat="override",
        ).compute(scheduler="synchronous")
    rows = []
    for c, t, s in np.ndindex(*sums["cells"].shape):
        one = sums.isel(crop=c, treatment=t, sowing=s)
        lead = float(one["days_before_planting"])
        values = {key: float(one[key]) for key in ("mean", "soonest", "latest")}
        days_in = {key: value if np.isfinite(value) else None for key, value in values.items()}
        rows.append(
            {
                "crop": str(one["crop"].values),
                "treatment": str(one["treatment"].values),
                "planted": str(one["sowing"].values)[:16],
                "days_before_planting": lead,
                "cells": int(one["cells"]),
                "reached": float(one["reached"]) if one["cells"] else None,
                "days_since_planted": days_in,
                "days_since_started": {
                    key: None if value is None else value + lead for key, value in days_in.items()
                },
            }
        )
    return rows
