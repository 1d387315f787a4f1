"""What is asked many times a day, against importing numpy, pandas and xarray in the same run.

Each command is a program of its own, on one core and in processor time, the best of the rounds. Our
modules are compiled once before, as an installation compiles them.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

DEMO = Path(__file__).parents[2] / "demo"
ROUNDS = 5
ROWS = 500

AS_OF = ("--as-of", "2026-05-20")
WINDOW = ("--from", "2026-04-01", "--to", "2026-06-10")
COMMANDS: dict[str, tuple[tuple[str, ...], float | None]] = {
    "record, one count": (("record", "M1=150", "--on", "2026-06-30"), 0.6),
    "forecast, one row": (("forecast", "--row", "C1", *AS_OF), 1.6),
    "forecast, 14 rows": (("forecast", *AS_OF), None),
    "week, 14 rows": (("week", *AS_OF), None),
    "report, 14 rows": (("report", *AS_OF, "--out", "season.html"), None),
    "window, 70 days": (("window", "--lot", "PAR25", *WINDOW, *AS_OF), None),
}
"""Words of each command, and how often the imports it may take."""

ROW_LIMIT = 0.008 / 1.2
"""Imports that each further row may take: 8 ms where the imports take 1.2 s."""


def many_rows(folder: Path, rows: int) -> Path:
    """Season of the demo with many rows of its lots, in its beds, in place of its own."""
    text = (DEMO / "season.toml").read_text("utf-8")
    beds = re.findall(r'\[\[beds\]\]\nid = "(\w+)"', text)
    lots = ("PAR25", "COR25", "BEE25", "PEA25", "MEL24")
    ways = ("direct", "soaked", "presprouted")
    hours = {"direct": "", "soaked": "soak_h = 12", "presprouted": "sprout_h = 96"}
    parts = [text[: text.index("[[rows]]")].replace('file = "counts.csv"', 'file = "none.csv"')]
    for index in range(rows):
        way = ways[(index // 7) % 3]
        planted = date(2026, 4, 5) + timedelta(days=(13 * index) % 45)
        parts.append(
            f'[[rows]]\nid = "r{index}"\nlot = "{lots[index % 5]}"\n'
            f'bed = "{beds[(index // 5) % len(beds)]}"\ntreatment = "{way}"\n{hours[way]}\n'
            f"planted = {planted}\nstations = {30 + index % 20}\n"
        )
    path = folder / f"rows_{rows}.toml"
    path.write_text("\n".join(parts), encoding="utf-8")
    return path


def usage_of(folder: Path, *words: str) -> tuple[float, float]:
    """Processor time [s] and greatest memory [GB] of a program of its own."""
    plain = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
    core = min(os.sched_getaffinity(0))
    run = subprocess.Popen(
        [sys.executable, *words], cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        env=plain | {"PYTHONPYCACHEPREFIX": str(folder.parent / "compiled")},
        preexec_fn=lambda: os.sched_setaffinity(0, {core}),
    )  # fmt: skip
    _, status, usage = os.wait4(run.pid, 0)
    assert status == 0, words
    return usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1e6


@pytest.mark.benchmark(group="everyday commands, as ratios to the imports")
def test_everyday_commands(benchmark: Any, tmp_path: Path) -> None:
    best = dict.fromkeys(("imports", *COMMANDS), float("inf"))
    for turn in range(ROUNDS + 1):
        folder = tmp_path / str(turn)
        shutil.copytree(DEMO, folder)
        calls: dict[str, tuple[str, ...]] = {"imports": ("-c", "import numpy, pandas, xarray")}
        calls |= {name: ("-m", "thermosprout", *words) for name, (words, _) in COMMANDS.items()}
        for name, words in calls.items():
            spent, _ = usage_of(folder, *words)
            if turn:  # the first round compiles
                best[name] = min(best[name], spent)
    ratios = {name: best[name] / best["imports"] for name in COMMANDS}
    benchmark.extra_info.update(
        {
            f"{name} (asked: {'–' if limit is None else f'at most {limit:g}'})": ratios[name]
            for name, (_, limit) in COMMANDS.items()
        }
    )
    forecast = ratios["forecast, 14 rows"]
    benchmark.extra_info["week to forecast (asked: at most 2)"] = ratios["week, 14 rows"] / forecast
    benchmark.extra_info["report to forecast (asked: at most 2)"] = (
        ratios["report, 14 rows"] / forecast
    )
    benchmark.pedantic(lambda: None, rounds=1)


@pytest.mark.benchmark(group="everyday commands, as ratios to the imports")
def test_many_rows(benchmark: Any, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    shutil.copytree(DEMO, folder)
    seconds = {}
    memory = 0.0
    for rows in (1, ROWS):
        words = ("-m", "thermosprout", "forecast", many_rows(folder, rows).name, *AS_OF, "--json")
        runs = [usage_of(folder, *words) for _ in range(3)]
        seconds[rows], memory = min(run[0] for run in runs), max(run[1] for run in runs)
    imports = min(usage_of(folder, "-c", "import numpy, pandas, xarray")[0] for _ in range(3))
    row = (seconds[ROWS] - seconds[1]) / (ROWS - 1)
    benchmark.extra_info.update(
        {
            f"each row beyond the first of {ROWS} (asked: at most {ROW_LIMIT:.4f})": row / imports,
            "memory, GB (asked: at most 1)": memory,
        }
    )
    assert memory < 1.0
    benchmark.pedantic(lambda: None, rounds=1)
