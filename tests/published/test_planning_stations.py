"""Seeds per station against 1 - (1 - p)**n, the binomial shares of scipy, and a practice.

Five seeds a spot where about 1 in 4 grows: Schubert & Fowells (1964), US Forest Service Research
Note PSW-44, after Corson & Fowells (1952) (read on page); the share filled is worked here.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from thermosprout.planning.stations import filled_share, plan_stations


def alone(share: float, seeds: int) -> float:
    """Share of stations filled by seeds that come up independently of one another."""
    return float(filled_share(np.array([share]), np.zeros(1), seeds)[0])


def test_three_good_seeds_leave_one_in_a_thousand() -> None:
    assert alone(0.9, 3) == pytest.approx(0.999, abs=5e-7)


def test_cells_filled_of_seventy_two() -> None:
    assert 72 * alone(0.9, 1) == pytest.approx(64.8)


def test_five_seeds_in_a_spot_at_one_in_four() -> None:
    assert alone(0.25, 5) == pytest.approx(0.7627, abs=5e-5)


@pytest.mark.parametrize(
    ("share", "target"),
    [(0.9, 0.95), (0.8, 0.95), (0.7, 0.95), (0.6, 0.95), (0.5, 0.95), (0.25, 0.95), (0.8, 0.99),
     (0.5, 0.99)],
)  # fmt: skip
def test_seeds_for_a_share_of_stations(share: float, target: float) -> None:
    """The fewest that fill the share of 100 stations in four cases of five, by scipy's binomial."""
    filled = [float(stats.binom.sf(0, seeds, share)) for seeds in range(1, 40)]
    least = np.ceil(100 * target)
    odds = [float(stats.binom.sf(least - 1, 100, one)) for one in filled]
    index = next(k for k, one in enumerate(odds) if one >= 0.8)
    plan = plan_stations(np.full(1, share), stations=100, target_filled=target)
    assert plan.chosen is not None
    assert plan.chosen.seeds == index + 1
    assert plan.chosen.filled["p50"] == pytest.approx(filled[index], abs=1e-9)
    assert plan.chosen.odds_reached == pytest.approx(odds[index], abs=1e-9)
