"""Speed of the trial statistics against general libraries, as ratios in one run."""

from __future__ import annotations

import time

import numpy as np
import pytest
from pytest_benchmark.fixture import BenchmarkFixture

from tests.trials.conftest import many_trials
from thermosprout.trials.analysis.analyse import analyse
from thermosprout.trials.analysis.curves import fit_lognormal, turnbull


@pytest.fixture(scope="module")
def seeds() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(5)
    times = np.exp(2.1 + 0.25 * rng.standard_normal(120))
    left = np.maximum(times - rng.uniform(0, 2, 120), 0.0)
    right = np.where(rng.random(120) < 0.25, np.inf, times + rng.uniform(0, 2, 120))
    return left, right


def once(function: object, *args: object, **options: object) -> float:
    start = time.perf_counter()
    function(*args, **options)  # type: ignore[operator]
    return time.perf_counter() - start


def test_curve_against_lifelines(
    benchmark: BenchmarkFixture, seeds: tuple[np.ndarray, np.ndarray]
) -> None:
    from lifelines import KaplanMeierFitter

    benchmark(turnbull, *seeds)
    theirs = once(KaplanMeierFitter().fit_interval_censoring, *seeds, tol=1e-8)
    benchmark.extra_info["lifelines_over_ours"] = round(theirs / benchmark.stats["mean"], 1)
    assert theirs > benchmark.stats["mean"]


def test_curve_against_surpyval(
    benchmark: BenchmarkFixture, seeds: tuple[np.ndarray, np.ndarray]
) -> None:
    import surpyval

    left, right = seeds
    surpyval.Turnbull.fit(xl=left[:20], xr=right[:20])
    benchmark(turnbull, left, right)
    theirs = once(surpyval.Turnbull.fit, xl=left, xr=right)
    benchmark.extra_info["surpyval_over_ours"] = round(theirs / benchmark.stats["mean"], 1)
    assert theirs > 0.5 * benchmark.stats["mean"]  # about one and a half times ours


def test_log_normal_against_surpyval(
    benchmark: BenchmarkFixture, seeds: tuple[np.ndarray, np.ndarray]
) -> None:
    import surpyval

    left, right = seeds
    shown = np.isfinite(right)
    ends = np.stack([left, np.where(shown, right, left)], axis=1).tolist()
    codes = np.where(shown, 2, 1)
    surpyval.LogNormal.fit(x=ends, c=codes, lfp=True)
    benchmark(fit_lognormal, left, right)
    theirs = once(surpyval.LogNormal.fit, x=ends, c=codes, lfp=True)
    benchmark.extra_info["surpyval_over_ours"] = round(theirs / benchmark.stats["mean"], 1)
    assert theirs > benchmark.stats["mean"]


def test_two_hundred_varieties(benchmark: BenchmarkFixture) -> None:
    """200 varieties x 3 treatments x 4 blocks x 20 inspections."""
    records = many_trials(
        np.random.default_rng(1), 200, 4, ("direct", "soaked", "presprouted"), (9, 8.5, 5),
        (0.7, 0.75, 0.9),
    )  # fmt: skip
    assert len(records) == 48_000
    result = benchmark.pedantic(analyse, args=(records,), rounds=2)
    assert len(result.varieties) == 200
