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

from thermosprout.errors import CoverageError, InputError, Place, placed
from thermosprout.files import require_plain_file
from thermosprout.quantities import YEARS
from thermosprout.soil.quality import check_series, mask_impossible
from thermosprout.soil.readers.find_columns import cf_unit
from thermosprout.soil.readers.table import Reading
from thermosprout.soil.readers.times import StampColumn, to_utc
from thermosprout.soil.readers.to_hourly import (
    to_hourly,
    trim,
)
from thermosprout.soil.series import celsius_values, distance_km, soil_series

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


def open_options(path: Path) -> dict[str, Any]:
    """Options with which xarray opens a NetCDF file or a Zarr folder, by what it holds.

    Dimensions of HDF5 that have no name are counted in order, as the NetCDF library does.

    Raises
    ------
    InputError
        When it is neither, or cannot be read.
    """
    if path.is_dir():
        return {"engine": "zarr"}
    require_plain_file(path)
    if not is_netcdf(path):
        raise InputError("this is neither a NetCDF file nor a Zarr folder", place=Place(file=path))
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
    with placed(Place(file=path)):
        array, where, depth, notes = _cell(_load(path), latitude, longitude, depth_cm, variable)
        time, zone = _utc(array, timezone, path)
        unit = array.attrs.get("units")
        values, wrong = mask_impossible(celsius_values(time, array.values, unit, str(array.name)))
        if wrong.any():
            notes.append(f"{int(wrong.sum())} impossible values were left out.")
        empty = CoverageError(f"the cell {where} holds no values", hint="choose a place on land")
        course = trim(to_hourly(time, values), empty=empty)
    series = soil_series(
        course.time,
        course.values,
        depth_cm=np.nan if depth is None else depth,
        source=f"NetCDF file {path.name}, {array.name}",
        surface=surface,
    )
    reading = Reading(
        file=str(path),
        kind="CF NetCDF",
        column=str(array.name),
        unit=cf_unit(unit) or "",
        depth_cm=depth,
        time_column=str(array.dims[0]),
        time_zone=zone,
        rows=int(array.size),
        **course.entries(),
        notes=(f"Cell {where}.", *notes),
        checks=check_series(series),
    )
    return series, reading


def _load(path: Path) -> xr.Dataset:
    try:
        require_sound_hdf5(path)
        with xr.open_dataset(path, **open_options(path)) as opened:
            # Packed, a file of some kB may hold more than any memory does.
            if opened.nbytes > MOST_GB * 1e9:
                raise InputError(
                    f"unpacked it holds {opened.nbytes / 1e9:.0f} GB, at most {MOST_GB:g} GB are "
                    "read",
                    hint="cut the place and the season out of it",
                )
            return opened.load()
    except InputError:
        raise
    except Exception as error:  # the backends raise whatever their libraries raise
        kind = type(error).__name__
        raise InputError(f"this is not a NetCDF file that can be read ({kind})") from None


def _cell(
    data: xr.Dataset,
    latitude: float | None,
    longitude: float | None,
    depth_cm: float | None,
    variable: str | None,
) -> tuple[xr.DataArray, str, float | None, list[str]]:
    """Series of one cell and level, where the cell lies, how deep [cm], and notes."""
    array, where = _nearest(_variable(data, variable, depth_cm), data, latitude, longitude)
    array, depth, notes = _level(array, depth_cm)
    # Recent reanalysis comes in two versions: the settled one goes before.
    if "expver" in array.dims:
        settled, early = (array.isel(expver=at, drop=True) for at in (0, -1))
        array = settled.combine_first(early)
    array = array.squeeze(drop=True)
    if array.ndim != 1 or array.dims[0] not in ("time", "valid_time"):
        extra = [str(dim) for dim in array.dims if dim not in ("time", "valid_time")]
        raise InputError(
            f"{array.name} has the unexpected dimensions {', '.join(extra) or 'none'}",
            hint="expected time, latitude, longitude and a depth",
        )
    return array, where, depth, notes


def _variable(data: xr.Dataset, variable: str | None, depth_cm: float | None) -> xr.DataArray:
    there = ", ".join(map(str, data.data_vars))
    if variable is not None:
        if variable not in data:
            raise InputError(f"there is no variable {variable!r}", hint=f"variables there: {there}")
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
            "no variable is a soil temperature", hint=f"name it with --column; there: {there}"
        )
    raise InputError(
        f"several variables are soil temperatures: {', '.join(names)}",
        hint="say which with --column" + (" or --depth-cm" if layers else ""),
    )


