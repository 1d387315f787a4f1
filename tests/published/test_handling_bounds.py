"""What no published result allows: icy water that helps, a short soak that harms, and the like.

Also the spread of field stands between years: Bralewski & Holubowicz (2008), Not. Bot. Horti
Agrobot. 36, ten vegetables in three years (abstract read; of five crops only that their mean lies
between those of carrot and radish).
"""

from __future__ import annotations

import csv

import numpy as np
import pytest

from thermosprout.crops.catalogue import catalogue, find_crop
from thermosprout.crops.crop import Crop
from thermosprout.emergence.forecast import RowForecast, forecast_constant
from thermosprout.emergence.treatments import Handling, Treatment
from thermosprout.files import reference_file

CHILLED = [crop for crop in catalogue().values() if crop.chilling_sensitive]
HARMED = [crop for crop in catalogue().values() if crop.harmed_by_soaking]
TOLERANT = [crop for crop in catalogue().values() if not crop.harmed_by_soaking]


def row(crop: Crop, bed_C: float, soak_h: float = 0.0, water_C: float = 20.0) -> RowForecast:
    handling = Handling(treatment=Treatment.SOAKED, soak_h=soak_h, water_C=water_C)
    return forecast_constant(
        crop,
        bed_C,
        handling=handling if soak_h else Handling(),
        size=300,
        viability=np.full(300, 0.9),
    )


def days_sooner(plain: RowForecast, other: RowForecast) -> float:
    """Middle of the days by which half of the other comes sooner, where both come."""
    middle = np.full((300, 1), 0.5)
    first, second = (
        one.clock.cross(0.0, one.state.needed(middle))[:, 0] / 24.0 for one in (plain, other)
    )
    known = np.isfinite(first) & np.isfinite(second)
    return float(np.median(first[known] - second[known]))


@pytest.mark.parametrize("crop", CHILLED, ids=lambda crop: crop.name)
def test_icy_water_never_helps_a_crop_that_cold_uptake_harms(crop: Crop) -> None:
    """Soybean embryos were hurt by 5 min at 2 °C: Bramlage, Leopold & Parrish (1978)."""
    for bed_C in (8.0, 11.0):
        dry = np.median(row(crop, bed_C).share)
        for hours in (0.5, 2.0, 8.0):
            assert np.median(row(crop, bed_C, hours, water_C=3.0).share) <= dry + 1e-9


@pytest.mark.parametrize("crop", TOLERANT, ids=lambda crop: crop.name)
def test_an_hour_of_soak_costs_a_tolerant_crop_nothing(crop: Crop) -> None:
    """Soaks of up to an hour have little effect (lettuce): Tarquis & Bradford (1992)."""
    dry, soaked = row(crop, 18.0), row(crop, 18.0, 1.0)
    assert np.median(soaked.share - dry.share) >= -0.005
    assert days_sooner(dry, soaked) >= 0.0


@pytest.mark.parametrize("crop", HARMED, ids=lambda crop: crop.name)
def test_longer_than_the_safe_soak_is_never_better(crop: Crop) -> None:
    """The limits are those of Harris et al. (1999), Fabunmi et al. (2012) and relatives."""
    safe = row(crop, 18.0, crop.safe_soak_h)
    for longer in (1.5, 3.0):
        beyond = row(crop, 18.0, longer * crop.safe_soak_h)
        assert np.median(beyond.share - safe.share) <= 1e-3
        assert days_sooner(safe, beyond) <= 1e-9


def ranges_inside(crop_asked: str | None = None) -> int:
    """Printed ranges between years that lie inside the 90 % interval of the crop, or of another."""
    text = reference_file("field_stand.csv").read_text(encoding="utf-8")
    lines = [r for r in csv.DictReader(text.splitlines()) if r["source_id"] == "bralewski2008"]
    assert len(lines) == 10
    count = 0
    for line in lines:
        crop = find_crop(crop_asked or line["crop"])
        low, high = crop.estimate.interval("field_factor")
        inside = low <= float(line["low"]) and float(line["high"]) <= high
        count += inside
        mark = "" if inside else "OUTSIDE"
        print(f"{line['crop']:10s} {line['low']}..{line['high']}  {low:.2f}..{high:.2f} {mark}")
    return count


def test_field_stands_spread_between_years_as_wide_as_measured() -> None:
    assert ranges_inside() >= 8


def test_an_unmeasured_crop_gets_most_of_that_spread() -> None:
    """Without this work: the bar of 8 of 10 is not reached by a crop's interval that never saw it.

    Carrot and onion reach lower, carrot and cabbage higher, than an unmeasured crop: 7 of 10
    (27 November 2026).
    """
    assert 5 <= ranges_inside("parsnip") < 8
