"""Proposals of the sampler are the distributions they say, and seasons the spread they have."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from tests.calibration.growers import plain_crop, spring
from tests.calibration.seedbeds import Nature, season
from thermosprout.calibration.fit import fit_with_prior, with_effects
from thermosprout.calibration.hierarchy import SEASON_SDS, SEASON_SHARE, layers_of
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.calibration.sampling import Gaussian, Proposal
from thermosprout.crops.catalogue import find_crop
from thermosprout.soil.series import hours_since_epoch

BLOCKS = np.array([0, 1, 0, 2, 1, 2])


def precision() -> np.ndarray:
    """A precision in which two varieties hang together through the shared coordinates alone."""
    rng = np.random.default_rng(4)
    root = 0.3 * rng.standard_normal((6, 6))
    full = root @ root.T + 3.0 * np.eye(6)
    apart = (BLOCKS[:, None] > 0) & (BLOCKS > 0) & (BLOCKS[:, None] != BLOCKS)
    return np.where(apart, 0.0, full)


def test_a_gaussian_in_blocks_is_the_whole_one() -> None:
    centre = np.linspace(-1.0, 1.0, 6)
    about = Gaussian.of(BLOCKS, centre, precision())
    w = np.random.default_rng(5).standard_normal((7, 6))
    whole = stats.multivariate_normal(centre, np.linalg.inv(precision()))
    logs = about.log_shared(w) + about.log_own(w).sum(axis=1)
    constant = whole.logpdf(w) - logs
    assert constant == pytest.approx(np.full(7, constant[0]), abs=1e-9)


def test_moves_of_a_gaussian_leave_it_as_it_is() -> None:
    """Autoregressive moves from draws of a normal are draws of it (Neal 1998)."""
    rng = np.random.default_rng(6)
    centre, covariance = np.linspace(-1.0, 1.0, 6), np.linalg.inv(precision())
    about = Gaussian.of(BLOCKS, centre, precision())
    w = rng.multivariate_normal(centre, covariance, 60_000)
    for move in (about.move_shared, about.move_own):
        after = move(w, 0.7, rng)
        assert np.abs(after - w).max() > 0.1
        assert after.mean(axis=0) == pytest.approx(centre, abs=0.02)
        assert np.cov(after.T) == pytest.approx(covariance, abs=0.02)
    assert (about.move_own(w, 0.7, rng)[:, BLOCKS == 0] == w[:, BLOCKS == 0]).all()


def test_a_proposal_that_records_inform_wholly_is_a_multivariate_t() -> None:
    centre = np.linspace(-1.0, 1.0, 6)
    proposal = Proposal.about(centre, precision())
    w = centre + 1.5 * np.random.default_rng(7).standard_normal((9, 6))
    library = stats.multivariate_t(centre, proposal.covariance, df=8)
    constant = library.logpdf(w) - proposal.log_density(w)
    assert constant == pytest.approx(np.full(9, constant[0]), abs=1e-9)
    assert proposal.covariance == pytest.approx(1.2 * np.linalg.inv(precision()), rel=1e-9)


def test_a_season_has_the_spread_that_is_left_to_it() -> None:
    crop, soil = plain_crop(), spring()
    first = float(hours_since_epoch(soil["time"].values[:1])[0])
    hours = first + 24.0 * np.arange(20, 60, 4)
    rows = [
        Plot(name=f"r{day}", planted_h=first + 24.0 * day, depth_cm=2.0, seeds=30, hours=hours,
             new=np.ones(hours.size))
        for day in (3, 9)
    ]  # fmt: skip
    layers = with_effects(Model(crop, rows, layers_of(crop.estimate, rows, seasonal=True), [soil]))
    spread = dict(zip(layers.names, np.diag(layers.covariance), strict=True))
    (stand,) = [name for name in layers.names if name.endswith(":stand")]
    at = crop.estimate.names.index("field_factor")
    own = 1.0 / np.linalg.inv(crop.estimate.covariance)[at, at]
    assert spread[stand] == pytest.approx(min(SEASON_SDS["field_factor"] ** 2, SEASON_SHARE * own))
    # Where those of the records vary more than was expected, one to come does so too.
    wider = layers.with_scale(4.0)
    for name, variance in zip(wider.names, np.diag(wider.covariance), strict=True):
        assert variance == pytest.approx(spread[name] * (4.0 if "ln_time" in name else 1.0))
    before, after = (each.level(None, None)[1] for each in (layers, wider))
    at = crop.estimate.names.index("thermal_time_50_Cd")
    mean = np.mean([spread[layers.names[i]] for i in layers.occasions])
    assert layers.occasions.size == 2
    assert after[at, at] - before[at, at] == pytest.approx(3.0 * mean, rel=1e-6)


@pytest.mark.slow
def test_seasons_that_differ_much_leave_a_season_to_come_wide() -> None:
    """Springs that differ by 5 and by 35 % in thermal time, simulated without the model."""
    crop = find_crop("carrot")
    scale, spread = [], []
    for season_sd in (0.05, 0.35):
        plots, soils = [], []
        for year in range(2021, 2025):
            more, soil = season(
                crop, Nature(season_sd=season_sd), year, np.random.default_rng(year)
            )
            plots += [replace(plot, name=f"{year} {plot.name}") for plot in more]
            soils.append(soil)
        fit = fit_with_prior(crop, plots, soils, draws=400)
        at = crop.estimate.names.index("thermal_time_50_Cd")
        scale.append(fit.layers.occasion_scale)
        spread.append(np.sqrt(fit.layers.level(None, None)[1][at, at]))
    assert scale[0] < 1.2 < 2.0 < scale[1]
    assert spread[1] > 1.5 * spread[0]
