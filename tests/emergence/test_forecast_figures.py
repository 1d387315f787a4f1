"""Figures of a row's forecast and of a row with counts, each worked out by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from tests.calibration.growers import first_hour, spring
from tests.emergence.plain_crop import plain_crop
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.emergence.conditioning import count_note, still_to_come
from thermosprout.emergence.count_likelihood import Inspections, Whitening
from thermosprout.emergence.forecast import (
    CropDraws,
    RowForecast,
    Sowing,
    clock_for,
    forecast_constant,
    forecast_row,
    label,
    site_offset,
)
from thermosprout.emergence.response import beta_response, response
from thermosprout.emergence.treatments import PLANTABLE_MM, Handling, Treatment
from thermosprout.emergence.weighted_draws import MovingNormal, effective_size, resampled

CROP = plain_crop(t_base=4.0)
SERIES = spring(days=100)


def row(size: int = 400, seeds: int = 40, viability: float = 0.9) -> RowForecast:
    draws = CropDraws.of(CROP, size)
    planted = first_hour(SERIES) + 24 * 30
    sowing = Sowing(
        row="bed", crop=CROP, handling=Handling(), started_h=planted, planted_h=planted,
        depth_cm=2.5, seeds_planted=seeds,
    )  # fmt: skip
    return forecast_row(
        sowing, draws, clock_for(draws, SERIES), viability=np.full(size, viability),
        ln_shift=np.zeros(size),
    )  # fmt: skip


def test_mean_soil_temperature_is_until_half() -> None:
    made = row()
    begin = int(made.sowing.planted_h - first_hour(SERIES))
    values = SERIES.values
    half = made.hours[:, 1] - first_hour(SERIES)
    means = [
        values[begin : round(end) + 1].mean() if np.isfinite(end) else values[begin:].mean()
        for end in half
    ]
    assert made.soil_mean_C() == pytest.approx(np.mean(means), abs=0.05)
    # It warms up: waiting for the whole stand would be warmer.
    assert made.soil_mean_C() < values[begin : begin + 24 * 60].mean() - 1.0


def test_a_chance_seedling_and_the_last_ones() -> None:
    made = row(size=2000)
    shown = made.emerged_share(np.array([made.wait_until_h]))[:, 0]
    assert np.nanmean(shown) == pytest.approx(0.95, abs=0.01)
    early = made.emerged_share(np.array([made.sowing.planted_h - 5.0, made.sowing.planted_h]))
    assert (early == 0).all()
    middle = np.nanmedian(made.any_seed_h)
    assert np.mean(made.emerged_share(np.array([middle]))) == pytest.approx(0.5, abs=0.02)


def test_odds_of_nothing_and_stand_are_those_of_the_draws() -> None:
    made = row(seeds=2, viability=0.3)
    nothing = made.seedlings == 0
    assert 0.1 < made.nothing_odds == pytest.approx(nothing.mean())
    assert np.isnan(made.hours[nothing]).all()
    assert np.isnan(made.any_seed_h[nothing]).all()
    assert np.isfinite(made.hours[~nothing, 0]).any()
    assert made.stand_quantile([0.999])[0] <= 1.0
    weights = np.where(nothing, 0.0, 3.0)
    other = replace(made, weights=weights / weights.sum())
    assert other.weights.sum() == pytest.approx(1.0)
    assert other.nothing_odds == 0.0


def test_stand_per_seed_started_counts_seed_that_did_not_sprout() -> None:
    dry = row()
    assert dry.stand_per_seed_started == pytest.approx(dry.stand)
    assert dry.share_of_started == pytest.approx(dry.share)
    state = replace(dry.state, proven=True, sprouted=np.full(400, 0.6))
    sprouted = replace(dry, state=state)
    assert sprouted.share_of_started == pytest.approx(dry.share * 0.6 * 0.9)
    assert sprouted.stand_per_seed_started == pytest.approx(dry.stand * 0.6 * 0.9)
    counted = replace(sprouted, sowing=replace(dry.sowing, seeds_started=500))
    assert counted.stand_per_seed_started == pytest.approx(dry.seedlings / 500)


def test_a_constant_temperature_is_planted_at_zero_and_started_before() -> None:
    soak = Handling(treatment=Treatment.SOAKED, soak_h=8.0, sprout_h=5.0)
    sprout = Handling(treatment=Treatment.PRESPROUTED, soak_h=8.0, sprout_h=70.0)
    for handling, lead in ((soak, 8.0), (sprout, 70.0), (None, 0.0)):
        made = forecast_constant(CROP, 18.0, handling=handling, size=50)
        assert (made.sowing.planted_h, made.sowing.started_h) == (0.0, -lead)
    plain = forecast_constant(CROP, 18.0, size=50)
    assert plain.sowing.depth_cm == 1.27
    assert plain.sowing.seeds_planted == 100
    assert (plain.viability == 1).all()
    assert plain.soil_mean_C() == pytest.approx(18.0)


def test_the_site_is_as_uncertain_as_its_series_says() -> None:
    series = SERIES.assign_attrs(site_sd_K=1.5)
    found = site_offset(series, 4000)
    assert found.mean() == pytest.approx(0.0, abs=0.1)
    assert found.std() == pytest.approx(1.5, rel=0.05)
    assert (site_offset(SERIES.assign_attrs(site_sd_K=0.0), 5) == 0).all()
    assert label(replace(CROP.estimate, variety="v", seed_lot="l")) == "plain/v/l"
    assert label(CROP.estimate) == "plain"


def test_standard_normals_and_natural_parameters_turn_into_each_other() -> None:
    estimate = replace(CROP.estimate, mean=CROP.estimate.mean + 0.3)
    scale = Whitening(estimate)
    values = estimate.draw(2000, np.random.default_rng(1))
    standard = scale.standard(values)
    assert standard.mean(axis=0) == pytest.approx(np.zeros(standard.shape[1]), abs=0.1)
    assert np.cov(standard.T) == pytest.approx(np.eye(standard.shape[1]), abs=0.15)
    back = scale.natural(standard)
    for name, value in values.items():
        assert PARAMETERS[name].transform(back[name]) == pytest.approx(
            PARAMETERS[name].transform(value), abs=1e-6
        )


def test_effective_draws_are_kishs() -> None:
    assert effective_size(np.full(8, 0.3)) == pytest.approx(8.0)
    assert effective_size(np.array([2.0, 1.0, 1.0])) == pytest.approx(16 / 6)


def test_copies_follow_weights_within_one() -> None:
    weights = np.random.default_rng(2).dirichlet(np.full(40, 0.4)) * 7
    for seed in range(4):
        copies = np.bincount(resampled(weights, 100, np.random.default_rng(seed)), minlength=40)
        assert copies.sum() == 100
        assert (np.abs(copies - 100 * weights / 7) < 1 + 1e-9).all()


def test_moves_leave_their_normal_as_it_is() -> None:
    rng = np.random.default_rng(3)
    root = np.array([[1.0, 0.0], [0.7, 0.6]])
    w = np.array([2.0, -1.0]) + rng.standard_normal((20_000, 2)) @ root.T
    moved = MovingNormal(w).move(w, 0.4, rng)
    assert moved.mean(axis=0) == pytest.approx([2.0, -1.0], abs=0.03)
    assert np.cov(moved.T) == pytest.approx(root @ root.T, abs=0.04)
    assert np.corrcoef(moved[:, 0], w[:, 0])[0, 1] == pytest.approx(np.sqrt(0.84), abs=0.02)


def test_many_seeds_do_not_overflow() -> None:
    rng = np.random.default_rng(4)
    size = 4000
    many = still_to_come(
        np.full(size, 0.7), np.full(size, 0.02), np.full(size, 0.5), 900, 2500, rng
    )  # fmt: skip
    strength = 0.98 / 0.02
    stand = np.arange(900, 2501)
    odds = stats.betabinom(2500, 0.7 * strength, 0.3 * strength).logpmf(stand)
    odds += stats.binom(stand, 0.5).logpmf(900)
    weights = np.exp(odds - odds.max())
    expected = (weights * (stand - 900)).sum() / weights.sum()
    assert many.mean() == pytest.approx(expected, rel=0.02)


@pytest.mark.parametrize(
    ("emerged", "due", "old", "new", "failed", "sentence"),
    [
        (0, 0.3, 240.0, 250.0, 0.0, ("None of 40 seeds shows yet, where 30 % of the stand was due; "
         "the row is on schedule.")),
        (0, 0.05, 240.0, 240.0, 0.0, "None of 40 seeds shows yet; the row is on schedule."),
        (0, 0.1, 240.0, np.inf, 0.3, ("None of 40 seeds shows yet, where 10 % of the stand was due"
         "; odds that the row has failed: 30 %.")),
        (7, 0.5, 240.0, 276.0, 0.04, ("7 of 40 seeds show; the row is 1.5 d later than forecast at "
         "sowing.")),
        (7, 0.5, 276.0, 240.0, 0.05, ("7 of 40 seeds show; the row is 1.5 d earlier than forecast "
         "at sowing; odds that the row has failed: 5 %.")),
        (7, 0.5, 240.0, 252.0, 0.0, ("7 of 40 seeds show; the row is 0.5 d later than forecast at "
         "sowing.")),
    ],
)  # fmt: skip
def test_what_counts_changed_in_words(
    emerged: int, due: float, old: float, new: float, failed: float, sentence: str
) -> None:
    seen = Inspections(hours=np.array([100.0, 200.0]), new=np.array([0.0, float(emerged)]))
    asked: list[np.ndarray] = []

    def share(at: np.ndarray) -> np.ndarray:
        asked.append(at)
        return np.full((4, 1), due)

    before = SimpleNamespace(
        sowing=SimpleNamespace(seeds_planted=40), weights=np.full(4, 0.25), emerged_share=share,
        stage_quantile=lambda *_: np.array([old]),
    )  # fmt: skip
    after = SimpleNamespace(stage_quantile=lambda *_: np.array([new]))
    note = count_note(before, after, seen, failed)  # type: ignore[arg-type]
    assert note.sentence == sentence
    assert all(at.tolist() == [200.0] for at in asked)


def test_radicles_planted_are_one_to_six_millimetres() -> None:
    """Common practice, no source."""
    assert PLANTABLE_MM == (1.0, 6.0)


def test_the_curved_response_has_its_published_form() -> None:
    at = np.array([10.0, 15.0, 33.0])
    plain = response("beta", at, 4.0, 27.0, 39.0)
    assert plain == pytest.approx(beta_response(at, 4.0, 27.0, 39.0, 1.0))
    assert beta_response(at, 4.0, 27.0, 39.0) == pytest.approx(plain)
    assert response("beta", at, 4.0, 27.0, 39.0, 2.0) == pytest.approx(plain**2 / 23.0)
    assert response("linear", at, 4.0, 27.0, 39.0) == pytest.approx([6.0, 11.0, 11.5])
