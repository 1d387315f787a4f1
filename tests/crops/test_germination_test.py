"""Germination tests: counts by day, replicates, and what they say of vigour."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from scipy.stats import norm

from thermosprout.crops.germination_test import GerminationTest, replicate_warning
from thermosprout.errors import InputError


def made(half_d: float = 3.0, sigma: float = 0.2, alive: float = 0.9, tested: int = 400):
    days = np.arange(1.0, 9.0)
    shares = norm.cdf(np.log(days / half_d) / sigma)
    counts = np.floor(shares * alive * tested + 0.5).astype(int)
    return GerminationTest(
        days=tuple(float(d) for d in days), germinated=tuple(int(c) for c in counts), tested=tested
    )


@pytest.mark.parametrize("half_d", [1.6, 3.0, 4.7])
def test_half_time_of_known_seed_is_found_between_the_looks(half_d):
    ln_half, error = made(half_d).half_time()
    assert np.exp(ln_half) == pytest.approx(half_d, rel=0.02)
    assert 0.005 < error < 0.04


def test_half_time_agrees_with_an_interval_censored_fit():
    """surpyval's log-normal with interval censoring, without a prior on the spread."""
    surpyval = pytest.importorskip("surpyval")
    test = made(2.7, 0.25)
    gained = np.diff([0, *test.germinated])
    edges = [1e-9, *test.days]
    pairs = np.array(list(itertools.pairwise(edges)))[gained > 0]
    fitted = surpyval.LogNormal.fit(xl=pairs[:, 0], xr=pairs[:, 1], n=gained[gained > 0])
    ours, _ = test.half_time()
    assert ours == pytest.approx(float(fitted.params[0]), abs=0.01)


def test_slow_lot_has_a_positive_shift():
    shift, error = made(3.6).vigour_shift(expected_half_d=3.0)
    assert shift == pytest.approx(np.log(1.2), abs=0.03)
    assert error > 0.1


@pytest.mark.parametrize(
    ("days", "germinated", "tested", "words"),
    [
        ((), (), 10, "a count for each"),
        ((1.0, 2.0), (1,), 10, "a count for each"),
        ((2.0, 1.0), (1, 2), 10, "must rise"),
        ((1.0, 2.0), (3, 2), 10, "cannot fall"),
        ((1.0, 2.0), (3, 12), 10, "12 of 10"),
    ],
)
def test_impossible_counts_are_refused(days, germinated, tested, words):
    with pytest.raises(InputError, match=words):
        GerminationTest(days=days, germinated=germinated, tested=tested)


def test_too_few_seeds_say_nothing_of_vigour():
    test = GerminationTest(days=(3.0,), germinated=(2,), tested=50)
    with pytest.raises(InputError, match="fewer than three"):
        test.half_time()


def test_one_replicate_or_five_are_not_judged():
    assert replicate_warning(((50, 100),)) is None
    assert replicate_warning(((0, 100), (100, 100), (50, 100), (50, 100), (50, 100))) is None


def test_small_replicates_may_differ_more():
    assert replicate_warning(((45, 50), (39, 50))) is None
    assert replicate_warning(((90, 100), (76, 100))) is not None
