"""Emergence on a map: soil temperature on a grid, times crops, treatments and sowing days."""

from __future__ import annotations

from collections.abc import Sequence
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.emergence.grid import NODE_H
from thermosprout.emergence.treatments import TABLE_DEPTH_CM
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.map_described import described
from thermosprout.planning.map_plan import MapPlan, MapQuestion, crop_plan
from thermosprout.planning.map_soil import GridSoil, grid_soil
from thermosprout.planning.map_tile import map_tile


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
        minimum and maximum; see :func:`thermosprout.planning.map_soil.grid_soil`. Arrays of dask
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
        Hours between nodes of the running sums; see :mod:`thermosprout.emergence.grid`. [h]
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
    (:func:`thermosprout.emergence.thresholds.stage_thresholds`).
    """
    asked = MapQuestion(
        treatments=tuple(treatments),
        odds=tuple(odds),
        depth_cm=depth_cm,
        seeds=seeds,
        viability=viability,
        soak_h=soak_h,
        sprout_h=sprout_h,
        water_C=water_C,
        room_C=room_C,
        draws=draws,
        seed=seed,
    )
    grid = grid_soil(soil)
    chosen = [crops] if isinstance(crops, str | Crop) else list(crops)
    if not chosen or not len(sowings) or not len(treatments):
        raise InputError("a map needs at least one crop, one sowing and one treatment")
    asked.require_rising_odds()
    stamps, sown_h = _sowing_hours(grid, sowings)
    pooled = grid.member_dim is not None
    plan = MapPlan(
        crops=tuple(
            crop_plan(find_crop(crop) if isinstance(crop, str) else crop, asked, pooled=pooled)
            for crop in chosen
        ),
        treatments=asked.treatments,
        odds=asked.odds,
        sown_h=tuple(sown_h.tolist()),
        pooled=pooled,
        node_h=node_h,
    )
    return described(_days(grid, plan), plan, stamps, grid, asked)


def _days(grid: GridSoil, plan: MapPlan) -> xr.DataArray:
    """Days of the whole grid: finite, inf past the horizon, NaN without soil temperature."""
    core = [grid.time_dim] if grid.member_dim is None else [grid.member_dim, grid.time_dim]
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
            raise InputError(f"{sowing!r} is no day of sowing; write it as 2026-05-01") from None
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
