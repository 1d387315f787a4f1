"""Sizes of a next trial and the power of a planned one, against libraries and plain simulation."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats
from statsmodels.stats.multitest import multipletests

from thermosprout.crops.catalogue import find_crop
from thermosprout.errors import InputError
from thermosprout.trials.analysis.block_model import holm_adjusted
from thermosprout.trials.power import (
    SEARCHED,
    Trial,
    Truths,
    blocks_needed,
    mean_power,
    power,
    power_of_t,
    smallest_trial,
    truths_of,
)


def truths(trials: int = 4000, **changed: float) -> Truths:
    usual = {"t50_d": 9.0, "sigma": 0.2, "speed_sd": 0.1, "stand": 0.75, "correlation": 0.05}
    return Truths(**{name: np.full(trials, value) for name, value in (usual | changed).items()})


def chance(trial: Trial, many: Truths, **size: float) -> float:
    return power(trial, many, np.random.default_rng(2), **size).chance


def test_holm_agrees_with_statsmodels() -> None:
    p = np.random.default_rng(1).random((8, 6)) ** 3
    expected = np.stack([multipletests(row, method="holm")[1] for row in p])
    assert holm_adjusted(p) == pytest.approx(expected, abs=1e-12)


def test_power_at_its_edges() -> None:
    assert power_of_t(1.0, 1.0, 4, 0) == 0.0
    assert power_of_t(1.0, 1.0, 0, 5) == 0.0
    assert power_of_t(0.0, 1.0, 8, 7) == pytest.approx(0.05, abs=1e-6)
    assert power_of_t(1000.0, 1.0, 8, 7) == 1.0
    assert power_of_t(-0.8, 1.0, 12, 22) == power_of_t(0.8, 1.0, 12, 22)


@pytest.mark.parametrize("df", [1, 2, 5, 14, 29, 44, 47, 59, 118])
def test_power_of_t_is_a_number_however_clear_the_difference(df: int) -> None:
    """The chance over the spread of the error, summed at 20 000 quantiles of its chi square."""
    spread = np.sqrt(stats.chi2.ppf((np.arange(20_000) + 0.5) / 20_000, df) / df)
    critical = stats.t.ppf(0.975, df)
    for away in np.linspace(0.0, 29.9, 24):
        upper = stats.norm.sf(critical * spread - away).mean()
        expected = upper + stats.norm.cdf(-critical * spread - away).mean()
        assert power_of_t(away, 0.5, 1, df) == pytest.approx(expected, abs=1e-4)


def test_power_is_averaged_over_all_that_the_variance_could_be() -> None:
    """Three treatments; with a variance that is known the average is over one value."""
    known, doubtful = (mean_power(0.4, 0.05, 3, 6, variance_df=df) for df in (np.inf, 6.0))
    # One pair of three, at the level of the most careful step of Holm.
    away, critical = 0.4 / np.sqrt(2.0 * 0.05 / 6), stats.t.ppf(1.0 - 0.05 / 6, 10)
    careful = stats.nct.sf(critical, 10, away) + stats.nct.cdf(-critical, 10, away)
    assert careful - 0.15 < known < power_of_t(0.4, 0.05, 6, 10)
    assert 0.0 < doubtful < known


def test_power_of_times_is_that_of_their_information() -> None:
    """Looks all the time tell the day of each seedling; one at half of them 2 / pi of that.

    The efficiency of a median against a mean of normal values (from memory; any textbook).
    """
    seeds, sigma, later, blocks = 50, 0.2, 0.0275, 16
    alike = truths(4000, t50_d=10.0, sigma=sigma, speed_sd=0.0, stand=1.0, correlation=1e-6)
    always = Trial(blocks=blocks, seeds=seeds, every_d=0.1, days=30.0, lost=0.0)
    once = Trial(blocks=blocks, seeds=seeds, every_d=10.14, days=10.14, lost=0.0)
    for trial, efficiency in ((always, 1.0), (once, 2.0 / np.pi)):
        expected = power_of_t(later, sigma**2 / seeds / efficiency, blocks, blocks - 1)
        assert 0.2 < expected < 0.9
        found = chance(trial, alike, later_d=10.0 * float(np.expm1(later)))
        assert found == pytest.approx(expected, abs=0.03)


@pytest.mark.parametrize("treatments", [2, 3])
def test_blocks_needed_are_the_fewest_and_sixty_at_most(treatments: int) -> None:
    for gap in (2.0, 1.0, 0.7):
        needed = blocks_needed(gap, 0.5, treatments)
        assert needed is not None
        assert mean_power(gap, 0.5, treatments, needed) >= 0.8
        assert mean_power(gap, 0.5, treatments, needed - 1) < 0.8
    assert blocks_needed(0.05, 1.0, treatments) is None
    assert 2 <= (blocks_needed(1.0, 0.2**2, treatments) or 0) <= 4


def test_three_treatments_need_more_blocks_than_two() -> None:
    two, three = (blocks_needed(1.0, 0.6, count) for count in (2, 3))
    assert two is not None
    assert three is not None
    assert three > two


@pytest.mark.parametrize(
    ("blocks", "treatments"),
    [(4, 2), *(pytest.param(*size, marks=pytest.mark.slow) for size in ((6, 2), (4, 3), (6, 3)))],
)
def test_next_trials_have_their_power_on_average(blocks: int, treatments: int) -> None:
    """Variances as trials of a few blocks find them (chi square), each followed by its next trial.

    The true power of each next trial is that for the true variance; the mean must be 80 %.
    """
    df = (treatments - 1) * (blocks - 1)
    shares = (np.arange(60) + 0.5) / 60
    reached, certain = [], []
    for estimate in stats.chi2.ppf(shares, df) / df:
        for power_reached, doubt in ((reached, df), (certain, np.inf)):
            needed = blocks_needed(1.0, estimate, treatments, variance_df=doubt) or 60
            power_reached.append(mean_power(1.0, 1.0, treatments, needed))
    assert 0.77 <= np.mean(reached) <= 0.83
    assert np.mean(certain) < np.mean(reached) - 0.03


def test_power_of_a_whole_pair_is_the_t_tests() -> None:
    """Angles of betabinomial stands: variance by the delta method, then the noncentral t."""
    many = truths()
    found = chance(Trial(blocks=8, seeds=60, lost=0.0), many, points=-0.2)
    variance = (1.0 + 59 * 0.05) / (4 * 60)
    gap = np.arcsin(np.sqrt(0.75)) - np.arcsin(np.sqrt(0.55))
    assert found == pytest.approx(power_of_t(gap, variance, 8, 7), abs=0.03)


def test_lost_and_uneven_plots_and_more_treatments_cost_power() -> None:
    many = truths()
    whole = chance(Trial(blocks=6, lost=0.0), many, later_d=1.5)
    assert whole > 0.4
    assert chance(Trial(blocks=6, lost=0.15), many, later_d=1.5) < whole - 0.05
    assert chance(Trial(blocks=6, lost=0.0, treatments=3), many, later_d=1.5) < whole - 0.05
    few = truths(speed_sd=0.02)
    even = chance(Trial(blocks=5, seeds=12, lost=0.0), few, later_d=1.0)
    assert chance(Trial(blocks=5, seeds=12, lost=0.0, uneven=0.8), few, later_d=1.0) < even - 0.03


def test_the_comparison_is_over_the_plots_of_all_varieties() -> None:
    many = truths()
    one = chance(Trial(blocks=3), many, later_d=1.0)
    assert chance(Trial(blocks=3, varieties=3), many, later_d=1.0) > one + 0.2


def test_no_difference_is_shown_in_five_trials_of_a_hundred() -> None:
    for trial in (Trial(blocks=4), Trial(blocks=3, varieties=3), Trial(blocks=6, uneven=0.6)):
        assert 0.03 <= chance(trial, truths(), later_d=1e-9) <= 0.07
        assert 0.03 <= chance(trial, truths(), points=1e-9) <= 0.07


def test_a_stand_that_cannot_be_higher_is_looked_for_below() -> None:
    many = truths(stand=0.9)
    assert chance(Trial(blocks=6), many, points=0.3) == chance(Trial(blocks=6), many, points=-0.3)


def test_power_says_how_far_its_own_simulation_may_be_off() -> None:
    found = power(Trial(blocks=6), truths(400), np.random.default_rng(3), later_d=1.5)
    expected = np.sqrt(found.chance * (1 - found.chance) / 400)
    assert found.standard_error == pytest.approx(expected)


def test_the_smallest_trial_reaches_its_target_and_reports_its_progress() -> None:
    crop = find_crop("pea")
    many = truths_of(crop, 12.0, trials=300)
    steps: list[int] = []
    found = smallest_trial(
        Trial(), many, np.random.default_rng(0), points=0.3, progress=lambda: steps.append(1)
    )
    assert found is not None
    assert found.chance >= 0.8
    assert len(steps) >= SEARCHED
    few = smallest_trial(Trial(), many, np.random.default_rng(0), points=0.01)
    assert few is None


@pytest.mark.parametrize("size", [{}, {"later_d": 1.0, "points": 0.1}])
def test_one_difference_at_a_time(size: dict[str, float]) -> None:
    with pytest.raises(InputError, match="either how many days or how many points"):
        power(Trial(), truths(10), np.random.default_rng(0), **size)
