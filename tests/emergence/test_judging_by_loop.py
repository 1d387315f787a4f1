"""How well draws agree with counts, and what a conditioned row is put together from, by loops."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from math import log

import numpy as np
import pytest
from scipy import stats
from scipy.special import comb, logsumexp

from tests.emergence.plain_crop import plain_crop
from tests.emergence.test_clock import first_hour, hourly
from thermosprout.emergence.conditioning import (
    FAILED_BEFORE,
    Count,
)
from thermosprout.emergence.count_likelihood import (
    FAILED_BELOW,
    FAILED_RHO,
    FAILED_SHARE,
    CountLikelihood,
    Inspections,
    inspections_after_planting,
)
from thermosprout.emergence.forecast import (
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    forecast_constant,
    forecast_row,
)
from thermosprout.emergence.stand import middle_h, stand_share
from thermosprout.emergence.treatments import Handling, seed_state
from thermosprout.emergence.weighted_draws import resampled
from thermosprout.errors import InputError

CROP = plain_crop(t_base=4.0, base_spread=0.3, thermal_time=110.0)
HOUR = np.arange(24 * 45 + 1)
SOIL = hourly(15 + 3 * np.sin(2 * np.pi * (HOUR - 9) / 24) + np.sin(HOUR / 50.0))
NODES = 11


def planted_row(size: int = 9, *, seeds: int = 30) -> RowForecast:
    draws = CropDraws.of(CROP, size)
    planted = first_hour(SOIL) + 53.0
    sowing = Sowing(
        row="bed", crop=CROP, handling=Handling(), started_h=planted, planted_h=planted,
        depth_cm=2.5, seeds_planted=seeds,
    )  # fmt: skip
    return forecast_row(
        sowing, draws, clock_for(draws, SOIL), viability=np.linspace(0.7, 0.95, size),
        ln_shift=np.linspace(-0.1, 0.1, size),
    )  # fmt: skip


def seen_by(row: RowForecast, *pairs: tuple[float, int]) -> Inspections:
    counts = [Count(hour=row.sowing.planted_h + 24 * day, emerged=n) for day, n in pairs]
    found = inspections_after_planting(row, counts)
    assert found is not None
    return found


def log_odds(row: RowForecast, seen: Inspections) -> np.ndarray:
    """Log-likelihood of each draw at each speed, standing rows first, shape (draw, 22)."""
    values, planted, seeds = row.draws.values, row.sowing.planted_h, row.sowing.seeds_planted
    size, total = row.weights.size, int(seen.new.sum())
    days = (seen.hours - planted) / 24.0
    # Two seedlings in a thousand may show at any odd time, over two months at least.
    slips = 0.002 * days / max(days[-1], 60.0)
    progress = row.clock.progress(planted, seen.hours)
    even = seed_state(
        CROP, values, row.draws.rates, row.sowing.handling, depth_cm=row.sowing.depth_cm,
        ln_vigour=row.ln_shift,
    )  # fmt: skip
    share = stand_share(
        CROP, values, even, row.clock, planted_h=planted,
        half_h=middle_h(row.clock, planted, even), viability=row.viability,
    )  # fmt: skip
    logs = np.empty((size, 2 * NODES))
    for node in range(NODES):
        speed = stats.norm.ppf((node + 0.5) / NODES)
        state = seed_state(
            CROP, values, row.draws.rates, row.sowing.handling, depth_cm=row.sowing.depth_cm,
            ln_shift=values["plot_speed_sd"] * speed, ln_vigour=row.ln_shift,
        )  # fmt: skip
        shown = 0.998 * state.emerged(progress) + slips
        for draw in range(size):
            gained = np.diff(shown[draw], prepend=0.0)
            timing = sum(n * log(g) for n, g in zip(seen.new, gained, strict=True) if n)
            last = shown[draw, -1]
            timing -= total * log(last)
            kinds = (
                (share[draw], values["plot_stand_rho"][draw], 0.97),
                (0.1 * share[draw], 0.35, 0.03),
            )
            for kind, (final, rho, odds) in enumerate(kinds):
                part = last * (1 - final) * rho / (1 - final * last)
                strength = (1 - part) / part
                p = final * last
                ways = log(comb(seeds, total, exact=True))
                stand = stats.betabinom(seeds, p * strength, (1 - p) * strength).logpmf(total)
                logs[draw, kind * NODES + node] = log(odds) + timing + stand - ways
    return logs


COUNTS = [
    ((6.0, 0),),
    ((5.0, 0), (11.0, 4), (12.0, 9), (15.0, 17)),
    ((11.0, 0), (16.0, 1), (38.0, 2)),
    ((13.0, 30),),
]


@pytest.mark.parametrize("pairs", COUNTS)
def test_the_likelihood_sums_over_standing_and_lost_rows(
    pairs: tuple[tuple[float, int], ...],
) -> None:
    row = planted_row()
    seen = seen_by(row, *pairs)
    found = CountLikelihood(row, seen, np.random.default_rng(0)).start()
    expected = logsumexp(log_odds(row, seen), axis=1) - log(NODES)
    assert found.likelihood == pytest.approx(expected, rel=1e-7)
    assert found.draws is row.draws
    assert found.viability is row.viability
    assert found.ln_shift is row.ln_shift


def test_a_pot_is_judged_by_its_own_clock() -> None:
    pot = forecast_constant(CROP, 16.0, seeds=20, size=6)
    row = replace(pot, ln_shift=np.zeros(6))
    seen = seen_by(row, (7.5, 1), (9.25, 6))
    found = CountLikelihood(row, seen, np.random.default_rng(0)).start()
    expected = logsumexp(log_odds(row, seen), axis=1) - log(NODES)
    assert found.likelihood == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize("pairs", [((10.0, 0),), ((9.0, 1), (16.0, 3)), ((40.0, 0),)])
def test_speeds_and_lost_rows_are_drawn_by_their_odds(
    pairs: tuple[tuple[float, int], ...],
) -> None:
    size = 4000
    row = planted_row(3)
    one = CountLikelihood(row, seen_by(row, *pairs), np.random.default_rng(1))
    logs = log_odds(row, one.looks)[1]
    odds = np.exp(logs - logsumexp(logs))
    many = one.start().select(np.ones(size, dtype=np.intp))
    found = one.move(many, many.points)
    place = stats.norm.cdf(found.speed) * NODES
    node = np.floor(place).astype(int)
    counts = np.bincount(node + NODES * found.failed, minlength=2 * NODES)
    expected = size * odds
    kept = expected > 4
    assert kept.sum() > 3
    chi2 = ((counts - expected)[kept] ** 2 / expected[kept]).sum()
    assert chi2 < stats.chi2(kept.sum()).ppf(0.9999)
    assert counts[~kept].sum() <= expected[~kept].sum() + 6 * np.sqrt(expected[~kept].sum() + 1)
    # Inside its eleventh a speed lies anywhere.
    assert stats.kstest(place - node, "uniform").pvalue > 1e-3
    assert found.likelihood == pytest.approx(np.full(size, logsumexp(logs) - log(NODES)), rel=1e-7)


def test_moved_particles_have_the_parameters_of_their_standard_normals() -> None:
    row = planted_row()
    judge = CountLikelihood(row, seen_by(row, (9.0, 2)), np.random.default_rng(2))
    start = judge.start()
    back = judge.move(start, start.points)
    for name, values in row.draws.values.items():
        assert back.draws.values[name] == pytest.approx(values, rel=1e-9)
    assert back.likelihood == pytest.approx(start.likelihood, rel=1e-9)
    assert back.share == pytest.approx(start.share, rel=1e-9)
    index = np.array([3, 3, 0, 8])
    some = start.select(index)
    for name in ("points", "viability", "ln_shift", "likelihood", "speed", "share", "failed"):
        assert np.array_equal(getattr(some, name), getattr(start, name)[index]), name
    at = row.sowing.planted_h + np.array([100.0, 400.0])
    assert some.clock.progress(row.sowing.planted_h, at) == pytest.approx(
        row.clock.progress(row.sowing.planted_h, at)[index], rel=1e-12
    )


def test_what_is_taken_of_lost_rows() -> None:
    """Common practice, no source; told in the documents."""
    assert (FAILED_BEFORE, FAILED_SHARE, FAILED_RHO, FAILED_BELOW) == (0.03, 0.1, 0.35, 0.25)


@cache
def _weighted_row() -> RowForecast:
    row = planted_row(300, seeds=25)
    weights = np.random.default_rng(3).gamma(2.0, size=300)
    return replace(row, weights=weights / weights.sum(), notes=("a note",))


def test_counts_are_ordered_and_early_ones_checked() -> None:
    row = planted_row(3)
    planted = row.sowing.planted_h
    counts = [
        Count(hour=planted + 240.0, emerged=5), Count(hour=planted, emerged=0),
        Count(hour=planted + 0.5, emerged=0), Count(hour=planted + 200.0, emerged=2),
    ]  # fmt: skip
    found = inspections_after_planting(row, counts)
    assert found is not None
    assert found.hours.tolist() == [planted + 0.5, planted + 200.0, planted + 240.0]
    assert found.new.tolist() == [0.0, 2.0, 3.0]
    assert found.total == 5
    assert inspections_after_planting(row, [Count(hour=planted, emerged=0)]) is None
    assert inspections_after_planting(row, []) is None
    with pytest.raises(InputError, match="1 seedlings are recorded before"):
        inspections_after_planting(row, [Count(hour=planted, emerged=1)])
    first = inspections_after_planting(row, [Count(hour=planted + 0.1, emerged=1)])
    assert first is not None
    assert first.total == 1


class Ends:
    """Random numbers at one end of their range: the least, or the greatest below one."""

    def __init__(self, value: float) -> None:
        self.value = value

    def random(self, size: int | tuple[int, int] | None = None) -> np.ndarray:
        return np.full(() if size is None else size, self.value)


@pytest.mark.parametrize(
    ("value", "share", "failed"), [(0.0, 1e-9, False), (1 - 2**-53, 1 - 1e-9, True)]
)
def test_a_random_number_at_its_end_gives_a_speed(value: float, share: float, failed: bool) -> None:
    """The slowest and the fastest are those of a thousand million rows."""
    row = planted_row(4)
    found = CountLikelihood(row, seen_by(row, (9.0, 2)), Ends(value)).start()  # type: ignore[arg-type]
    assert found.failed.tolist() == [failed] * 4
    assert found.speed == pytest.approx(np.full(4, stats.norm.ppf(share)), rel=1e-9)


def test_copies_stay_within_draws_of_small_weight() -> None:
    """Ten tenths added up one by one are a little less than one."""
    assert np.cumsum(np.full(10, 0.1))[-1] < 1.0
    found = resampled(np.ones(10), 10, Ends(1 - 2**-53))  # type: ignore[arg-type]
    assert found[-1] == 9
    assert resampled(np.ones(10), 10, Ends(0.5)).tolist() == list(range(10))  # type: ignore[arg-type]
