"""What is known of the water of one bed says nothing of another, and rain unknown is no drought."""

from __future__ import annotations

import numpy as np
import pytest

from tests.soil.test_model import spring
from thermosprout.season.soil import SoilSupply, Water
from thermosprout.soil.model.temperature import soil_temperature


@pytest.fixture(scope="module")
def dry_spring() -> dict[str, object]:
    """A spring whose rain ends after a fortnight."""
    weather = spring(days=80)
    rain = np.zeros(weather.sizes["time"])
    rain[: 24 * 14 : 24] = 6.0
    weather = weather.assign(precipitation=("time", rain))
    return {
        "weather": weather,
        "series": soil_temperature(weather, depth_cm=2.0, surface="bare"),
        "hour": float(weather["time"].values[24 * 20].astype("int64") / 3.6e12),
    }


def test_a_watering_noted_for_one_bed_leaves_the_others_moist(dry_spring: dict) -> None:
    noted = (Water(hour=dry_spring["hour"], mm=10.0, bed="A"),)
    supply = SoilSupply(series=dry_spring["series"], weather=dry_spring["weather"], watering=noted)
    assert supply.counts_drought("A")
    assert not supply.counts_drought("B")
    _, watered = supply.drought(2.0, bed="A")
    _, other = supply.drought(2.0, bed="B")
    assert watered is not None
    assert watered.min() < 0.5
    assert other is None
    assert "assumes the others moist" in supply.water_sentence()


def test_the_odds_carry_how_beds_differ(dry_spring: dict) -> None:
    supply = SoilSupply(series=dry_spring["series"], weather=dry_spring["weather"], rainfed=True)
    series, factor = supply.drought(2.0)
    assert factor is not None
    assert factor.shape == series.shape
    end = factor[:, 24 * 45]
    assert end.max() - end.min() > 0.2


def test_missing_rain_is_neither_rain_nor_drought(dry_spring: dict) -> None:
    weather = dry_spring["weather"]
    rain = weather["precipitation"].values.copy()
    rain[24 * 14 :] = np.nan
    unknown = weather.assign(precipitation=("time", rain))
    supply = SoilSupply(series=dry_spring["series"], weather=unknown, rainfed=True)
    _, factor = supply.drought(2.0)
    assert factor is not None
    assert factor.min() > 0.75
    last = str(weather["time"].values[24 * 14 - 1])[:10]
    assert f"No rain is known past {int(last[8:])} " in supply.water_sentence()


def test_watering_noted_where_no_rain_is_known_is_not_denied(dry_spring: dict) -> None:
    weather = dry_spring["weather"].drop_vars("precipitation")
    noted = (Water(hour=dry_spring["hour"], mm=10.0),)
    supply = SoilSupply(series=dry_spring["series"], weather=weather, watering=noted)
    assert supply.water_sentence() == "Assumes a moist seedbed: rain is not known."
    assert supply.water(2.0) is None