def _nearest(
    array: xr.DataArray, data: xr.Dataset, latitude: float | None, longitude: float | None
) -> tuple[xr.DataArray, str]:
    """Take the nearest cell by great-circle distance."""
    lat = next((data[name] for name in ("latitude", "lat") if name in data.variables), None)
    lon = next((data[name] for name in ("longitude", "lon") if name in data.variables), None)
    if lat is None or lon is None:
        return array.squeeze(drop=True), "without coordinates"
    if lat.dims != lon.dims:
        lat, lon = xr.broadcast(lat, lon)
    north, east = lat.values.ravel(), lon.transpose(*lat.dims).values.ravel()
    row = 0
    if latitude is not None and longitude is not None:
        distance = distance_km(latitude, longitude, north, east)
        if not np.isfinite(distance).any():
            raise CoverageError(
                "no cell of the file says where it lies",
                hint="take a file with latitudes and longitudes",
            )
        row = int(np.nanargmin(distance))
        if distance[row] > FARTHEST_KM:
            raise CoverageError(
                f"the nearest cell lies {distance[row]:.0f} km away",
                hint="check --at, or take a file that holds the place",
            )
    elif north.size > 1:
        raise InputError(f"the file holds {north.size} cells", hint="say where with --at")
    index = dict(zip(lat.dims, np.unravel_index(row, lat.shape), strict=True))
    picked = array.isel({dim: int(at) for dim, at in index.items() if dim in array.dims})
    return picked, f"{north[row]:.3f} north, {east[row]:.3f} east"


def _level(
    array: xr.DataArray, depth_cm: float | None
) -> tuple[xr.DataArray, float | None, list[str]]:
    """Take the level nearest to the depth; say at which depth the result is."""
    if str(array.name) in LAYERS_CM:
        top, bottom = LAYERS_CM[str(array.name)]
        note = f"The value is the mean of the layer from {top:g} to {bottom:g} cm."
        return array, 0.5 * (top + bottom), [note]
    name = next((str(dim) for dim in array.dims if re.search(r"depth|soil|lev", str(dim))), None)
    if name is None or name not in array.coords:
        scalar = array.coords.get("depth")
        is_one = scalar is not None and scalar.ndim == 0
        return array, _cm(array["depth"])[0] if is_one else depth_cm, []
    levels = _cm(array[name])
    apart = np.abs(np.array(levels) - (5.0 if depth_cm is None else depth_cm))
    if not np.isfinite(apart).any():
        raise InputError(
            f"the levels of {array.name} have no depths",
            place=Place(file=array.encoding.get("source", ""), column=name),
        )
    row = int(np.nanargmin(apart))
    depths = ", ".join(f"{level:g}" for level in levels)
    note = f"Depths in the file: {depths} cm; {levels[row]:g} cm was taken."
    return array.isel({name: row}, drop=True), levels[row], [note]


def _cm(coordinate: xr.DataArray) -> list[float]:
    unit = str(coordinate.attrs.get("units", "m")).lower()
    to_cm = {"m": 100.0, "cm": 1.0, "mm": 0.1}.get(unit, 100.0)
    return [round(abs(float(value)) * to_cm, 3) for value in np.atleast_1d(coordinate.values)]


def _utc(
    array: xr.DataArray, timezone: str | None, path: Path
) -> tuple[npt.NDArray[np.datetime64], str]:
    axis = str(array.dims[0])
    try:
        index = pd.DatetimeIndex(array[axis].values)
        if index.size and not YEARS[0] <= index.year.min() <= index.year.max() <= YEARS[-1]:
            raise ValueError
        stamps = index.round("1min").to_numpy().astype("datetime64[ns]")
    except (TypeError, ValueError, OverflowError):
        raise InputError(f"the axis {axis} holds times of no usual calendar or year") from None
    if stamps.size < 2:
        raise CoverageError(f"the file holds {stamps.size} times, expected two at least")
    if timezone is None:
        return stamps, "UTC (as CF has it; set --timezone where the axis is local)"
    column = StampColumn(path, "time", range(1, stamps.size + 1))
    return to_utc(stamps, None, column, timezone=timezone)
