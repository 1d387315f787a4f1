"""What the looks at plots say of time, worked by hand and by scipy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from thermosprout.crops.catalogue import find_crop
from thermosprout.trials.analysis.curves import fit_plots
from thermosprout.trials.analysis.timing import check_shape, plot_timing, thermal_clock

NAN, INF = np.nan, np.inf


def test_late_seedlings_are_those_of_the_last_quarter() -> None:
    """From the first seedling to the last look; those of one interval are spread over it evenly."""
    left = np.array([[0.0, 2.0, 6.0, 10.0], [4.0, 5.0, 9.0, 11.0]])
    right = np.array([[2.0, 6.0, 10.0, INF], [5.0, 9.0, 11.0, 12.0]])
    seeds = np.array([[4.0, 8.0, 8.0, 5.0], [5.0, 8.0, 4.0, 1.0]])
    timing = plot_timing(left, right, seeds, np.array([3.0, 4.0]), np.array([10.0, 12.0]))
    assert timing.came.tolist() == [20.0, 18.0]
    assert timing.early.tolist() == [4.0, 0.0]
    # Quarters of 2.5 d from day 0, and of 2 d from day 4.
    assert timing.late.tolist() == [8 * 2.5 / 4, 4 / 2 + 1]
    assert timing.before_late.tolist() == [8 * 1 / 4 + 8 * 1.5 / 4, 8 * 1 / 4 + 4 / 2]
    first, both = np.array([True, False]), np.array([True, True])
    assert timing.still_to_come(first) == INF, "as many in the last quarter as in the one before"
    # 8 late after 9 falls too slowly to bound what is to come; 3 after 4 leaves 3 times 3.
    assert timing.still_to_come(both) == INF
    assert timing.still_to_come(~first) == pytest.approx(3 * 0.75 / 0.25)
    assert timing.unfinished(~first)


def test_the_shape_of_each_plot_is_judged_alone_and_of_all_together() -> None:
    """Pearson's chi-square by scipy over intervals that hold three expected seedlings or more."""
    edges = np.arange(4.0, 13.0)
    left, right = np.tile(edges[:-1], (3, 1)), np.tile(edges[1:], (3, 1))
    seeds = np.array([[5.0, 9, 14, 16, 11, 7, 4, 4], [9, 12, 3, 2, 2, 4, 14, 16],
                      [4, 8, 12, 12, 12, 8, 8, 4]])  # fmt: skip
    fits = fit_plots(left, right, seeds)
    check = check_shape(left, right, seeds, fits)
    squares, free = [], []
    for row in range(3):
        alone = fit_plots(left[row : row + 1], right[row : row + 1], seeds[row : row + 1])
        alone.mu[:], alone.sigma[:] = fits.mu[row], fits.sigma[row]
        own = check_shape(left[row : row + 1], right[row : row + 1], seeds[row : row + 1], alone)
        assert check.plot_p[row] == pytest.approx(own.p_value, rel=1e-9)
        law = stats.lognorm(fits.sigma[row], scale=np.exp(fits.mu[row]))
        expected = np.diff(law.cdf(np.r_[0.0, edges])) * seeds[row].sum() / law.cdf(edges[-1])
        observed = np.r_[0.0, seeds[row]]
        # Cells by where the middle of an interval stands in the expected seedlings, by threes.
        cells = np.floor((np.cumsum(expected) - expected / 2) / 3).astype(int)
        kept = [c for c in np.unique(cells) if expected[cells == c].sum() > 0.5]
        pairs = [(observed[cells == c].sum(), expected[cells == c].sum()) for c in kept]
        squares.append(sum((o - e) ** 2 / e for o, e in pairs))
        free.append(len(kept) - 2)
        assert check.plot_p[row] == pytest.approx(stats.chi2.sf(squares[-1], free[-1]), rel=1e-6)
    assert check.p_value == pytest.approx(stats.chi2.sf(sum(squares), sum(free)), rel=1e-6)
    assert check.plot_p[1] < 1e-3 < check.plot_p[2]
    assert not check.fits


def test_dishes_need_no_soil_for_their_thermal_time() -> None:
    day = pd.Timestamp("2026-04-01")
    records = pd.DataFrame(
        {"plot": ["a", "b"], "planted": day, "inspected": day + pd.to_timedelta([3, 8], unit="D"),
         "temperature_C": [15.0, 20.0], "inspected_local": ""}
    )  # fmt: skip
    crop = find_crop("carrot")
    centre = crop.estimate.centre()
    times, notes = thermal_clock(records, crop)
    assert times is not None
    assert notes == []
    assert 0 < times[0] < 3 * (15.0 - centre["t_base_C"] + 3.0)
    # Twice as long at one temperature is twice the thermal time.
    longer = records.assign(inspected=day + pd.to_timedelta([6, 16], unit="D"))
    np.testing.assert_allclose(thermal_clock(longer, crop)[0], 2 * times)
    assert thermal_clock(records.assign(temperature_C=[15.0, NAN]), crop) == (None, [])
    unknown, words = thermal_clock(records)
    assert unknown is not None
    assert ["name the crop" in text for text in words] == [True]
