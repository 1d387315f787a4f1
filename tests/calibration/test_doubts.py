"""What a reader is told before a calibration is used: each sentence and when it is said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration import warnings as doubts
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.result import Finding
from thermosprout.calibration.warnings import Temperatures

CROP = plain_crop()
CENTRE = CROP.estimate.centre()


def plot(name: str = "p", **changed: object) -> Plot:
    usual: dict[str, object] = {
        "name": name, "planted_h": 0.0, "depth_cm": 2.0, "seeds": 40,
        "hours": np.array([48.0, 96.0, 144.0]), "new": np.array([0.0, 8.0, 4.0]),
    }  # fmt: skip
    return Plot(**(usual | changed))  # type: ignore[arg-type]


def dish(name: str, constant_C: float, days: float, emerged: float = 30.0) -> Plot:
    """All came in the day before."""
    hours = np.array([24.0 * days - 24.0, 24.0 * days])
    new = np.array([0.0, emerged])
    return plot(name, hours=hours, new=new, constant_C=constant_C, dish=True, block="1")


def finding(
    name: str, estimate: float | None, *, low: float = 2.0, high: float = 6.0, kept: bool = False
) -> Finding:
    return Finding(
        name=name, estimate=estimate, low=low, high=high, prior=(4.0, 2.0, 6.0), narrower=0.5,
        kept=kept,
    )  # fmt: skip


def seen(*means: float, at: tuple[tuple[float, int], ...] = ((8.0, 2), (14.0, 2), (20.0, 2))):
    return Temperatures(means=np.array(means), plots_at=at)


WIDE = seen(8.0, 14.0, 20.0)


@dataclass
class _Fit:
    """The part of a fit that sentences are made from."""

    effective_draws: float
    plots: tuple[Plot, ...]


def said(fit: _Fit, *findings: Finding, temperatures: Temperatures = WIDE) -> tuple[str, ...]:
    return doubts.warnings_with_prior(CROP, fit, findings, temperatures)  # type: ignore[arg-type]


PAIR = (plot("a"), plot("b"))


def test_a_sound_fit_is_doubted_in_nothing() -> None:
    assert said(_Fit(100.0, PAIR), finding("t_base_C", CENTRE["t_base_C"])) == ()


def test_few_draws_are_rough() -> None:
    assert said(_Fit(99.4, PAIR)) == (
        "the fit rests on 99 effective draws: take its intervals as rough",
    )


def test_a_figure_far_from_what_was_known_is_told() -> None:
    index = CROP.estimate.names.index("t_base_C")
    sd = float(np.sqrt(CROP.estimate.covariance[index, index]))
    base = CENTRE["t_base_C"]
    for sign in (1.0, -1.0):
        near, far = base + sign * 2.9 * sd, base + sign * 3.1 * sd
        assert said(_Fit(500.0, PAIR), finding("t_base_C", near)) == ()
        (sentence,) = said(_Fit(500.0, PAIR), finding("t_base_C", far))
        assert sentence.startswith(f"t_base_C came out at {far:.3g}, far from the 2 to 6 known")
        assert said(_Fit(500.0, PAIR), finding("t_base_C", far, kept=True)) == ()
    assert said(_Fit(500.0, PAIR), finding("t_opt_C", 999.0)) == ()


def test_a_narrow_range_keeps_the_base() -> None:
    base = f"{CENTRE['t_base_C']:.1f}"
    kept = said(_Fit(500.0, PAIR), temperatures=seen(10.0, 14.4))
    assert kept == (
        (
            "your plots were between 10 and 14 °C: base temperature stays at the catalogue's "
            f"{base} °C (it takes plots 5 °C or more apart)"
        ),
    )
    assert said(_Fit(500.0, PAIR), temperatures=seen(10.0, 15.0)) == ()
    (one,) = said(_Fit(500.0, PAIR), temperatures=seen(10.0, 10.4))
    assert one.startswith("your plots were all at 10 °C:")
    (half,) = said(_Fit(500.0, PAIR), temperatures=seen(10.0, 10.5))
    assert half.startswith("your plots were between 10 and 10 °C:")
    (none,) = said(_Fit(500.0, PAIR), temperatures=seen())
    assert none == (
        f"nothing came up in any plot: base temperature stays at the catalogue's {base} °C"
    )


def test_plots_tell_of_themselves() -> None:
    single = (plot("a"), plot("b", planted_h=24.0))
    assert any("no plot was replicated" in text for text in said(_Fit(500.0, single)))
    noted = (plot("a", noted_h=(24.0, 72.0)), plot("b", noted_h=(24.0, 72.0), planted_h=1.0))
    assert said(_Fit(500.0, noted)) == ()
    empty = [plot(f"e{k}", new=np.zeros(3)) for k in range(5)]
    assert "nothing came up in e0" in said(_Fit(500.0, (*PAIR, empty[0])))
    assert "nothing came up in e0, e1, e2, e3" in said(_Fit(500.0, (*PAIR, *empty[:4])))
    assert "nothing came up in e0, e1, e2, e3 and others" in said(_Fit(500.0, (*PAIR, *empty)))


def test_speed_that_falls_as_it_warms_is_told_below_the_optimum_only() -> None:
    def falling(cool: float, warm: float, slower: float) -> list[str]:
        plots = [dish("a", cool, 5.0), dish("b", cool, 5.0),
                 dish("c", warm, slower), dish("d", warm, slower)]  # fmt: skip
        return doubts._falling_rates(plots, CROP)

    assert falling(10.0, 15.0, 6.0) == [
        (
            "speed does not rise steadily with temperature: half had come after 5.5 d at 15 °C and "
            "after 4.5 d at 10 °C"
        )
    ]
    assert falling(10.0, 15.0, 5.2) == []
    assert falling(10.0, 15.0, 5.3) != []
    optimum = CENTRE["t_base_C"] + CENTRE["opt_gap_C"]
    assert falling(10.0, optimum + 2.9, 9.0) != []
    assert falling(10.0, optimum + 3.1, 9.0) == []
    few = [dish("a", 10.0, 5.0, 2.0), dish("b", 15.0, 9.0, 2.0)]
    assert doubts._falling_rates(few, CROP) == []


def alone(base: Finding, temperatures: Temperatures = WIDE) -> list[str]:
    fit = SimpleNamespace(crop=CROP)
    return doubts._base_alone(fit, base, temperatures)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("estimate", "words"),
    [(4.0, None), (-0.9, None), (8.9, None), (-1.1, "far from the 2.0 to 6.0 °C known"),
     (9.1, "far from"), (-5.1, "absurd"), (20.1, "absurd"), (-4.9, "far from"),
     (19.9, "far from")],
)  # fmt: skip
def test_a_base_that_cannot_be_is_called_so(estimate: float, words: str | None) -> None:
    found = alone(finding("t_base_C", estimate, low=estimate - 1, high=estimate + 1),
                  seen(8.0, 20.0))  # fmt: skip
    told = [text for text in found if "far from" in text or "absurd" in text]
    assert [words in text for text in told] == ([] if words is None else [True])


def test_a_base_is_doubted_for_its_width_its_distance_and_its_plots() -> None:
    assert alone(finding("t_base_C", 4.0, low=-1.0, high=9.0)) == []
    assert alone(finding("t_base_C", 4.0, low=-1.1, high=9.0)) == [
        "the base temperature is only known to lie between -1.1 and 9.0 °C"
    ]
    assert alone(finding("t_base_C", 4.0), seen(14.0, 20.0)) == []
    (far,) = alone(finding("t_base_C", 4.0), seen(14.5, 20.0))
    assert far.startswith("the base temperature lies 10 °C below the coldest plot")
    two = seen(8.0, 20.0, at=((8.0, 2), (20.0, 1)))
    assert alone(finding("t_base_C", 4.0), two) == [
        "two temperatures give a line but nothing to check it with"
    ]
    ones = seen(8.0, 14.0, 20.0, at=((8.0, 1), (14.0, 1), (20.0, 1)))
    (single,) = alone(finding("t_base_C", 4.0), ones)
    assert single.startswith("there is one plot or dish at each temperature")
    assert alone(replace(finding("t_base_C", None), low=None)) == []


def test_a_median_off_the_fit_is_told_in_ln_thermal_time_with_its_error() -> None:
    """Half of 20 seedlings come in the second interval: placed by hand on the thermal clock."""
    one = plot("a", new=np.array([4.0, 12.0, 4.0]))
    predicted = SimpleNamespace(
        progress=np.array([[[40.0, 60.0, 90.0]]]), credit=np.array([[10.0]]),
        ln_scale=np.array([[np.log(50.0)]]), sigma=np.array([[0.2]]),
    )  # fmt: skip
    fit = SimpleNamespace(
        model=SimpleNamespace(predict=lambda _: predicted), vector=np.zeros(3), plots=(one,)
    )
    plots, off, error = doubts._offsets(fit)  # type: ignore[arg-type]
    assert [p.name for p in plots] == ["a"]
    middle = 50.0 + (10.0 - 4.0) / 12.0 * 20.0
    assert off[0] == pytest.approx(np.log(middle / 50.0))
    # Variance of a normal sample's median is pi / 2 of its mean's; a look's width as a uniform.
    width = np.log(70.0 / 50.0) / 3.5
    assert error[0] == pytest.approx(np.sqrt(1.57 * 0.04 / 20 + width**2), rel=1e-6)
    fit.plots = (replace(one, new=np.array([0.0, 2.0, 0.0])),)
    assert doubts._offsets(fit)[0] == []  # type: ignore[arg-type]
    fit.plots = (replace(one, noted_h=(1.0, 2.0)),)
    assert doubts._offsets(fit)[0] == []  # type: ignore[arg-type]


def test_scatter_beyond_chance_names_the_worst_plot(monkeypatch: pytest.MonkeyPatch) -> None:
    plots = [plot(name) for name in "abcd"]

    def scattered(*off: float) -> list[str]:
        told = (plots[: len(off)], np.array(off), np.full(len(off), 0.1))
        monkeypatch.setattr(doubts, "_offsets", lambda _: told)
        return doubts._scatter(SimpleNamespace())  # type: ignore[arg-type]

    # Four plots, two free: the sum of squares over 2 must reach 4.
    assert scattered(0.1, -0.1, 0.1, 0.22) == []
    # (3 + 5) / 2 is the bound itself; a little more is told of.
    assert scattered(0.1, -0.1, 0.1, 0.223) == []
    assert scattered(0.1, -0.1, 0.1, 0.224)
    assert scattered(0.1, -0.1, 0.1, 0.27) == [
        (
            "plots scatter about the fit 2.3 times more than their seeds explain; d is 31% slower: "
            "do not trust the intervals"
        )
    ]
    assert "b is 49% faster" in scattered(0.1, -0.4, 0.1, 0.2)[0]
    assert scattered(0.9, -0.9) == []
    assert scattered(0.9, -0.9, 0.9) != []


def test_the_worst_plot_is_that_of_the_largest_offset_for_its_error(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plots = [plot(name) for name in "abcd"]
    told = (plots, np.array([0.5, 0.3, 0.05, -0.02]), np.array([0.5, 0.02, 0.05, 0.1]))
    monkeypatch.setattr(doubts, "_offsets", lambda _: told)
    (sentence,) = doubts._scatter(SimpleNamespace())  # type: ignore[arg-type]
    ratio = np.sqrt((1.0 + 15.0**2 + 1.0 + 0.04) / 2)
    assert f"{ratio:.1f} times more than their seeds explain; b is 35% slower" in sentence


@pytest.mark.parametrize(("new", "place"), [([3.0, 0.0, 0.0], 0), ([0.0, 1.0, 2.0], 2)])
def test_three_seedlings_are_enough_and_come_between_two_looks(
    new: list[float], place: int
) -> None:
    progress = [0.4, 0.9, 30.0]
    predicted = SimpleNamespace(
        progress=np.array([[progress]]), credit=np.zeros((1, 1)),
        ln_scale=np.array([[np.log(10.0)]]), sigma=np.array([[0.2]]),
    )  # fmt: skip
    fit = SimpleNamespace(
        model=SimpleNamespace(predict=lambda _: predicted), vector=np.zeros(3),
        plots=(plot("a", new=np.array(new)),),
    )  # fmt: skip
    _, off, _ = doubts._offsets(fit)  # type: ignore[arg-type]
    before = progress[place - 1] if place else 0.0
    part = 0.5 if place == 0 else 0.25
    middle = before + part * (progress[place] - before)
    assert off[0] == pytest.approx(np.log(middle / 10.0))


def test_each_plot_is_held_against_its_own_counts_and_its_own_fit() -> None:
    """Two counted plots about one of which only a date is known; looks unlike in number."""
    early = plot("a", hours=np.array([24.0, 48.0]), new=np.array([10.0, 6.0]))
    noted = plot("n", noted_h=(24.0, 72.0))
    late = plot("b")
    predicted = SimpleNamespace(
        progress=np.array([[[0.6, 0.9, 0.9], [5.0, 7.0, 7.0], [20.0, 30.0, 45.0]]]),
        credit=np.array([[0.0, 0.0, 4.0]]), ln_scale=np.log([[0.5, 6.0, 40.0]]),
        sigma=np.array([[0.3, 0.2, 0.1]]),
    )  # fmt: skip
    fit = SimpleNamespace(
        model=SimpleNamespace(predict=lambda _: predicted), vector=np.zeros(3),
        plots=(early, noted, late),
    )  # fmt: skip
    plots, off, error = doubts._offsets(fit)  # type: ignore[arg-type]
    assert [each.name for each in plots] == ["a", "b"]
    # Eight of sixteen: eight tenths through the first span, which begins at planting.
    # Six of twelve: six eighths through the second, from 24 to 34 with the head start of 4.
    assert off == pytest.approx([np.log(0.48 / 0.5), np.log((24.0 + 0.75 * 10.0) / 40.0)])
    # A span is taken from half its end where it begins before that.
    widths = np.log([2.0, 34.0 / 24.0]) / 3.5
    variances = 1.57 * np.square([0.3, 0.1]) / [16, 12] + widths**2
    assert error == pytest.approx(np.sqrt(variances))
