"""What a fit without a prior moves, and where it gives up."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration.likelihood import SLIPS, Likelihood
from thermosprout.calibration.maximum_likelihood import PlainFit, fit_without_prior, informed
from thermosprout.calibration.plots import Plot
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.errors import FitError

CROP = plain_crop()
THERMAL, STAND = (PARAMETERS[name].label for name in ("thermal_time_50_Cd", "field_factor"))


def pot(name: str, constant_C: float = 12.0, new: tuple[float, ...] = (4.0, 9.0, 5.0)) -> Plot:
    return Plot(
        name=name, planted_h=0.0, depth_cm=1.27, seeds=30, constant_C=constant_C,
        hours=24.0 * np.array([6.0, 8.0, 10.0])[: len(new)], new=np.array(new),
    )  # fmt: skip


def names(fit: PlainFit) -> set[str]:
    return {fit.layers.names[entry].removeprefix("crop:") for entry in fit.free}


def test_a_place_is_pinned_by_the_information_left() -> None:
    """What is left of a place's information is one over its variance, given all before it."""
    size = 9
    rng = np.random.default_rng(5)
    root = rng.standard_normal((size, size)) * np.linspace(0.4, 2.5, size)[:, None]
    information = root @ root.T

    def by_hand(least: float) -> list[int]:
        free, pinned = [0], []
        for place in range(1, size):
            block = information[np.ix_([*free, place], [*free, place])]
            if 1.0 / np.linalg.inv(block)[-1, -1] >= least:
                free.append(place)
                pinned.append(place)
        return pinned

    bars = (0.05, 0.5, 2.0, 8.0, 30.0)
    assert len({len(by_hand(least)) for least in bars}) > 2
    for least in bars:
        assert informed(information, 1, least) == by_hand(least)
    # Two that say the same are worth one.
    same = np.array([[9.0, 9.0, 0.0], [9.0, 9.0, 0.0], [0.0, 0.0, 4.0]])
    assert informed(same, 1) == [2]
    assert informed(same - np.diag([0.0, 0.0, 0.1]), 1) == []


def test_what_is_not_moved_stands_as_the_catalogue_has_it() -> None:
    fit = fit_without_prior(CROP, [pot("a", 8.0), pot("b", 16.0)])
    rest = [
        i for i, name in enumerate(fit.layers.names) if i not in fit.free and "plot_" not in name
    ]
    np.testing.assert_array_equal(fit.vector[rest], fit.layers.mean[rest])


UNLIKE = [
    pot(f"p{k}", new=new)
    for k, new in enumerate(
        [(16.0, 2.0, 0.0), (0.0, 16.0, 2.0), (0.0, 0.0, 18.0), (18.0, 0.0, 0.0)]
    )
]


def test_few_plots_or_plots_alike_have_nothing_of_their_own() -> None:
    """Two plots beyond the first of a setting do not tell how plots differ."""
    for pots in (UNLIKE[:3], [pot(f"p{k}") for k in range(4)]):
        assert not names(fit_without_prior(CROP, pots)) & {"plot_speed_sd", "plot_stand_rho"}


@pytest.mark.slow
def test_plots_differ_where_enough_of_them_are_alike() -> None:
    assert {"plot_speed_sd", "plot_stand_rho"} <= names(fit_without_prior(CROP, UNLIKE))


def test_all_up_at_the_first_look_is_no_peak() -> None:
    """The sooner the seedlings came the better such a count is explained."""
    with pytest.raises(FitError, match=f"do not determine {THERMAL}"):
        fit_without_prior(CROP, [pot("p", new=(30.0,))])


def test_one_plot_with_seedlings_is_enough_to_begin() -> None:
    empty = pot("e", new=(0.0, 0.0, 0.0))
    noted = replace(empty, name="n", hours=np.zeros(0), new=np.zeros(0), noted_h=(90.0, 114.0))
    assert "thermal_time_50_Cd" in names(fit_without_prior(CROP, [empty, pot("a")]))
    with pytest.raises(FitError, match=f"do not determine {THERMAL}, {STAND};"):
        fit_without_prior(CROP, [noted, empty])
    with pytest.raises(FitError, match="nothing emerged"):
        fit_without_prior(CROP, [empty, replace(empty, name="f")])


@pytest.mark.parametrize("sprouted", [0, 1, 2])
def test_slips_are_allowed_for_only_where_a_plot_was_sprouted(sprouted: int) -> None:
    """A batch has sprouts that were not counted; of dry seed all that shows is counted."""
    batch = Handling(treatment=Treatment.PRESPROUTED, sprout_h=48.0)
    plots = [pot("a", 8.0), pot("b", 16.0)]
    plots[:sprouted] = [
        replace(plot, treatment="presprouted", handling=batch) for plot in plots[:sprouted]
    ]
    fit = fit_without_prior(CROP, plots)
    lenient, strict = (
        Likelihood(fit.model, slips=slips, free_dishes=True).plots(fit.vector[None]).sum()
        for slips in (SLIPS, 0.0)
    )
    assert fit.log_likelihood == pytest.approx(lenient if sprouted else strict, abs=1e-9)
    assert abs(lenient - strict) > 1e-6
