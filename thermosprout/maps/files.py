"""Grids on disk: soil temperature opened in tiles, and maps written tile by tile.

Tiles hold all times and fit into memory. A map grows in a folder beside its place,
``NAME.unfinished``: a Zarr store, and a journal of what the map is made from and which tiles are
done, by which an interrupted map goes on. It takes its name when it is whole.
"""

from __future__ import annotations

import contextlib
import math
import os
import shutil
import warnings
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import FIRST_COMPLETED, Executor, ThreadPoolExecutor, wait
from dataclasses import dataclass
from itertools import islice, pairwise, product
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from thermosprout.errors import InputError, Place
from thermosprout.soil.readers.find_columns import cf_unit
from thermosprout.soil.readers.netcdf import open_options, require_sound_hdf5

_HOUR, _DAY = np.timedelta64(1, "h"), np.timedelta64(1, "D")


@dataclass(frozen=True, kw_only=True)
class GridSoil:
    """Soil temperature on a grid, and what its units, times and dimensions mean.

    Attributes
    ----------
    arrays : tuple of xarray.DataArray
        Hourly values, or daily minimum and maximum.
    pooled : bool
        Whether there are members, which a tile holds whole, as it does all times.
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
    pooled: bool
    offset: float
    first: np.datetime64
    days: int
    noon_h: float

    @property
    def daily(self) -> bool:
        """Whether the arrays are daily minimum and maximum."""
        return len(self.arrays) == 2

    @property
    def sizes(self) -> dict[str, int]:
        """Cells along the dimensions that tiles are cut along."""
        sizes = self.arrays[0].sizes.items()
        return {str(d): int(n) for d, n in sizes if d not in ("time", "member")}


def grid_soil(
    soil: xr.DataArray | xr.Dataset,
    *,
    variable: str | None = None,
    minimum: str | None = None,
    maximum: str | None = None,
) -> GridSoil:
    """Read what the variables, units and times of a grid mean.

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
    first, daily = arrays[0], len(arrays) == 2
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
    if daily:
        stamps = stamps.astype("datetime64[D]")
    stamps = stamps.astype("datetime64[ns]")
    steps = np.diff(stamps)
    jumps = np.flatnonzero(steps != (_DAY if daily else _HOUR))
    if not stamps.size or jumps.size:
        often, where = "daily" if daily else "hourly", ""
        if jumps.size:
            at = int(jumps[0])
            where = f"; found {steps[at] / _HOUR:g} h after {str(stamps[at])[:16]}"
        raise InputError(f"the soil temperature of the grid must be {often} without jumps{where}")
    days = stamps.size if daily else stamps.size // 24
    if days < 1:
        raise InputError("the soil temperature of the grid is shorter than one day")
    return GridSoil(
        arrays=arrays,
        pooled="member" in first.dims,
        offset=offsets.pop(),
        first=stamps[0],
        days=int(days),
        noon_h=12.0 if daily else _solar_noon(first),
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
    there = ", ".join(arrays) or "none"
    names = (variable,) if variable is not None else (minimum, maximum)
    for name in filter(None, (variable, minimum, maximum)):
        if name not in arrays:
            raise InputError(f"the grid has no variable {name!r}, found {there}")
    if all(names):
        return tuple(arrays[str(name)] for name in names)

    def called(name: str, attribute: str, text: str) -> list[str]:
        by_attribute = [k for k, a in arrays.items() if text in str(a.attrs.get(attribute))]
        return [name] if name in arrays else by_attribute

    low = called("soil_temperature_min", "cell_methods", "time: minimum")
    high = called("soil_temperature_max", "cell_methods", "time: maximum")
    if len(low) == 1 and len(high) == 1:
        return arrays[low[0]], arrays[high[0]]
    hourly = called("soil_temperature", "standard_name", "soil_temperature")
    if len(hourly) == 1:
        return (arrays[hourly[0]],)
    raise InputError(
        f"which variable is soil temperature? The grid has {there}",
        hint="name it, or the daily minimum and maximum",
    )


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
    options = {"decode_coords": "all", **open_options(path)}
    try:
        if path.is_file():
            require_sound_hdf5(path)
        whole = xr.open_dataset(path, chunks=None, **options)
    except Exception as error:  # the backends raise whatever their libraries raise
        reason = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(f"cannot be read as a grid ({reason})", place=Place(file=path)) from None
    with whole:
        try:
            grid = grid_soil(whole, variable=variable, minimum=minimum, maximum=maximum)
        except InputError as error:
            raise InputError(error.what, place=Place(file=path), hint=error.hint) from None
        first, sizes = grid.arrays[0], grid.sizes
        cells = math.prod(sizes.values())
        # Values are held as stored, as decoded and as copied; answers as computed and as written.
        times = first.size // max(cells, 1)
        per_cell = len(grid.arrays) * times * 10.0 + values_per_cell * 16.0
        room = max(memory_gb * 1e9 / threads - _STRIP_BYTES, 2e7)
        # Several tiles for each thread, so that none waits long for the last one.
        stored = {str(d): int(n) for d, n in first.encoding.get("preferred_chunks", {}).items()}
        in_one = math.prod(stored.get(dim, 1) for dim in sizes)
        most = min(
            room / per_cell, max(cells / (4 * threads), in_one, _STRIP_CELLS), float(_MOST_CELLS)
        )
        tile = tile_shape(sizes, stored, tile_cells or max(int(most), _LEAST_CELLS))
        reads = math.prod(-(-min(stored.get(d, 1), n) // tile[d]) for d, n in sizes.items())
        chunks = {str(dim): tile.get(str(dim), -1) for dim in first.dims}
    with warnings.catch_warnings():
        # Where a stored chunk does not fit it has to be cut; ``reads`` counts how often it is read.
        warnings.filterwarnings("ignore", "The specified chunks separate", UserWarning)
        opened = xr.open_dataset(path, chunks=chunks, **options)
    return opened[[str(array.name) for array in grid.arrays]], reads


def tile_shape(sizes: Mapping[str, int], stored: Mapping[str, int], cells: int) -> dict[str, int]:
    """Shape of a tile of at most about ``cells`` cells, along the chunks a file is stored in.

    ``sizes`` are the cells along each spatial dimension, in the order they are stored, ``stored``
    those of a stored chunk (a dimension without any is stored in one run). Whole stored chunks
    where they fit, filled up from the last dimension on, which lies together in the file.
    """
    tile = {dim: min(stored.get(dim, 1), size) for dim, size in sizes.items()}
    # A stored chunk that is too large is cut from its first dimension on.
    for dim, size in tile.items():
        others = math.prod(tile.values()) // size
        tile[dim] = max(min(size, cells // others), 1)
    for dim in reversed(list(sizes)):
        tile[dim] = min(tile[dim] * max(cells // math.prod(tile.values()), 1), sizes[dim])
    return tile


_LOST_WORKERS = 5
"""A tile is tried again this often when the worker that had it is lost."""

_SOWINGS_PER_CHUNK = 8

Region = dict[str, slice]


def write_map(
    result: xr.Dataset,
    out: str | Path,
    *,
    threads: int = 2,
    client: Any = None,
    restart: bool = False,
    overwrite: bool = False,
    progress: Callable[[int, int], None] | None = None,
) -> Path:
    """Compute a lazy map tile by tile and write it.

    Parameters
    ----------
    result : xarray.Dataset
        As :func:`thermosprout.maps.map.emergence_map` gives it for chunked soil.
    out : Path
        ``.nc`` becomes CF NetCDF (one file), anything else a Zarr folder.
    threads : int
        Tiles worked on at once in this process.
    client : distributed.Client, optional
        Tiles are worked on and written by the workers of its cluster instead; they must see the
        same files.
    restart, overwrite : bool
        Forget what an interrupted run has done; replace a map that is there already.
    progress : callable, optional
        Called with the number of tiles done and of all tiles, from this thread.

    Returns
    -------
    Path
        ``out``.

    Raises
    ------
    InputError
        When there is such a map already, or an unfinished one made from something else.

    Examples
    --------
    >>> import tempfile, thermosprout as ts
    >>> soil, _ = ts.open_grid("demo/grid.nc")
    >>> spring = ts.map(soil, "carrot", sowings=["2026-04-12"], draws=50)
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     ts.write_map(spring, f"{folder}/spring.nc").name
    'spring.nc'
    """
    out = Path(out)
    if out.exists() and not overwrite:
        raise InputError(
            "there is such a map already", place=Place(file=out), hint="write to another name"
        )
    if not out.parent.is_dir():
        raise InputError("there is no such folder", place=Place(file=out.parent))
    regions = tiles(result)
    report = progress or (lambda done, total: None)
    work = out.with_name(f"{out.name}.unfinished")
    with _claimed(work, restart=restart):
        store, journal = work / "map.zarr", work / "done.txt"
        done = _begin(result, store, journal)
        report(len(done), len(regions))
        left = [(n, region) for n, region in enumerate(regions) if n not in done]
        pool: Executor = ThreadPoolExecutor(threads, thread_name_prefix="tile")
        if client is not None:
            threads = sum(client.nthreads().values())
            pool = client.get_executor(retries=_LOST_WORKERS, pure=False)
        with journal.open("a", encoding="ascii") as lines:
            for number in _written(result, left, store, pool, ahead=2 * threads + 2):
                lines.write(f"{number}\n")
                lines.flush()
                os.fsync(lines.fileno())
                done.add(number)
                report(len(done), len(regions))
        _finish(store, out)
    shutil.rmtree(work, ignore_errors=True)
    return out


def tiles(result: xr.Dataset) -> list[Region]:
    """Regions of a chunked map, one for each of its chunks in space."""
    days = result["days_since_planted"]
    if days.chunks is None or days.ndim == 5:
        raise InputError("only a map of chunked soil temperature on a grid is written tile by tile")
    along = []
    for dim in days.dims[5:]:
        ends = np.cumsum([0, *days.chunksizes[dim]]).tolist()
        along.append([(str(dim), slice(a, b)) for a, b in pairwise(ends)])
    return [dict(combination) for combination in product(*along)]


@contextlib.contextmanager
def _claimed(work: Path, *, restart: bool) -> Iterator[None]:
    """Hold the folder of the unfinished map against a second run of the same command."""
    try:
        if restart and work.exists():
            shutil.rmtree(work)
        work.mkdir(exist_ok=True)
        lock = (work / "lock").open("w")
    except OSError as error:
        raise InputError(f"cannot be written ({error.strerror})", place=Place(file=work)) from None
    with lock:
        try:
            with contextlib.suppress(ImportError):  # where the system has no such locks
                import fcntl

                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except OSError:
            raise InputError(
                "another run is writing this map", place=Place(file=work), hint="let it finish"
            ) from None
        yield


def _begin(result: xr.Dataset, store: Path, journal: Path) -> set[int]:
    """Set up the store, or read which tiles an earlier run has done."""
    from dask.base import tokenize

    made_from = tokenize(result)
    if journal.exists():
        name, *lines = journal.read_text(encoding="ascii").split("\n")[:-1] or [""]
        if name != made_from:
            raise InputError(
                "an unfinished map is there that was made from other soil or other options",
                place=Place(file=journal.parent),
                hint="begin it again with --restart, or write to another name",
            )
        return set(map(int, lines))
    days = result["days_since_planted"]
    spatial = [max(days.chunksizes[dim]) for dim in days.dims[5:]]
    sowings = min(days.sizes["sowing"], _SOWINGS_PER_CHUNK)
    chunks = (1, 1, sowings, days.sizes["stage"], days.sizes["odds"], *spatial)
    encoding = _encoding({"chunks": chunks})
    result.to_zarr(
        store, mode="w", compute=False, zarr_format=2, consolidated=True, encoding=encoding
    )
    # Written last: without it, whatever is there counts for nothing.
    journal.write_text(f"{made_from}\n", encoding="ascii")
    return set()


def _encoding(values: dict[str, Any]) -> dict[str, dict[str, Any]]:
    """How the variables of a map are stored."""
    return {
        "days_since_planted": {**values, "_FillValue": np.float32(np.nan)},
        "outcome": values,
        "sowing": {"units": "seconds since 1970-01-01", "dtype": "int64"},
    }


def _written(
    result: xr.Dataset, left: list[tuple[int, Region]], store: Path, pool: Executor, ahead: int
) -> Iterator[int]:
    """Work on some tiles ahead and write them; give the number of each that is done."""
    from dask.base import optimize

    def submit(number: int, region: Region) -> Any:
        # The graph of the one tile, without that of all others.
        (piece,) = optimize(result.isel(region))  # type: ignore[no-untyped-call]
        return pool.submit(_write_tile, piece, region, store)

    following = iter(left)
    waiting = {submit(*tile): tile[0] for tile in islice(following, ahead)}
    try:
        while waiting:
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                future.result()
                yield waiting.pop(future)
                waiting |= {submit(*tile): tile[0] for tile in islice(following, 1)}
    finally:
        for future in waiting:
            future.cancel()
        pool.shutdown()


def _write_tile(piece: xr.Dataset, region: Region, store: Path) -> None:
    aside = [name for name, array in piece.variables.items() if not set(region) <= set(array.dims)]
    values = piece.drop_vars(aside).compute(scheduler="synchronous")
    values.to_zarr(store, region=region, consolidated=True, zarr_format=2)


def _finish(store: Path, out: Path) -> None:
    """Give the whole map its name, as NetCDF where the name ends so."""
    if out.suffix != ".nc":
        if out.is_dir():
            shutil.rmtree(out)
        store.rename(out)
        return
    import dask

    part = store.with_name("map.nc")
    with xr.open_zarr(store) as whole, dask.config.set(scheduler="synchronous"):
        chunks = tuple(max(sizes) for sizes in whole["days_since_planted"].chunks)
        packed = {"zlib": True, "complevel": 1, "shuffle": True, "chunksizes": chunks}
        whole.drop_encoding().to_netcdf(part, engine="h5netcdf", encoding=_encoding(packed))
    part.replace(out)
