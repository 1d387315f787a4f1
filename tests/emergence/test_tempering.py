"""Counts brought in step by step, where the answer is known: a normal seen with a normal error."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.conditioning import bring_in
from thermosprout.emergence.count_likelihood import Particles, crop_draws
from thermosprout.emergence.forecast import CropDraws
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.weighted_draws import effective_size, resampled, temper

CROP = plain_crop()
ALONG = np.array([1.0, 0.5])


@dataclass
class Gauge:
    """Stands in for the counts: sees one sum of the standard normals with a normal error."""

    seen: float
    error: float
    calls: int = 0

    def likelihood(self, standard: np.ndarray) -> np.ndarray:
        return np.asarray(-0.5 * ((standard @ ALONG - self.seen) / self.error) ** 2)

    def particles(self, standard: np.ndarray, lineage: np.ndarray) -> Particles:
        """Every field tells of the parameters, so that what is not kept together shows."""
        values = CropDraws.of(CROP, len(standard)).values | {"sigma": standard[:, 0] + 10.0}
        draws = crop_draws(CropDraws.of(CROP, len(standard)), values)
        return Particles(
            points=standard, draws=draws,
            clock=ConstantClock(draws=draws.rates, temperature_C=15.0),
            viability=lineage, ln_shift=-lineage, likelihood=self.likelihood(standard),
            speed=standard[:, 1], share=standard.sum(axis=1), failed=standard[:, 0] > 0,
        )  # fmt: skip

    def move(self, particles: Particles, standard: np.ndarray) -> Particles:
        self.calls += 1
        return self.particles(standard, particles.viability)


def start(gauge: Gauge, size: int, seed: int) -> Particles:
    standard = np.random.default_rng(seed).standard_normal((size, 2))
    return gauge.particles(standard, np.arange(float(size)))


@pytest.mark.parametrize(("seen", "error"), [(3.0, 0.2), (-1.5, 0.5)])
def test_the_answer_is_the_normal_of_bayes(seen: float, error: float) -> None:
    """Precision is that of the prior and of the gauge together (Gelman et al. 2013, ch. 3.5)."""
    covariance = np.linalg.inv(np.eye(2) + np.outer(ALONG, ALONG) / error**2)
    mean = covariance @ ALONG * seen / error**2
    runs = []
    for seed in range(12):
        gauge = Gauge(seen, error)
        begun = start(gauge, 600, seed)
        found, effective = bring_in(
            gauge, begun, np.full(600, 1 / 600), np.random.default_rng(seed)
        )  # type: ignore[arg-type]
        assert found.points.shape == (600, 2)
        # Four hundred are moved; the others repeat the first of them.
        assert np.array_equal(found.points[400:], found.points[:200])
        assert 0.3 * 400 < effective <= 400
        assert found.likelihood == pytest.approx(gauge.likelihood(found.points))
        assert found.speed.tolist() == found.points[:, 1].tolist()
        assert found.share == pytest.approx(found.points.sum(axis=1))
        assert found.failed.tolist() == (found.points[:, 0] > 0).tolist()
        assert found.draws.values["sigma"] == pytest.approx(found.points[:, 0] + 10.0)
        assert (found.ln_shift == -found.viability).all()
        assert set(found.viability) <= set(range(600))
        runs.append(found.points[:400])
    pooled = np.concatenate(runs)
    spread = np.sqrt(np.diag(covariance))
    assert np.abs(pooled.mean(axis=0) - mean).max() < 0.12 * spread.max()
    assert np.sqrt(np.diag(np.cov(pooled.T))) == pytest.approx(spread, rel=0.1)
    along = pooled @ ALONG
    narrow = np.sqrt(ALONG @ covariance @ ALONG)
    assert along.mean() == pytest.approx(mean @ ALONG, abs=0.1 * narrow)
    assert along.std() == pytest.approx(narrow, rel=0.08)


def test_counts_that_tell_nothing_leave_the_draws() -> None:
    gauge = Gauge(0.0, 1e6)
    begun = start(gauge, 300, 0)
    found, effective = bring_in(gauge, begun, np.full(300, 1 / 300), np.random.default_rng(0))  # type: ignore[arg-type]
    assert effective == pytest.approx(300.0)
    assert gauge.calls == 2
    assert found.points.mean(axis=0) == pytest.approx([0, 0], abs=0.25)
    assert np.cov(found.points.T) == pytest.approx(np.eye(2), abs=0.3)


def test_draws_without_weight_are_not_begun_with() -> None:
    gauge = Gauge(2.0, 0.3)
    begun = start(gauge, 200, 1)
    weights = np.where(np.arange(200) % 2, 0.01, 0.0)
    found, _ = bring_in(gauge, begun, weights, np.random.default_rng(1))  # type: ignore[arg-type]
    assert (found.viability % 2 == 1).all()
    assert found.points.shape == (200, 2)


def test_merged_particles_take_fields_of_accepted_moves() -> None:
    gauge = Gauge(1.0, 0.5)
    old, new = start(gauge, 6, 5), start(gauge, 6, 6)
    accepted = np.array([True, False, False, True, True, False])
    found = old.merge(new, accepted)
    for draw, taken in enumerate(accepted):
        source = new if taken else old
        for name in ("points", "likelihood", "speed", "share", "failed"):
            assert np.array_equal(getattr(found, name)[draw], getattr(source, name)[draw]), name
        for key, values in source.draws.values.items():
            assert found.draws.values[key][draw] == values[draw]
        assert found.draws.rates.t_base[draw] == source.draws.values["t_base_C"][draw]
    # What is not of the parameters stays with the particle.
    assert found.viability.tolist() == old.viability.tolist()
    assert found.ln_shift.tolist() == old.ln_shift.tolist()


def test_copies_lie_evenly_along_the_summed_weights() -> None:
    """Systematic resampling: one random number, then steps of one over the size."""
    weights = np.array([0.1, 0.0, 0.45, 0.2, 0.25]) * 3.0
    for seed in range(20):
        begin = np.random.default_rng(seed).random()
        expected = []
        for copy in range(8):
            at, total = (copy + begin) / 8, 0.0
            for draw, weight in enumerate(weights / 3.0):
                total += weight
                if at <= total:
                    expected.append(draw)
                    break
        found = resampled(weights, 8, np.random.default_rng(seed))
        assert found.tolist() == expected
    assert effective_size(np.array([0.5, 0.5, 0.0])) == pytest.approx(2.0)


def test_a_very_sharp_gauge_is_brought_in_by_the_twelfth_step() -> None:
    gauge = Gauge(4.0, 1e-6)
    begun = start(gauge, 300, 8)
    found, sizes = temper(begun, gauge.move, np.random.default_rng(8))
    assert len(sizes) == 12
    assert gauge.calls == 2 * 12
    # Nothing but the draw that was nearest is left, and what moved nearer from there.
    nearest = np.abs(begun.points @ ALONG - 4.0).min()
    assert np.abs(found.points @ ALONG - 4.0).max() <= nearest
