"""A germination test read for the grower: speed against a usual lot, viability in years to come."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pytest
from scipy.stats import norm

from tests.calibration.growers import plain_crop
from thermosprout.calibration.crop_curve import check_lot, expected_half_germination
from thermosprout.crops.crop import DRESSED, GLOVES
from thermosprout.crops.estimate import Estimate
from thermosprout.crops.germination_test import GerminationTest
from thermosprout.crops.seed_lots import SeedLot, viability_interval
from thermosprout.errors import InputError

CROP = replace(
    plain_crop(
        estimate=Estimate.generic(
            "beetroot",
            {
                "t_base_C": (4.0, 0.5), "opt_gap_C": (24.0, 0.05), "ceiling_gap_C": (10.0, 0.05),
                "thermal_time_50_Cd": (100.0, 0.2), "germination_share": (0.5, 0.1),
            },
        )
    ),
    response="linear",
)  # fmt: skip
LOT = SeedLot(id="L", crop="beetroot")
DAY = date(2026, 3, 1)


def rng() -> np.random.Generator:
    return np.random.default_rng(8)


@pytest.mark.parametrize(("temperature", "rate"), [(20.0, 16.0), (33.0, 24.0 * 5.0 / 10.0)])
def test_half_germination_is_the_warmth_over_the_rate(temperature: float, rate: float) -> None:
    days, spread = expected_half_germination(CROP, temperature, rng(), 20_000)
    assert days == pytest.approx(0.5 * 100.0 / rate, rel=0.04)
    draws = CROP.estimate.draw(20_000, np.random.default_rng(1))
    base = draws["t_base_C"]
    if temperature < 28.0:
        known = np.log(draws["germination_share"] * draws["thermal_time_50_Cd"] / (20.0 - base))
        assert spread == pytest.approx(known.std(), rel=0.05)


@pytest.mark.parametrize("temperature", [3.5, 38.5])
def test_a_test_near_the_limits_judges_no_vigour(temperature: float) -> None:
    with pytest.raises(InputError, match=f"{temperature:g} °C is too near the limits of beetroot"):
        expected_half_germination(CROP, temperature, rng())


def test_a_lots_speed_has_its_logarithms_interval() -> None:
    test = GerminationTest(days=(2, 3, 4, 5, 7), germinated=(4, 22, 38, 43, 44), tested=50)
    expected = expected_half_germination(CROP, 20.0, rng())
    shift = test.vigour_shift(expected[0], expected_sd=expected[1])
    assert shift is not None
    for probability in (0.9, 0.5):
        found = check_lot(LOT, CROP, rng(), on=DAY, test=test, probability=probability)
        assert found.slower_pct is not None
        ends = norm.interval(probability, *shift)
        by_hand = [100 * np.expm1(x) for x in (ends[0], shift[0], ends[1])]
        assert found.slower_pct == pytest.approx(by_hand, rel=1e-9)
        assert (found.lot.seeds_tested, found.lot.seeds_germinated) == (50, 44)


def test_what_a_test_leaves_open_is_told() -> None:
    def told(*germinated: int) -> tuple[str, ...]:
        days = tuple(range(3, 3 + 2 * len(germinated), 2))
        test = GerminationTest(days=days, germinated=germinated, tested=50)
        return check_lot(LOT, CROP, rng(), on=DAY, test=test).warnings

    assert told(10, 30, 38) == ("seeds still germinated at the last count: go on counting",)
    assert told(10, 38, 38) == ()
    assert told(20, 38, 44, 44) == ()
    assert told(40) == ("speed not known from one count; look daily",)
    assert told(1, 2, 2) == (), "two seeds tell no speed"


def test_years_to_come_keep_day_and_store() -> None:
    lot = replace(LOT, seeds_tested=200, seeds_germinated=176, tested_on=date(2025, 3, 1))
    found = check_lot(lot, CROP, rng(), on=DAY, probability=0.8)
    assert [day for day, *_ in found.viability] == [
        date(2026, 3, 1), date(2027, 3, 1), date(2028, 2, 29), date(2029, 3, 1),
    ]  # fmt: skip
    same = rng()
    for day, *shares in found.viability:
        expected = viability_interval(lot, CROP, same, probability=0.8, on=day)
        assert shares == pytest.approx(expected)
    middles = [middle for _, _, middle, _ in found.viability]
    assert middles == sorted(middles, reverse=True)


def test_an_undated_test_is_of_the_day_asked() -> None:
    counted = replace(LOT, seeds_tested=100, seeds_germinated=80)
    assert check_lot(counted, CROP, rng(), on=DAY).lot.tested_on == DAY
    harvested = replace(LOT, year=2024)
    assert check_lot(harvested, CROP, rng(), on=DAY).lot.tested_on is None
    packet = replace(LOT, germination=None)
    assert check_lot(packet, CROP, rng(), on=DAY).lot.tested_on == DAY
    both = replace(counted, year=2024)
    assert check_lot(both, CROP, rng(), on=DAY).lot.tested_on == DAY
    known = replace(counted, tested_on=date(2025, 1, 1))
    assert check_lot(known, CROP, rng(), on=DAY).lot.tested_on == date(2025, 1, 1)


def test_dressed_seed_is_warned_of() -> None:
    cautions = check_lot(replace(LOT, dressed=True), CROP, rng(), on=DAY).warnings
    assert cautions == (DRESSED.rstrip("."), GLOVES.rstrip("."))
    assert check_lot(LOT, CROP, rng(), on=DAY).warnings == ()
