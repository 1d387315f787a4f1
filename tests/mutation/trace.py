"""Which test runs which line, and how long it takes: one run of the suite under coverage."""

from __future__ import annotations

import json
import subprocess
import sys
import time
from collections.abc import Generator
from pathlib import Path

import coverage
import pytest

_DATA = "lines.coverage"
_TIMES = "times.json"


class _Stopwatch:
    """Plugin of pytest that keeps the processor time of each test."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Generator[None, object, object]:
        begun = time.process_time()
        outcome = yield
        self.seconds[item.nodeid] = time.process_time() - begun
        return outcome


def run(root: Path, out: Path, tests: list[str]) -> None:
    """Run the fast tests under coverage in a process of its own and keep both tables.

    Parameters
    ----------
    root, out : Path
        Folder of the checkout and folder for the tables.
    tests : list of str
        Folders or files of tests; none stands for all.

    Raises
    ------
    SystemExit
        When a test fails without any fault in the package.
    """
    out.mkdir(parents=True, exist_ok=True)
    command = [sys.executable, "-m", "tests.mutation.trace", str(out), *tests]
    if subprocess.run(command, cwd=root, check=False).returncode:
        raise SystemExit("the tests fail before any fault is put in")


def _traced(out: Path, tests: list[str]) -> int:
    watch = _Stopwatch()
    config = out / "coveragerc"
    config.write_text(
        f"[run]\nsource = thermosprout\nrelative_files = true\ndata_file = {out / _DATA}\n",
        encoding="utf-8",
    )
    status = pytest.main(
        ["-q", "--cov=thermosprout", f"--cov-config={config}", "--cov-context=test",
         "--cov-report=", "-p", "no:cacheprovider", *tests],
        plugins=[watch],
    )  # fmt: skip
    (out / _TIMES).write_text(json.dumps(watch.seconds), encoding="utf-8")
    return int(status)


class Trace:
    """Tests by line.

    Parameters
    ----------
    out : Path
        Folder in which :func:`run` left its tables.
    """

    def __init__(self, out: Path) -> None:
        self._data = coverage.CoverageData(str(out / _DATA))
        self._data.read()
        self._seconds: dict[str, float] = json.loads((out / _TIMES).read_text(encoding="utf-8"))
        self._by_file: dict[str, dict[int, set[str]]] = {}

    def seconds(self, test: str) -> float:
        """Time that a test takes without any fault. [s]"""
        return self._seconds.get(test, 1.0)

    def tests(self, path: str, first: int, last: int) -> set[str]:
        """Tests that run one of these lines; lines run on loading the module have none."""
        lines = self._lines(path)
        return {test for line in range(first, last + 1) for test in lines.get(line, ())}

    def tests_of_file(self, path: str) -> set[str]:
        """Tests that run any line of the file beyond loading it."""
        return {test for tests in self._lines(path).values() for test in tests}

    def _lines(self, path: str) -> dict[int, set[str]]:
        if path not in self._by_file:
            found = self._data.contexts_by_lineno(path)
            self._by_file[path] = {
                line: set().union(*(self._named(name) for name in names))
                for line, names in found.items()
            }
        return self._by_file[path]

    def _named(self, context: str) -> set[str]:
        """Tests that a context stands for; what a fixture runs counts for all tests of its file."""
        test, _, phase = context.rpartition("|")
        if phase == "run":
            return {test}
        if phase != "setup":
            return set()
        file = test.split("::", 1)[0]
        return {name for name in self._seconds if name.split("::", 1)[0] == file}


if __name__ == "__main__":
    raise SystemExit(_traced(Path(sys.argv[1]), sys.argv[2:]))
