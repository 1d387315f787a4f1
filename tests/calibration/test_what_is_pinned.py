"""What a fit without a prior may move, from information matrices laid by hand."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration import maximum_likelihood as without_prior
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model

CROP = plain_crop()


def model_at(*temperatures: float) -> Model:
    plots = [
        Plot(
            name=f"{index}", planted_h=0.0, depth_cm=2.0, seeds=40, constant_C=temperature,
            hours=np.array([96.0, 144.0]), new=np.array([8.0, 12.0]),
        )
        for index, temperature in enumerate(temperatures)
    ]  # fmt: skip
    return Model(CROP, plots, layers_of(CROP.estimate, plots))


def test_an_entry_is_pinned_by_the_information_left(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Schur complements one after the other: what is known of each given all taken before it."""
    model = model_at(8.0, 20.0)
    names = model.layers.names
    always = [names.index("crop:thermal_time_50_Cd")]
    order = [names.index(f"crop:{name}") for name in without_prior._ORDER]
    size = 1 + len(order)
    rng = np.random.default_rng(5)
    root = rng.standard_normal((size, size)) * np.linspace(0.4, 2.5, size)[:, None]
    information = root @ root.T
    asked: list[np.ndarray] = []

    def problem(likelihood: object, vector: np.ndarray, free: np.ndarray) -> SimpleNamespace:
        asked.append(free)
        chosen = [0, *(1 + order.index(entry) for entry in free[1:])]
        own = information[np.ix_(chosen, chosen)]

        def curvature(w: np.ndarray) -> np.ndarray:
            assert w.tolist() == [0.0] * len(free)
            return own

        return SimpleNamespace(size=len(free), curvature=curvature)

    monkeypatch.setattr(without_prior, "_problem", problem)
    likelihood = SimpleNamespace(model=model)

    def pinned(least: float, among: list[int] | None = None) -> list[int]:
        return without_prior._pinned(
            likelihood,
            model.layers.mean,
            always,
            among=among,
            least=least,  # type: ignore[arg-type]
        )

    def by_hand(least: float, maybe: list[int]) -> list[int]:
        taken, found = [0], []
        for entry in maybe:
            at = 1 + order.index(entry)
            block = information[np.ix_([*taken, at], [*taken, at])]
            # What is left of an entry's information is one over its variance in the block.
            if 1.0 / np.linalg.inv(block)[-1, -1] >= least:
                taken.append(at)
                found.append(entry)
        return found

    kinds = set()
    for least in (0.05, 0.5, 2.0, 8.0, 30.0):
        expected = by_hand(least, order)
        kinds.add(len(expected))
        assert pinned(least) == expected
    assert len(kinds) > 2
    assert asked[0].tolist() == [*always, *order]
    few = order[1::2]
    assert pinned(0.05, among=few) == by_hand(0.05, few)
    assert asked[-1].tolist() == [*always, *few]
    narrow = SimpleNamespace(model=model_at(14.0, 15.0))
    without_prior._pinned(narrow, model.layers.mean, always, least=0.05)  # type: ignore[arg-type]
    assert names.index("crop:t_base_C") in order
    assert names.index("crop:t_base_C") not in asked[-1], "a narrow range tells no base"
    assert len(asked[-1]) == len(asked[0]) - 1


def test_free_entries_move_in_units_of_their_spread() -> None:
    model = model_at(8.0, 20.0)
    likelihood = Likelihood(model, free_dishes=True)
    names = model.layers.names
    free = np.array([names.index("crop:thermal_time_50_Cd"), names.index("crop:t_base_C")])
    vector = model.layers.mean + 0.1
    problem = without_prior._problem(likelihood, vector, free)
    assert problem.size == 2
    assert not problem.prior
    np.testing.assert_allclose(problem.vectors(np.zeros((1, 2)))[0], vector)
    moved = problem.vectors(np.array([[1.0, 0.0], [0.0, 1.0]])) - vector
    spread = np.sqrt(np.diag(model.layers.covariance))
    assert moved[0, free] == pytest.approx([spread[free[0]], 0.0])
    assert moved[1, free[1]] == pytest.approx(spread[free[1]])
    # A warmer base goes with a shorter thermal time, so that the speed stays.
    decorrelation = without_prior.decorrelation_of(model)
    change = decorrelation.shift((vector + moved[1])[None]) - decorrelation.shift(vector[None])
    assert moved[1, free[0]] == pytest.approx(float(change[0]))
    assert change[0] < 0
    others = [i for i in range(len(names)) if i not in free]
    assert not moved[:, others].any()


def test_fixed_parameters_start_at_the_catalogues_speed() -> None:
    model = model_at(8.0, 20.0)
    names, mean = model.layers.names, model.layers.mean
    begun = mean + 0.3 * np.random.default_rng(6).standard_normal(mean.size)
    free = np.array([names.index("crop:thermal_time_50_Cd"), names.index("crop:sigma")])
    found = without_prior._start_vector(model, begun, free)
    effects = [names.index("crop:plot_speed_sd"), names.index("crop:plot_stand_rho")]
    thermal = names.index("crop:thermal_time_50_Cd")
    decorrelation = without_prior.decorrelation_of(model)

    def ln_days(vector: np.ndarray) -> float:
        return float(vector[thermal] - decorrelation.shift(vector[None])[0])

    assert ln_days(found) == pytest.approx(ln_days(begun))
    for entry in range(mean.size):
        if entry != thermal:
            kept = begun if entry in effects or entry in free else mean
            assert found[entry] == kept[entry], names[entry]
