"""Base temperatures of the catalogue against those read in print, and what no base may be.

Sources per crop stand in ``reference_data/base_temperatures.csv`` (verified ``page``). Most of
them informed the fit as well, so that for crops without a day table the agreement is a check of
the fit's weights, not of the crop.
"""

from __future__ import annotations

import pytest

from reference_data.build.catalogue_check import (
    AGREES_C,
    base_check,
    base_report,
    explanations,
)
from thermosprout.calibration.published import read_table
from thermosprout.crops.catalogue import catalogue, find_crop


def test_four_in_five_agree_within_two_degrees_and_the_rest_is_explained(capsys):
    rows = base_check()
    agree = [row for row in rows if row.away <= AGREES_C]
    with capsys.disabled():
        print("\n" + base_report())
        print(f"{len(agree)} of {len(rows)} agree within {AGREES_C:g} C")
    assert len(rows) >= 20
    assert len(agree) >= 0.8 * len(rows)
    words = explanations("base")
    assert {row.crop for row in rows if row.away > AGREES_C} <= set(words)


@pytest.mark.parametrize(
    ("crop", "low", "high"),
    [
        ("snap bean", 5.1, 9.6),  # Raveneau et al. (2011), range over seed lots; page
        ("maize", 8.0, 10.0),  # rule of the trade: base 50 F (10 C); page
        ("sweet corn", 4.0, 10.0),  # no germination at 5 C, emergence at 10 C (day table); page
        ("okra", 8.0, 12.0),  # no germination at 10 C (day table); page
        ("wheat", 0.0, 2.6),  # 0.4 to 2 C in print
        ("peanut", 8.0, 13.3),  # Mohamed, Clark & Ong (1988); page
    ],
)
def test_no_crop_gets_an_absurd_base(crop, low, high):
    assert low - 0.5 <= find_crop(crop).estimate.centre()["t_base_C"] <= high + 0.5


def test_base_lies_below_every_temperature_a_crop_came_up_at():
    for row in read_table("emergence_days.csv"):
        if row["status"] == "value":
            base = catalogue()[row["crop"]].estimate.centre()["t_base_C"]
            assert base < float(row["temp_C"]), row["crop"]


def test_bases_below_freezing_are_those_of_crops_that_came_up_at_freezing():
    came_up_at_0 = {
        row["crop"]
        for row in read_table("emergence_days.csv")
        if row["status"] == "value" and row["temp_C"] == "0"
    }
    below = {name for name, c in catalogue().items() if c.estimate.centre()["t_base_C"] < -2.0}
    assert below <= came_up_at_0
    assert all("below freezing" in catalogue()[name].response_reason for name in below)


def test_nothing_comes_up_where_the_table_had_no_germination_in_the_cold():
    """At constant temperatures two degrees and more below "no germination", 100 d are too few."""
    from thermosprout.calibration.published import days_to_half

    for row in read_table("emergence_days.csv"):
        temperature = float(row["temp_C"])
        if row["status"] == "no_germination" and temperature <= 10.0:
            days = days_to_half(catalogue()[row["crop"]], temperature - 2.0)[0]
            assert days > 100.0 or row["crop"] == "turnip", (row["crop"], temperature, days)
