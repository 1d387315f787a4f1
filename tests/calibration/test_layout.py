"""The vector that is fitted, laid out by hand for two varieties, three lots and a label."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.hierarchy import LABEL_SPREADS, LOT_SHARE, VARIETY_SHARE, layers_of
from thermosprout.calibration.plots import Plot
from thermosprout.crops.estimate import Estimate

CROP = plain_crop()
NAMES = CROP.estimate.names
OF_VARIETY = ("t_base_C", "thermal_time_50_Cd", "sigma", "field_factor")
OF_LOT = OF_VARIETY[1:]


def correlated() -> Estimate:
    """An estimate in which everything hangs together."""
    root = 0.2 * np.random.default_rng(0).standard_normal((len(NAMES), len(NAMES)))
    covariance = CROP.estimate.covariance + root @ root.T
    return replace(CROP.estimate, covariance=covariance)


def plots() -> list[Plot]:
    plain = Plot(name="a", planted_h=0.0, depth_cm=2.0, seeds=40)
    return [
        replace(plain, variety="Red", seed_lot="2"), replace(plain, variety="Red", seed_lot="1"),
        replace(plain, variety="Gold"), replace(plain, seed_lot="1", treatment="fleece"), plain,
        replace(plain, variety="Red", seed_lot="2"),
    ]  # fmt: skip


def given_all_others(covariance: np.ndarray, chosen: tuple[str, ...]) -> np.ndarray:
    """Conditional covariance: the inverse of a block of the precision."""
    index = [NAMES.index(name) for name in chosen]
    return np.asarray(np.linalg.inv(np.linalg.inv(covariance)[np.ix_(index, index)]))


def placed(chosen: tuple[str, ...], block: np.ndarray) -> np.ndarray:
    full = np.zeros((len(NAMES), len(NAMES)))
    index = [NAMES.index(name) for name in chosen]
    full[np.ix_(index, index)] = block
    return full


def test_entries_maps_and_prior_are_those_laid_by_hand() -> None:
    estimate = correlated()
    found = layers_of(estimate, plots())
    cells = [
        (None, None, None), (None, "1", "fleece"), ("Gold", None, None), ("Red", "1", None),
        ("Red", "2", None),
    ]  # fmt: skip
    assert list(found.cells) == cells
    assert found.plot_cell.tolist() == [4, 3, 2, 1, 0, 4]
    owners = [
        ("crop", NAMES), ("variety Gold", OF_VARIETY), ("variety Red", OF_VARIETY),
        ("lot /1", OF_LOT), ("lot Red/1", OF_LOT), ("lot Red/2", OF_LOT),
        ("treatment fleece", ("thermal_time_50_Cd", "field_factor")),
    ]  # fmt: skip
    names = [f"{owner}:{name}" for owner, parameters in owners for name in parameters]
    assert list(found.names) == names
    members = [
        {"crop"}, {"crop", "lot /1", "treatment fleece"}, {"crop", "variety Gold"},
        {"crop", "variety Red", "lot Red/1"}, {"crop", "variety Red", "lot Red/2"},
    ]  # fmt: skip
    maps = np.zeros((5, len(NAMES), len(names)))
    for cell, mine in enumerate(members):
        for column, entry in enumerate(names):
            owner, name = entry.rsplit(":", 1)
            maps[cell, NAMES.index(name), column] = owner in mine
    np.testing.assert_array_equal(found.maps, maps)
    np.testing.assert_array_equal(found.mean[: len(NAMES)], estimate.mean)
    assert not found.mean[len(NAMES) :].any()
    variety = VARIETY_SHARE * given_all_others(estimate.covariance, OF_VARIETY)
    lot = LOT_SHARE * given_all_others(estimate.covariance, OF_LOT)
    crop = estimate.covariance - placed(OF_VARIETY, variety) - placed(OF_LOT, lot)
    label = np.diag([LABEL_SPREADS["thermal_time_50_Cd"] ** 2, LABEL_SPREADS["field_factor"] ** 2])
    at = 0
    expected = np.zeros((len(names), len(names)))
    for block in (crop, variety, variety, lot, lot, lot, label):
        end = at + len(block)
        expected[at:end, at:end] = block
        at = end
    np.testing.assert_allclose(found.covariance, expected, atol=1e-9)


@pytest.mark.parametrize(
    ("variety", "lot", "owners", "below"),
    [
        (None, None, {"crop"}, {"variety", "lot"}),
        ("Red", None, {"crop", "variety Red"}, {"lot"}),
        ("Red", "2", {"crop", "variety Red", "lot Red/2"}, set()),
        (None, "1", {"crop", "lot /1"}, {"variety"}),
    ],
)
def test_a_level_has_the_spread_of_what_is_below(
    variety: str | None, lot: str | None, owners: set[str], below: set[str]
) -> None:
    estimate = correlated()
    layers = layers_of(estimate, plots())
    chosen, spread = layers.level(variety, lot)
    for column, entry in enumerate(layers.names):
        owner, name = entry.rsplit(":", 1)
        expected = np.zeros(len(NAMES))
        expected[NAMES.index(name)] = owner in owners
        np.testing.assert_array_equal(chosen[:, column], expected, err_msg=entry)
    full = np.zeros_like(spread)
    if "variety" in below:
        own = given_all_others(estimate.covariance, OF_VARIETY)
        full += VARIETY_SHARE * placed(OF_VARIETY, own)
    if "lot" in below:
        full += LOT_SHARE * placed(OF_LOT, given_all_others(estimate.covariance, OF_LOT))
    np.testing.assert_allclose(spread, full, atol=1e-9)


def test_without_variety_and_lot_nothing_is_below_the_crop() -> None:
    plain = [replace(plot, variety=None, seed_lot=None) for plot in plots()]
    layers = layers_of(CROP.estimate, plain)
    size = len(NAMES)
    np.testing.assert_array_equal(layers.covariance[:size, :size], CROP.estimate.covariance)
    assert not layers.level(None, None)[1].any()
    assert layers.indices("sigma").tolist() == [NAMES.index("sigma")]
    assert layers.indices("field_factor").tolist() == [NAMES.index("field_factor"), size + 1]
