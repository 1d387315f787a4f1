"""State of the seed one draw at a time with scipy's normal, for every treatment and its ends."""

from __future__ import annotations

from dataclasses import replace
from math import exp, inf, log

import numpy as np
import pytest
from scipy.stats import norm

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.forecast import CropDraws
from thermosprout.emergence.response import response
from thermosprout.emergence.treatments import Handling, SeedState, Treatment, seed_state

CROP = plain_crop(safe_soak_h=10.0)
DRAWS = CropDraws.of(CROP, 25)
SHIFT = np.linspace(-0.3, 0.4, 25)
WEAK = np.linspace(0.5, 0.0, 25)
SPROUT = Treatment.PRESPROUTED

HANDLINGS = [
    Handling(),
    Handling(treatment=Treatment.SOAKED, soak_h=0.5, water_C=12.0),
    Handling(treatment=Treatment.SOAKED, soak_h=10.0, water_C=24.0),
    Handling(treatment=Treatment.SOAKED, soak_h=31.0, water_C=24.0, sprout_h=50.0),
    Handling(treatment=Treatment.SOAKED, soak_h=9.0, dry_bed=True),
    Handling(treatment=SPROUT, sprout_h=0.0),
    Handling(treatment=SPROUT, sprout_h=30.0, room_C=16.0),
    Handling(treatment=SPROUT, sprout_h=70.0, room_C=24.0),
    Handling(treatment=SPROUT, sprout_h=70.0, room_C=24.0, sorted=True),
    Handling(treatment=SPROUT, sprout_h=1500.0, room_C=24.0, sorted=True),
    Handling(treatment=SPROUT, radicle_mm=2.5, sprout_h=9.0),
    Handling(treatment=SPROUT, radicle_mm=4.0, sorted=True),
    Handling(treatment=SPROUT, radicle_mm=4.0, dry_bed=True),
]


def by_hand(
    handling: Handling, depth_cm: float, p: dict[str, float], shift: float, weak: float
) -> dict:
    """The equations of the treatments' documentation for one draw."""
    slower = exp(shift)
    table = p["thermal_time_50_Cd"]
    germination = p["germination_share"] * table * slower * exp(weak)
    shoot = (1 - p["germination_share"]) * table + p["depth_cost_Cd_per_cm"] * (depth_cm - 1.27)
    state = {
        "scale": germination + max(shoot, table / 10) * slower,
        "sigma": p["sigma"], "credit": 0.0, "z_low": -inf, "z_high": inf, "survival": 1.0,
        "sprouted": 1.0, "radicle_mm": 0.0, "log_odds": 0.0, "wet_h": 0.0,
        "water_C": 20.0, "proven": False,
    }  # fmt: skip
    opt = p["t_base_C"] + p["opt_gap_C"]

    def rate(celsius: float) -> float:
        return float(
            response("linear", celsius, p["t_base_C"], opt, opt + p["ceiling_gap_C"])
        )  # fmt: skip

    if handling.treatment is Treatment.SOAKED:
        # The crop is one that water harms: what is past its 10 safe hours gains nothing.
        gained = rate(handling.water_C) * min(handling.soak_h, 10.0) / 24
        state["credit"] = p["soak_credit"] * min(gained, p["soak_reach"] * germination)
        state["log_odds"] = p["soak_stand"] * (1 - exp(-handling.soak_h / 0.7))
        if handling.dry_bed:
            drunk = 1 - exp(-handling.soak_h / 8.0)
            state["credit"] += drunk * p["dry_bed_gain"] * table
            state["log_odds"] += drunk * p["dry_bed_stand"]
        state["survival"] = exp(-p["soak_loss_per_d"] * max(handling.soak_h - 10.0, 0) / 24)
        state["wet_h"], state["water_C"] = handling.soak_h, handling.water_C
    if handling.treatment is SPROUT:
        growth = p["radicle_mm_per_Cd"]
        if handling.radicle_mm is None:
            indoors = rate(handling.room_C) * handling.sprout_h / 24
        else:
            indoors = germination + handling.radicle_mm / growth

        def deviate(length_mm: float) -> float:
            left = indoors - length_mm / growth
            return log(left / germination) / p["sigma"] if left > 0 else -inf

        shortest, longest = (1.0, 6.0) if handling.sorted else (0.0, inf)
        # Where nothing is out, the earliest of a thousand million million stand in.
        high = max(deviate(shortest), -8.0)
        low = min(deviate(longest) if handling.sorted else -inf, high - 0.001)
        share_low, share_high = norm.cdf(low), norm.cdf(high)
        middle = min(max((share_low + share_high) / 2, 1e-15), 1 - 1e-15)
        radicle = growth * max(indoors - germination * exp(p["sigma"] * norm.ppf(middle)), 0.0)
        state |= {
            "credit": indoors - p["handling_delay_Cd"] - 0.7 * germination * handling.dry_bed,
            "log_odds": p["sprout_stand"], "z_low": low, "z_high": high,
            "sprouted": share_high - share_low, "radicle_mm": radicle,
            "survival": exp(-p["handling_loss_per_mm"] * radicle), "proven": True,
        }  # fmt: skip
    return state


