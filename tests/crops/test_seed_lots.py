"""Viability of a lot: what tests, packets and years say, and how surely."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from thermosprout.crops.catalogue import find_crop
from thermosprout.crops.seed_lots import (
    SeedLot,
    ln_time_shift_draws,
    overdispersion,
    viability_draws,
    viability_interval,
)
from thermosprout.errors import InputError

ONION = find_crop("onion")
BEAN = find_crop("snap bean")


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_counts_give_the_beta_posterior():
    lot = SeedLot(id="a", crop="onion", seeds_tested=100, seeds_germinated=85)
    draws = viability_draws(lot, ONION, 40_000, rng())
    expected = beta(85.5, 15.5)
    np.testing.assert_allclose(
        np.quantile(draws, [0.05, 0.5, 0.95]), expected.ppf([0.05, 0.5, 0.95]), atol=0.005
    )


def test_replicates_are_added_up():
    lot = SeedLot(id="a", crop="onion", replicates=((43, 50), (42, 50)))
    low, middle, high = viability_interval(lot, ONION, rng())
    assert middle == pytest.approx(0.85, abs=0.02)
    assert 0.1 < high - low < 0.15


def test_replicates_that_disagree_widen_the_interval():
    even = SeedLot(id="a", crop="onion", replicates=((85, 100),) * 4)
    odd = SeedLot(id="a", crop="onion", replicates=((98, 100), (70, 100), (95, 100), (77, 100)))

    def width(lot: SeedLot) -> float:
        low, _, high = viability_interval(lot, ONION, rng())
        return high - low

    assert overdispersion(even.replicates) == 1.0
    assert width(odd) > 2 * width(even)


def test_a_packets_share_lies_between_a_test_and_nothing():
    tested = SeedLot(id="a", crop="onion", seeds_tested=200, seeds_germinated=180)
    packet = SeedLot(id="a", crop="onion", germination=0.9)
    unknown = SeedLot(id="a", crop="onion")
    widths = []
    for lot in (tested, packet, unknown):
        low, _, high = viability_interval(lot, ONION, rng())
        widths.append(high - low)
    assert widths == sorted(widths)
    assert widths[0] < 0.6 * widths[2]


def test_seed_ages_with_the_years_and_less_in_the_cold():
    def middle(year: int, storage: str) -> float:
        lot = SeedLot(id="a", crop="onion", germination=0.9, year=year, storage=storage)  # type: ignore[arg-type]
        return viability_interval(lot, ONION, rng(), on=date(2026, 4, 1))[1]

    assert middle(2026, "kitchen drawer") == pytest.approx(0.9, abs=0.02)
    assert middle(2025, "kitchen drawer") > middle(2022, "kitchen drawer") > 0.0
    assert middle(2020, "fridge with desiccant") > middle(2020, "kitchen drawer") + 0.1


def test_measured_moisture_and_temperature_outrank_the_place():
    damp = SeedLot(
        id="a", crop="onion", germination=0.9, year=2023, storage_C=25.0, moisture_pct=14.0
    )
    dry = SeedLot(id="a", crop="onion", germination=0.9, year=2023, storage_C=5.0, moisture_pct=5.0)
    on = date(2026, 4, 1)
    assert viability_interval(dry, ONION, rng(), on=on)[1] > 0.85
    assert viability_interval(damp, ONION, rng(), on=on)[1] < 0.2


def test_age_counts_from_the_test_not_from_the_harvest():
    lot = SeedLot(
        id="a",
        crop="snap bean",
        germination=0.9,
        year=2015,
        tested_on=date(2026, 3, 1),
    )
    assert lot.age_d(date(2026, 3, 31)) == 30
    assert viability_interval(lot, BEAN, rng(), on=date(2026, 3, 31))[1] == pytest.approx(
        0.9, abs=0.02
    )


def test_a_date_before_the_test_does_not_make_seed_younger():
    lot = SeedLot(id="a", crop="snap bean", germination=0.9, tested_on=date(2026, 3, 1))
    assert lot.age_d(date(2026, 1, 1)) == 0


def test_old_lots_take_a_day_or_two_longer():
    """Three-year-old beans that take 8 d when fresh: common practice, no source."""
    fresh = SeedLot(id="a", crop="snap bean", germination=0.92)
    old = SeedLot(id="a", crop="snap bean", germination=0.92, year=2023, storage="kitchen drawer")
    on = date(2026, 5, 15)
    slow = np.median(ln_time_shift_draws(old, BEAN, 4000, rng(), on))
    quick = np.median(ln_time_shift_draws(fresh, BEAN, 4000, rng(), on))
    germinating_d = 8.0 * BEAN.estimate.centre()["germination_share"]
    assert 1.0 < germinating_d * (np.exp(slow) - np.exp(quick)) < 2.0


def test_a_weak_test_means_slower_seed():
    weak = SeedLot(id="a", crop="snap bean", seeds_tested=100, seeds_germinated=60)
    unknown = SeedLot(id="a", crop="snap bean")
    assert np.median(ln_time_shift_draws(weak, BEAN, 2000, rng())) > 0.08
    assert np.all(ln_time_shift_draws(unknown, BEAN, 2000, rng()) == 0.0)


@given(
    germinated=st.integers(0, 200),
    extra=st.integers(0, 200),
    year=st.integers(1990, 2026),
)
def test_draws_are_shares_whatever_was_typed(germinated, extra, year):
    tested = max(germinated + extra, 1)
    lot = SeedLot(id="a", crop="onion", seeds_tested=tested, seeds_germinated=germinated, year=year)
    draws = viability_draws(lot, ONION, 50, rng(), date(2026, 4, 1))
    shift = ln_time_shift_draws(lot, ONION, 50, rng(), date(2026, 4, 1))
    assert draws.shape == shift.shape == (50,)
    assert np.all((draws > 0) & (draws < 1))
    assert np.all((shift >= 0) & np.isfinite(shift))


@pytest.mark.parametrize(
    ("given_", "words"),
    [
        ({"germination": 85.0}, "write 85 % as 0.85"),
        ({"seeds_tested": 100}, "needs seeds_germinated or germination"),
        ({"seeds_germinated": 80}, "needs seeds_tested"),
        ({"seeds_tested": 50, "seeds_germinated": 40, "germination": 0.9}, "give one of them"),
        ({"year": 2025, "tested_on": date(2024, 5, 1)}, "before the harvest of 2025"),
        ({"seeds_tested": 100, "seeds_germinated": 120}, "120 of 100"),
        ({"replicates": ((10, 0),)}, "10 of 0"),
        ({"moisture_pct": 60.0}, "2 to 25"),
        ({"storage_C": 80.0}, "-25 to 50"),
        ({"storage": "attic"}, "kitchen drawer"),
        ({"slower_pct": 900.0}, "-60 to 300"),
    ],
)
def test_what_cannot_be_is_refused(given_, words):
    with pytest.raises(InputError, match=words):
        SeedLot(id="a", crop="onion", **given_)


def test_same_seed_same_draws():
    lot = SeedLot(id="a", crop="onion", germination=0.8, year=2024)
    first, second = (viability_draws(lot, ONION, 10, rng(5), date(2026, 1, 1)) for _ in range(2))
    np.testing.assert_array_equal(first, second)


def test_a_measured_vigour_outranks_what_the_share_suggests():
    quick = SeedLot(
        id="a", crop="snap bean", seeds_tested=100, seeds_germinated=60, slower_pct=-10.0
    )
    shift = ln_time_shift_draws(quick, BEAN, 4000, rng())
    assert np.median(shift) == pytest.approx(np.log(0.9), abs=0.01)
