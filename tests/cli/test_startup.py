"""What a start imports: commands show their help without the libraries that only work needs."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

DEMO = Path(__file__).parents[2] / "demo"

# Not pydantic: newer versions of typer read the parameters of a command with it.
HEAVY = (
    "dask", "distributed", "h5netcdf", "h5py", "icalendar", "jinja2", "matplotlib", "numpy",
    "pandas", "pvlib", "requests", "requests_cache", "scipy", "xarray", "zarr",
)  # fmt: skip

_LIST_IMPORTS = """
import contextlib, io, json, sys
bare = set(sys.modules)
from thermosprout.cli.app import app
from typer.main import get_command

def listed(command, path=()):
    yield path, command
    for name, below in getattr(command, "commands", {}).items():
        yield from listed(below, (*path, name))

found, before, root = {}, bare, get_command(app)
for path, command in listed(root):
    shown = io.StringIO()
    with contextlib.redirect_stdout(shown), contextlib.suppress(SystemExit):
        root.main([*path, "--help"], prog_name="thermosprout")
    now = {name.partition(".")[0] for name in set(sys.modules) - before}
    found[" ".join(path) or "thermosprout"] = {"imports": sorted(now), "help": shown.getvalue(),
        "group": hasattr(command, "commands")}
    before = set(sys.modules)
json.dump(found, sys.stdout)
"""


@pytest.fixture(scope="module")
def starts() -> dict[str, dict[str, object]]:
    """What each command imports when its help is shown, and the help."""
    run = subprocess.run(
        [sys.executable, "-c", _LIST_IMPORTS], capture_output=True, text=True, check=True
    )
    return json.loads(run.stdout)


def test_no_command_imports_anything_heavy_for_its_help(
    starts: dict[str, dict[str, object]],
) -> None:
    assert {"thermosprout", "forecast", "map"} <= set(starts)
    heavy = {
        name: sorted(set(HEAVY) & set(start["imports"]))  # type: ignore[arg-type]
        for name, start in starts.items()
    }
    assert {name: found for name, found in heavy.items() if found} == {}


def test_help_of_every_command_ends_with_an_example(starts: dict[str, dict[str, object]]) -> None:
    for name, start in starts.items():
        text = str(start["help"])
        assert "Usage:" in text, name
        # A group leads to its commands, which have the examples.
        if not start["group"]:
            assert "Example" in text, name


def test_the_library_loads_nothing_before_it_is_used() -> None:
    code = "import sys, thermosprout; print([m for m in sys.modules if m in {heavy!r}])"
    run = subprocess.run(
        [sys.executable, "-c", code.replace("{heavy!r}", repr(HEAVY))],
        capture_output=True,
        text=True,
        check=True,
    )
    assert run.stdout.strip() == "[]"


def _imports(folder: Path, *words: str) -> set[str]:
    """Libraries that are loaded when a command has run as a program of its own."""
    code = (
        "import sys\nfrom thermosprout.__main__ import main\n"
        "try:\n    main()\nexcept SystemExit as end:\n    assert not end.code, end.code\n"
        "loaded = {name.partition('.')[0] for name, module in sys.modules.items() if module}\n"
        "loaded |= {name for name in ('scipy.interpolate', 'scipy.stats') if name in sys.modules}\n"
        "print('loaded', *sorted(loaded))"
    )
    run = subprocess.run(
        [sys.executable, "-c", code, *words], cwd=folder, capture_output=True, text=True, check=True
    )
    return set(run.stdout.splitlines()[-1].split()[1:])


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    for name in ("season.toml", "soil.csv", "weather.csv", "counts.csv"):
        shutil.copy(DEMO / name, tmp_path)
    return tmp_path


def test_a_second_count_needs_no_science(
    demo: Path,
) -> None:
    loaded = _imports(demo, "record", "M1=150", "--on", "2026-06-30")
    assert loaded & {*HEAVY, "pvlib"} == set()
    assert "2026-06-30" in (demo / "counts.csv").read_text("utf-8").splitlines()[-1]


def test_a_forecast_imports_no_library_it_does_not_work_with(demo: Path) -> None:
    loaded = _imports(demo, "forecast", "--row", "C1", "--as-of", "2026-05-20")
    idle = {"dask", "distributed", "pint", "h5netcdf", "matplotlib", "requests_cache",
            "scipy.stats", "zarr"}  # fmt: skip
    assert loaded & idle == set()
