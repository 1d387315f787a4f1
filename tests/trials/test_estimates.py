"""The estimators by themselves: derivatives, edges, invariants."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from thermosprout.errors import FitError, InputError
from thermosprout.trials.analysis import curves as lognormal
from thermosprout.trials.analysis.block_model import fit_blocked
from thermosprout.trials.analysis.curves import fit_lognormal, fit_many, fit_plots, turnbull
from thermosprout.trials.analysis.measures import difference, plot_correlation
from thermosprout.trials.analysis.pairs import permute_within_blocks
from thermosprout.trials.power import blocks_needed, power_of_t

LEFT = np.array([[0.0, 2.0, 3.0, 4.0, 6.0, 9.0]])
RIGHT = np.array([[2.0, 3.0, 4.0, 6.0, 9.0, np.inf]])
SEEDS = np.array([[1.0, 5.0, 9.0, 12.0, 3.0, 20.0]])


@pytest.mark.parametrize("sd", [None, 0.1, 0.5])
def test_the_covariance_is_the_inverse_curvature_of_scipys_likelihood(sd: float | None) -> None:
    penalty = None if sd is None else lognormal.Penalty(ln_sigma=-1.0, ln_sigma_sd=sd)
    fit = fit_many(LEFT, RIGHT, SEEDS, penalty=penalty)
    peak = np.array([fit.mu[0], np.log(fit.sigma[0]), np.log(fit.final[0] / (1 - fit.final[0]))])

    def loss(x: np.ndarray) -> float:
        return _penalised_loss(x, -1.0, sd) if sd else -_interval_log_likelihood(*x)

    steps = 1e-3 * np.eye(3)
    curvature = [
        [
            (loss(peak + a + b) - loss(peak + a - b) - loss(peak - a + b) + loss(peak - a - b))
            / 4e-6
            for a in steps
        ]
        for b in steps
    ]
    np.testing.assert_allclose(fit.covariance[0], np.linalg.inv(curvature), rtol=1e-4)


def test_many_fits_at_once_are_the_fits_one_by_one() -> None:
    other = SEEDS[:, ::-1].copy()
    both = fit_many(np.vstack([LEFT, LEFT]), np.vstack([RIGHT, RIGHT]), np.vstack([SEEDS, other]))
    for row, seeds in enumerate((SEEDS, other)):
        alone = fit_lognormal(LEFT[0], RIGHT[0], seeds[0])
        assert both.mu[row] == pytest.approx(alone.mu[0], abs=1e-7)
        assert both.sigma[row] == pytest.approx(alone.sigma[0], abs=1e-7)


@pytest.mark.parametrize(
    "seeds", [[0, 20, 0], [1, 0, 9], [3, 0, 0], [0, 3, 0], [5, 5, 0], [0, 0, 0], [1, 1, 98]]
)
def test_plots_with_next_to_nothing_still_give_finite_numbers(seeds: list[float]) -> None:
    fits = fit_plots(
        np.array([[0.0, 1.0, 2.0]]), np.array([[1.0, 2.0, np.inf]]), np.array([seeds], dtype=float)
    )
    for values in (fits.mu, fits.sigma, fits.final):
        assert np.isfinite(values).all()
    assert 0 < fits.final[0] < 1


def test_a_fit_of_nothing_is_refused() -> None:
    with pytest.raises(FitError, match="nothing emerged"):
        fit_lognormal([0.0, 5.0], [5.0, np.inf], [0, 20])
    with pytest.raises(InputError, match="needs seeds"):
        fit_lognormal([0.0], [1.0], [0])
    with pytest.raises(InputError, match="needs seeds"):
        fit_lognormal([2.0], [1.0], [3])


def test_the_log_normal_scales_with_its_clock() -> None:
    days, hours = (fit_lognormal(LEFT[0] * k, RIGHT[0] * k, SEEDS[0]) for k in (1.0, 24.0))
    assert np.exp(hours.mu[0]) == pytest.approx(24 * np.exp(days.mu[0]), rel=1e-6)
    assert hours.sigma[0] == pytest.approx(days.sigma[0], rel=1e-5)
    assert days.quantile(0.5)[0] == pytest.approx(np.exp(days.mu[0]))


def test_correlation_of_plots_is_found_again() -> None:
    rng = np.random.default_rng(3)
    mean, rho = np.repeat([0.8, 0.5], 150), 0.06
    strength = (1 - rho) / rho
    y = rng.binomial(50, rng.beta(mean * strength, (1 - mean) * strength))
    group = np.repeat([0, 1], 150)
    assert plot_correlation(y, np.full(300, 50), group) == pytest.approx(rho, abs=0.02)
    small = np.arange(300) // 3  # three plots a group: no bias from fitting the means
    found = plot_correlation(y, np.full(300, 50), small)
    assert found == pytest.approx(rho, abs=0.025)
    assert plot_correlation([5, 5], [5, 5], [0, 0]) == 0.0


def test_counts_that_cannot_be_are_refused() -> None:
    with pytest.raises(InputError, match="no seeds"):
        turnbull([], [])
    with pytest.raises(InputError, match="ends before it begins"):
        turnbull([2.0], [1.0])


@settings(max_examples=120, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, 12), st.integers(0, 6), st.integers(1, 5), st.booleans()),
        min_size=1, max_size=25,
    )
)  # fmt: skip
def test_the_curve_is_a_maximum_whatever_the_intervals(
    seen: list[tuple[int, int, int, bool]],
) -> None:
    left = np.array([float(a) for a, _, _, _ in seen])
    right = np.array([np.inf if never else float(a + b) for a, b, _, never in seen])
    weight = np.array([float(n) for _, _, n, _ in seen])
    fit = turnbull(left, right, weight)
    assert fit.mass.sum() == pytest.approx(1.0)
    assert (fit.mass >= 0).all()
    assert fit.gap <= 1e-9 * weight.sum()
    order = np.random.default_rng(0).permutation(left.size)
    again = turnbull(left[order], right[order], weight[order])
    assert _log_likelihood(again, left, right, weight) == pytest.approx(
        _log_likelihood(fit, left, right, weight), abs=1e-6
    )


def _log_likelihood(
    fit: lognormal.Npmle, left: np.ndarray, right: np.ndarray, seeds: np.ndarray
) -> float:
    """Of intervals and exact times, from the mass that lies inside each."""
    exact = left == right
    inside = [
        fit.mass[(fit.left >= a) & (fit.right <= b) & (~one | (fit.left == b))].sum()
        for a, b, one in zip(left, right, exact, strict=True)
    ]
    return float(seeds @ np.log(inside))


def test_exact_times_give_the_share_below() -> None:
    times = np.array([1.0, 2.0, 2.0, 5.0])
    fit = turnbull(times, times)
    assert fit.right.tolist() == [1.0, 2.0, 5.0]
    assert fit.mass == pytest.approx([0.25, 0.5, 0.25])


def test_never_seen_seed_is_the_open_end() -> None:
    fit = turnbull([0, 3], [3, np.inf], [12, 8])
    assert fit.right.tolist() == [3.0, np.inf]
    assert fit.mass == pytest.approx([0.6, 0.4])


def test_random_arrangements_agree_with_all_of_them() -> None:
    rng = np.random.default_rng(2)
    score = rng.normal(size=40) + np.repeat([0.6, 0.0], 20)
    is_a, block = np.repeat([True, False], 20), np.tile(np.arange(20), 2)
    some = permute_within_blocks(score, is_a, block, rng=rng, resamples=20_000)
    assert some is not None
    assert not some.exact
    from scipy.stats import ttest_rel

    assert some.p_value == pytest.approx(ttest_rel(score[:20], score[20:]).pvalue, abs=0.02)


def test_unequal_blocks_enumerate_their_own_arrangements() -> None:
    rng = np.random.default_rng(2)
    test = permute_within_blocks(
        np.array([1.0, 2.0, 0.0, 3.0, 1.0, 9.0]),
        np.array([True, False, False, True, False, True]),
        np.array([0, 0, 0, 1, 1, 2]),
        rng=rng,
    )
    assert test is not None
    assert test.arrangements == 6  # the third block holds one treatment and tells nothing
    assert test.smallest_p == pytest.approx(1 / 6)
    alone = permute_within_blocks(np.ones(2), np.array([True, True]), np.zeros(2, int), rng=rng)
    assert alone is None


def test_treatments_that_never_meet_are_compared_without_blocks() -> None:
    score = np.array([1.0, 1.2, 0.9, 3.0, 3.1, 2.8])
    fit = fit_blocked(score, np.repeat([0, 1], 3), np.arange(6), 2, least_variance=0.0)
    assert not fit.blocked
    contrast = fit.contrast(1, 0)
    assert contrast is not None
    assert contrast.df == 4


@pytest.mark.parametrize("scale", ["angle", "ln", "plain"])
def test_a_difference_back_in_its_unit_keeps_its_sign(scale: str) -> None:
    for gap in (-0.3, 0.0, 0.2):
        estimate, low, high = difference(scale, 0.8, gap, 0.1, 0.05)  # type: ignore[arg-type]
        assert low <= estimate <= high
        assert np.sign(estimate) == np.sign(gap)
        assert (low > 0) == (gap - 0.1 > 1e-12) or abs(gap) < 0.25


def test_power_of_t_as_a_library_says() -> None:
    from statsmodels.stats.power import TTestIndPower

    ours = power_of_t(0.8, 1.0, 12, 22)
    assert ours == pytest.approx(TTestIndPower().power(0.8, 12, 0.05), abs=1e-6)
    needed = blocks_needed(0.8, 1.0, 2)
    assert needed is not None
    assert power_of_t(0.8, 1.0, needed, needed - 1) >= 0.8
    assert power_of_t(0.8, 1.0, needed - 1, needed - 2) < 0.8
    assert blocks_needed(0.01, 1.0, 2) is None


def test_a_curve_that_does_not_settle_says_so() -> None:
    rng = np.random.default_rng(3)
    left = rng.integers(0, 12, 60).astype(float)
    right = left + rng.integers(1, 8, 60)
    sound = turnbull(left, right)
    assert sound.gap <= 1e-9 * 60
    with pytest.raises(FitError, match=r"did not settle in 1 steps \(gap "):
        turnbull(left, right, most_iterations=1)


@pytest.mark.parametrize(
    ("left", "right"),
    [([-1.0, 2.0], [1.0, 3.0]), ([1.0, 2.0], [1.0, 3.0]), ([1.0, 4.0], [2.0, 3.0])],
)
def test_one_interval_that_cannot_be_spoils_a_fit(left: list[float], right: list[float]) -> None:
    with pytest.raises(InputError, match="intervals that begin at 0 or later and have width"):
        lognormal.fit_lognormal(left, right)


def test_plots_that_agree_more_than_chance_have_no_correlation() -> None:
    seeds = np.full(6, 50)
    assert plot_correlation(np.full(6, 25), seeds, np.zeros(6, int)) == 0.0
    # Single plots of treatments say nothing of plots alike.
    assert plot_correlation([3, 40], [50, 50], [0, 1]) == 0.0
    # All or none: seeds of a plot share their fate wholly.
    apart = plot_correlation([0, 50, 0, 50], np.full(4, 50), np.zeros(4, int))
    assert apart == pytest.approx(0.99)


def test_one_interval_that_ends_before_it_begins_spoils_a_curve() -> None:
    for left, right in (([3.0, 1.0], [2.0, 4.0]), ([np.nan, 1.0], [2.0, 4.0])):
        with pytest.raises(InputError, match="an interval ends before it begins"):
            turnbull(left, right)


def _interval_log_likelihood(mu: float, ln_sigma: float, logit: float) -> float:
    """Of the intervals above, by scipy's log-normal."""
    final = 1.0 / (1.0 + np.exp(-logit))
    curve = stats.lognorm(np.exp(ln_sigma), scale=np.exp(mu))
    shares = final * (curve.cdf(RIGHT[0]) - curve.cdf(LEFT[0]))
    shares[-1] = 1.0 - final * curve.cdf(LEFT[0, -1])
    return float(SEEDS[0] @ np.log(shares))


