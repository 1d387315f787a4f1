"""Straight lines through a crop, crops of one's own, and how crops and lots show themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from thermosprout.calibration.crop_curve import straight_line
from thermosprout.crops.catalogue import catalogue, find_crop, generic_crop
from thermosprout.crops.estimate import PARAMETERS
from thermosprout.crops.saved_estimates import Origin, SavedEstimate, save_estimate, saved_crop
from thermosprout.crops.seed_lots import SeedLot, viability_prior


def test_a_line_through_a_straight_response_is_the_response() -> None:
    crop = next(crop for crop in catalogue().values() if crop.response == "linear")
    centre, line = crop.estimate.centre(), straight_line(crop)
    assert line.base_C == pytest.approx(centre["t_base_C"], abs=0.01)
    assert line.heat_sum_Cd == pytest.approx(centre["thermal_time_50_Cd"], rel=0.01)


def test_a_crop_only_a_saved_estimate_knows_is_found(tmp_path: Path) -> None:
    crop = generic_crop("skirret", season="cool", seed_size="small")
    origin = Origin(
        files=("a.csv",), digest="0", plots=4, seeds=100, inspections=9,
        first_planted="2025-04-01", last_inspected="2025-05-20",
        prior="generic cool-season crop with small seed",
    )  # fmt: skip
    saved = SavedEstimate(
        estimate=replace(crop.estimate, mean=crop.estimate.mean + 0.1), response="beta",
        origin=origin, made=datetime(2026, 1, 1, tzinfo=UTC), version="0",
    )  # fmt: skip
    save_estimate(tmp_path, saved)
    own = saved_crop("Skirret", tmp_path)
    assert own is not None
    assert (own.name, own.season, own.seed_size) == ("skirret", "cool", "small")
    assert saved_crop("oca", tmp_path) is None


def test_a_share_and_the_seeds_tested_are_a_test() -> None:
    lot = SeedLot(id="a", crop="onion", germination=0.85, seeds_tested=100)
    assert lot.counts == (85.0, 100.0)
    tested, sd = viability_prior("onion", lot)
    assert tested == pytest.approx(0.85, abs=0.01)
    # About the sd of the logit of 85 of 100: sqrt(1/85 + 1/15).
    assert sd == pytest.approx((1 / 85 + 1 / 15) ** 0.5, rel=0.05)
    assert viability_prior("onion")[1] > 2 * sd


def test_crops_and_estimates_show_themselves_on_one_screen() -> None:
    crop = find_crop("carrot")
    assert repr(crop).count("\n") == 0
    assert 10 < repr(crop.estimate).count("\n") < 40


def test_every_parameter_has_a_label_of_its_own() -> None:
    headings = [parameter.heading for parameter in PARAMETERS.values()]
    assert all(headings)
    assert len(set(headings)) == len(headings)
