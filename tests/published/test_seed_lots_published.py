"""Seed lots against printed constants of the viability equation, lists of years, federal rules."""

from __future__ import annotations

import csv

import numpy as np
import pytest

from thermosprout.crops.germination_test import replicate_warning
from thermosprout.crops.seed_lots import (
    SPREAD_LISTS,
    SPREAD_MEMORY,
    SPREAD_PAGE,
    YEAR_D,
    ageing,
    typical_viability,
)


@pytest.mark.parametrize(
    ("crop", "ke", "cw", "ch", "cq", "spread"),
    [
        # Ellis & Hong (2007), Seed Sci. Technol. 35:432-444: constants read in print.
        ("maize", 9.993, 5.993, 0.0322, 0.000454, SPREAD_PAGE),
        ("wheat", 8.498, 4.836, 0.0322, 0.000454, SPREAD_PAGE),
        ("sugar beet", 8.988, 4.969, 0.0322, 0.000454, SPREAD_PAGE),
        # Kraak & Vos (1987) and Ellis & Roberts (1981): constants from memory.
        ("lettuce", 8.218, 4.797, 0.0489, 0.000365, SPREAD_MEMORY),
        ("onion", 6.975, 3.47, 0.04, 0.000428, SPREAD_MEMORY),
    ],
)
@pytest.mark.parametrize(("temperature", "moisture"), [(20.0, 8.0), (5.0, 6.0), (35.0, 12.0)])
def test_days_per_probit_follow_the_equation(crop, ke, cw, ch, cq, spread, temperature, moisture):
    """Ellis & Roberts (1980), Ann. Bot. 45:13-30, worked by hand from the constants."""
    days, found = ageing(crop, None, temperature, moisture)
    by_hand = 10 ** (ke - cw * np.log10(moisture) - ch * temperature - cq * temperature**2)
    assert days == pytest.approx(by_hand, rel=1e-9)
    assert found == spread


def test_recalled_constants_spread_wider_than_printed_ones_and_lists_wider_still():
    assert SPREAD_PAGE < SPREAD_MEMORY < SPREAD_LISTS


@pytest.mark.parametrize(
    ("crop", "years"),
    [
        # Mean of Knott (1997), four university lists, and Watts; read in print.
        ("parsnip", 1.0),
        ("snap bean", (3 + 3 + 2) / 3),
        ("cucumber", 5.0),
        ("tomato", (4 + 5 + 5) / 3),
    ],
)
def test_crops_without_constants_keep_the_order_of_the_lists(crop, years):
    days, spread = ageing(crop, "kitchen drawer", None, None)
    assert 0.5 * years < days / YEAR_D < 1.2 * years
    assert spread == SPREAD_LISTS


@pytest.mark.parametrize(
    ("crop", "minimum"), [("carrot", 0.55), ("snap bean", 0.70), ("pea", 0.80), ("parsnip", 0.60)]
)
def test_an_unknown_lot_lies_above_the_legal_minimum(crop, minimum):
    """7 CFR 201.31, minimum germination of vegetable seed."""
    assert minimum < typical_viability(crop) < 0.96


@pytest.mark.parametrize(
    ("mean", "four", "two"), [(99, 5, None), (97, 7, 6), (90, 12, 9), (80, 16, 13), (51, 20, 16)]
)
def test_tolerance_between_replicates_of_a_hundred(mean, four, two):
    """7 CFR 201.55(a): a range at the tolerance passes, one point above warns."""
    for limit, count in ((four, 4), (two, 2)):
        if limit is None:
            continue
        for over in (0, 1):
            spread = limit + over
            low = mean - (spread + 1) // 2
            ends = [low, low + spread]
            # The other replicates bring the mean to the row the rule looks up.
            rest = [mean] * (count - 2)
            if max(ends) > 100:
                continue
            replicates = tuple((value, 100) for value in ends + rest)
            warned = replicate_warning(replicates) is not None
            assert warned == bool(over), (mean, count, replicates)


def test_typed_tables_are_those_of_the_reference(shared):
    """Every figure typed into the package equals the one in the measured-data folder's tables."""
    from thermosprout.reference import reference_file

    keys = {
        "emergence_days.csv": ("crop", "temp_C", "days", "days_decimal", "normal_seedlings_pct"),
        "viability_constants.csv": ("crop", "KE", "CW", "CH", "CQ", "verified"),
        "replicate_tolerance.csv": ("mean_pct_high", "max_range_4_replicates"),
        "minimum_standards.csv": ("crop", "min_germination_pct"),
        "seed_longevity.csv": ("crop", "years"),
    }
    for name, columns in keys.items():
        with (shared / "reference" / name).open(encoding="utf-8", newline="") as stream:
            theirs = [tuple(row[c] for c in columns) for row in csv.DictReader(stream)]
        with reference_file(name).open(encoding="utf-8", newline="") as stream:
            ours = [tuple(row[c] for c in columns) for row in csv.DictReader(stream)]
        assert ours == theirs, name
