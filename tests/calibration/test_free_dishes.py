"""Final shares of dishes that a fit leaves free, and batches of vectors worked block by block."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize_scalar
from scipy.stats import binom

from tests.calibration.growers import Planting, grow, plain_crop, spring
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.treatments import Handling

ESTIMATE = Estimate.generic(
    "beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (100.0, 0.3)}
)
CROP = plain_crop(estimate=ESTIMATE)
SERIES = spring(days=80, seed=2)
HOURS = 24.0 * np.array([4.0, 6.0, 8.0, 10.0])


def dish(name: str, new: list[float], seeds: int = 50, at: float = 16.0) -> Plot:
    return Plot(
        name=name, planted_h=0.0, depth_cm=1.27, seeds=seeds, constant_C=at, dish=True,
        hours=HOURS, new=np.array(new),
    )  # fmt: skip


DISHES = [
    dish("a", [2, 9, 12, 4]), dish("b", [0, 8, 9, 6], seeds=40), dish("c", [1, 3, 9, 9], at=12.0)
]  # fmt: skip


def free(plots: list[Plot], **changed: float) -> tuple[Likelihood, np.ndarray]:
    layers = layers_of(ESTIMATE, plots)
    # Plots without a speed of their own, so that a likelihood can be written down by hand.
    names = [name.removeprefix("crop:") for name in layers.names]
    vector = layers.mean.copy()
    vector[names.index("plot_speed_sd")] = np.log(1e-7)
    vector[names.index("plot_stand_rho")] = -40.0
    both = Likelihood(Model(CROP, plots, layers, dish_share=1.0), slips=0.0, free_dishes=True)
    return both, vector


def shown_of(both: Likelihood, vector: np.ndarray) -> np.ndarray:
    """Share of the final stand at each look, by the likelihood's own prediction."""
    conditional = both.conditional(both.model.predict(vector[None]))
    return conditional.emergence(np.zeros((1, len(both.model.plots))))[0]


def test_a_settings_final_share_is_the_likeliest_of_its_dishes() -> None:
    both, vector = free(DISHES)
    shown = shown_of(both, vector)
    found = both.plots(vector[None])[0]

    def log_likelihood(index: int, share: float) -> float:
        plot = DISHES[index]
        gained = np.diff(shown[index], prepend=0.0)
        timing = float(plot.new @ np.log(gained / shown[index, -1]))
        return timing + float(binom.logpmf(plot.emerged, plot.seeds, share * shown[index, -1]))

    for members in ((0, 1), (2,)):
        best = minimize_scalar(
            lambda share, of=members: -sum(log_likelihood(index, share) for index in of),
            bounds=(0.01, 1.0), method="bounded", options={"xatol": 1e-9},
        ).x  # fmt: skip
        by_hand = [log_likelihood(index, best) for index in members]
        constant = [
            float(binom.logpmf(DISHES[i].emerged, DISHES[i].seeds, 0.5))
            - DISHES[i].seeds * np.log(0.5)
            for i in members
        ]
        # Of labelled seeds: without the number of ways to pick those that came.
        expected = np.array(by_hand) - np.array(constant)
        assert found[list(members)] == pytest.approx(expected, abs=2e-3)


def test_a_settled_share_belongs_to_its_speed() -> None:
    both, vector = free(DISHES)
    conditional = both.conditional(both.model.predict(vector[None]))
    speed = np.full((1, 3), 0.4)
    conditional.settle_shares(speed)
    last = conditional.gained(conditional.emergence(speed)).sum(axis=-1)
    assert conditional.fixed_shares
    assert conditional.share == pytest.approx(conditional.best_share(last))
    # Dishes of one setting have one share; it accounts for those that are still to come.
    assert conditional.share[0, 0] == conditional.share[0, 1] != conditional.share[0, 2]
    emerged, seeds = np.array([27.0 + 23.0, 22.0]), np.array([90.0, 50.0])
    assert conditional.share[0, 0] > emerged[0] / seeds[0]
    assert conditional.share[0, 2] > emerged[1] / seeds[1]
    pots = [replace(plot, dish=False) for plot in DISHES]
    other, vector = free(pots)
    conditional = other.conditional(other.model.predict(vector[None]))
    before = conditional.share.copy()
    conditional.settle_shares(speed)
    assert not conditional.fixed_shares
    assert conditional.share == pytest.approx(before)


def grown() -> list[Plot]:
    truth = {name: np.array([value]) for name, value in ESTIMATE.centre().items()}
    plantings = [
        Planting(day=20.0, plots=2),
        Planting(day=24.0, plots=2, handling=Handling(), every_d=2.0),
    ]
    return grow(CROP, truth, SERIES, plantings, np.random.default_rng(1))


def test_many_vectors_at_once_are_as_one_at_a_time() -> None:
    plots = grown()
    layers = layers_of(ESTIMATE, plots)
    both = Likelihood(Model(CROP, plots, layers, [SERIES]))
    vectors = layers.mean + 0.1 * np.random.default_rng(3).standard_normal((7, layers.mean.size))
    alone = np.concatenate([both.plots(vector[None]) for vector in vectors])
    # The search for a speed ends when all are close to it.
    assert both.plots(vectors) == pytest.approx(alone, abs=2e-3)


def test_nodes_are_the_speeds_about_which_a_plot_is_integrated() -> None:
    plots = grown()
    layers = layers_of(ESTIMATE, plots)
    both = Likelihood(Model(CROP, plots, layers, [SERIES]))
    here = layers.parameters(layers.mean[None])
    at, width = both.nodes(here)
    centre = both.conditional(both.model.predict_cells(here)).centre()
    assert at == pytest.approx(centre[0])
    assert width == pytest.approx(centre[1])
    # Close by, the integral does not hang on where its nodes were found.
    near = layers.parameters((layers.mean + 1e-3)[None])
    moved = both.plots_of_cells(near, (at, width))
    assert moved == pytest.approx(both.plots_of_cells(near), abs=1e-3)
    elsewhere = both.plots_of_cells(near, (at + 3.0, width))
    assert np.abs(elsewhere - both.plots_of_cells(near)).max() > 0.05
