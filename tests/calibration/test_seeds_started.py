"""What was planted of a pre-sprouted batch had sprouted: a fit must not forget it."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from scipy.stats import binom, norm

from tests.calibration.growers import Planting, grow, plain_crop, spring, write_records
from thermosprout.calibration import likelihood
from thermosprout.calibration.fit import fit_with_prior
from thermosprout.calibration.likelihood import BATCH_RHO, sprouted_log_likelihood
from thermosprout.calibration.plots import digest_of, plots_of_records
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.treatments import Handling, Treatment, seed_state
from thermosprout.trials.records.read import read_records

SPROUTED = Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0)


def odds_of(z_high, seeds, started, viability=0.9):
    predicted = SimpleNamespace(
        share=np.zeros((len(z_high), 1)), z_low=np.full((len(z_high), 1), -np.inf),
        z_high=np.array(z_high, dtype=float)[:, None],
        viability=np.full((len(z_high), 1), viability),
    )  # fmt: skip
    counted = SimpleNamespace(
        seeds=np.array([float(seeds)]), seeds_started=np.array([float(started)]),
    )  # fmt: skip
    return sprouted_log_likelihood(predicted, counted)[:, 0]  # type: ignore[arg-type]


def test_without_shared_fates_odds_are_binomial(monkeypatch) -> None:
    monkeypatch.setattr(likelihood, "BATCH_RHO", 0.0)
    z = np.array([-1.0, 0.0, 0.5, 1.5])
    expected = binom.logsf(49, 63, 0.9 * norm.cdf(z))
    assert odds_of(z, 50, 63) == pytest.approx(expected, rel=1e-6)


def test_shared_fates_make_the_odds_milder() -> None:
    z = np.linspace(-6.0, 2.0, 60)
    found = odds_of(z, 50, 63)
    assert np.isfinite(found).all()
    assert (np.diff(found) > 0).all()
    plain = binom.logsf(49, 63, 0.9 * norm.cdf(z))
    assert 0 < BATCH_RHO < 1
    unlikely = plain < np.log(0.1)
    assert (found[unlikely] > plain[unlikely]).all()


@pytest.mark.slow
def test_a_slow_lot_is_not_its_quickest_seeds() -> None:
    """Invented: cool plots of a crop whose time at room temperature the prior hardly knows."""
    crop, rng = plain_crop(), np.random.default_rng(3)
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    series = spring(days=100, seed=4)
    plots = grow(
        crop, truth, series,
        [Planting(day=10.4), Planting(day=10.4, handling=SPROUTED, plots=4)], rng,
    )  # fmt: skip
    known = [
        replace(plot, seeds_started=52) if plot.handling == SPROUTED else plot for plot in plots
    ]
    bare, told = (fit_with_prior(crop, each, [series], seed=1) for each in (plots, known))

    def sprouted(fit) -> np.ndarray:
        """Share of live seed that sprouts in the time it had, per draw."""
        entries = [fit.layers.names.index(f"crop:{name}") for name in crop.estimate.names]
        values = crop.estimate.natural(fit.vectors[:, entries])
        rates = ResponseDraws.from_draws(crop.response, values)
        return seed_state(crop, values, rates, SPROUTED, depth_cm=2.0).sprouted

    few = [float(fit.weights @ (sprouted(fit) < 0.5)) for fit in (bare, told)]
    assert few[1] < 0.05
    assert few[1] < 0.5 * few[0]


def test_records_tell_it_only_where_more_was_started_than_planted(tmp_path) -> None:
    crop, rng = plain_crop(), np.random.default_rng(3)
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    plots = grow(
        crop, truth, spring(), [Planting(day=10.4), Planting(day=10.4, handling=SPROUTED)], rng
    )
    path = write_records(plots, tmp_path / "records.csv")
    same = plots_of_records(read_records(path, timezone="UTC"), crop)
    assert {plot.seeds_started for plot in same} == {None}
    text = path.read_text(encoding="utf-8").replace(",40,40,", ",55,40,")
    path.write_text(text, encoding="utf-8")
    more = plots_of_records(read_records(path, timezone="UTC"), crop)
    assert {(plot.treatment, plot.seeds_started) for plot in more} == {
        ("direct", None), ("presprouted", 55),
    }  # fmt: skip


def test_the_digest_holds_all_a_fit_uses() -> None:
    crop, rng = plain_crop(), np.random.default_rng(3)
    truth = {name: np.array([value]) for name, value in crop.estimate.centre().items()}
    plots = grow(crop, truth, spring(), [Planting(day=10.4, handling=SPROUTED)], rng)
    known = [replace(plot, seeds_started=60) for plot in plots]
    assert digest_of(plots) == digest_of(plots[::-1]) != digest_of(known)
