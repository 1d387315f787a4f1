"""Ctrl-C ends with a word and leaves no half file."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest


@pytest.mark.skipif(os.name == "nt", reason="sends a signal as a terminal does")
def test_stopping_a_long_command_is_said(tmp_path: Path) -> None:
    words = ["crops", "carrot", "--plot", "days.png"]
    # A child that sends itself the signal once the command line is running.
    code = (
        "import os, signal, sys, time\n"
        # A suite run in the background is started with the signal ignored, and hands that on.
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "from thermosprout.cli import app\n"
        "import thermosprout.cli.crops as crops\n"
        "crops._figure = lambda *a: (os.kill(os.getpid(), signal.SIGINT), time.sleep(30))\n"
        f"sys.argv = ['thermosprout', *{words!r}]\n"
        "app.main()\n"
    )
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False,
        timeout=60,
    )  # fmt: skip
    assert done.returncode == 128 + signal.SIGINT
    assert "thermosprout: stopped. No half-written file was left." in done.stderr
    assert "Traceback" not in done.stderr
    assert list(tmp_path.iterdir()) == []
