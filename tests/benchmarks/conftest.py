"""How the benchmarks measure: ours and the references in turn, in processor time, as ratios.

Machines are shared and clocked up and down. Wall time then says more about the neighbours than
about the code, so that ours and every reference take turns in one run, each is timed by the
processor time of this process, and the median of the ratios of the rounds is reported.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from typing import Any, Protocol

import numpy as np
import pytest


class Paired(Protocol):
    """Signature of the fixture below."""

    def __call__(
        self,
        ours: Callable[[], Any],
        references: Mapping[str, Callable[[], Any]],
        *,
        rounds: int = 7,
        work: Mapping[str, float] | None = None,
        asked: Mapping[str, float] | None = None,
        **told: Any,
    ) -> dict[str, float]: ...


def processor_seconds(call: Callable[[], Any]) -> float:
    """Processor time of this process for one call."""
    begin = time.process_time()
    call()
    return time.process_time() - begin


@pytest.fixture
def paired(benchmark: Any) -> Paired:
    """Measure ours against references in turn and keep the ratios with the benchmark.

    ``work`` is the amount of work of a call by name ("ours" for ours), where they differ;
    ``asked`` the ratio a reference must not be exceeded by.
    """

    def measure(
        ours: Callable[[], Any],
        references: Mapping[str, Callable[[], Any]],
        *,
        rounds: int = 7,
        work: Mapping[str, float] | None = None,
        asked: Mapping[str, float] | None = None,
        **told: Any,
    ) -> dict[str, float]:
        amount = {"ours": 1.0, **dict.fromkeys(references, 1.0), **(work or {})}
        calls = {"ours": ours, **references}
        for call in calls.values():
            call()
        seconds = {
            name: np.array(column)
            for name, column in zip(
                calls,
                zip(
                    *(
                        [processor_seconds(call) / amount[name] for name, call in calls.items()]
                        for _ in range(rounds)
                    ),
                    strict=True,
                ),
                strict=True,
            )
        }
        ratios = {name: float(np.median(seconds["ours"] / seconds[name])) for name in references}
        benchmark.extra_info.update(
            cpu_s={name: float(np.median(column)) for name, column in seconds.items()},
            ratios=ratios,
            asked=dict(asked or {}),
            **told,
        )
        benchmark.pedantic(ours, rounds=1)
        return ratios

    return measure


def spring_soil(cells: int, days: int, seed: int = 1) -> np.ndarray:
    """Hourly soil temperature of a spring as float32, shape (hour, cell), made up."""
    rng = np.random.default_rng(seed)
    hour = np.arange(days * 24, dtype=np.float32)[:, None]
    season = 10 + 10 * np.sin(2 * np.pi * (hour / 24 - 60) / 365)
    wave = 5 * np.cos(2 * np.pi * (hour - 15) / 24)
    site = rng.normal(0, 1.5, cells).astype(np.float32)
    spells = rng.normal(0, 2, (days, 1)).astype(np.float32).repeat(24, axis=0)
    return (season + wave + spells).astype(np.float32) + site
