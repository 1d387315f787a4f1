"""Emergence on a map: soil temperature on a grid, times crops, treatments and sowing days."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import STAGES, forecast_constant
from thermosprout.emergence.grid import (
    NODE_H,
    GridResponse,
    SoilGrid,
    Thresholds,
    days_to_reach,
)
from thermosprout.emergence.thresholds import stage_thresholds
from thermosprout.emergence.treatments import TABLE_DEPTH_CM, Treatment
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.fingerprint import fingerprint
from thermosprout.planning.map_soil import GridSoil, grid_soil
from thermosprout.planning.options import Option, lead_hours, usual_options

SingleArray = npt.NDArray[np.float32]

REACHED, TOO_SHORT, NO_SOIL = 0, 1, 2
"""Values of ``outcome``."""

_LEVELS = 9


@dataclass(frozen=True, kw_only=True)
class CropPlan:
    """What a map asks of one crop: its response, and thermal times for each treatment."""

    name: str
    response: GridResponse
    thresholds: tuple[Thresholds, ...]
    lead_d: tuple[float, ...]


@dataclass(frozen=True, kw_only=True)
class MapPlan:
    """Everything about a map but its soil."""

    crops: tuple[CropPlan, ...]
    treatments: tuple[str, ...]
    odds: tuple[float, ...]
    sown_h: tuple[float, ...]
    pooled: bool
    node_h: int

    def __dask_tokenize__(self) -> str:
        """Name that is the same in every process, so that a stopped map can go on."""
        return fingerprint(self)

    @property
    def shape(self) -> tuple[int, ...]:
        """Sizes of crop, treatment, sowing, stage and odds."""
        sizes = (self.crops, self.treatments, self.sown_h, STAGES, self.odds)
        return tuple(len(part) for part in sizes)


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
    grid = grid_soil(soil)
    chosen = [crops] if isinstance(crops, str | Crop) else list(crops)
    if not chosen or not len(sowings) or not len(treatments):
        raise InputError("a map needs at least one crop, one sowing and one treatment")
    if any(not 0 < odd < 1 for odd in odds) or any(np.diff(np.asarray(odds)) <= 0) or not len(odds):
        raise InputError("odds lie between 0 and 1 and rise")
    stamps, sown_h = _sowing_hours(grid, sowings)
    pooled = grid.member_dim is not None
    asked = tuple((np.arange(_LEVELS) + 0.5) / _LEVELS) if pooled else tuple(odds)
    plans = []
    for crop in (find_crop(c) if isinstance(c, str) else c for c in chosen):
        usual = usual_options(
            crop,
            soaks_h=() if soak_h is None else (soak_h,),
            sprout_h=sprout_h,
            water_C=water_C,
            room_C=room_C,
        )
        options = [_option(usual, treatment) for treatment in treatments]
        plans.append(
            CropPlan(
                name=crop.name,
                response=GridResponse.centre(crop),
                thresholds=tuple(
                    stage_thresholds(
                        crop,
                        option.handling,
                        odds=asked,
                        depth_cm=depth_cm,
                        seeds=seeds,
                        viability=viability,
                        draws=draws,
                        seed=seed,
                    )
                    for option in options
                ),
                lead_d=tuple(_lead_days(crop, option, draws, seed) for option in options),
            )
        )
    plan = MapPlan(
        crops=tuple(plans),
        treatments=tuple(treatments),
        odds=tuple(odds),
        sown_h=tuple(sown_h.tolist()),
        pooled=pooled,
        node_h=node_h,
    )
    return _described(_days(grid, plan), plan, stamps, grid, depth_cm, seeds)


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
    found = []
    for odd in odds:
        place = float(np.clip(odd * size - 0.5, 0, size - 1))
        below = int(place)
        low = together[..., below]
        high = together[..., min(below + 1, size - 1)]
        with np.errstate(invalid="ignore"):
            between = low + (place - below) * (high - low)
        found.append(np.where(np.isinf(high), high if place > below else low, between))
    missing = np.isnan(together[..., -1])
    return np.where(missing[:, None], np.nan, np.stack(found, axis=1)).astype(np.float32)


def _option(usual: Sequence[Option], treatment: str) -> Option:
    """Pick the way of sowing of a treatment; the mildest where there are several."""
    try:
        wanted = Treatment(treatment)
    except ValueError:
        known = ", ".join(Treatment)
        raise InputError(f"there is no treatment {treatment!r}, expected one of {known}") from None
    return next(option for option in usual if option.handling.treatment is wanted)


def _lead_days(crop: Crop, option: Option, draws: int, seed: int) -> float:
    """Days from wetting the seed to planting it, at the middle of the draws."""
    row = forecast_constant(crop, 15.0, handling=option.handling, size=draws, seed=seed)
    return float(np.median(lead_hours(row))) / 24.0


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


def _described(
    days: xr.DataArray,
    plan: MapPlan,
    sowings: npt.NDArray[np.datetime64],
    grid: GridSoil,
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
    result["days_since_planted"].attrs = {
        "long_name": "days from planting until a stage of emergence (BBCH 09) is reached",
        "units": "days",
        "ancillary_variables": "outcome",
        "comment": "add days_before_planting for the days since the seed was started",
    }
    result["outcome"].attrs = {
        "long_name": "whether the stage is reached within the soil temperature at hand",
        "standard_name": "status_flag",
        "flag_values": np.array([REACHED, TOO_SHORT, NO_SOIL], dtype="int8"),
        "flag_meanings": "reached series_ends_first no_soil_temperature",
    }
    result["days_before_planting"].attrs = {
        "long_name": "days from wetting the seed to planting it",
        "units": "days",
    }
    result["sowing"].attrs = {"long_name": "instant of planting", "comment": grid.clock}
    result["stage"].attrs = {
        "long_name": "stage of the row: first seedling, half, nine tenths of the final stand"
    }
    result["odds"].attrs = {"long_name": "odds that the stage is reached by then", "units": "1"}
    soil = grid.arrays[0]
    projection = soil.attrs.get("grid_mapping") or soil.encoding.get("grid_mapping")
    if projection in result.coords:
        for held in result.data_vars.values():
            held.attrs["grid_mapping"] = projection
    for name in soil.coords:
        if name in result.coords:
            result[name].attrs = dict(soil[name].attrs)
    result.attrs = {
        "Conventions": "CF-1.10",
        "title": "Days to emergence of seed",
        "source": f"thermosprout {__version__}, thermal time at the centre of each crop's estimate",
        "soil_temperature": grid.describe(),
        "sowing_depth_cm": depth_cm,
        "seeds_per_row": seeds,
        "comment": "Odds, not promises: local advice and the seed packet come first.",
    }
    return result
