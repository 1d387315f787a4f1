"""Proposals of the sampler are the distributions they say, and seasons the spread they have."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from tests.calibration.growers import plain_crop, spring
from thermosprout.calibration.fit import with_effects
from thermosprout.calibration.hierarchy import SEASON_SDS, SEASON_SHARE, layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.posterior import Posterior, decorrelation_of
from thermosprout.calibration.predict import Model
from thermosprout.calibration.sampling import Gaussian, Proposal
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


def test_each_variety_has_its_own_part_of_the_prior() -> None:
    """What the log-density changes by when one variety moves is that of the variety alone."""
    crop = plain_crop()
    pots = [
        Plot(name=name, variety=name, planted_h=0.0, depth_cm=2.0, seeds=30, constant_C=15.0,
             hours=np.array([96.0, 144.0]), new=np.array([8.0, 12.0]))
        for name in ("Blue", "Gold")
    ]  # fmt: skip
    model = Model(crop, pots, layers_of(crop.estimate, pots))
    problem = Posterior(
        likelihood=Likelihood(model), origin=model.layers.mean, root=model.layers.root(),
        prior=True, decorrelation=decorrelation_of(model),
    )  # fmt: skip
    rng = np.random.default_rng(2)
    w = rng.standard_normal((5, problem.size))
    assert sorted(set(problem.blocks())) == [0, 1, 2]
    for variety in (1, 2):
        mine = problem.blocks() == variety
        moved = w + np.where(mine, rng.standard_normal(w.shape), 0.0)
        change = problem.own_log_prior(moved) - problem.own_log_prior(w)
        assert change[:, variety - 1] == pytest.approx(
            problem.log_prior(moved) - problem.log_prior(w)
        )
        assert change[:, 2 - variety] == pytest.approx(np.zeros(5))


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
    (season,) = [name for name in layers.names if name.endswith(":stand")]
    at = crop.estimate.names.index("field_factor")
    own = 1.0 / np.linalg.inv(crop.estimate.covariance)[at, at]
    assert spread[season] == pytest.approx(min(SEASON_SDS["field_factor"] ** 2, SEASON_SHARE * own))
