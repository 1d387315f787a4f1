"""State of the seed at planting, figure by figure, from the equations of the module's head."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from tests.emergence.plain_crop import plain_crop
from thermosprout.emergence.forecast import CropDraws
from thermosprout.emergence.treatments import (
    PLANTABLE_MM,
    TABLE_DEPTH_CM,
    Handling,
    SeedState,
    Treatment,
    seed_state,
)
from thermosprout.errors import InputError

CROP = plain_crop(safe_soak_h=12.0)
DRAWS = CropDraws.of(CROP, 7)
P = DRAWS.values
GERMINATION = P["germination_share"] * P["thermal_time_50_Cd"]


def state(depth_cm: float = TABLE_DEPTH_CM, shift: float = 0.0, **handling: object) -> SeedState:
    return seed_state(CROP, P, DRAWS.rates, Handling(**handling), depth_cm=depth_cm, ln_shift=shift)  # type: ignore[arg-type]


def test_dry_seed_needs_the_tables_thermal_time_and_depth() -> None:
    assert state().scale == pytest.approx(P["thermal_time_50_Cd"], rel=1e-12)
    deep = P["depth_cost_Cd_per_cm"] * (5.0 - TABLE_DEPTH_CM)
    assert state(5.0).scale == pytest.approx(P["thermal_time_50_Cd"] + deep, rel=1e-12)
    assert state(5.0, 0.3).scale == pytest.approx(np.exp(0.3) * state(5.0).scale, rel=1e-12)
    none = state()
    assert (none.credit == 0).all()
    assert (none.survival == 1).all()
    assert (none.sprouted == 1).all()
    assert (none.radicle_mm == 0).all()
    assert none.wet_h == 0.0
    assert not none.proven


def test_shallow_seed_keeps_a_tenth_for_its_shoot() -> None:
    crop = plain_crop()
    values = P | {"depth_cost_Cd_per_cm": np.full(7, 500.0)}
    found = seed_state(crop, values, DRAWS.rates, Handling(), depth_cm=0.5)
    assert found.scale == pytest.approx(GERMINATION + 0.1 * P["thermal_time_50_Cd"], rel=1e-12)


def test_needed_is_the_lognormal_quantile_less_the_credit() -> None:
    seed = state(treatment=Treatment.SOAKED, soak_h=8.0)
    share = np.tile([0.1, 0.5, 0.8], (7, 1))
    z = norm.ppf(share)
    expected = seed.scale[:, None] * np.exp(seed.sigma[:, None] * z) - seed.credit[:, None]
    assert seed.needed(share) == pytest.approx(expected, rel=1e-9)


def test_nothing_shows_before_the_least_time() -> None:
    seed = state(treatment=Treatment.PRESPROUTED, sprout_h=140.0, room_C=24.0)
    assert (seed.needed(np.full((7, 1), 1e-9)) >= 0.05).all()
    shown = seed.emerged(np.tile([-5.0, 0.0, 0.049, 1e6], (7, 1)))
    assert (shown[:, :3] == 0).all()
    assert (shown[:, 3] == 1).all()


def test_a_soak_is_credited_up_to_its_reach() -> None:
    rate = DRAWS.rates.at(20.0)
    short = state(treatment=Treatment.SOAKED, soak_h=1.0, water_C=20.0)
    assert short.credit == pytest.approx(P["soak_credit"] * rate / 24)
    near = P | {"soak_reach": np.full(7, 0.1)}
    handling = Handling(treatment=Treatment.SOAKED, soak_h=12.0, water_C=25.0)
    long = seed_state(CROP, near, DRAWS.rates, handling, depth_cm=TABLE_DEPTH_CM)
    assert (DRAWS.rates.at(25.0) * 0.5 > 0.1 * GERMINATION).all()
    assert long.credit == pytest.approx(P["soak_credit"] * 0.1 * GERMINATION)
    assert (long.survival == 1.0).all()
    assert (long.wet_h, long.water_C) == (12.0, 25.0)
    assert not long.proven


def test_old_seed_germinates_later_and_grows_alike() -> None:
    """Powell, Thornton & Mitchell (1991): aged lots of cabbages had seedlings of like weight."""
    weak = seed_state(CROP, P, DRAWS.rates, Handling(), depth_cm=TABLE_DEPTH_CM, ln_vigour=0.3)
    assert weak.scale - state().scale == pytest.approx(GERMINATION * np.expm1(0.3))


def test_hours_beyond_the_safe_soak_cost_seed_by_the_day() -> None:
    found = state(treatment=Treatment.SOAKED, soak_h=36.0)
    assert found.survival == pytest.approx(np.exp(-P["soak_loss_per_d"] * 1.0), rel=1e-12)


def test_sprouted_seed_is_the_part_whose_radicle_is_out() -> None:
    found = state(treatment=Treatment.PRESPROUTED, sprout_h=60.0, room_C=24.0)
    indoors = DRAWS.rates.at(24.0) * 60.0 / 24.0
    share = norm.cdf(np.log(indoors / GERMINATION) / P["sigma"])
    assert found.sprouted == pytest.approx(share, rel=1e-9)
    assert found.credit == pytest.approx(indoors - P["handling_delay_Cd"], rel=1e-12)
    median = GERMINATION * np.exp(P["sigma"] * norm.ppf(share / 2))
    radicle = P["radicle_mm_per_Cd"] * (indoors - median)
    assert found.radicle_mm == pytest.approx(radicle, rel=1e-6)
    assert found.survival == pytest.approx(np.exp(-P["handling_loss_per_mm"] * radicle))
    assert found.proven


def test_sorting_takes_radicles_between_the_plantable_lengths() -> None:
    found = state(treatment=Treatment.PRESPROUTED, sprout_h=70.0, room_C=24.0, sorted=True)
    indoors = DRAWS.rates.at(24.0) * 70.0 / 24.0

    def below(length_mm: float) -> np.ndarray:
        left = np.maximum(indoors - length_mm / P["radicle_mm_per_Cd"], 1e-9)
        return norm.cdf(np.log(left / GERMINATION) / P["sigma"])

    short, long = PLANTABLE_MM
    assert found.sprouted == pytest.approx(below(short) - below(long), abs=1e-4)


def test_a_radicle_seen_tells_how_far_the_seed_is() -> None:
    found = state(treatment=Treatment.PRESPROUTED, radicle_mm=3.0)
    gone = GERMINATION + 3.0 / P["radicle_mm_per_Cd"]
    assert found.credit == pytest.approx(gone - P["handling_delay_Cd"], rel=1e-12)


def test_a_room_too_cold_plants_the_few_earliest_seeds() -> None:
    found = state(treatment=Treatment.PRESPROUTED, sprout_h=0.0)
    assert found.z_high == pytest.approx(np.full(7, -8.0))
    assert (found.z_low < found.z_high).all()
    assert (found.sprouted < 1e-12).all()
    assert (found.radicle_mm == 0).all()


@pytest.mark.parametrize("name", ["soak_h", "sprout_h"])
def test_hours_out_of_all_reason_are_refused(name: str) -> None:
    assert getattr(Handling(**{name: 2880.0}), name) == 2880.0  # type: ignore[arg-type]
    for hours in (-0.1, 2880.1, float("nan")):
        with pytest.raises(InputError, match=f"{name} is .* h, expected 0 to 2880"):
            Handling(**{name: hours})  # type: ignore[arg-type]


def test_no_root_is_long_enough_for_sorting_in_the_first_hours() -> None:
    """Roots come after germination: in three hours no seed has one of a millimetre."""
    found = state(treatment=Treatment.PRESPROUTED, sprout_h=3.0, sorted=True)
    assert found.sprouted.max() < 1e-9
