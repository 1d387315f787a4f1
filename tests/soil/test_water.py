"""Water at seed depth: balance, potential, slowing and the sentence."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.soil.test_model import spring
from thermosprout.errors import InputError
from thermosprout.quantities import FloatArray
from thermosprout.soil.model.ground import LOAM, SOILS
from thermosprout.soil.model.seedbed_water import (
    LIKELY_BEDS,
    hydrothermal_factor,
    seedbed_column,
)
from thermosprout.soil.model.water import (
    DAY_SHARES,
    LAYER_EDGES_M,
    content_at,
    march_water,
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


def _dry_down(
    demand: float, days: int, *, conductance: float = 0.1, soil: str = "loam"
) -> FloatArray:
    """Water content of a bed at field capacity that dries without rain, (quarter, layer)."""
    shape = (1, days)
    return march_water(
        np.zeros(shape),
        np.full(shape, demand),
        np.full(shape, 20.0),
        SOILS[soil],
        conductance=conductance,
    )[0]


def _lost_mm(content: FloatArray, soil: str = "loam") -> FloatArray:
    lack = SOILS[soil].field_capacity - content
    return np.asarray((lack * np.diff(LAYER_EDGES_M)).sum(axis=1)[DAY_SHARES.size - 1 :: 4] * 1e3)


def test_surface_dries_first() -> None:
    content = _dry_down(5.0, 10)[-1]
    at = [float(content_at(content, depth)) for depth in (0.3, 1.0, 2.0, 4.0, 8.0)]
    assert at == sorted(at)
    assert at[0] < LOAM.wilting_point < at[3] < LOAM.field_capacity


def test_a_cool_march_leaves_the_seed_moist() -> None:
    """FAO-56: 1 to 2 mm a day evaporate at 5 °C in March, of 9 mm that a loam gives up readily."""
    content = _dry_down(1.5, 10)
    potential = LOAM.potential(content_at(content, 1.5))
    assert potential.min() > -0.3


def test_a_loam_evaporates_in_two_stages() -> None:
    """Ritchie (1972), Water Resour. Res. 8:1204-1213: 9 mm at once, then 4 mm a root of a day.

    A bed of a thirtieth of the conductivity of its texture repeats it; from memory.
    """
    loose = 0.03
    assert LIKELY_BEDS.conductance.min() < loose < LIKELY_BEDS.conductance[0]
    lost = _lost_mm(_dry_down(6.0, 30, conductance=loose))
    for day in (10, 30):
        assert lost[day - 1] == pytest.approx(9.0 + 4.0 * np.sqrt(day - 1.5), rel=0.2)
    cool = _lost_mm(_dry_down(1.5, 5, conductance=loose))
    np.testing.assert_allclose(cool, 1.5 * np.arange(1, 6) + cool[0] - 1.5, rtol=0.1)


def test_rain_is_neither_made_nor_lost() -> None:
    """A dry bed takes up all of a shower that its pores hold."""
    days, soil = 3, LOAM
    rain = np.zeros((1, days))
    rain[0, 1] = 5.0
    still = np.zeros((1, days))
    air = np.full((1, days), 15.0)
    start = march_water(np.zeros((1, days)), still, air, soil)[0]
    wet = march_water(rain, still, air, soil)[0]
    gain = ((wet - start) * np.diff(LAYER_EDGES_M)).sum(axis=1) * 1e3
    drained = gain[4] - gain[-1]
    assert gain[4] == pytest.approx(5.0, abs=0.3)
    assert 0.0 <= drained < 1.0


def test_beds_differ_and_none_is_a_certainty() -> None:
    column = seedbed_column(_dry_spell(), beds=LIKELY_BEDS)
    water = column.at(2.0)
    assert water.factor.dims == ("member", "time")
    odds = [water.dry_odds(np.datetime64(day, "ns")) for day in ("2025-03-20", "2025-05-10")]
    assert odds[0] == 0.0
    assert odds[1] >= 0.8
    first = [
        water.dry_odds(np.datetime64("2025-03-29", "ns") + np.timedelta64(d, "D"))
        for d in range(30)
    ]
    assert any(0.0 < share < 1.0 for share in first)
    deeper = column.at(4.0)
    assert float(deeper.factor.mean()) > float(water.factor.mean())


def test_rain_that_is_not_known_is_no_drought() -> None:
    weather = _dry_spell()
    rain = weather["precipitation"].values.copy()
    rain[24 * 20 :] = np.nan
    water = seedbed_column(weather.assign(precipitation=("time", rain))).at(2.0)
    assert float(water.factor[-1]) > 0.8
    assert water.rain_until == weather["time"].values[24 * 20]


def test_the_sentence_says_where_rain_may_still_fall() -> None:
    weather = _dry_spell()
    as_of = np.datetime64("2025-05-10T06", "ns")
    known = seedbed_column(weather, beds=LIKELY_BEDS).at(2.0)
    ends = seedbed_column(weather.sel(time=slice(None, as_of)), beds=LIKELY_BEDS).at(2.0)
    assert "if no rain falls" in ends.sentence(as_of)
    assert "if no rain falls" not in known.sentence(np.datetime64("2025-04-28T06", "ns"))


def test_a_dry_spell_slows_and_is_said() -> None:
    weather = _dry_spell()
    water = seedbed_column(weather).at(2.0)
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
    dry = seedbed_column(weather).at(2.0)
    wet = seedbed_column(weather, watering=water).at(2.0)
    assert float(wet.factor[24 * 47]) > float(dry.factor[24 * 47]) + 0.4
    spell = (np.datetime64("2025-04-20", "ns"), np.datetime64("2025-05-10", "ns"))
    assert wet.days_lost(*spell) < dry.days_lost(*spell) - 2


def test_without_rain_the_soil_is_assumed_moist() -> None:
    water = seedbed_column(spring(rain=False)).at(2.0)
    assert not water.rain_known
    assert (water.factor == 1.0).all()
    assert "assumed moist" in water.sentence(np.datetime64("2025-04-01", "ns"))


def test_members_of_the_weather_stay_members() -> None:
    water = seedbed_column(spring(members=3)).at(2.0)
    assert water.factor.dims == ("member", "time")
    assert seedbed_column(spring(members=7), beds=LIKELY_BEDS).at(2.0).factor.shape[0] == 7
