"""Parts of the likelihood by themselves: slopes, centres, settings, levels and what is reported."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.calibration.growers import Planting, first_hour, grow, plain_crop, spring
from thermosprout.calibration.findings import Finding, factor_finding, parameter_finding
from thermosprout.calibration.hierarchy import LOT_SHARE, VARIETY_SHARE, layers_of
from thermosprout.calibration.likelihood import Likelihood
from thermosprout.calibration.plots import Plot, noted_window_h
from thermosprout.calibration.predict import DISH_RHO, DISH_SHARE, Model
from thermosprout.calibration.result import parameter_entry, plot_settings, reported_level
from thermosprout.calibration.scores import PACKET_C, packet_days
from thermosprout.crops.estimate import Estimate
from thermosprout.emergence.forecast import forecast_constant
from thermosprout.emergence.response import ResponseDraws
from thermosprout.emergence.stand import stand_share
from thermosprout.emergence.thermal_time import ConstantClock
from thermosprout.emergence.treatments import Handling, Treatment, seed_state
from thermosprout.errors import InputError

ESTIMATE = Estimate.generic(
    "beetroot", {"t_base_C": (4.0, 1.0), "thermal_time_50_Cd": (100.0, 0.3)}
)
CROP = plain_crop(estimate=ESTIMATE)
SERIES = spring(days=80, seed=2)
TRUTH = {name: np.array([value]) for name, value in ESTIMATE.centre().items()}
HANDLINGS = {
    "direct": Handling(),
    "soaked": Handling(treatment=Treatment.SOAKED, soak_h=20.0),
    "presprouted": Handling(treatment=Treatment.PRESPROUTED, sprout_h=72.0),
    "sorted": Handling(treatment=Treatment.PRESPROUTED, sprout_h=80.0, sorted=True),
}


def grown(handling: Handling, seed: int = 1) -> list[Plot]:
    planting = Planting(day=20.0, plots=3, handling=handling)
    return grow(CROP, TRUTH, SERIES, [planting], np.random.default_rng(seed))


def likelihood(plots: list[Plot], **options: bool) -> tuple[Likelihood, np.ndarray]:
    layers = layers_of(ESTIMATE, plots)
    vectors = layers.mean + 0.1 * np.random.default_rng(2).standard_normal((3, layers.mean.size))
    return Likelihood(Model(CROP, plots, layers, [SERIES]), **options), vectors


@pytest.mark.parametrize("name", HANDLINGS)
def test_slope_of_what_shows_is_its_difference(name: str) -> None:
    both, vectors = likelihood(grown(HANDLINGS[name]))
    conditional = both.conditional(both.model.predict(vectors))
    speed = np.random.default_rng(3).normal(0.0, 0.7, (3, 3))
    up, down = conditional.emergence(speed + 1e-5), conditional.emergence(speed - 1e-5)
    shown, slope = conditional.emergence_and_slope(speed)
    assert shown == pytest.approx(conditional.emergence(speed), abs=1e-12)
    numeric = (up - down) / 2e-5
    smooth = (shown > 1e-6) & (shown < 1 - 1e-6)
    assert smooth.any()
    assert slope[smooth] == pytest.approx(numeric[smooth], rel=1e-3, abs=1e-6)


@pytest.mark.parametrize("name", HANDLINGS)
def test_the_centre_has_the_highest_density_of_speed(name: str) -> None:
    both, vectors = likelihood(grown(HANDLINGS[name]))
    conditional = both.conditional(both.model.predict(vectors))
    at, width = conditional.centre()

    def height(speed: np.ndarray) -> np.ndarray:
        return conditional.log_density(speed) - 0.5 * np.square(speed)

    peak = height(at)
    # The search takes a few steps of one sd at most, so plots whose speed would have to lie
    # further off (a vector of the three that makes the counts all but impossible) stay short.
    near = np.abs(at) < 6.0
    assert near.mean() >= 0.6
    for step in (0.3, -0.3):
        assert (height(at + step * width) < peak + 1e-3)[near].all()
    assert (width > 0).all()
    assert (width <= 1.0 + 1e-9).all()
    # A normal of this width falls by a half at one width, more or less.
    fall = peak - 0.5 * (height(at + width) + height(at - width))
    assert np.median(fall[near]) == pytest.approx(0.5, abs=0.25)


def test_counts_and_noted_dates_stay_by_themselves() -> None:
    counted = grown(Handling())
    planted = counted[0].planted_h
    noted = replace(
        counted[0], name="n", seeds=0, hours=np.zeros(0), new=np.zeros(0),
        noted_h=noted_window_h(planted + 24 * 15.0),
    )  # fmt: skip
    together, vectors = likelihood([*counted, noted])
    found = together.plots(vectors)
    assert found[:, :3] == pytest.approx(likelihood(counted)[0].plots(vectors), abs=1e-6)
    assert found[:, 3:] == pytest.approx(likelihood([noted])[0].plots(vectors), abs=1e-9)


def test_pots_and_dishes_are_predicted_at_their_temperature() -> None:
    pot = Plot(
        name="pot", planted_h=10.0, depth_cm=3.0, seeds=30, constant_C=17.0, viability=0.8,
        hours=10.0 + 24.0 * np.array([6.0, 9.0]), new=np.array([4.0, 6.0]),
    )  # fmt: skip
    dish = replace(pot, name="dish", dish=True, hours=pot.hours[:1], new=pot.new[:1])
    layers = layers_of(ESTIMATE, [pot, dish])
    vectors = layers.mean + 0.1 * np.random.default_rng(2).standard_normal((4, layers.mean.size))
    found = Model(CROP, [pot, dish], layers).predict(vectors)
    values = ESTIMATE.natural(vectors)
    rates = ResponseDraws.from_draws(CROP.response, values)
    rate = rates.at(17.0)
    assert found.progress[:, 0] == pytest.approx(rate[:, None] * np.array([6.0, 9.0]), rel=1e-9)
    # Fewer looks are filled up with the last one.
    assert found.progress[:, 1] == pytest.approx(rate[:, None] * np.array([6.0, 6.0]), rel=1e-9)
    state = seed_state(CROP, values, rates, Handling(), depth_cm=3.0)
    clock = ConstantClock(draws=rates, temperature_C=17.0)
    half = clock.cross(10.0, state.needed(np.full((4, 1), 0.5)))[:, 0]
    expected = stand_share(
        CROP, values, state, clock, planted_h=10.0, half_h=half, viability=np.full(4, 0.8)
    )
    assert found.share[:, 0] == pytest.approx(expected, rel=1e-9)
    assert found.ln_scale[:, 0] == pytest.approx(np.log(state.scale), rel=1e-9)
    germination = values["germination_share"] * values["thermal_time_50_Cd"]
    assert found.ln_scale[:, 1] == pytest.approx(np.log(germination), rel=1e-9)
    assert (found.share[:, 1] == DISH_SHARE).all()
    assert (found.rho[:, 1] == DISH_RHO).all()
    assert found.rho[:, 0] == pytest.approx(values["plot_stand_rho"])
    assert found.speed_sd[:, 0] == pytest.approx(values["plot_speed_sd"])
    whole = Model(CROP, [dish], layers_of(ESTIMATE, [dish]), dish_share=1.0).predict(vectors)
    assert whole.ln_scale[:, 0] == pytest.approx(np.log(values["thermal_time_50_Cd"]), rel=1e-9)


def test_a_plot_sees_at_least_a_day_of_its_soil() -> None:
    plots = grown(Handling())
    model = Model(CROP, plots, layers_of(ESTIMATE, plots), [SERIES])
    begin = int(plots[0].planted_h - first_hour(SERIES))
    values = SERIES.values
    short = model.temperature(plots[0], plots[0].planted_h + 2.0)
    assert short == pytest.approx(values[begin : begin + 25])
    longer = model.temperature(plots[0], plots[0].planted_h + 50.0)
    assert longer == pytest.approx(values[begin : begin + 51])


def test_levels_carry_the_spread_of_what_is_below_them() -> None:
    planting = [
        Planting(day=20.0, variety="x", seed_lot="1"), Planting(day=20.0, variety="y", seed_lot="2")
    ]  # fmt: skip
    layers = layers_of(ESTIMATE, grow(CROP, TRUTH, SERIES, planting, np.random.default_rng(1)))
    at = ESTIMATE.names.index("thermal_time_50_Cd")
    base = ESTIMATE.names.index("t_base_C")
    whole = ESTIMATE.covariance
    for level, theta, foot in (
        ((None, None), VARIETY_SHARE + LOT_SHARE, VARIETY_SHARE),
        (("x", None), LOT_SHARE, 0.0),
        (("x", "1"), 0.0, 0.0),
    ):
        chosen, spread = layers.level(*level)
        assert spread[at, at] == pytest.approx(theta * whole[at, at])
        assert spread[base, base] == pytest.approx(foot * whole[base, base])
        prior = chosen @ layers.covariance @ chosen.T + spread
        assert prior[at, at] == pytest.approx(whole[at, at], rel=1e-6)
        assert chosen @ layers.mean == pytest.approx(ESTIMATE.mean)
    assert set(layers.indices("t_base_C")) == {
        i for i, name in enumerate(layers.names) if name.endswith(":t_base_C")
    }


def test_whom_a_calibration_is_for() -> None:
    def plot(variety: str | None, lot: str | None) -> Plot:
        return Plot(name="p", planted_h=0.0, depth_cm=2.0, seeds=1, variety=variety, seed_lot=lot)

    one = [plot("x", "1"), plot("x", "1")]
    assert reported_level(one, None, None) == ("x", "1")
    two = [plot("x", "1"), plot("x", "2"), plot("y", "3")]
    assert reported_level(two, None, None) == (None, None)
    assert reported_level(two, "x", None) == ("x", None)
    assert reported_level(two, "y", None) == ("y", "3")
    assert reported_level(two, None, "2") == ("x", "2")
    assert reported_level([plot(None, "1")], None, None) == (None, "1")
    with pytest.raises(InputError, match=r"variety 'z'.*x, y"):
        reported_level(two, "z", None)
    with pytest.raises(InputError, match=r"seed lot '3'.*1, 2"):
        reported_level(two, "x", "3")
    with pytest.raises(InputError, match=r"variety 'z'.*none"):
        reported_level([plot(None, None)], "z", None)


def test_effects_of_treatments_are_factors_with_a_prior_about_one() -> None:
    sd = 0.3
    found = factor_finding("treatment fleece", "thermal_time_50_Cd", 0.9, 0.8, 1.0, sd)
    assert found.name == "fleece:thermal_time_factor"
    z = 1.6448536269514722
    assert found.prior == pytest.approx((1.0, np.exp(-z * sd), np.exp(z * sd)))
    assert found.narrower == pytest.approx(1 - np.log(1.0 / 0.8) / (2 * z * sd))
    other = factor_finding("treatment a:b", "field_factor", 1.1, 0.8, 1.4, sd)
    assert other.name == "a:b:stand_odds_factor"


def test_a_parameter_in_the_document_says_where_it_is_kept() -> None:
    known = Finding(
        name="t_base_C", estimate=4.2, low=3.0, high=5.0, prior=(4.0, 2.0, 6.0), narrower=0.5,
        kept=False,
    )  # fmt: skip
    entry = parameter_entry(known)
    assert "kept_at" not in entry
    assert entry["before"] == {"estimate": 4.0, "low": 2.0, "high": 6.0}
    assert (entry["learned"], entry["narrower"]) == (True, 0.5)
    unknown = replace(known, estimate=None, low=None, high=None, kept=True)
    assert parameter_entry(unknown)["kept_at"] == 4.0
    assert not parameter_entry(unknown)["learned"]
    assert not replace(known, narrower=0.099).learned
    assert replace(known, narrower=0.1).learned


def test_settings_hold_plots_alike_with_what_was_counted() -> None:
    hours = 24.0 * np.array([2.0, 4.0, 6.0])
    one = Plot(name="a", planted_h=0.0, depth_cm=2.0, seeds=20, hours=hours,
               new=np.array([0.0, 8.0, 4.0]))  # fmt: skip
    two = replace(one, name="b", new=np.array([0.0, 2.0, 0.0]))
    noted = replace(one, name="n", planted_h=24.0, noted_h=(60.0, 84.0), seeds=0)
    first, second = plot_settings([one, two, noted])
    assert (first["plots"], first["seeds"], first["emerged"]) == (2, 40, 14)
    assert first["planted"] == "1970-01-01T00:00Z"
    assert first["half_d"] == pytest.approx(3.5)
    assert (second["plots"], second["seeds"], second["emerged"]) == (1, None, None)
    assert second["half_d"] == pytest.approx(2.0)


def test_packet_days_are_those_of_the_packets_temperature() -> None:
    row = forecast_constant(CROP, PACKET_C, size=4000, seed=3)
    median = row.stage_quantile("half", [0.5])[0] / 24.0
    assert packet_days(CROP, seed=1) == pytest.approx(median, rel=0.1)


def test_dishes_before_pots_hide_none_of_them() -> None:
    pot = Plot(
        name="pot", planted_h=10.0, depth_cm=3.0, seeds=30, constant_C=17.0, viability=0.8,
        hours=10.0 + 24.0 * np.array([6.0, 9.0]), new=np.array([4.0, 6.0]),
    )  # fmt: skip
    dish = replace(pot, name="dish", dish=True)
    cold = replace(pot, name="cold", constant_C=9.0)
    shares = {}
    for order in ([dish, pot, cold], [cold, pot, dish], [pot, dish, cold]):
        layers = layers_of(ESTIMATE, order)
        found = Model(CROP, order, layers).predict(layers.mean[None]).share[0]
        for plot, share in zip(order, found, strict=True):
            assert shares.setdefault(plot.name, share) == pytest.approx(share, rel=1e-12)
    assert shares["dish"] == DISH_SHARE
    assert 0 < shares["cold"] < shares["pot"] < 0.8


@pytest.mark.parametrize("kind", ["variety", "lot", "both"])
def test_the_crops_prior_gives_way_to_named_varieties(kind: str) -> None:
    named = Plot(
        name="p", planted_h=0.0, depth_cm=2.0, seeds=1,
        variety=None if kind == "lot" else "x", seed_lot=None if kind == "variety" else "1",
    )  # fmt: skip
    layers = layers_of(ESTIMATE, [named])
    at = layers.names.index("crop:thermal_time_50_Cd")
    own = ESTIMATE.names.index("thermal_time_50_Cd")
    share = {"variety": VARIETY_SHARE, "lot": LOT_SHARE, "both": VARIETY_SHARE + LOT_SHARE}[kind]
    whole = ESTIMATE.covariance[own, own]
    assert layers.covariance[at, at] == pytest.approx((1.0 - share) * whole)
    owners = {name.rsplit(":", 1)[0].split(" ")[0] for name in layers.names}
    assert owners == {"crop"} | ({"variety", "lot"} if kind == "both" else {kind})
    chosen, spread = layers.level(named.variety, named.seed_lot)
    assert np.abs(spread).max() < 1e-12 or kind == "variety"
    prior = chosen @ layers.covariance @ chosen.T + spread
    assert prior[own, own] == pytest.approx(whole, rel=1e-6)


def test_what_was_learned_is_how_much_narrower_an_interval_is() -> None:
    rng = np.random.default_rng(6)
    names = list(ESTIMATE.names)
    root = np.linalg.cholesky(ESTIMATE.covariance)
    size = 40_000
    for factor in (1.0, 0.5):
        draws = ESTIMATE.mean + factor * rng.standard_normal((size, len(names))) @ root.T
        for name in ("thermal_time_50_Cd", "t_base_C", "t_opt_C", "t_ceiling_C"):
            found = parameter_finding(CROP, draws, np.full(size, 1.0 / size), name, kept=False)
            assert found.narrower == pytest.approx(1.0 - factor, abs=0.05)
            assert found.low < found.estimate < found.high
            assert found.prior[1] < found.prior[0] < found.prior[2]
    values = ESTIMATE.natural(draws)
    opt = np.quantile(values["t_base_C"] + values["opt_gap_C"], [0.05, 0.5, 0.95])
    found = parameter_finding(CROP, draws, np.full(size, 1.0 / size), "t_opt_C", kept=False)
    assert (found.low, found.estimate, found.high) == pytest.approx(tuple(opt), abs=0.02)
    kept = parameter_finding(CROP, draws, np.full(size, 1.0 / size), "t_opt_C", kept=True)
    assert (kept.narrower, kept.estimate) == (0.0, kept.prior[0])
    # An interval wider than before has taught nothing.
    wide = ESTIMATE.mean + 2.0 * rng.standard_normal((size, len(names))) @ root.T
    assert (
        parameter_finding(CROP, wide, np.full(size, 1.0 / size), "t_base_C", kept=False).narrower
        == 0.0
    )