@pytest.mark.parametrize("handling", HANDLINGS)
@pytest.mark.parametrize("depth_cm", [0.3, 1.27, 4.0])
def test_every_field_of_the_state(handling: Handling, depth_cm: float) -> None:
    found = seed_state(
        CROP, DRAWS.values, DRAWS.rates, handling, depth_cm=depth_cm, ln_shift=SHIFT, ln_vigour=WEAK
    )
    for draw in range(25):
        one = {name: float(values[draw]) for name, values in DRAWS.values.items()}
        for name, expected in by_hand(handling, depth_cm, one, SHIFT[draw], WEAK[draw]).items():
            held = getattr(found, name)
            if isinstance(held, bool | float):
                assert held == expected, name
            else:
                assert held[draw] == pytest.approx(expected, rel=1e-8, abs=1e-15), name


def test_a_row_like_all_others_is_not_shifted() -> None:
    plain = seed_state(CROP, DRAWS.values, DRAWS.rates, Handling(), depth_cm=1.27)
    assert plain.scale == pytest.approx(DRAWS.values["thermal_time_50_Cd"], rel=1e-12)


def state_of(low: float, high: float, credit: float) -> SeedState:
    one = np.ones(1)
    return SeedState(
        scale=80.0 * one, credit=credit * one, sigma=0.3 * one, z_low=low * one, z_high=high * one,
        survival=one, sprouted=one, radicle_mm=0 * one, log_odds=0 * one,
        wet_h=0.0, water_C=20.0, proven=True,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("low", "high", "credit"),
    [(-inf, inf, 0.0), (-inf, 0.4, 35.0), (-1.0, 0.5, 60.0), (-inf, inf, -20.0), (1.0, 1.5, 90.0)],
)
def test_needed_and_emerged_are_the_lognormal_between_two_deviates(
    low: float, high: float, credit: float
) -> None:
    seed = state_of(low, high, credit)
    shares = [0.0, 1e-9, 0.01, 0.2, 0.5, 0.77, 0.999, 1.0]
    begin, end = norm.cdf(low), norm.cdf(high)
    found = seed.needed(np.array([shares]))[0]
    for share, needed in zip(shares, found, strict=True):
        # The first and the last seed are those of a million million.
        place = min(max(begin + share * (end - begin), 1e-12), 1 - 1e-12)
        expected = 80.0 * exp(0.3 * norm.ppf(place)) - credit
        assert needed == pytest.approx(max(expected, 0.05), rel=1e-6)
    times = [-100.0, 0.0, 0.04, 0.05, 0.06, 3.0, 20.0, 45.0, 80.0, 140.0, 1e5]
    for time, shown in zip(times, seed.emerged(np.array([times]))[0], strict=True):
        done = time + credit
        place = norm.cdf(log(done / 80.0) / 0.3) if done > 0 else 0.0
        expected = min(max((place - begin) / (end - begin), 0.0), 1.0) if time >= 0.05 else 0.0
        assert shown == pytest.approx(expected, rel=1e-9, abs=1e-12), time


def test_a_state_without_any_seed_shows_none_and_then_all() -> None:
    seed = state_of(2.0, 2.0, 0.0)
    at = 80.0 * exp(0.6)
    assert seed.emerged(np.array([[0.9 * at, 1.1 * at]])).tolist() == [[0.0, 1.0]]


def test_the_first_degree_days_count_where_seeds_differ_much() -> None:
    one = np.ones(1)
    seed = replace(state_of(-inf, inf, 0.0), scale=3.0 * one, sigma=2.0 * one)
    times = np.array([0.06, 0.4, 1.0, 1.2, 9.0])
    assert seed.emerged(times[None, :])[0] == pytest.approx(
        norm.cdf(np.log(times / 3.0) / 2.0), rel=1e-9
    )


def test_seed_is_sown_dry_unless_something_is_done_to_it() -> None:
    plain = Handling()
    assert plain.treatment is Treatment.DIRECT
    assert (plain.soak_h, plain.sprout_h, plain.radicle_mm, plain.sorted) == (0.0, 0.0, None, False)
    assert (plain.water_C, plain.room_C, plain.dry_bed) == (20.0, 20.0, False)
