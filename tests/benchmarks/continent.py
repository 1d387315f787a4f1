"""A map of a continent from disk to disk: time, processor time and memory of the command.

``python -m tests.benchmarks.continent --size 2000`` makes an invented grid of daily minimum and
maximum under the folder for temporary files, runs ``thermosprout map`` on it, and clears up.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr

CHUNK = 250
DAYS = 120
FIRST_DAY = np.datetime64("2026-03-01", "ns")


def make_grid(path: Path, size: int, days: int = DAYS) -> None:
    """Write daily minimum and maximum of a square of cells as Zarr, one chunk at a time."""
    import dask.array as da

    rng = np.random.default_rng(3)
    lat, lon = np.linspace(36, 60, size), np.linspace(-8, 30, size)
    day = np.arange(days)
    spells = np.convolve(rng.normal(0, 3, days + 4), np.ones(5) / 5, "valid").astype("f4")
    season = (9 + 9 * np.sin(2 * np.pi * (day - 35) / 365)).astype("f4")

    def block(half: float, block_info: Any = None) -> np.ndarray:
        (_, rows, columns) = block_info[None]["array-location"]
        local = np.random.default_rng([rows[0], columns[0]])
        shape = (days, rows[1] - rows[0], columns[1] - columns[0])
        north = (0.45 * (48 - lat[slice(*rows)])).astype("f4")[None, :, None]
        hills = local.normal(0, 1.5, shape[1:]).astype("f4")[None]
        noise = local.standard_normal(shape, dtype="f4")
        values = (season + spells)[:, None, None] + north + hills + noise + np.float32(half)
        return np.round(values, 1).astype("f4")

    tiles = [min(CHUNK, size - begin) for begin in range(0, size, CHUNK)]
    chunks = ((days,), tuple(tiles), tuple(tiles))
    dims = ("time", "lat", "lon")
    held = {}
    for name, half, method in (("tmin", -4.0, "minimum"), ("tmax", 5.0, "maximum")):
        values = da.map_blocks(
            block, half, chunks=chunks, dtype="f4", meta=np.empty((0, 0, 0), "f4")
        )
        attrs = {
            "units": "degC",
            "standard_name": "soil_temperature",
            "cell_methods": f"time: {method}",
        }
        held[name] = (dims, values, attrs)
    grid = xr.Dataset(
        held,
        coords={
            "time": FIRST_DAY + day * np.timedelta64(1, "D"),
            "lat": ("lat", lat, {"units": "degrees_north"}),
            "lon": ("lon", lon, {"units": "degrees_east"}),
        },
        attrs={"comment": "invented"},
    )
    grid.to_zarr(path, zarr_format=2)


def resident_high_water(process: int) -> int:
    """Largest resident size of a process so far, zero once it is gone. [byte]"""
    try:
        lines = Path(f"/proc/{process}/status").read_text(encoding="ascii").splitlines()
    except OSError:
        return 0
    return next((int(line.split()[1]) * 1024 for line in lines if line.startswith("VmHWM")), 0)


def run_map(soil: Path, out: Path, *options: str) -> dict[str, float]:
    """Run the command and measure it with all its threads."""
    command = [
        sys.executable, "-m", "thermosprout", "map", str(soil), "--crop", "carrot",
        "--sow", "2026-03-15", "--until", "2026-05-10", "--every", "14", "--out", str(out),
        "--json", *options,
    ]  # fmt: skip
    begin = time.perf_counter()
    peak = 0
    with tempfile.TemporaryFile() as said:
        run = subprocess.Popen(command, stdout=said, env={**os.environ, "OMP_NUM_THREADS": "1"})
        ended = 0
        while not ended:
            # Read while it runs: what is kept after the end begins with the size of the parent.
            peak = max(peak, resident_high_water(run.pid))
            time.sleep(0.05)
            ended, status, usage = os.wait4(run.pid, os.WNOHANG)
        wall = time.perf_counter() - begin
        if status:
            raise RuntimeError(f"the map ended with status {status}")
        said.seek(0)
        answer = json.load(said)
    return {
        "wall_s": wall,
        "cpu_s": usage.ru_utime + usage.ru_stime,
        "peak_gb": peak / 1e9,
        "tiles": answer["tiles"],
        "sowings": len(answer["rows"]),
        "reached": float(np.mean([row["reached"] for row in answer["rows"]])),
    }


def size_gb(path: Path) -> float:
    """Size on the disk."""
    files: Iterator[Path] = path.rglob("*") if path.is_dir() else iter([path])
    return sum(file.stat().st_size for file in files if file.is_file()) / 1e9


def run_on_workers(soil: Path, folder: Path, workers: int) -> dict[str, float]:
    """Map on a cluster of single-threaded worker processes on this machine.

    ``own_s`` is the wall time less the time in which the busiest worker was ready to run but the
    machine ran other programs (Linux), so that neighbours do not count.
    """
    from distributed import Client, LocalCluster

    from thermosprout.maps.files import open_grid, write_map
    from thermosprout.maps.map import emergence_map

    grid, _ = open_grid(soil, tile_cells=CHUNK * CHUNK // 2)
    sowings = FIRST_DAY.astype("M8[D]") + np.arange(14, 71, 14)
    result = emergence_map(grid, "carrot", sowings=sowings)
    with (
        LocalCluster(
            n_workers=workers,
            threads_per_worker=1,
            processes=True,
            host="127.0.0.1",
            dashboard_address=None,
        ) as cluster,
        Client(cluster) as client,
    ):
        # Once to import the libraries on each worker, once to measure.
        write_map(result, folder / f"warm{workers}.zarr", client=client)
        threads = [
            client.submit(thread_id, workers=[address], pure=False).result()
            for address in client.scheduler_info()["workers"]
        ]
        before = [run_delay_s(*thread) for thread in threads]
        begin = time.perf_counter()
        write_map(result, folder / f"workers{workers}.zarr", client=client)
        wall = time.perf_counter() - begin
        delays = [run_delay_s(*t) - b for t, b in zip(threads, before, strict=True)]
    return {"wall_s": wall, "own_s": wall - max(delays)}


def thread_id() -> tuple[int, int]:
    """Process and thread a task runs in."""
    return os.getpid(), threading.get_native_id()


def run_delay_s(process: int, thread: int) -> float:
    """Time a thread was ready to run but the machine ran others."""
    told = Path(f"/proc/{process}/task/{thread}/schedstat").read_text(encoding="ascii")
    return int(told.split()[1]) / 1e9


def measure(
    size: int,
    threads: tuple[int, ...] = (2,),
    workers: tuple[int, ...] = (),
    folder: Path | None = None,
) -> dict[str, Any]:
    """Make the grid, map it with each number of threads, and clear up."""
    with tempfile.TemporaryDirectory(prefix="thermosprout-", dir=folder) as made:
        soil = Path(made) / "soil.zarr"
        make_grid(soil, size)
        found: dict[str, Any] = {
            "cells": size * size,
            "days": DAYS,
            "soil_gb_on_disk": size_gb(soil),
            "soil_gb_in_memory": size * size * DAYS * 2 * 4 / 1e9,
            "runs": {},
        }
        for count in threads:
            out = Path(made) / f"map{count}.zarr"
            run = run_map(soil, out, "--threads", str(count))
            run["map_gb_on_disk"] = size_gb(out)
            run["cpu_s_per_million_cell_days"] = run["cpu_s"] / (size * size * DAYS / 1e6)
            run["wall_s_per_million_cell_days"] = run["wall_s"] / (size * size * DAYS / 1e6)
            found["runs"][str(count)] = run
        found["load"] = os.getloadavg()[0]
        found["worker_cells"] = size * size
        found["workers"] = {
            str(count): run_on_workers(soil, Path(made), count) for count in workers
        }
        return found


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--size", type=int, default=2000, help="cells along each side")
    parser.add_argument("--threads", type=int, nargs="+", default=[1, 2])
    parser.add_argument("--workers", type=int, nargs="*", default=[])
    parser.add_argument("--out", type=Path, help="JSON file for the figures")
    given = parser.parse_args()
    figures = json.dumps(measure(given.size, tuple(given.threads), tuple(given.workers)), indent=2)
    sys.stdout.write(figures + "\n")
    if given.out is not None:
        given.out.write_text(figures + "\n", encoding="utf-8")