def _penalised_loss(x: np.ndarray, centre: float, sd: float) -> float:
    """With a normal for ln sigma, and half a seed more of each fate."""
    share = 1.0 / (1.0 + np.exp(-x[2]))
    pull = 0.5 * np.log(share * (1.0 - share))
    return float(0.5 * ((x[1] - centre) / sd) ** 2 - pull - _interval_log_likelihood(*x))


@pytest.mark.parametrize(("centre", "sd"), [(np.log(0.6), 0.1), (np.log(0.2), 0.5), (0.0, 50.0)])
def test_a_penalised_fit_is_scipys_peak(centre: float, sd: float) -> None:
    penalty = lognormal.Penalty(ln_sigma=centre, ln_sigma_sd=sd)
    fit = fit_many(LEFT, RIGHT, SEEDS, penalty=penalty)

    def loss(x: np.ndarray) -> float:
        return _penalised_loss(x, centre, sd)

    best = optimize.minimize(loss, [1.5, -1.0, 0.5], method="Nelder-Mead",
                             options={"xatol": 1e-9, "fatol": 1e-12}).x  # fmt: skip
    assert fit.converged.all()
    assert fit.mu[0] == pytest.approx(best[0], abs=1e-6)
    assert np.log(fit.sigma[0]) == pytest.approx(best[1], abs=1e-6)
    assert np.log(fit.final[0] / (1 - fit.final[0])) == pytest.approx(best[2], abs=1e-5)


