"""Hours indoors that a plan takes, and the thermal time its records come to, worked by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
import pytest
from scipy.stats import norm

from tests.emergence.plain_crop import plain_crop
from thermosprout.crops.seed_lots import SeedLot, viability_draws
from thermosprout.emergence.response import ResponseDraws
from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.series import soil_series
from thermosprout.trials.analysis.timing import central_response, thermal_times
from thermosprout.trials.design import in_the_morning, lead_hours, sprout_hours, sprouting_share
from thermosprout.trials.records.read import read_records
from thermosprout.trials.records.values import read_moment, zone

Write = Callable[..., Path]


@pytest.mark.parametrize(("room", "radicle"), [(20.0, 3.0), (12.0, 3.0), (20.0, 12.0)])
def test_hours_indoors_are_germination_and_the_radicles_growth(room: float, radicle: float) -> None:
    crop = plain_crop(t_base=5.0, thermal_time=120.0)
    centre = crop.estimate.centre()
    needed = centre["germination_share"] * centre["thermal_time_50_Cd"]
    needed += radicle / centre["radicle_mm_per_Cd"]
    days = round(needed / (room - centre["t_base_C"]))
    assert days >= 2
    assert sprout_hours(crop, room, radicle) == 24.0 * days
    assert sprout_hours(crop, 3.0) is None
    assert sprout_hours(crop, 27.9, 0.0) >= 24.0, "a batch takes a day at least"


@pytest.mark.parametrize("hours", [24.0, 48.0, 96.0])
def test_the_quicker_live_seed_sprouts(hours: float) -> None:
    crop = plain_crop(t_base=5.0, thermal_time=120.0)
    centre = crop.estimate.centre()
    warmth = (20.0 - centre["t_base_C"]) * hours / 24.0
    germination = centre["germination_share"] * centre["thermal_time_50_Cd"]
    lot = SeedLot(id="", crop=crop.name)
    alive = np.median(viability_draws(lot, crop, 20_000, np.random.default_rng(5)))
    expected = alive * norm.cdf(np.log(warmth / germination) / centre["sigma"])
    assert sprouting_share(crop, 20.0, hours) == pytest.approx(expected, rel=0.02)
    assert sprouting_share(crop, 2.0, hours) == 0.0


def test_a_soak_counts_from_the_morning() -> None:
    tz = ZoneInfo("Europe/Paris")
    day = read_moment("2026-05-10", tz)
    assert in_the_morning(day, {"soaked": 24.0, "presprouted": 72.0}, tz) is day
    assert in_the_morning(day, {}, tz) is day
    morning = in_the_morning(day, {"soaked": 12.0, "presprouted": 72.0}, tz)
    assert morning.text == "2026-05-10T09:00+02:00"
    said = read_moment("2026-05-10T14:00+02:00", tz)
    assert in_the_morning(said, {"soaked": 12.0}, tz) is said


def test_only_soaked_and_sprouted_seed_is_handled_before() -> None:
    names = ["direct", "Soaked", "PRESPROUTED", "fleece"]
    assert lead_hours(names, 12.0, 72.0) == {"soaked": 12.0, "presprouted": 72.0}
    assert lead_hours(["direct"], 12.0, 72.0) == {}
    assert lead_hours(["soaked"], 0.0, 1440.0) == {"soaked": 0.0}
    for soak, sprout, name in ((-1.0, 24.0, "soaked"), (12.0, 1441.0, "presprouted")):
        with pytest.raises(InputError, match=f"of handling for {name}: expected 0 to 1440"):
            lead_hours(["soaked"], soak, sprout)


@pytest.mark.parametrize(
    ("name", "hours"), [("+12:00", 12.0), ("-0930", -9.5), ("+05:45", 5.75), ("UTC", 0.0)]
)
def test_a_zone_may_be_an_offset(name: str, hours: float) -> None:
    away = zone(name).utcoffset(read_moment("2026-05-10", ZoneInfo("UTC")).utc)
    assert away is not None
    assert away.total_seconds() == 3600 * hours


def test_a_zone_that_is_none_is_refused() -> None:
    for name in ("Europe/Nowhere", "+25:00", "12:00"):
        with pytest.raises(InputError, match="there is no time zone"):
            zone(name)


def at(base: float) -> ResponseDraws:
    return ResponseDraws(
        shape="linear", t_base=np.array([base]), t_opt=np.array([28.0]),
        t_ceiling=np.array([40.0]), curvature=np.ones(1),
    )  # fmt: skip


def test_thermal_time_in_the_ground_and_at_one_temperature(write: Write) -> None:
    stamp = "2026-05-{}T12:00Z"
    path = write(
        {"plot": "A1", "temperature_C": 20, "planted": stamp.format("01"),
         "started": stamp.format("01"), "inspected": stamp.format("05")},
        {"plot": "A2", "planted": stamp.format("02"), "started": stamp.format("01"),
         "inspected": stamp.format("04")},
        {"plot": "A2", "planted": stamp.format("02"), "started": stamp.format("01"),
         "inspected": stamp.format("10")},
        {"plot": "A3", "planted": stamp.format("03"), "started": stamp.format("03"),
         "inspected": stamp.format("04")},
        {"plot": "A4", "temperature_C": 4, "planted": stamp.format("01"),
         "started": stamp.format("01"), "inspected": stamp.format("05")},
        extra=("temperature_C",),
    )  # fmt: skip
    records = read_records(path)
    records.loc[records["plot"] == "A3", "inspected"] = pd.NaT
    time = np.datetime64("2026-05-01", "ns") + np.arange(24 * 12) * np.timedelta64(1, "h")
    soil = soil_series(time, np.full(time.size, 11.0), depth_cm=2.5, source="x", surface="bare")
    found = dict(
        zip(
            zip(records["plot"], records["inspected"].dt.day.fillna(0), strict=True),
            thermal_times(records, at(5.0), soil),
            strict=True,
        )
    )
    by_hand = {("A1", 5): 4 * 15.0, ("A2", 4): 2 * 6.0, ("A2", 10): 8 * 6.0, ("A4", 5): 0.0}
    for key, value in by_hand.items():
        assert found[key] == pytest.approx(value, abs=1e-9)
    assert np.isnan(found["A3", 0])
    held = records[records["plot"].isin(["A1", "A4"])].reset_index(drop=True)
    assert thermal_times(held, at(5.0)) == pytest.approx([60.0, 0.0])
    with pytest.raises(InputError, match="the soil temperature of plot A2 is not known"):
        thermal_times(records, at(5.0))
    with pytest.raises(CoverageError, match="before the inspection of 2026-05-10"):
        thermal_times(records, at(5.0), soil.isel(time=slice(0, 24 * 8)))


def test_a_plan_uses_the_centre_of_the_estimate() -> None:
    crop = plain_crop(t_base=6.0)
    one = central_response(crop.estimate, crop.response)
    assert one.size == 1
    assert float(one.at(np.array([16.0]))[0]) == pytest.approx(10.0, abs=1e-6)
