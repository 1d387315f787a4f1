"""The search of a fit without a prior: what it lets go, takes in and ends with, laid by hand."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration import maximum_likelihood as without_prior
from thermosprout.calibration.hierarchy import layers_of
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Model
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import FitError

CROP = plain_crop()


def pot(name: str, constant_C: float) -> Plot:
    return Plot(
        name=name, planted_h=0.0, depth_cm=1.27, seeds=30, constant_C=constant_C,
        hours=24.0 * np.array([6.0, 8.0, 10.0]), new=np.array([4.0, 9.0, 5.0]),
    )  # fmt: skip


def model_of(*temperatures: float) -> Model:
    plots = [pot(f"{c:g}", c) for c in temperatures]
    return Model(CROP, plots, layers_of(CROP.estimate, plots), dish_share=1.0)


def entry(model: Model, name: str) -> int:
    return model.layers.names.index(f"crop:{name}")


class Searching:
    """The search with every step laid by hand; entries are told by name."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch, flat: set[str], pinned: list[list[str]]):
        self.model = model_of(8.0, 16.0)
        self.flat, self.tried = flat, []
        answers = iter(pinned)
        names = self.model.layers.names

        def of(entries: object) -> list[str]:
            return [names[i].removeprefix("crop:") for i in entries]  # type: ignore[attr-defined]

        def problem(likelihood: object, vector: np.ndarray, free: np.ndarray) -> SimpleNamespace:
            told = of(free)
            self.tried.append(told)
            weakest = 0.0 if self.flat & set(told) else 1.0
            return SimpleNamespace(
                vectors=lambda w: np.full((1, len(names)), 7.0),
                curvature=lambda w: np.diag([weakest, 2.0]),
            )

        def next_pinned(*args: object, **kwargs: object) -> list[int]:
            return [entry(self.model, name) for name in next(answers)]

        for name, instead in {
            "_always": lambda model, begun: [entry(model, "thermal_time_50_Cd")],
            "_pinned": next_pinned, "_problem": problem,
            "_start_vector": lambda model, begun, free: begun, "_peak": lambda *args: np.zeros(2),
            "_empty_effect": lambda *args: None, "_rivals": lambda *args: [],
        }.items():  # fmt: skip
            monkeypatch.setattr(without_prior, name, instead)
        self.names = of

    def run(self) -> list[str]:
        likelihood = SimpleNamespace(model=self.model)
        begun = self.model.layers.mean
        _, best, free = without_prior._search(likelihood, likelihood, begun)  # type: ignore[arg-type]
        assert (best == 0).all()
        return self.names(free)


def test_a_search_ends_where_moved_and_pinned_agree(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = Searching(monkeypatch, set(), [["t_base_C", "sigma"], ["t_base_C"], ["t_base_C"]])
    assert search.run() == ["thermal_time_50_Cd", "t_base_C"]
    assert search.tried == [
        ["thermal_time_50_Cd", "t_base_C", "sigma"], ["thermal_time_50_Cd", "t_base_C"],
    ]  # fmt: skip


def test_a_search_without_peak_lets_the_last_go(monkeypatch: pytest.MonkeyPatch) -> None:
    search = Searching(
        monkeypatch, {"opt_gap_C"}, [["t_base_C", "opt_gap_C", "sigma"], ["t_base_C"]]
    )
    assert search.run() == ["thermal_time_50_Cd", "t_base_C"]
    assert [len(tried) for tried in search.tried] == [4, 3, 2]


def test_a_search_without_any_peak_is_no_fit(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = Searching(monkeypatch, {"thermal_time_50_Cd"}, [["sigma"]])
    with pytest.raises(FitError, match="do not determine thermal_time_50_Cd;"):
        search.run()
    assert search.tried == [["thermal_time_50_Cd", "sigma"], ["thermal_time_50_Cd"]]


def test_late_tasks_move_on_and_vanished_ones_do_not(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    search = Searching(monkeypatch, set(), [["t_base_C"], ["t_base_C"]])
    speed, credit = entry(search.model, "plot_speed_sd"), entry(search.model, "soak_credit")
    thermal = entry(search.model, "thermal_time_50_Cd")
    gone, rivals = iter([speed, None, None]), iter([[credit], []])
    starts: list[float] = []
    monkeypatch.setattr(without_prior, "_always", lambda model, begun: [thermal, speed])
    monkeypatch.setattr(without_prior, "_empty_effect", lambda *args: next(gone))
    monkeypatch.setattr(without_prior, "_rivals", lambda *args: next(rivals))
    monkeypatch.setattr(
        without_prior,
        "_start_vector",
        lambda model, begun, free: starts.append(begun[speed]) or begun,
    )
    assert search.run() == ["thermal_time_50_Cd", "soak_credit", "t_base_C"]
    assert search.tried == [
        ["thermal_time_50_Cd", "plot_speed_sd", "t_base_C"], ["thermal_time_50_Cd", "t_base_C"],
        ["thermal_time_50_Cd", "soak_credit", "t_base_C"],
    ]  # fmt: skip
    nothing = without_prior._nothing("plot_speed_sd")
    assert starts[0] == search.model.layers.mean[speed]
    assert starts[1:] == [nothing, nothing]


class Reached(Exception):
    """The fit got past what it asks of its plots."""


def test_one_plot_with_seedlings_is_enough_to_begin(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def reached(*args: object) -> None:
        raise Reached

    monkeypatch.setattr(without_prior, "layers_of", reached)
    empty = replace(pot("e", 12.0), new=np.zeros(3))
    noted = replace(empty, name="n", hours=np.zeros(0), new=np.zeros(0), noted_h=(90.0, 114.0))
    for plots in ([empty, pot("a", 12.0)], [noted, empty]):
        with pytest.raises(Reached):
            without_prior.fit_without_prior(CROP, plots)
    with pytest.raises(FitError, match="nothing emerged"):
        without_prior.fit_without_prior(CROP, [empty, replace(empty, name="f")])


@pytest.mark.parametrize(("sprouted", "strict"), [(0, True), (1, False), (2, False)])
def test_counting_slips_only_where_a_plot_was_sprouted(
    monkeypatch: pytest.MonkeyPatch, sprouted: int, strict: bool
) -> None:
    """A batch has sprouts that were not counted; of dry seed all that shows is counted."""
    asked: list[dict[str, object]] = []

    def likelihood(model: Model, **given: object) -> SimpleNamespace:
        asked.append(given)
        return SimpleNamespace(**given)

    def reached(*args: object) -> None:
        raise Reached

    monkeypatch.setattr(without_prior, "Likelihood", likelihood)
    monkeypatch.setattr(without_prior, "_beginning", reached)
    batch = Handling(treatment=Treatment.PRESPROUTED, sprout_h=48.0)
    plots = [pot("a", 8.0), pot("b", 16.0)]
    plots[:sprouted] = [
        replace(plot, treatment="presprouted", handling=batch) for plot in plots[:sprouted]
    ]
    with pytest.raises(Reached):
        without_prior.fit_without_prior(CROP, plots)
    assert [given.get("slips") == 0.0 for given in asked] == [False, True][: 1 + strict]
