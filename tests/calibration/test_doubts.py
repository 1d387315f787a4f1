"""What a reader is told before a calibration is used: each sentence and when it is said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop
from thermosprout.calibration import findings as doubts
from thermosprout.calibration.findings import Finding
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.predict import Temperatures

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


def said(fit: _Fit, *, temperatures: Temperatures = WIDE) -> tuple[str, ...]:
    return doubts.warnings_with_prior(CROP, fit, (), temperatures)  # type: ignore[arg-type]


PAIR = (plot("a"), plot("b"))


def test_a_sound_fit_is_doubted_in_nothing() -> None:
    assert said(_Fit(100.0, PAIR)) == ()


def test_few_draws_are_rough() -> None:
    assert said(_Fit(99.4, PAIR)) == (
        "the fit rests on 99 effective draws: take its intervals as rough",
    )


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
    (half,) = said(_Fit(500.0, PAIR), temperatures=seen(10.4, 10.6))
    assert half.startswith("your plots were between 10 and 11 °C:")
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


def test_speed_that_falls_with_warmth_is_told_below_optimum() -> None:
    def falling(cool: float, warm: float, slower: float) -> list[str]:
        plots = [dish("a", cool, 5.0), dish("b", cool, 5.0),
                 dish("c", warm, slower), dish("d", warm, slower)]  # fmt: skip
        return speeds(*plots)

    def speeds(*plots: Plot) -> list[str]:
        return [text for text in said(_Fit(500.0, plots)) if "speed does not rise" in text]

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
    assert speeds(dish("a", 10.0, 5.0, 2.0), dish("b", 15.0, 9.0, 2.0)) == []


def alone(base: Finding, temperatures: Temperatures = WIDE) -> list[str]:
    """Of a fit without plots, so that nothing is said of them."""
    none = np.zeros((1, 0))
    predicted = SimpleNamespace(
        **dict.fromkeys(("sigma", "z_low", "z_high", "ln_scale", "shift"), none)
    )
    model = SimpleNamespace(plots=(), predict=lambda vectors: predicted)
    fit = SimpleNamespace(crop=CROP, plots=(), model=model, vector=np.zeros(1))
    thermal = finding("thermal_time_50_Cd", 90.0)
    return list(doubts.warnings_without_prior(CROP, fit, (base, thermal), temperatures))  # type: ignore[arg-type]


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


def test_a_base_is_doubted_for_width_distance_and_plots() -> None:
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
    absent, held = alone(replace(finding("t_base_C", None), low=None))
    assert absent.startswith("the records do not pin down a base temperature")
    assert held == "thermal time 90 °C d holds for a base temperature of 4.0 °C only"