def test_well_counted_plots_give_the_shared_spread() -> None:
    rng = np.random.default_rng(9)
    edges = np.r_[0.0, np.arange(4.0, 20.0, 1.0)]
    left, right = np.tile(edges[:-1], (5, 1)), np.tile(edges[1:], (5, 1))
    number = [60, 45, 80, 30, 2]
    times = [
        np.exp(2.2 + s * rng.standard_normal(n))
        for n, s in zip(number, (0.1, 0.2, 0.15, 0.3, 0.2), strict=True)
    ]
    seeds = np.stack([np.histogram(row, edges)[0] for row in times]).astype(float)
    wide = lognormal.Penalty(ln_sigma=np.log(0.2), ln_sigma_sd=1.0)
    first = np.log(fit_many(left, right, seeds, penalty=wide).sigma)
    # Two seedlings make no spread: a plot weighs by those it has beyond two.
    weight = seeds.sum(axis=1) - 2.0
    centre = (weight * first).sum() / weight.sum()
    spread = np.sqrt((weight * (first - centre) ** 2).sum() / weight.sum())
    assert 0.1 < spread < 0.5
    shared = lognormal.Penalty(ln_sigma=centre, ln_sigma_sd=spread)
    expected = fit_many(left, right, seeds, penalty=shared)
    found = fit_plots(left, right, seeds)
    assert found.sigma == pytest.approx(expected.sigma, rel=1e-9)
    assert found.mu == pytest.approx(expected.mu, rel=1e-9)


def test_correlation_by_moments_is_williams_statistic_in_closed_form() -> None:
    """One group of m plots of n seeds: (X2 - (m - 1)) / ((m - 1)(n - 1)), X2 Pearson's."""
    y, n = np.array([10.0, 25.0, 18.0, 31.0]), 40.0
    p = y.sum() / (4 * n)
    pearson = ((y - n * p) ** 2 / (n * p * (1 - p))).sum()
    expected = (pearson - 3) / (3 * (n - 1))
    assert plot_correlation(y, np.full(4, n), np.zeros(4)) == pytest.approx(expected, rel=1e-12)
    # A group in which all came, and a plot without seeds, add nothing.
    more = plot_correlation([*y, 9, 9, 0], [*[n] * 4, 9, 9, 0], [0, 0, 0, 0, 1, 1, 0])
    assert more == pytest.approx(expected, rel=1e-12)
    assert plot_correlation([0, 40, 0, 40], np.full(4, 40), np.zeros(4)) == 0.99
