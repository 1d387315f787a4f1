"""Run all benchmarks, print them as ratios, and write the report.

``python -m tests.benchmarks`` runs every ``test_*.py`` of this folder with pytest-benchmark and
prints what came out. ``--report`` also writes REPORT.md. ``--continent SIZE`` adds a map of SIZE x
SIZE cells, which takes minutes and gigabytes of disk; without it the report has the figures of
the last such run, kept in continent.json.

A benchmark is shown as ratios when it was measured with the ``paired`` fixture, or when another of
its group has "reference" in its name; otherwise as seconds.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path
from typing import Any

_HERE = Path(__file__).parent
_LIBRARIES = ("numpy", "scipy", "xarray", "dask", "distributed", "zarr", "xclim", "lifelines",
              "surpyval", "pandas")  # fmt: skip


def run_all(only: list[str]) -> dict[str, Any]:
    """Run pytest-benchmark on the folder and return its document."""
    with tempfile.TemporaryDirectory() as folder:
        kept = Path(folder) / "found.json"
        files = [str(_HERE / f"test_{name}.py") for name in only] or [str(_HERE)]
        command = [
            sys.executable, "-m", "pytest", *files, "-q", "--benchmark-only", "-p",
            "no:cacheprovider",
            f"--benchmark-json={kept}", "-o", "addopts=", "--benchmark-quiet",
        ]  # fmt: skip
        before = os.getloadavg()[0]
        run = subprocess.run(
            command, cwd=_HERE.parents[1], env={**os.environ, "OMP_NUM_THREADS": "1"}, check=False
        )
        if not kept.exists() or not kept.stat().st_size:
            raise SystemExit(f"the benchmarks did not finish (pytest ended with {run.returncode})")
        document: dict[str, Any] = json.loads(kept.read_text(encoding="utf-8"))
        document["load"] = (before, os.getloadavg()[0])
        return document


def machine(run: dict[str, Any]) -> list[str]:
    """Describe what it ran on, so far as it bears on the ratios."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9
    libraries = ", ".join(f"{name} {version(name)}" for name in _LIBRARIES)
    busy = max(run["load"]) > 1.5
    return [
        (
            f"- {run['datetime'][:10]}, {os.cpu_count()} cores, {memory:.0f} GB of memory, one "
            f"thread of linear algebra; other programs {'ran beside' if busy else 'were idle'}"
        ),
        f"- Python {platform.python_version()}, {libraries}",
    ]


def seconds(value: float) -> str:
    """Time with a fitting unit."""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if value >= size:
            return f"{value / size:.3g} {unit}"
    return f"{value / 1e-9:.3g} ns"


def lines_of(found: dict[str, Any]) -> list[str]:
    """Report of all benchmarks, group by group."""
    groups: dict[str, list[dict[str, Any]]] = {}
    for bench in found["benchmarks"]:
        groups.setdefault(bench["group"] or _file_of(bench), []).append(bench)
    lines = []
    for group, benches in groups.items():
        lines += ["", f"## {group[:1].upper()}{group[1:]}", ""]
        reference = [b for b in benches if "reference" in b["name"]]
        for bench in benches:
            lines += _one(bench, reference[0] if reference and bench not in reference else None)
    return lines


def _file_of(bench: dict[str, Any]) -> str:
    """Name of the file a benchmark without a group is in, as words."""
    stem = Path(str(bench["fullname"]).partition("::")[0]).stem
    return stem.removeprefix("test_").replace("_", " ")


def _one(bench: dict[str, Any], reference: dict[str, Any] | None) -> list[str]:
    told = dict(bench["extra_info"])
    name = bench["name"].removeprefix("test_").replace("_", " ")
    note = told.pop("note", "")
    asked = told.pop("asked", {})
    lines = [f"**{name}**{': ' + note if note else ''}", ""]
    ratios = told.pop("ratios", None)
    if ratios is not None:
        cpu = told.pop("cpu_s")
        lines += [
            "| against | its time | ours | ratio ours / its | asked |",
            "|---|---|---|---|---|",
        ]
        for key, ratio in ratios.items():
            bar = f"at most {asked[key]:g}" if key in asked else ""
            lines.append(
                f"| {key} | {seconds(cpu[key])} | {seconds(cpu['ours'])} | {ratio:.3g} | {bar} |"
            )
        lines.append("")
        if "wall_s" in told:
            lines += [
                f"Wall time {seconds(told.pop('wall_s'))}, asked {seconds(told.pop('asked_s'))}.",
                "",
            ]
    elif reference is not None:
        ratio = bench["stats"]["median"] / reference["stats"]["median"]
        lines += [(f"{ratio:.3g} times {reference['name'].removeprefix('test_').replace('_', ' ')}"
                  f" ({seconds(bench['stats']['median'])})."), ""]  # fmt: skip
    elif bench["stats"]["rounds"] > 1:
        lines += [f"{seconds(bench['stats']['median'])} (median).", ""]
    if "exponents" in told:
        points = told.pop("points")
        for key, slope in told.pop("exponents").items():
            way = key.partition(",")[0]
            each = ", ".join(f"{int(n):.0e}: {seconds(s)}" for n, s in points[way].items())
            lines += [f"- {key}: exponent {slope:.3f}, asked {asked[way]} ({each})"]
        lines.append("")
    if "starts" in told:
        bare = told.pop("bare")
        lines += [(f"Bare interpreter {seconds(bare['wall_s'])} wall, {seconds(bare['cpu_s'])} "
                  f"processor. Asked: {asked}."), "", "| command | wall | processor | times bare |",
                  "|---|---|---|---|"]  # fmt: skip
        for key, row in told.pop("starts").items():
            lines.append(
                f"| {key} | {seconds(row['wall_s'])} | {seconds(row['cpu_s'])} "
                f"| {row['times_bare']:.1f} |"
            )
        lines.append("")
    if "peak_mb" in told:
        lines += ["| job | largest resident size |", "|---|---|"]
        lines += [f"| {key} | {mb:.0f} MB |" for key, mb in told.pop("peak_mb").items()]
        lines.append("")
    for key, value in told.items():
        shown = (
            f"{value:.4g}" if isinstance(value, float) else json.dumps(value, ensure_ascii=False)
        )
        lines.append(f"- {key}: {shown}")
    return [*lines, ""] if lines[-1] else lines


