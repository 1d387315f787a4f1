"""The command line as a shell runs it."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from thermosprout.cli.app import main

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> Run:
    """Run a command in this process; returns exit code, output, errors."""

    def call(*words: object) -> tuple[int, str, str]:
        monkeypatch.setattr("sys.argv", ["thermosprout", *map(str, words)])
        code = 0
        try:
            main()
        except SystemExit as stop:
            code = int(stop.code or 0)
        out = capsys.readouterr()
        return code, out.out, out.err

    return call
