"""Speed of a lot from its counts: not known from one interval, else with its curvature's error."""

from __future__ import annotations

import json

import numpy as np
import pytest
from scipy.stats import norm
from statsmodels.tools.numdiff import approx_hess
from typer.testing import CliRunner

from thermosprout.cli.app import app
from thermosprout.crops.germination_test import GerminationTest

ONE_INTERVAL = ("7:78", "4:78,7:78", "2:0,4:78,7:78", "2:0,4:0,7:78")


def read(counts: str, tested: int = 100) -> GerminationTest:
    pairs = [text.split(":") for text in counts.split(",")]
    return GerminationTest(
        days=tuple(float(day) for day, _ in pairs),
        germinated=tuple(int(count) for _, count in pairs), tested=tested,
    )  # fmt: skip


@pytest.mark.parametrize("counts", ONE_INTERVAL)
def test_speed_is_not_known_where_all_came_between_two_looks(counts: str) -> None:
    assert read(counts).half_time() is None
    assert read(counts).vigour_shift(3.0) is None


@pytest.mark.parametrize("counts", ONE_INTERVAL)
def test_the_grower_is_told_to_look_daily(counts: str) -> None:
    asked = ["lot", "lettuce", "--counts", counts, "--tested", "100"]
    found = CliRunner().invoke(app, [*asked, "--json"])
    assert found.exit_code == 0
    document = json.loads(found.stdout)
    assert document["slower_pct"] is None
    assert "speed not known from one count; look daily" in document["warnings"]
    told = CliRunner().invoke(app, asked)
    assert told.exit_code == 0
    assert "Speed not known from one count; look daily." in " ".join(told.output.split())
    assert "% time" not in told.output


@pytest.mark.parametrize(
    "counts", ["3:12,4:60,6:82,10:86", "2:3,3:20,5:41", "4:70,7:78", "4:8,7:78", "1:1,2:3,3:3,4:4"]
)
def test_the_error_is_that_of_the_curvature(counts: str) -> None:
    """Written again with scipy's normal and differentiated by statsmodels."""
    test = read(counts)
    known = test.half_time()
    assert known is not None
    edges = np.log([1e-9, *test.days])
    gained = np.diff([0, *test.germinated])

    def cost(mu: float, ln_sigma: float) -> float:
        share = np.diff(norm.cdf(edges, mu, np.exp(ln_sigma))) / norm.cdf(
            edges[-1], mu, np.exp(ln_sigma)
        )
        prior = norm.logpdf(ln_sigma, np.log(0.18), 0.35)
        return float(
            -prior - (gained[gained > 0] * np.log(np.maximum(share[gained > 0], 1e-300))).sum()
        )

    # The spread that is likeliest given the median found, on a fine grid.
    grid = np.log(0.18) + np.linspace(-2.0, 2.0, 40_001)
    best = grid[np.argmin([cost(known[0], value) for value in grid[::20]]) * 20]
    hessian = approx_hess(np.array([known[0], best]), lambda at: cost(*at))
    assert known[1] == pytest.approx(float(np.sqrt(np.linalg.inv(hessian)[0, 0])), rel=0.02)


def test_the_error_is_the_spread_of_half_times() -> None:
    rng = np.random.default_rng(3)
    half, sigma = 3.4, 0.18
    off = []
    for _ in range(150):
        came = half * np.exp(sigma * rng.standard_normal(80))
        days = np.arange(1.0, 11.0)
        counts = tuple(int((came <= day).sum()) for day in days)
        known = GerminationTest(
            days=tuple(days.tolist()), germinated=counts, tested=100
        ).half_time()
        assert known is not None
        off.append((known[0] - np.log(half)) / known[1])
    # Standard error of a sd of 150: 6 %.
    assert np.std(off) == pytest.approx(1.0, abs=0.2)
    assert abs(np.mean(off)) < 0.3