def continent_lines(figures: dict[str, Any]) -> list[str]:
    """Report of the map of a continent."""
    side = round(figures["cells"] ** 0.5)
    lines = [
        "",
        "## A continent from disk to disk",
        "",
        (
            f"`thermosprout map`, {side} x {side} cells x {figures['days']} days of daily minimum "
            f"and maximum ({figures['soil_gb_in_memory']:.2f} GB in memory, "
            f"{figures['soil_gb_on_disk']:.2f} GB on disk), one crop, five sowings, three stages, "
            "three odds. Asked: 2 cores, under 2 GB."
        ),
        "",
        (
            "| threads | wall | processor | processor per million cell-days "
            "| largest resident size | tiles | map on disk |"
        ),
        "|---|---|---|---|---|---|---|",
    ]
    for threads, run in figures["runs"].items():
        lines.append(
            f"| {threads} | {run['wall_s']:.0f} s | {run['cpu_s']:.0f} s "
            f"| {run['cpu_s_per_million_cell_days']:.3f} s | {run['peak_gb']:.2f} GB "
            f"| {run['tiles']:.0f} | {run['map_gb_on_disk']:.2f} GB |"
        )
    runs = figures["runs"]
    if {"1", "2"} <= set(runs):
        gain = runs["1"]["wall_s"] / runs["2"]["wall_s"]
        lines += [
            "",
            (
                f"By the clock on the wall two threads were {gain:.2f} times as fast as one "
                f"beside other programs (load average {figures['load']:.0f} on {os.cpu_count()} "
                "cores); the threads of the grid, above, are timed less what the neighbours took."
            ),
        ]
    if figures.get("workers"):
        side = round(figures["worker_cells"] ** 0.5)
        told = ", ".join(
            f"{count}: {run['own_s']:.1f} s ({run['wall_s']:.1f} s by the clock on the wall)"
            for count, run in figures["workers"].items()
        )
        lines += [
            "",
            (
                f"On a dask cluster of so many workers of one thread each, {side} x {side} cells, "
                f"less what the neighbours took of the busiest: {told}."
            ),
        ]
    return lines


def main() -> None:
    """Run what was asked for."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("only", nargs="*", help="names such as grid_speed; all when absent")
    parser.add_argument("--report", action="store_true", help="write REPORT.md")
    parser.add_argument("--keep", type=Path, metavar="FILE", help="keep what was measured")
    parser.add_argument("--earlier", type=Path, metavar="FILE", help="report what was kept")
    parser.add_argument("--continent", type=int, metavar="SIZE")
    given = parser.parse_args()
    if given.earlier is not None:
        found = json.loads(given.earlier.read_text(encoding="utf-8"))
    else:
        found = run_all(given.only)
    if given.keep is not None:
        given.keep.write_text(json.dumps(found), encoding="utf-8")
    lines = [
        "# Benchmarks",
        "",
        (
            "Written by `python -m tests.benchmarks --report`. Ours and its references take turns "
            "in one run and are timed by the processor time of the process; ratios are medians "
            "over the rounds. A ratio below one means ours takes less time."
        ),
        "",
        *machine(found),
        *lines_of(found),
    ]
    kept = _HERE / "continent.json"
    if given.continent:
        from tests.benchmarks.continent import measure

        kept.write_text(json.dumps(measure(given.continent, (1, 2)), indent=2) + "\n", "utf-8")
    if kept.exists():
        lines += continent_lines(json.loads(kept.read_text(encoding="utf-8")))
    text = "\n".join(lines).rstrip() + "\n"
    while "\n\n\n" in text:
        text = text.replace("\n\n\n", "\n\n")
    sys.stdout.write(text)
    if given.report:
        (_HERE / "REPORT.md").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
