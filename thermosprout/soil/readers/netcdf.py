"""Soil temperature from CF NetCDF: the nearest cell of a grid, in K or degC.

Time is UTC, as the CF conventions have it, but files exist whose axis is local standard time
without saying so (AmeriFlux conversions such as that of Bondville: radiation then peaks at noon of
the "UTC" axis). ``timezone`` tells the reader; nothing in the file can.
"""

from __future__ import annotations

import mmap
import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd
import xarray as xr

from thermosprout.errors import CoverageError, InputError, Place
from thermosprout.files import require_plain_file
from thermosprout.quantities import YEARS
from thermosprout.soil import quality
from thermosprout.soil.readers.find_columns import cf_unit, to_celsius
from thermosprout.soil.readers.table import Reading
from thermosprout.soil.readers.times import StampColumn, to_utc
from thermosprout.soil.readers.to_hourly import (
    SPARSEST_HOURS,
    step_in_words,
    step_of,
    to_hourly,
)
from thermosprout.soil.series import soil_series

LAYERS_CM = {"stl1": (0.0, 7.0), "stl2": (7.0, 28.0), "stl3": (28.0, 100.0), "stl4": (100.0, 289.0)}
"""Layers of ERA5 and ERA5-Land; from memory. [cm]"""
FARTHEST_KM = 50.0
MOST_GB = 2.0
"""More than 200 years of hours at a hundred cells. [GB]"""
SIGNATURES = (b"\x89HDF", b"CDF\x01", b"CDF\x02", b"CDF\x05")
"""First bytes of NetCDF: 4 (which is HDF5), classic, 64-bit offset, 64-bit data."""
_HEAP, _HEAD_BYTES = b"GCOL\x01\0\0\0", 16


class SpoiltError(ValueError):
    """The file is no HDF5 file, or its structure leads nowhere."""


def is_netcdf(path: str | Path) -> bool:
    """Whether a file begins like NetCDF; False where it cannot be read."""
    try:
        require_plain_file(Path(path))
        with Path(path).open("rb") as stream:
            return stream.read(4).startswith(SIGNATURES)
    except (OSError, InputError):
        return False


def require_sound_hdf5(path: Path) -> None:
    """Check an HDF5 file before its library opens it: a spoilt one can hold the library for ever.

    The C library walks a global heap by the sizes that stand in it, and an entry of size nothing
    is walked again and again (layout: HDF5 File Format Specification 3.0, section III.E, "Global
    Heap"). Files of other kinds, classic NetCDF for one, pass.

    Raises
    ------
    SpoiltError
        When a heap of the file cannot be walked, or its own attributes cannot be read.
    OSError
        When the file cannot be read.
    """
    with path.open("rb") as stream:
        if stream.read(4) != SIGNATURES[0]:
            return
        with mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ) as raw:
            _walk_heaps(raw)
    import h5py

    try:
        with h5py.File(path, "r") as opened:
            # Read first by the library above, which fails untidily where it cannot.
            opened.attrs.get("_nc3_strict")
    except Exception as error:
        raise SpoiltError(type(error).__name__) from None


def hdf5_options(path: Path) -> dict[str, Any]:
    """Engine and options with which an HDF5 file is opened; empty for a file of another kind.

    Dimensions that have no name are counted in order, as the NetCDF library does.
    """
    with path.open("rb") as stream:
        is_hdf5 = stream.read(4) == SIGNATURES[0]
    return {"engine": "h5netcdf", "phony_dims": "sort"} if is_hdf5 else {}


