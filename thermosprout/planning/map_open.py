"""Grids in CF NetCDF or Zarr, opened in tiles that hold all times and fit into memory."""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import xarray as xr

from thermosprout.errors import InputError, Place
from thermosprout.planning.map_soil import grid_soil
from thermosprout.soil.readers.hdf5 import look_at_hdf5

_STRIP_BYTES = 120e6
"""Working room of one thread in the grid engine, whatever the tile."""

_MOST_CELLS, _STRIP_CELLS, _LEAST_CELLS = 262_144, 4096, 256


def open_grid(
    path: Path,
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
        As for :func:`thermosprout.planning.map_soil.grid_soil`.
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
    """
    engine = _engine(path)
    try:
        if engine == "h5netcdf":
            look_at_hdf5(path)
        whole = xr.open_dataset(path, engine=engine, chunks=None, decode_coords="all")
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
        opened = xr.open_dataset(path, engine=engine, chunks=chunks, decode_coords="all")
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
