"""Maps written tile by tile, so that they need little memory and go on after an interruption.

A map grows in a folder beside its place, ``NAME.unfinished``: a Zarr store, a line for each tile
that is done, and what the map is made from. It takes its name when it is whole.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
from collections.abc import Callable, Iterator
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from itertools import islice, product
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

from thermosprout.errors import InputError, Place
from thermosprout.files import write_atomic

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
    work = out.with_name(f"{out.name}.unfinished")
    with _claimed(work, restart=restart):
        store = work / "map.zarr"
        done = _begin(result, work, store, regions)
        left = [number for number in range(len(regions)) if number not in done]
        if progress is not None:
            progress(len(regions) - len(left), len(regions))
        jobs = ((number, _job(result, regions[number], store)) for number in left)
        finished = len(regions) - len(left)
        with (work / "done.txt").open("a", encoding="ascii") as journal:
            for number in _run(jobs, threads, client):
                journal.write(f"{number}\n")
                journal.flush()
                os.fsync(journal.fileno())
                finished += 1
                if progress is not None:
                    progress(finished, len(regions))
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
        ends = np.cumsum(days.chunksizes[dim])
        begins = ends - np.asarray(days.chunksizes[dim])
        pairs = zip(begins.tolist(), ends.tolist(), strict=True)
        along.append([(str(dim), slice(a, b)) for a, b in pairs])
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
            _lock(lock.fileno())
        except OSError:
            raise InputError(
                "another run is writing this map", place=Place(file=work), hint="let it finish"
            ) from None
        yield


def _lock(handle: int) -> None:
    """Lock a file until it is closed, where the system has such locks."""
    with contextlib.suppress(ImportError):
        import fcntl

        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _begin(result: xr.Dataset, work: Path, store: Path, regions: list[Region]) -> set[int]:
    """Set up the store, or find the tiles that an earlier run has done."""
    from dask.base import tokenize

    made_from = {"map": tokenize(result), "tiles": len(regions)}
    plan = work / "plan.json"
    if plan.exists():
        if json.loads(plan.read_text(encoding="utf-8")) != made_from:
            raise InputError(
                "an unfinished map is there that was made from other soil or other options",
                place=Place(file=work),
                hint="begin it again with --restart, or write to another name",
            )
        journal = work / "done.txt"
        lines = journal.read_text(encoding="ascii").split("\n")[:-1] if journal.exists() else []
        return {int(line) for line in lines if line.isdigit() and int(line) < len(regions)}
    _template(result, store)
    # Written last: without it, whatever is there counts for nothing.
    write_atomic(plan, json.dumps(made_from))
    return set()


def _template(result: xr.Dataset, store: Path) -> None:
    """Write dimensions, coordinates and attributes, and room for the values."""
    days = result["days_since_planted"]
    spatial = [max(days.chunksizes[dim]) for dim in days.dims[5:]]
    sowings = min(days.sizes["sowing"], _SOWINGS_PER_CHUNK)
    chunks = (1, 1, sowings, days.sizes["stage"], days.sizes["odds"], *spatial)
    result.to_zarr(
        store,
        mode="w",
        compute=False,
        zarr_format=2,
        consolidated=True,
        encoding={
            "days_since_planted": {"chunks": chunks, "_FillValue": np.float32(np.nan)},
            "outcome": {"chunks": chunks},
            "sowing": {"units": "seconds since 1970-01-01", "dtype": "int64"},
        },
    )


def _job(result: xr.Dataset, region: Region, store: Path) -> Any:
    """Work on one tile and its writing, to be computed anywhere."""
    piece = result.isel(region)
    aside = [name for name, array in piece.variables.items() if not set(region) <= set(array.dims)]
    return piece.drop_vars(aside).to_zarr(
        store, region=region, compute=False, consolidated=True, zarr_format=2
    )


def _run(jobs: Iterator[tuple[int, Any]], threads: int, client: Any) -> Iterator[int]:
    """Compute the jobs, a few at a time, and give the number of each that is done."""
    if client is not None:
        yield from _run_on_cluster(jobs, client)
        return
    pool = ThreadPoolExecutor(threads, thread_name_prefix="tile")
    try:
        waiting = {
            pool.submit(job.compute, scheduler="synchronous"): number
            for number, job in islice(jobs, threads + 1)
        }
        while waiting:
            ready, _ = wait(waiting, return_when=FIRST_COMPLETED)
            for future in ready:
                number = waiting.pop(future)
                future.result()
                for following, job in islice(jobs, 1):
                    waiting[pool.submit(job.compute, scheduler="synchronous")] = following
                yield number
    finally:
        pool.shutdown(wait=True, cancel_futures=True)


def _run_on_cluster(jobs: Iterator[tuple[int, Any]], client: Any) -> Iterator[int]:
    """Keep every worker busy with no more tiles under way than they can begin soon."""
    from distributed import as_completed

    ahead = 2 * max(sum(client.nthreads().values()), 1) + 2
    numbers = {}

    def submit(number: int, job: Any) -> Any:
        future = client.compute(job, retries=_LOST_WORKERS)
        numbers[future] = number
        return future

    first = [submit(*job) for job in islice(jobs, ahead)]
    running: Any = as_completed(first)  # type: ignore[no-untyped-call]
    for future in running:
        future.result()
        number = numbers.pop(future)
        for following in islice(jobs, 1):
            running.add(submit(*following))
        yield number


def _finish(store: Path, out: Path) -> None:
    """Give the whole map its name, as NetCDF where that was asked for."""
    if out.suffix != ".nc":
        if out.is_dir():
            shutil.rmtree(out)
        store.rename(out)
        return
    import dask

    part = store.with_name("map.nc")
    with xr.open_zarr(store) as whole, dask.config.set(scheduler="synchronous"):
        days = whole["days_since_planted"]
        chunks = tuple(max(sizes) for sizes in days.chunks)
        packed = {"zlib": True, "complevel": 1, "shuffle": True, "chunksizes": chunks}
        for name in whole.variables:
            whole[name].encoding = {}
        whole.to_netcdf(
            part,
            engine="h5netcdf",
            encoding={
                "days_since_planted": {**packed, "_FillValue": np.float32(np.nan)},
                "outcome": packed,
                "sowing": {"units": "seconds since 1970-01-01", "dtype": "int64"},
            },
        )
    part.replace(out)
