"""Soil temperature on a grid: what an array or Dataset holds.

Grids in CF NetCDF or Zarr, opened in tiles that hold all times and fit into memory.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import xarray as xr

from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.find_columns import cf_unit
from thermosprout.soil.readers.netcdf import require_sound_hdf5

_HOUR, _DAY = np.timedelta64(1, "h"), np.timedelta64(1, "D")


@dataclass(frozen=True, kw_only=True)
class GridSoil:
    """Soil temperature on a grid, understood.

    Attributes
    ----------
    arrays : tuple of xarray.DataArray
        Hourly values, or daily minimum and maximum.
    time_dim, member_dim : str, str or None
        Dimensions that a tile holds whole.
    offset : float
        Added for degC. [K]
    first : datetime64
        First instant, or the start of the first day.
    days : int
        Whole days covered.
    noon_h : float
        Clock hour taken for a sowing given as a day. [h]
    """

    arrays: tuple[xr.DataArray, ...]
    time_dim: str
    member_dim: str | None
    offset: float
    first: np.datetime64
    days: int
    noon_h: float

    @property
    def daily(self) -> bool:
        """Whether the arrays are daily minimum and maximum."""
        return len(self.arrays) == 2

    @property
    def clock(self) -> str:
        """Say which clock the sowings are in."""
        return "local clock of the days of the file" if self.daily else "UTC"

    @property
    def spatial_dims(self) -> tuple[str, ...]:
        """Dimensions that tiles are cut along."""
        whole = (self.time_dim, self.member_dim)
        return tuple(str(dim) for dim in self.arrays[0].dims if dim not in whole)

    def describe(self) -> str:
        """Say in one line what the soil temperature is."""
        names = " and ".join(str(array.name) for array in self.arrays)
        kind = "daily minimum and maximum" if self.daily else "hourly"
        return f"{names}, {kind}, {self.days} days from {str(self.first)[:10]}"


def grid_soil(
    soil: xr.DataArray | xr.Dataset,
    *,
    variable: str | None = None,
    minimum: str | None = None,
    maximum: str | None = None,
) -> GridSoil:
    """Understand soil temperature on a grid.

    Parameters
    ----------
    soil : xarray.DataArray or xarray.Dataset
        One hourly variable, or daily minimum and maximum. In a Dataset the hourly variable is
        ``soil_temperature`` (by name or CF standard name), and the daily pair is known by
        ``time: minimum`` and ``time: maximum`` in ``cell_methods`` (CF 1.10, section 7.3) or by
        the names ``soil_temperature_min`` and ``soil_temperature_max``.
    variable, minimum, maximum : str, optional
        Names of the variables where they are called otherwise.

    Raises
    ------
    InputError
        When variables, units or times are not what a map can be made from.
    """
    arrays = _variables(soil, variable, minimum, maximum)
    first = arrays[0]
    if any(array.sizes != first.sizes for array in arrays):
        raise InputError("the daily minimum and maximum are not on the same grid")
    if "time" not in first.dims:
        raise InputError(
            f"{first.name} has no dimension 'time', found {', '.join(map(str, first.dims))}"
        )
    offsets = {_offset(array) for array in arrays}
    if len(offsets) > 1:
        raise InputError("the daily minimum and maximum are in different units")
    stamps = first["time"].values
    if not np.issubdtype(stamps.dtype, np.datetime64):
        raise InputError(
            "the times of the grid are not in the common calendar",
            hint="convert them with xarray's convert_calendar('standard')",
        )
    stamps = stamps.astype("datetime64[ns]")
    step = _DAY if len(arrays) == 2 else _HOUR
    if len(arrays) == 2:
        stamps = stamps.astype("datetime64[D]").astype("datetime64[ns]")
    steps = np.diff(stamps)
    if not stamps.size or (steps != step).any():
        often = "daily" if len(arrays) == 2 else "hourly"
        jump = np.flatnonzero(steps != step)
        where = (
            f"; found {steps[jump[0]] / _HOUR:g} h after {str(stamps[jump[0]])[:16]}"
            if jump.size
            else ""
        )
        raise InputError(f"the soil temperature of the grid must be {often} without jumps{where}")
    days = stamps.size if len(arrays) == 2 else stamps.size // 24
    if days < 1:
        raise InputError("the soil temperature of the grid is shorter than one day")
    return GridSoil(
        arrays=arrays,
        time_dim="time",
        member_dim="member" if "member" in first.dims else None,
        offset=offsets.pop(),
        first=stamps[0],
        days=int(days),
        noon_h=12.0 if len(arrays) == 2 else _solar_noon(first),
    )


def _variables(
    soil: xr.DataArray | xr.Dataset,
    variable: str | None,
    minimum: str | None,
    maximum: str | None,
) -> tuple[xr.DataArray, ...]:
    if isinstance(soil, xr.DataArray):
        return (soil if soil.name else soil.rename("soil_temperature"),)
    arrays = {str(name): soil[name] for name in soil.data_vars}
    if (minimum is None) != (maximum is None):
        raise InputError("daily values need both the minimum and the maximum")
    for name in filter(None, (variable, minimum, maximum)):
        if name not in arrays:
            raise InputError(
                f"the grid has no variable {name!r}, found {', '.join(arrays) or 'none'}"
            )
    if variable is not None:
        return (arrays[variable],)
    if minimum is not None and maximum is not None:
        return arrays[minimum], arrays[maximum]
    low = _named(arrays, "time: minimum", "soil_temperature_min")
    high = _named(arrays, "time: maximum", "soil_temperature_max")
    if len(low) == 1 and len(high) == 1:
        return arrays[low[0]], arrays[high[0]]
    hourly = [
        name
        for name, array in arrays.items()
        if name == "soil_temperature" or array.attrs.get("standard_name") == "soil_temperature"
    ]
    if "soil_temperature" in hourly:
        return (arrays["soil_temperature"],)
    if len(hourly) == 1:
        return (arrays[hourly[0]],)
    raise InputError(
        f"which variable is soil temperature? The grid has {', '.join(arrays) or 'none'}",
        hint="name it, or the daily minimum and maximum",
    )


def _named(arrays: dict[str, xr.DataArray], method: str, name: str) -> list[str]:
    if name in arrays:
        return [name]
    return [key for key, array in arrays.items() if method in str(array.attrs.get("cell_methods"))]


def _offset(array: xr.DataArray) -> float:
    unit = cf_unit(array.attrs.get("units"))
    if unit in ("degC", "K"):
        return -273.15 if unit == "K" else 0.0
    raise InputError(
        f"{array.name} must be in degC or K, found {array.attrs.get('units')!r}",
        hint="set its attribute 'units'",
    )


def _solar_noon(array: xr.DataArray) -> float:
    """UTC hour at which the sun stands highest at the middle of the grid, to the hour."""
    for name in array.coords:
        units = str(array[name].attrs.get("units", ""))
        if units in ("degrees_east", "degree_east") or str(name) in ("lon", "longitude"):
            middle = float(np.nanmean(array[name].values))
            return float((12 - round(((middle + 180) % 360 - 180) / 15.0)) % 24)
    return 12.0


_STRIP_BYTES = 120e6
"""Working room of one thread in the grid engine, whatever the tile."""

_MOST_CELLS, _STRIP_CELLS, _LEAST_CELLS = 262_144, 4096, 256


def open_grid(
    path: str | Path,
    *,
    variable: str | None = None,
    minimum: str | None = None,
    maximum: str | None = None,
    values_per_cell: int = 9,
    threads: int = 2,
    memory_gb: float = 1.0,
    tile_cells: int | None = None,
) -> tuple[xr.Dataset, int]:
    """Open a grid in tiles.

    Parameters
    ----------
    path : Path
        A NetCDF file or a Zarr folder.
    variable, minimum, maximum : str, optional
        As for :func:`thermosprout.maps.files.grid_soil`.
    values_per_cell : int
        Answers of each cell, which need room too.
    threads, memory_gb : int, float
        Tiles worked on at once, and the room for all of them.
    tile_cells : int, optional
        Cells of a tile, in place of what fits.

    Returns
    -------
    dataset : xarray.Dataset
        The variables a map needs, chunked by dask.
    reads : int
        How often a stored chunk of the file has to be read.

    Raises
    ------
    InputError
        When the file cannot be read or is not understood.

    Examples
    --------
    >>> import thermosprout as ts
    >>> soil, reads = ts.open_grid("demo/grid.nc")
    >>> soil.sizes["latitude"]
    3
    """
    path = Path(path)
    engine = _engine(path)
    backend = {"phony_dims": "sort"} if engine == "h5netcdf" else {}
    try:
        if engine == "h5netcdf":
            require_sound_hdf5(path)
        whole = xr.open_dataset(
            path, engine=engine, chunks=None, decode_coords="all", backend_kwargs=backend
        )
    except Exception as error:  # the backends raise whatever their libraries raise
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(f"cannot be read as a grid ({reason})", place=Place(file=path)) from None
    with whole:
        try:
            grid = grid_soil(whole, variable=variable, minimum=minimum, maximum=maximum)
        except InputError as error:
            raise InputError(error.what, place=Place(file=path), hint=error.hint) from None
        first = grid.arrays[0]
        names = [str(array.name) for array in grid.arrays]
        sizes = {dim: int(first.sizes[dim]) for dim in grid.spatial_dims}
        times = first.size // max(int(np.prod(list(sizes.values()))), 1)
        # Values are held as stored, as decoded and as copied; answers as computed and as written.
        per_cell = len(names) * times * 10.0 + values_per_cell * 16.0
        room = max(memory_gb * 1e9 / threads - _STRIP_BYTES, 2e7)
        # Several tiles for each thread, so that none waits long for the last one.
        stored = _stored_chunks(first)
        in_one = math.prod(stored.get(dim, 1) for dim in sizes)
        share = max(math.prod(sizes.values()) / (4 * threads), in_one, _STRIP_CELLS)
        most = min(room / per_cell, share, _MOST_CELLS)
        cells = tile_cells or max(int(most), _LEAST_CELLS)
        tile = tile_shape(sizes, stored, cells)
        reads = 1
        for dim, size in sizes.items():
            reads *= int(np.ceil(min(stored.get(dim, 1), size) / tile[dim]))
        chunks = {str(dim): tile.get(str(dim), -1) for dim in first.dims}
    with warnings.catch_warnings():
        # Where a stored chunk does not fit it has to be cut; ``reads`` tells of it.
        warnings.filterwarnings("ignore", "The specified chunks separate", UserWarning)
        opened = xr.open_dataset(
            path, engine=engine, chunks=chunks, decode_coords="all", backend_kwargs=backend
        )
    return opened[names], reads


def tile_shape(sizes: Mapping[str, int], stored: Mapping[str, int], cells: int) -> dict[str, int]:
    """Shape of a tile of at most about ``cells`` cells, along the chunks a file is stored in.

    Parameters
    ----------
    sizes : mapping
        Cells along each spatial dimension, in the order they are stored.
    stored : mapping
        Cells of a stored chunk; a dimension without any is stored in one run.
    cells : int
        Cells wanted.

    Returns
    -------
    dict
        Whole stored chunks where they fit, filled up from the last dimension on, since that is
        the one that lies together in the file.
    """
    tile = {dim: min(stored.get(dim, 1), size) for dim, size in sizes.items()}
    # A stored chunk that is too large is cut from its first dimension on.
    for dim in sizes:
        others = int(np.prod([tile[d] for d in sizes if d != dim]))
        tile[dim] = max(min(tile[dim], cells // max(others, 1)), 1)
    for dim in reversed(list(sizes)):
        others = int(np.prod([tile[d] for d in sizes if d != dim]))
        times = max(cells // max(others * tile[dim], 1), 1)
        tile[dim] = min(tile[dim] * times, sizes[dim])
    return tile


def _engine(path: Path) -> str:
    """Backend for a path, by what it holds rather than by its name."""
    if path.is_dir():
        return "zarr"
    try:
        with path.open("rb") as stream:
            magic = stream.read(8)
    except OSError as error:
        raise InputError(f"cannot be read ({error.strerror})", place=Place(file=path)) from None
    if magic.startswith(b"\x89HDF"):
        return "h5netcdf"
    if magic.startswith(b"CDF"):
        return "scipy"
    raise InputError("this is neither a NetCDF file nor a Zarr folder", place=Place(file=path))


def _stored_chunks(array: xr.DataArray) -> dict[str, int]:
    """Chunk of the file along each dimension, empty where the file is one run of values."""
    encoding = array.encoding
    chunks = encoding.get("chunks") or encoding.get("chunksizes")
    if not chunks or len(chunks) != array.ndim:
        return {}
    return {str(dim): int(size) for dim, size in zip(array.dims, chunks, strict=True)}
