"""Start-up of every command, against a bare interpreter."""

from __future__ import annotations

import os
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from typer.main import get_command

from thermosprout.cli.app import app


def commands(command: Any, path: tuple[str, ...] = ()) -> list[tuple[str, ...]]:
    """Every command and group, as words."""
    found = [path]
    for name, below in getattr(command, "commands", {}).items():
        found += commands(below, (*path, name))
    return found


def start_seconds(*arguments: str) -> tuple[float, float]:
    """Wall and processor time of one start."""
    import time

    begin = time.perf_counter()
    run = subprocess.Popen([sys.executable, *arguments], stdout=subprocess.DEVNULL)
    _, status, usage = os.wait4(run.pid, 0)
    assert status == 0
    return time.perf_counter() - begin, usage.ru_utime + usage.ru_stime


@pytest.mark.benchmark(group="start: help of every command")
def test_help_of_every_command(benchmark: Any) -> None:
    bare = np.median([start_seconds("-c", "pass") for _ in range(5)], axis=0)
    rows = {}
    for path in commands(get_command(app)):
        both = [start_seconds("-m", "thermosprout", *path, "--help") for _ in range(3)]
        wall, cpu = np.median(both, axis=0)
        rows[" ".join(path) or "thermosprout"] = {
            "wall_s": float(wall),
            "cpu_s": float(cpu),
            "times_bare": float(cpu / bare[1]),
        }
    benchmark.extra_info.update(
        starts=rows,
        bare={"wall_s": float(bare[0]), "cpu_s": float(bare[1])},
        asked="0.3 s for thermosprout --help, 0.5 s for every command's",
    )
    benchmark.pedantic(lambda: start_seconds("-m", "thermosprout", "--help"), rounds=1)
