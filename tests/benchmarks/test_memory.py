"""Memory high-water marks, each in a process of its own."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from typing import Any

import pytest

from tests.benchmarks.continent import make_grid, run_map

_ROOT = Path(__file__).parents[2]

_JOBS = {
    "start (--help)": "from thermosprout.cli.app import app",
    "imports of a forecast": "import thermosprout.emergence.forecast",
    "one row, 1,000 draws": (
        "from tests.benchmarks.test_row_speed import *\n"
        "v = spring_soil(1, 120)[:, 0].astype(float)\n"
        "t = np.datetime64('2026-03-01', 'ns') + np.arange(v.size) * np.timedelta64(1, 'h')\n"
        "single_row(soil_series(t, v, depth_cm=3, source='made up'))"
    ),
    "200 rows, 1,000 draws": (
        "from tests.benchmarks.test_row_speed import *\n"
        "v = spring_soil(1, 120)[:, 0].astype(float)\n"
        "t = np.datetime64('2026-03-01', 'ns') + np.arange(v.size) * np.timedelta64(1, 'h')\n"
        "market_garden(soil_series(t, v, depth_cm=3, source='made up'), 200)"
    ),
}


def peak_mb(code: str) -> float:
    """Largest resident size of a process that runs ``code``, as it sees it itself at its end.

    What the system keeps of a child that has ended begins with the size of its parent.
    """
    told = f"{code}\nprint(next(l for l in open('/proc/self/status') if 'VmHWM' in l).split()[1])"
    run = subprocess.run(
        [sys.executable, "-c", told], cwd=_ROOT, capture_output=True, text=True, check=True
    )
    return float(run.stdout.split()[-1]) / 1024


@pytest.mark.benchmark(group="memory: high-water marks")
def test_high_water_marks(benchmark: Any, tmp_path: Path) -> None:
    marks = {name: peak_mb(code) for name, code in _JOBS.items()}
    # Four times the cells in the same room: the map does not grow with the grid.
    for size in (300, 600):
        soil = tmp_path / f"soil{size}.zarr"
        make_grid(soil, size)
        run = run_map(soil, tmp_path / f"map{size}.zarr")
        marks[f"map of {size} x {size} cells x 120 d, 2 threads"] = run["peak_gb"] * 1000
    benchmark.extra_info.update(peak_mb=marks)
    benchmark.pedantic(lambda: None, rounds=1)
