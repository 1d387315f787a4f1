"""Water at seed depth: balance, potential, slowing and the sentence."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.soil.test_model import spring
from thermosprout.errors import InputError
from thermosprout.soil.model.seedbed_water import (
    hydrothermal_factor,
    seedbed_water,
    seedbed_water_from_moisture,
    water_content_at,
)
from thermosprout.soil.model.texture import LOAM, SOILS
from thermosprout.soil.model.water_balance import (
    psychrometric,
    saturation_pressure,
    saturation_slope,
    water_balance,
)


def _dry_spell() -> xr.Dataset:
    weather = spring(days=60)
    rain = np.zeros(weather.sizes["time"])
    rain[:360:24] = 6.0
    return weather.assign(precipitation=("time", rain))


def test_fao_worked_examples() -> None:
    """FAO-56 (Allen et al. 1998), examples 2, 3 and annex tables 2.2 to 2.4; from memory."""
    assert psychrometric(1800.0) == pytest.approx(0.054, abs=0.001)
    assert saturation_pressure(np.array(24.5)) == pytest.approx(3.075, abs=0.005)
    assert saturation_pressure(np.array(15.0)) == pytest.approx(1.705, abs=0.003)
    assert saturation_slope(np.array(20.0)) == pytest.approx(0.1447, abs=0.0005)


def test_water_is_not_made_or_lost() -> None:
    rng = np.random.default_rng(5)
    rain = rng.gamma(0.3, 8.0, (3, 200))
    demand = rng.uniform(0.5, 6.0, (3, 200))
    water = water_balance(rain, demand, LOAM, root_zone_mm=200.0, cover_share=0.05)
    for store, most in ((water.surface_depletion, 19.0), (water.root_depletion, 200.0)):
        assert store.min() >= 0.0
        assert store.max() <= most + 1e-9
    assert ((water.evaporation_factor >= 0) & (water.evaporation_factor <= 1)).all()
    change = np.diff(water.surface_depletion, axis=1)
    assert (change <= demand[:, :-1] + 1e-9).all()


def test_textures_hold_water_in_their_usual_order() -> None:
    """Field capacity and wilting point rise from sand to clay (FAO-56, table 19; from memory)."""
    order = ("sand", "sandy loam", "loam", "clay loam", "clay")
    capacity = [SOILS[name].field_capacity for name in order]
    wilting = [SOILS[name].wilting_point for name in order]
    assert wilting == sorted(wilting)
    assert capacity[0] < capacity[2] < capacity[4]
    assert SOILS["loam"].field_capacity == pytest.approx(0.30, abs=0.07)
    assert SOILS["sand"].wilting_point < 0.10


def test_potential_and_content_are_inverses() -> None:
    for soil in SOILS.values():
        potential = np.array([-0.03, -0.2, -1.5])
        content = soil.water_content(potential)
        np.testing.assert_allclose(soil.potential(content), potential, rtol=1e-9)


def test_hydrothermal_factor() -> None:
    """Gummerson (1986): linear in potential, one in wet soil, none at the base."""
    np.testing.assert_allclose(
        hydrothermal_factor(np.array([0.0, -0.25, -0.5, -1.0, -3.0]), -1.0),
        [1.0, 0.75, 0.5, 0.0, 0.0],
    )
    with pytest.raises(InputError, match="below zero"):
        hydrothermal_factor(-0.3, 0.2)


def test_surface_dries_first() -> None:
    lack = np.array([10.0])
    contents = [float(water_content_at(d, lack, LOAM)[0]) for d in (1.0, 3.0, 8.0)]
    assert contents[0] < contents[1] < contents[2] <= LOAM.field_capacity
    depths = np.linspace(0.005, 9.995, 1000)
    profile = np.array([float(water_content_at(d, lack, LOAM)[0]) for d in depths])
    missing_mm = (LOAM.field_capacity - profile).mean() * 100.0
    assert missing_mm == pytest.approx(10.0, rel=0.05)


def test_a_dry_spell_slows_and_is_said() -> None:
    weather = _dry_spell()
    water = seedbed_water(weather, depth_cm=2.0)
    assert water.factor.dims == ("time",)
    assert float(water.factor[24 * 10]) > 0.9
    assert float(water.factor[-1]) < 0.3
    as_of = np.datetime64("2025-04-25T06", "ns")
    since = water.dry_since(as_of)
    assert since is not None
    text = water.sentence(as_of)
    assert text.startswith(f"seedbed dry since {since.item().day} ")
    assert "water it, or expect about" in text
    assert water.sentence(np.datetime64("2025-03-20T06", "ns")) == ""


def test_watering_brings_it_back() -> None:
    weather = _dry_spell()
    time = weather["time"].values
    water = xr.DataArray(np.zeros(time.size), dims="time", coords={"time": time})
    water[24 * 45] = 20.0
    dry = seedbed_water(weather, depth_cm=2.0)
    wet = seedbed_water(weather, depth_cm=2.0, watering=water)
    assert float(wet.factor[24 * 47]) > float(dry.factor[24 * 47]) + 0.4
    spell = (np.datetime64("2025-04-20", "ns"), np.datetime64("2025-05-10", "ns"))
    assert wet.days_lost(*spell) < dry.days_lost(*spell) - 2


def test_without_rain_the_soil_is_assumed_moist() -> None:
    water = seedbed_water(spring(rain=False), depth_cm=2.0)
    assert not water.known
    assert (water.factor == 1.0).all()
    assert "assumed moist" in water.sentence(np.datetime64("2025-04-01", "ns"))


def test_members_and_service_moisture() -> None:
    water = seedbed_water(spring(members=3), depth_cm=2.0)
    assert water.factor.dims == ("member", "time")
    time = spring()["time"].values
    moisture = xr.DataArray(np.full(time.size, 0.30), dims="time", coords={"time": time})
    assert float(seedbed_water_from_moisture(moisture).factor.min()) > 0.9
    assert float(seedbed_water_from_moisture(0.5 * moisture).factor.max()) < 0.1
