"""A cache folder of its own for each test, and services that play on loopback."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.weather.playing import Playing, good, play
from thermosprout.weather.session import WeatherSession


@pytest.fixture
def service() -> Iterator[Playing]:
    with play(good) as playing:
        yield playing


@pytest.fixture
def waits() -> list[float]:
    """Pauses that were asked for; nobody waits in tests."""
    return []


@pytest.fixture
def session(tmp_path: Path, waits: list[float]) -> Iterator[WeatherSession]:
    with WeatherSession(
        folder=tmp_path / "cache", timeout=(5.0, 10.0), sleep=waits.append
    ) as opened:
        yield opened
