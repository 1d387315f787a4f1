"""What is learned from records does not depend on the order in which they were written down."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.calibration.growers import Planting, grow, plain_crop, spring, write_records
from thermosprout.calibration.fit import fit_with_prior
from thermosprout.calibration.plots import digest_of, plots_of_records
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.trials.records.read import read_records

ESTIMATE = Estimate.generic(
    "beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (100.0, 0.4)}
)
CROP = plain_crop(estimate=ESTIMATE)
SERIES = spring(days=100, seed=4, site_C=4.0)
SOAKED = Handling(treatment=Treatment.SOAKED, soak_h=20.0)


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> Path:
    truth = {name: np.array([value]) for name, value in ESTIMATE.centre().items()}
    plantings = [Planting(day=5.0), Planting(day=40.0, handling=SOAKED, seed_lot="L2")]
    plots = grow(CROP, truth, SERIES, plantings, np.random.default_rng(3))
    return write_records(plots, tmp_path_factory.mktemp("records") / "trial.csv")


@pytest.fixture(scope="module")
def estimate(records: Path) -> Estimate:
    """Fitted to the records as they were written."""
    return fit_with_prior(
        CROP, plots_of_records(read_records(records), CROP), [SERIES], seed=1
    ).estimate()


@pytest.mark.parametrize("seed", [1, 2])
def test_a_fit_does_not_depend_on_the_order_of_lines(
    records: Path, estimate: Estimate, tmp_path: Path, seed: int
) -> None:
    head, *lines = records.read_text(encoding="utf-8").splitlines()
    shuffled = tmp_path / "trial.csv"
    order = np.random.default_rng(seed).permutation(len(lines))
    shuffled.write_text("\n".join([head, *(lines[i] for i in order)]) + "\n", encoding="utf-8")
    straight = plots_of_records(read_records(records), CROP)
    turned = plots_of_records(read_records(shuffled), CROP)
    assert {plot.name for plot in straight} == {plot.name for plot in turned}
    assert digest_of(straight) == digest_of(turned)
    one = estimate
    two = fit_with_prior(CROP, turned, [SERIES], seed=1).estimate()
    spread = np.sqrt(np.diag(one.covariance))
    assert np.abs((two.mean - one.mean) / spread).max() < 1e-6
    assert np.abs(two.covariance - one.covariance).max() < 1e-6 * np.abs(one.covariance).max()
