"""A whole check with fits and forecasts laid by hand: who is told what, and what is scored."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from tests.calibration.growers import plain_crop, spring
from thermosprout.calibration import scores
from thermosprout.calibration.plots import Plot
from thermosprout.calibration.scores import LeftOut, Score, check, crps
from thermosprout.emergence.forecast import CropDraws, Sowing, clock_for, forecast_row
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.errors import CoverageError

CROP = plain_crop()


def pot(name: str, day: float, new: list[float], **changed: object) -> Plot:
    planted = 24.0 * day
    usual: dict[str, object] = {
        "name": name, "planted_h": planted, "depth_cm": 2.0, "seeds": 40, "variety": "Red",
        "seed_lot": "1", "hours": planted + 24.0 * np.array([2.0, 4.0, 6.0]), "new": np.array(new),
        "constant_C": 15.0,
    }  # fmt: skip
    return Plot(**(usual | changed))  # type: ignore[arg-type]


PLOTS = [
    pot("a", 0, [0, 8, 4]), pot("b", 0, [12, 0, 0], treatment="soaked"),
    pot("c", 9, [0, 0, 20], seed_lot="2"), pot("d", 20, [0, 10, 0], variety="Gold"),
    pot("e", 30, [0, 16, 0], seed_lot="2"),
]  # fmt: skip
# By interpolation within a span of two days, from the day of planting.
HALF = {"a": 2 + 2 * 6 / 8, "b": 1.0, "c": 5.0, "d": 3.0, "e": 3.0}


def pair_crps(draws: np.ndarray, seen: float) -> float:
    """Mean distance to what was seen less half the mean distance of two different draws."""
    size = len(draws)
    pairs = sum(abs(x - y) for x in draws for y in draws) / (size * (size - 1))
    return float(np.mean([abs(x - seen) for x in draws]) - pairs / 2)


def test_crps_is_the_mean_over_pairs_of_draws() -> None:
    """Gneiting & Raftery (2007), eq. 21, two different draws at a time; two draws are enough."""
    rng = np.random.default_rng(0)
    for size in (2, 3, 11):
        draws = rng.gamma(3.0, 2.0, size)
        assert crps(draws, 5.0) == pytest.approx(pair_crps(draws, 5.0))
    assert crps(np.array([1.0, 4.0, np.nan]), 2.0) == pytest.approx(1.5 - 1.5)
    assert np.isnan(crps(np.full(3, np.nan), 2.0))


@pytest.mark.parametrize("wide", [True, False])
def test_each_forecast_is_scored_on_what_was_left_out(
    monkeypatch: pytest.MonkeyPatch, wide: bool
) -> None:
    fitted: list[list[str]] = []
    asked: list[tuple[object, ...]] = []
    given: list[int] = []

    def fit(crop: object, rest: list[Plot], series: object, *, seed: int) -> SimpleNamespace:
        assert (crop, series, seed) == (CROP, (), 7)
        fitted.append([plot.name for plot in rest])
        return SimpleNamespace(layers=None, estimate=lambda *level: ("posterior", *level))

    def again(fit: SimpleNamespace) -> SimpleNamespace:
        given.append(1)
        return SimpleNamespace(layers=None, estimate=lambda *level: ("base kept", *level))

    def draws(
        crop: object, estimate: object, plot: Plot, series: object, *, seed: int
    ) -> tuple[np.ndarray, np.ndarray]:
        assert seed == 7
        known = estimate is not CROP.estimate
        if known:
            asked.append((plot.name, *estimate))  # type: ignore[misc]
        half = np.linspace(1.0, 4.0 if known else 9.0, 7)
        return half, np.linspace(0.2, 0.5 if known else 0.28, 7)

    seen = SimpleNamespace(wide_enough=wide)
    monkeypatch.setattr(scores, "fit_with_prior", fit)
    monkeypatch.setattr(scores, "base_from_prior", again)
    monkeypatch.setattr(scores, "forecast_draws", draws)
    monkeypatch.setattr(scores, "Model", lambda *_: None)
    monkeypatch.setattr(scores, "temperatures_of", lambda _: seen)
    ticks: list[int] = []
    found = check(
        CROP, PLOTS, left_out=LeftOut.DATE, packet_d=4.0, seed=7, tick=ticks.append
    )  # fmt: skip
    assert fitted == [["c", "d", "e"], ["a", "b", "d", "e"], ["a", "b", "c", "e"],
                      ["a", "b", "c", "d"]]  # fmt: skip
    assert ticks == [1, 1, 1, 1]
    assert len(given) == (0 if wide else 4)
    word = "posterior" if wide else "base kept"
    assert asked == [
        ("a", word, "Red", None), ("b", word, "Red", None), ("c", word, "Red", "2"),
        ("d", word, None, None), ("e", word, "Red", "2"),
    ]  # fmt: skip

    days, shares = list(HALF.values()), [0.3, 0.3, 0.5, 0.25, 0.4]

    def of_draws(name: str, late: float, most: float) -> Score:
        half, stand = np.linspace(1.0, late, 7), np.linspace(0.2, most, 7)
        # Seven equal draws stand at odds of 1/14, 3/14 and so on; a tenth lies 0.2 along.
        step = (late - 1.0) / 6
        inside = [1 + 0.2 * step <= day <= late - 0.2 * step for day in days]
        tenth = 0.1 * (most - 0.2)
        held = [0.2 + tenth <= share <= most - tenth for share in shares]
        return Score(
            name=name, plots=5,
            date_crps_d=pytest.approx(np.mean([pair_crps(half, day) for day in days])),
            date_error_d=pytest.approx(np.mean([abs((1 + late) / 2 - day) for day in days])),
            date_covered=np.mean(inside),
            stand_crps=pytest.approx(np.mean([pair_crps(stand, share) for share in shares])),
            stand_covered=np.mean(held),
        )  # fmt: skip

    def of_days(name: str, told: list[float]) -> Score:
        error = pytest.approx(np.mean(np.abs(np.array(told) - days)))
        return Score(
            name=name, plots=5, date_crps_d=error, date_error_d=error, date_covered=None,
            stand_crps=None, stand_covered=None,
        )  # fmt: skip

    # Of the same treatment: c, d and e for a; b, soaked, has no other, so that it is they too.
    others = [11 / 3, 11 / 3, (3.5 + 3.0 + 3.0) / 3, (3.5 + 5.0 + 3.0) / 3, (3.5 + 5.0 + 3.0) / 3]
    assert found == (
        of_draws("catalogue", 9.0, 0.28), of_draws("calibrated", 4.0, 0.5),
        of_days("packet", [4.0] * 5), of_days("mean of the others", others),
    )  # fmt: skip


def test_a_plot_takes_the_series_that_covers_its_planting() -> None:
    """The forecast's own parts, put together here once more."""
    early, late = spring(days=60, seed=1), spring(days=60, seed=2, start="2025-06-01", site_C=6.0)
    start = float(late["time"].values[0].astype("datetime64[h]").astype(int))
    plot = pot("p", 0, [0, 8, 4], constant_C=None, planted_h=start + 30.0, viability=0.7)
    half, stand = scores.forecast_draws(
        CROP, CROP.estimate, plot, [early, late], size=60, seed=3
    )  # fmt: skip
    draws = CropDraws.of(CROP, 60, 3)
    sowing = Sowing(
        row="p", crop=CROP, handling=plot.handling, started_h=plot.planted_h,
        planted_h=plot.planted_h, depth_cm=2.0, seeds_planted=40,
    )  # fmt: skip
    row = forecast_row(
        sowing, draws, clock_for(draws, late, seed=3), viability=np.full(60, 0.7),
        ln_shift=np.zeros(60), seed=3,
    )  # fmt: skip
    np.testing.assert_allclose(half, (row.hours[:, 1] - plot.planted_h) / 24.0)
    np.testing.assert_allclose(stand, row.seedlings / 40)  # type: ignore[arg-type]
    for hour, covered in ((0.0, True), (-1.0, False), (24.0 * 60 - 1, True), (24.0 * 60, False)):
        moved = replace(plot, planted_h=start + hour)
        if covered:
            of_two, of_one = (
                scores.forecast_draws(CROP, CROP.estimate, moved, soil, size=60, seed=3)
                for soil in ([early, late], [late])
            )
            np.testing.assert_array_equal(of_two, of_one)
        else:
            few = [early.isel(time=slice(0, 24 * 30)), late]
            with pytest.raises(CoverageError, match="covers the planting of plot p"):
                scores.forecast_draws(CROP, CROP.estimate, moved, few, size=60, seed=3)


def test_half_of_a_dish_is_half_of_its_sprouts() -> None:
    """At a constant temperature the days are the thermal time needed over the rate, by hand."""
    dish = pot("d", 3, [0, 8, 4], dish=True, depth_cm=0.0)
    half, stand = scores.forecast_draws(CROP, CROP.estimate, dish, [], size=80, seed=5)
    assert stand is None
    draws = CropDraws.of(CROP, 80, 5)
    sowing = Sowing(
        row="d", crop=CROP, handling=dish.handling, started_h=72.0, planted_h=72.0, depth_cm=0.0,
        seeds_planted=40,
    )  # fmt: skip
    clock = ConstantClock(draws=draws.rates, temperature_C=15.0)
    row = forecast_row(
        sowing, draws, clock, viability=np.ones(80), ln_shift=np.zeros(80), seed=5
    )  # fmt: skip
    heat = draws.values["thermal_time_50_Cd"] * draws.values["germination_share"]
    per_day = clock.cross(72.0, np.ones((80, 1)))[:, 0] - 72.0  # hours for one degree-day
    np.testing.assert_allclose(half, heat * np.exp(row.row_speed) * per_day / 24.0)
    assert np.ptp(row.row_speed) > 0.1
