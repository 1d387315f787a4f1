"""Run the tests that can see a fault, in a forked child that has the fault in it.

The parent has loaded every library but no module of the package, so that a child begins at once
and loads the package anew. No file is changed: the faulty module comes from memory.
"""

from __future__ import annotations

import gc
import importlib
import importlib.util
import os
import resource
import signal
import sys
import time
from collections.abc import Sequence
from dataclasses import dataclass
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from pathlib import Path
from types import CodeType, ModuleType

import pytest

from tests.mutation.mutants import Mutant, put_in
from tests.mutation.trace import Trace

_MEMORY_BYTES = 8 * 1024**3


@dataclass(frozen=True, kw_only=True)
class Verdict:
    """What became of a fault: killed, timed out, survived or not covered."""

    mutant: Mutant
    outcome: str
    by: str
    tests: int
    seconds: float


class _FaultyLoader(SourceFileLoader):
    def __init__(self, name: str, path: str, code: CodeType) -> None:
        super().__init__(name, path)
        self._code = code

    def get_code(self, fullname: str) -> CodeType:
        return self._code


class _Finder(MetaPathFinder):
    """Hands out the faulty module in place of the one on disk."""

    def __init__(self, name: str, path: Path, code: CodeType) -> None:
        self._name, self._path, self._code = name, str(path), code

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        if fullname != self._name:
            return None
        loader = _FaultyLoader(fullname, self._path, self._code)
        return importlib.util.spec_from_file_location(fullname, self._path, loader=loader)


class _FirstFailure:
    """Plugin of pytest that tells the first test that failed."""

    def __init__(self, pipe: int) -> None:
        self._pipe = pipe

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed:
            os.write(self._pipe, report.nodeid.encode() + b"\n")

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.failed:
            os.write(self._pipe, f"loading {report.nodeid}".encode() + b"\n")


def warm_up(root: Path) -> None:
    """Load what the tests load, then forget the package and the tests themselves."""
    sys.path.insert(0, str(root))
    kept = {name for name in sys.modules if name.startswith("tests.mutation")} | {"tests"}
    for path in sorted((root / "tests").glob("*/**/test_*.py")):
        if path.parent.name not in {"benchmarks", "browser"}:
            name = ".".join(path.relative_to(root).with_suffix("").parts)
            try:
                importlib.import_module(name)
            except (ImportError, pytest.skip.Exception):
                continue
    for name in list(sys.modules):
        if name not in kept and name.split(".")[0] in {"thermosprout", "tests"}:
            del sys.modules[name]
    gc.collect()
    gc.freeze()


def chosen_tests(trace: Trace, mutant: Mutant, budget_s: float) -> list[str]:
    """Tests for a fault: those of its own area first, fast before slow, within a budget.

    A fault that only a test beyond the budget would notice counts as survived.
    """
    found = (
        set() if mutant.at_import else trace.tests(mutant.path, mutant.first_line, mutant.last_line)
    )
    if not found and (mutant.at_import or mutant.kind == "constant"):
        found = trace.tests_of_file(mutant.path)
    # A browser outlives the fork that started it.
    found = {test for test in found if not test.startswith("tests/browser/")}
    area = f"tests/{Path(mutant.path).parts[1]}/"
    ordered = sorted(found, key=lambda t: (trace.seconds(t) > 1, not t.startswith(area),
                                           trace.seconds(t), t))  # fmt: skip
    chosen: list[str] = []
    spent = 0.0
    for test in ordered:
        spent += trace.seconds(test)
        if chosen and spent > budget_s:
            break
        chosen.append(test)
    return chosen


def judge(root: Path, trace: Trace, mutant: Mutant, *, budget_s: float) -> Verdict:
    """Fork a child with the fault in it and see whether its tests fail."""
    tests = chosen_tests(trace, mutant, budget_s)
    if not tests:
        return Verdict(mutant=mutant, outcome="not covered", by="", tests=0, seconds=0.0)
    clean_s = sum(trace.seconds(test) for test in tests)
    begun = time.monotonic()
    outcome, by = run_forked(root, tests, mutant, limit_s=20 + 4 * clean_s)
    return Verdict(
        mutant=mutant, outcome=outcome, by=by, tests=len(tests), seconds=time.monotonic() - begun
    )


def run_forked(
    root: Path, tests: list[str], mutant: Mutant | None, *, limit_s: float
) -> tuple[str, str]:
    """Outcome of a run of tests and the test that failed first.

    Parameters
    ----------
    root : Path
        Folder of the checkout.
    tests : list of str
        Node ids of pytest.
    mutant : Mutant or None
        None runs the package as it is.
    limit_s : float
        Processor time, and a fifth of what may pass by the clock. [s]
    """
    reading, writing = os.pipe()
    child = os.fork()
    if child == 0:
        _child(root, tests, mutant, writing, int(limit_s))
    os.close(writing)
    end = time.monotonic() + 5 * limit_s
    status: int | None = None
    while status is None:
        done, code = os.waitpid(child, os.WNOHANG)
        if done:
            status = code
        elif time.monotonic() > end:
            os.killpg(child, signal.SIGKILL)
            status = os.waitpid(child, 0)[1]
        else:
            time.sleep(0.02)
    with os.fdopen(reading, "rb") as pipe:
        told = pipe.read().decode(errors="replace").splitlines()
    by = told[0] if told else ""
    if os.WIFSIGNALED(status):
        late = os.WTERMSIG(status) in (signal.SIGKILL, signal.SIGXCPU)
        return ("timed out" if late else "killed"), by or f"signal {os.WTERMSIG(status)}"
    return ("survived", by) if os.WEXITSTATUS(status) == 0 else ("killed", by)


def _child(root: Path, tests: list[str], mutant: Mutant | None, pipe: int, limit_s: int) -> None:
    """Run the tests and leave; nothing after the call is ever reached."""
    os.setsid()
    resource.setrlimit(resource.RLIMIT_CPU, (limit_s, limit_s + 5))
    resource.setrlimit(resource.RLIMIT_AS, (_MEMORY_BYTES, _MEMORY_BYTES))
    nowhere = os.open(os.devnull, os.O_RDWR)
    for stream in (0, 1, 2):
        os.dup2(nowhere, stream)
    os.chdir(root)
    if mutant is not None:
        name = ".".join(Path(mutant.path).with_suffix("").parts)
        sys.meta_path.insert(0, _Finder(name, root / mutant.path, put_in(root, mutant).code))
    status = 1
    try:
        status = int(
            pytest.main(
                [
                    "-x",
                    "-q",
                    "-p",
                    "no:cacheprovider",
                    "-p",
                    "no:xdist",
                    "-p",
                    "no:cov",
                    "-p",
                    "no:benchmark",
                    "--tb=no",
                    *tests,
                ],
                plugins=[_FirstFailure(pipe)],
            )
        )
    except BaseException:  # a fault may do anything while it is loaded
        status = 1
    os._exit(status)
