"""Fixtures for all tests: the shared data folder where there is one, and no network."""

from __future__ import annotations

import gc
import os
import socket
from pathlib import Path

import pytest
from hypothesis import settings

# For the processes among which -n shares the tests (they begin after this file is read): threads
# that the linear algebra starts in each of them would only wait for one another.
for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS"):
    os.environ.setdefault(threads, "1")

# Many tests start the program anew: unless what was compiled is kept, every start would compile the
# whole package again.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

# The same examples in every run, on every machine; others are tried by the fuzzing campaign.
settings.register_profile("seeded", derandomize=True, deadline=None)
settings.load_profile("seeded")


def _shared_root() -> Path | None:
    given = os.environ.get("THERMOSPROUT_SHARED")
    for folder in ([Path(given)] if given else []) + [Path(__file__).parents[2] / "shared"]:
        if (folder / "data").is_dir():
            return folder
    return None


def pytest_collection_finish() -> None:
    """Spare the garbage collector what was imported: it stays to the end."""
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session")
def shared() -> Path:
    """Folder of measured data that is not part of the project; skip where it is absent."""
    root = _shared_root()
    if root is None:
        pytest.skip("measured data not found: set THERMOSPROUT_SHARED or place it at ../shared")
    return root


@pytest.fixture(autouse=True)
def _loopback_only(monkeypatch: pytest.MonkeyPatch) -> None:
    """Refuse every connection that would leave the machine."""
    connect = socket.socket.connect

    def guarded(self: socket.socket, address: object) -> None:
        host = address[0] if isinstance(address, tuple) else "local"
        if host not in ("local", "127.0.0.1", "::1", "localhost"):
            raise AssertionError(f"a test tried to reach {address!r}")
        connect(self, address)  # type: ignore[arg-type]

    monkeypatch.setattr(socket.socket, "connect", guarded)
