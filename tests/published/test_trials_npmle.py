"""The curve without a shape and the log-normal fit against a printed table and two libraries."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from tests.published.printed_data import breast_cosmesis
from thermosprout.trials.analysis.curves import Npmle, fit_lognormal, turnbull

# Fay MP, Shaw PA (2010), J. Stat. Softw. 36(2), section 4.1: printed NPMLE of the breast cosmesis
# data of Finkelstein DM, Wolfe RA (1985), Biometrics 41:933-945, Table 4 (read on the page).
PRINTED = {
    "radiotherapy": {
        (4, 5): 0.0463, (6, 7): 0.0334, (7, 8): 0.0887, (11, 12): 0.0708, (24, 25): 0.0926,
        (33, 34): 0.0818, (38, 40): 0.1209, (46, 48): 0.4656,
    },
    "radiotherapy+chemotherapy": {
        (4, 5): 0.0433, (5, 8): 0.0433, (11, 12): 0.0692, (16, 17): 0.1454, (18, 19): 0.1411,
        (19, 20): 0.1157, (24, 25): 0.0999, (30, 31): 0.0709, (35, 36): 0.1608, (44, 48): 0.0552,
        (48, 60): 0.0552,
    },
}  # fmt: skip


@pytest.mark.parametrize("group", PRINTED)
def test_breast_cosmesis_to_four_decimals(group: str) -> None:
    fit = turnbull(*breast_cosmesis()[group])
    ours = {
        (left, right): round(mass, 4)
        for left, right, mass in zip(fit.left, fit.right, fit.mass, strict=True)
        if mass >= 5e-5
    }
    assert ours == PRINTED[group]
    assert fit.mass.sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("group", PRINTED)
def test_breast_cosmesis_is_typed_as_in_its_data_file(shared: Path, group: str) -> None:
    table = pd.read_csv(shared / "data" / "trials" / "breast_cosmesis.csv")
    theirs = table[table["treatment"] == group][["left_months", "right_months"]].fillna(np.inf)
    typed = np.column_stack(breast_cosmesis()[group])
    assert sorted(map(tuple, typed)) == sorted(map(tuple, theirs.to_numpy()))


@pytest.fixture(scope="module")
def seeds() -> tuple[np.ndarray, np.ndarray]:
    """Ends of intervals of 300 invented seeds, each looked at on days of its own."""
    rng = np.random.default_rng(7)
    times = np.where(rng.random(300) < 0.75, np.exp(2.1 + 0.25 * rng.standard_normal(300)), np.inf)
    looks = np.cumsum(rng.uniform(0.4, 2.4, (300, 25)), axis=1)
    index = (looks < times[:, None]).sum(axis=1)
    left = np.where(index > 0, looks[np.arange(300), np.maximum(index - 1, 0)], 0.0)
    right = np.where(index < 25, looks[np.arange(300), np.minimum(index, 24)], np.inf)
    return left, right


def flat_parts(fit: Npmle) -> np.ndarray:
    """Times between support intervals, where every such curve is flat and they must agree."""
    middle = 0.5 * (fit.right[:-1] + fit.left[1:])
    middle = middle[(fit.left[1:] > fit.right[:-1] + 1e-9) & np.isfinite(middle)]
    assert middle.size > 10
    return middle


def emerged(fit: Npmle, times: np.ndarray) -> np.ndarray:
    """Share surely up by each time."""
    return np.array([fit.mass[fit.right <= time].sum() for time in times])


def test_the_same_curve_as_lifelines(seeds: tuple[np.ndarray, np.ndarray]) -> None:
    from lifelines import KaplanMeierFitter

    left, right = seeds[0][:100], seeds[1][:100]  # it takes long over more
    fit = turnbull(left, right)
    other = KaplanMeierFitter().fit_interval_censoring(left, right, tol=1e-8)
    middle = flat_parts(fit)
    theirs = 1.0 - other.survival_function_["NPMLE_estimate_upper"]
    lower = np.array([theirs.loc[:time].iloc[-1] for time in middle])
    assert np.abs(emerged(fit, middle) - lower).max() < 1e-3


def test_the_same_curve_as_surpyval(seeds: tuple[np.ndarray, np.ndarray]) -> None:
    import surpyval

    left, right = seeds
    fit = turnbull(left, right)
    other = surpyval.Turnbull.fit(xl=left, xr=right, turnbull_estimator="Kaplan-Meier")
    middle = flat_parts(fit)
    theirs = 1.0 - np.array(
        [other.R[np.searchsorted(other.x, t, side="right") - 1] for t in middle]
    )
    assert np.abs(emerged(fit, middle) - theirs).max() < 1e-3


def test_a_log_normal_with_a_lost_share_as_surpyval(
    seeds: tuple[np.ndarray, np.ndarray],
) -> None:
    import surpyval

    left, right = seeds
    fit = fit_lognormal(left, right)
    shown = np.isfinite(right)
    ends = np.stack([left, np.where(shown, right, left)], axis=1)
    other = surpyval.LogNormal.fit(x=ends.tolist(), c=np.where(shown, 2, 1), lfp=True)
    mu, sigma = other.params[:2]
    final = other.lfp_p if hasattr(other, "lfp_p") else other.p  # the name changed with 0.23
    assert fit.mu[0] == pytest.approx(mu, abs=1e-3)
    assert fit.sigma[0] == pytest.approx(sigma, abs=1e-3)
    assert fit.final[0] == pytest.approx(final, abs=1e-3)


def test_the_same_log_normal_as_lifelines_when_all_emerge() -> None:
    from lifelines import LogNormalFitter

    rng = np.random.default_rng(3)
    times = np.exp(2.0 + 0.3 * rng.standard_normal(200))
    left, right = np.floor(times), np.floor(times) + 1.0
    fit = fit_lognormal(left, right)
    other = LogNormalFitter().fit_interval_censoring(left, right)
    assert fit.mu[0] == pytest.approx(other.mu_, abs=1e-3)
    assert fit.sigma[0] == pytest.approx(other.sigma_, abs=1e-3)
    assert fit.final[0] > 0.999


def test_wheat_germinates_as_the_direct_fit_says(shared: Path) -> None:
    """Ritz, Pipper & Streibig (2013): wheat dishes; 10 C: 18 of 20, t50 6.78 d (log-logistic).

    The log-normal is another curve, so half a tenth of a day is not asked for but a quarter day.
    """
    table = pd.read_csv(shared / "data" / "trials" / "wheat_six_temperatures.csv")
    for temperature, t50, final in ((10, 6.78, 0.90), (16, 3.93, 0.95), (22, 3.83, 0.95)):
        dish = table[table["temperature_C"] == temperature]
        fit = fit_lognormal(dish["start_d"], dish["end_d"].fillna(np.inf), dish["count"])
        assert np.exp(fit.mu[0]) == pytest.approx(t50, abs=0.25)
        assert fit.final[0] == pytest.approx(final, abs=0.01)
