"""What is asked many times a day, against importing numpy, pandas and xarray in the same run."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

DEMO = Path(__file__).parents[2] / "demo"
ROUNDS = 4

COMMANDS: dict[str, tuple[tuple[str, ...], float | None]] = {
    "record, one count": (("record", "M1=150", "--on", "2026-06-30"), 0.6),
    "forecast, one row": (("forecast", "--row", "C1", "--as-of", "2026-05-20"), 1.6),
    "forecast, 14 rows": (("forecast", "--as-of", "2026-05-20"), None),
    "week, 14 rows": (("week", "--as-of", "2026-05-20"), None),
    "report, 14 rows": (("report", "--as-of", "2026-05-20", "--out", "season.html"), None),
}
"""Words of each command, and how often the imports it may take."""


def processor_seconds_of(folder: Path, *words: str) -> float:
    """Processor time of a program of its own."""
    run = subprocess.Popen(
        [sys.executable, *words], cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
    )
    _, status, usage = os.wait4(run.pid, 0)
    assert status == 0, words
    return usage.ru_utime + usage.ru_stime


@pytest.mark.benchmark(group="everyday commands, as ratios to the imports")
def test_everyday_commands(benchmark: Any, tmp_path: Path) -> None:
    ratios: dict[str, list[float]] = {name: [] for name in COMMANDS}
    for turn in range(ROUNDS):
        folder = tmp_path / str(turn)
        shutil.copytree(DEMO, folder)
        imports = processor_seconds_of(folder, "-c", "import numpy, pandas, xarray")
        for name, (words, _) in COMMANDS.items():
            spent = processor_seconds_of(folder, "-m", "thermosprout", *words)
            ratios[name].append(spent / imports)
    benchmark.extra_info.update(
        {
            f"{name} (asked: {'–' if limit is None else f'at most {limit:g}'})": float(
                np.median(ratios[name][1:])
            )
            for name, (_, limit) in COMMANDS.items()
        }
    )
    benchmark.pedantic(lambda: None, rounds=1)