def _walk_heaps(raw: mmap.mmap) -> None:
    at = raw.find(_HEAP)
    while at >= 0:
        end = at + int.from_bytes(raw[at + 8 : at + _HEAD_BYTES], "little")
        if end > len(raw):
            raise SpoiltError("a heap ends past the file")
        here = at + _HEAD_BYTES
        while here + 16 <= end:
            index = int.from_bytes(raw[here : here + 2], "little")
            size = int.from_bytes(raw[here + 8 : here + 16], "little")
            step = 16 + -(-size // 8) * 8 if index else size
            if not 0 < step <= end - here:
                raise SpoiltError("a heap leads nowhere")
            here += step
        at = raw.find(_HEAP, at + len(_HEAP))


def read_soil_netcdf(
    path: str | Path,
    *,
    latitude: float | None = None,
    longitude: float | None = None,
    depth_cm: float | None = None,
    variable: str | None = None,
    timezone: str | None = None,
    surface: str = "unknown",
) -> tuple[xr.DataArray, Reading]:
    """Read an hourly soil temperature series from a NetCDF file.

    Parameters
    ----------
    path : str or Path
        The file.
    latitude, longitude : float, optional
        Place wanted; may be left out where the file holds one cell. Degrees north and east.
    depth_cm : float, optional
        Depth wanted where there are several; where the file does not say, the depth it is. [cm]
    variable : str, optional
        Name of the variable, where several hold a soil temperature.
    timezone : str, optional
        Zone of the time axis, where it is not UTC.
    surface : {"bare", "grass", "unknown"}
        Ground above.

    Returns
    -------
    series : xarray.DataArray, dims (time,)
        Hourly. [degC]
    reading : Reading
        How the file was understood.

    Raises
    ------
    InputError
        When there is no soil temperature or several, or an unknown unit.
    CoverageError
        When the nearest cell is far away or empty.
    """
    path = Path(path)
    require_plain_file(path)
    try:
        require_sound_hdf5(path)
        with xr.open_dataset(path, **hdf5_options(path)) as opened:
            # Packed, a file of some kB may hold more than any memory does.
            if opened.nbytes > MOST_GB * 1e9:
                raise InputError(
                    f"unpacked it holds {opened.nbytes / 1e9:.0f} GB, at most {MOST_GB:g} GB are "
                    "read",
                    place=Place(file=path),
                    hint="cut the place and the season out of it",
                )
            data = opened.load()
    except InputError:
        raise
    except Exception as error:
        raise InputError(
            f"this is no NetCDF file that can be read ({type(error).__name__})",
            place=Place(file=path),
        ) from None
    array = _variable(data, path, variable, depth_cm)
    array, where = _nearest(array, data, path, latitude, longitude)
    array, depth, notes = _depth(array, path, depth_cm)
    axis = next((name for name in ("time", "valid_time") if name in array.dims), None)
    if axis is None or array.ndim != 1:
        extra = [str(dim) for dim in array.dims if dim != axis]
        raise InputError(
            f"{array.name} has the unexpected dimensions {', '.join(extra) or 'none'}",
            place=Place(file=path),
            hint="expected time, latitude, longitude and a depth",
        )
    try:
        index = pd.DatetimeIndex(array[axis].values)
        if index.size and not YEARS[0] <= index.year.min() <= index.year.max() <= YEARS[-1]:
            raise ValueError
        stamps = index.round("1min").to_numpy().astype("datetime64[ns]")
    except (TypeError, ValueError, OverflowError):
        raise InputError(
            f"the axis {axis} holds times of no usual calendar or year", place=Place(file=path)
        ) from None
    if stamps.size < 2:
        raise CoverageError(
            f"the file holds {stamps.size} times, expected two at least", place=Place(file=path)
        )
    time, zone = _utc(stamps, timezone, path)
    unit = cf_unit(array.attrs.get("units"))
    if unit is None:
        unit_there = str(array.attrs.get("units", "")) or "none"
        raise InputError(
            f"{array.name} has the unit {unit_there!r}, expected K or degC", place=Place(file=path)
        )
    try:
        values = to_celsius(array.values.astype(float), unit)
    except (TypeError, ValueError):
        raise InputError(f"{array.name} holds no numbers", place=Place(file=path)) from None
    values, wrong = quality.mask_impossible(values)
    if wrong.any():
        notes.append(f"{int(wrong.sum())} impossible values were left out.")
    if not (np.diff(time) > np.timedelta64(0, "ns")).all():
        raise InputError("the times of the file do not rise", place=Place(file=path))
    step = step_of(time)
    if step > SPARSEST_HOURS * 3600:
        raise InputError(
            f"values every {step_in_words(step)} are too far apart for a series",
            place=Place(file=path),
            hint=f"take a file with values every {SPARSEST_HOURS} hours or finer",
        )
    hourly = to_hourly(time, values)
    present = np.flatnonzero(np.isfinite(hourly.values))
    if present.size < 2:
        raise CoverageError(
            f"the cell {where} holds no values",
            place=Place(file=path),
            hint="choose a place on land",
        )
    keep = slice(int(present[0]), int(present[-1]) + 1)
    series = soil_series(
        hourly.time[keep],
        hourly.values[keep],
        depth_cm=np.nan if depth is None else depth,
        source=f"NetCDF file {path.name}, {array.name}",
        surface=surface,
    )
    reading = Reading(
        file=str(path),
        kind="CF NetCDF",
        column=str(array.name),
        unit=unit,
        depth_cm=depth,
        time_column=axis,
        time_zone=zone,
        rows=int(array.size),
        step=step_in_words(hourly.step_seconds),
        start=str(series["time"].values[0])[:16],
        end=str(series["time"].values[-1])[:16],
        gaps=hourly.gaps,
        filled_hours=hourly.filled_hours,
        notes=(f"Cell {where}.", *notes),
        checks=quality.check_series(series),
    )
    return series, reading


def _variable(
    data: xr.Dataset, path: Path, variable: str | None, depth_cm: float | None
) -> xr.DataArray:
    if variable is not None:
        if variable not in data:
            raise InputError(
                f"there is no variable {variable!r}",
                place=Place(file=path),
                hint="variables there: " + ", ".join(map(str, data.data_vars)),
            )
        return data[variable]
    names = [
        str(name)
        for name, array in data.data_vars.items()
        if array.attrs.get("standard_name") == "soil_temperature"
        or re.fullmatch(r"soil_temperature|tsoil|stl\d|tso|tsl", str(name), re.IGNORECASE)
    ]
    layers = [name for name in names if name in LAYERS_CM]
    if len(names) > 1 and len(layers) == len(names) and depth_cm is not None:
        names = [min(layers, key=lambda name: abs(sum(LAYERS_CM[name]) / 2 - depth_cm))]
    if len(names) == 1:
        return data[names[0]]
    if not names:
        raise InputError(
            "no variable is a soil temperature",
            place=Place(file=path),
            hint="name it with --column; there: " + ", ".join(map(str, data.data_vars)),
        )
    raise InputError(
        f"several variables are soil temperatures: {', '.join(names)}",
        place=Place(file=path),
        hint="say which with --column" + (" or --depth-cm" if layers else ""),
    )


def _nearest(
    array: xr.DataArray,
    data: xr.Dataset,
    path: Path,
    latitude: float | None,
    longitude: float | None,
) -> tuple[xr.DataArray, str]:
    """Take the nearest cell by great-circle distance."""
    names = {}
    for key, choices in (("lat", ("latitude", "lat")), ("lon", ("longitude", "lon"))):
        names[key] = next((name for name in choices if name in data.variables), None)
    if names["lat"] is None or names["lon"] is None:
        return array.squeeze(drop=True), "without coordinates"
    lat, lon = data[names["lat"]], data[names["lon"]]
    if lat.ndim == 1 and lon.ndim == 1 and lat.dims != lon.dims:
        lat, lon = xr.broadcast(lat, lon)
    if lat.size > 1 and (latitude is None or longitude is None):
        raise InputError(
            f"the file holds {lat.size} cells",
            place=Place(file=path),
            hint="say where with --at",
        )
    row = 0
    flat_lat, flat_lon = lat.values.ravel(), lon.transpose(*lat.dims).values.ravel()
    if latitude is not None and longitude is not None:
        a, b = np.radians(flat_lat), np.radians(latitude)
        half = (
            np.sin((a - b) / 2) ** 2
            + np.cos(a) * np.cos(b) * np.sin(np.radians(flat_lon - longitude) / 2) ** 2
        )
        distance = 2 * 6371.0 * np.arcsin(np.sqrt(np.clip(half, 0, 1)))
        if not np.isfinite(distance).any():
            raise CoverageError(
                "no cell of the file says where it lies",
                place=Place(file=path),
                hint="take a file with latitudes and longitudes",
            )
        row = int(np.nanargmin(distance))
        if distance[row] > FARTHEST_KM:
            raise CoverageError(
                f"the nearest cell lies {distance[row]:.0f} km away",
                place=Place(file=path),
                hint="check --at, or take a file that holds the place",
            )
    index = dict(zip(lat.dims, np.unravel_index(row, lat.shape), strict=True))
    picked = array.isel({dim: int(at) for dim, at in index.items() if dim in array.dims})
    return picked, f"{flat_lat[row]:.3f} north, {flat_lon[row]:.3f} east"


def _depth(
    array: xr.DataArray, path: Path, depth_cm: float | None
) -> tuple[xr.DataArray, float | None, list[str]]:
    """Take the level nearest to the depth; say at which depth the result is."""
    if str(array.name) in LAYERS_CM:
        top, bottom = LAYERS_CM[str(array.name)]
        return (
            _collapse(array), 0.5 * (top + bottom),
            [f"The value is the mean of the layer from {top:g} to {bottom:g} cm."],
        )  # fmt: skip
    name = next(
        (str(dim) for dim in array.dims if re.search(r"depth|soil|level|lev", str(dim))), None
    )
    if name is None or name not in array.coords:
        scalar = array.coords.get("depth")
        if scalar is not None and scalar.ndim == 0:
            return _collapse(array), _cm(float(scalar), scalar), []
        return _collapse(array), depth_cm, []
    levels = [_cm(float(value), array[name]) for value in array[name].values]
    apart = np.abs(np.array(levels) - (depth_cm if depth_cm is not None else 5.0))
    if not np.isfinite(apart).any():
        raise InputError(
            f"the levels of {array.name} have no depths", place=Place(file=path, column=name)
        )
    row = int(np.nanargmin(apart))
    shown = ", ".join(f"{level:g}" for level in levels)
    return (
        _collapse(array.isel({name: row})), levels[row],
        [f"Depths in the file: {shown} cm; {levels[row]:g} cm was taken."],
    )  # fmt: skip


def _collapse(array: xr.DataArray) -> xr.DataArray:
    """Merge the two versions of recent reanalysis, and drop dimensions of one."""
    if "expver" in array.dims:
        array = array.sel(expver=array["expver"][0]).combine_first(
            array.sel(expver=array["expver"][-1])
        )
    for name in ("number", "expver"):
        if name in array.dims and array.sizes[name] == 1:
            array = array.isel({name: 0})
    return array.squeeze(drop=True)


def _cm(value: float, coordinate: xr.DataArray) -> float:
    unit = str(coordinate.attrs.get("units", "m")).lower()
    return round(abs(value) * {"m": 100.0, "cm": 1.0, "mm": 0.1}.get(unit, 100.0), 3)


def _utc(
    stamps: npt.NDArray[np.datetime64], timezone: str | None, path: Path
) -> tuple[npt.NDArray[np.datetime64], str]:
    if timezone is None:
        return stamps, "UTC (as CF has it; set --timezone where the axis is local)"
    at = StampColumn(path, "time", range(1, stamps.size + 1))
    return to_utc(stamps, None, at, timezone=timezone)
