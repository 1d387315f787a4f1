"""The whole model: what any grower would expect of it, and what it refuses."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import xarray as xr

from thermosprout.errors import CoverageError, InputError
from thermosprout.soil.model.ground import SOILS, GroundParameters, soil_type
from thermosprout.soil.model.surface import (
    COVERS,
    DORMANT_SHARE,
    USUAL_RANGE_K,
    USUAL_SUN,
    cover_named,
    leaf_activity,
    usual_exchange,
)
from thermosprout.soil.model.temperature import (
    convert_surface,
    model_between_gaps,
    soil_temperature,
    to_depth,
)
from thermosprout.soil.model.weather import sun
from thermosprout.soil.series import check_soil_series, weather_dataset


def spring(
    *,
    days: int = 90,
    members: int = 0,
    rain: bool = True,
    cloud: float = 0.7,
    start: str = "03-15",
    range_K: float = 10.0,
) -> xr.Dataset:
    """Invented spring weather at 47 N: warming, with fronts, from a fixed seed."""
    rng = np.random.default_rng(8)
    time = np.datetime64(f"2025-{start}T00", "ns") + np.arange(24 * days) * np.timedelta64(1, "h")
    hour = np.arange(time.size)
    shape = (members, days) if members else (days,)
    fronts = np.repeat(rng.normal(0, 2.0, shape), 24, axis=-1)
    air = 6 + 10 * hour / time.size + 0.5 * range_K * np.sin(2 * np.pi * (hour - 8) / 24) + fronts
    _, clear = sun(time, 47.0, 8.0)
    extra = {}
    if rain:
        wet = np.zeros(time.size)
        wet[np.arange(30, time.size, 130)] = 7.0
        extra["precipitation"] = wet
    return weather_dataset(
        time,
        source="invented weather",
        latitude=47.0,
        longitude=8.0,
        air_temperature=air,
        ghi=cloud * clear,
        **extra,
    )


def _swing(series: xr.DataArray) -> float:
    return float(np.ptp(series.values.reshape(-1, 24), axis=1).mean())


def test_deeper_is_calmer_and_later() -> None:
    weather = spring()
    depths = [soil_temperature(weather, depth_cm=d, surface="bare") for d in (2, 5, 10, 20, 30)]
    profile = xr.concat(depths, dim="depth")
    swings = [_swing(profile.isel(depth=i)) for i in range(5)]
    assert all(a > 1.3 * b for a, b in pairwise(swings))
    peaks = [profile.isel(depth=i).values.reshape(-1, 24).mean(axis=0).argmax() for i in (0, 1, 2)]
    assert peaks[0] < peaks[1] < peaks[2]


def test_result_is_a_series_that_the_forecast_takes() -> None:
    series = check_soil_series(soil_temperature(spring(members=4), depth_cm=3, surface="bare"))
    assert series.dims == ("member", "time")
    assert series.attrs["surface"] == "bare"
    assert series.attrs["site_sd_K"] > 0.5
    assert float(series["depth"]) == pytest.approx(0.03)
    assert np.isfinite(series.values).all()


def test_bare_soil_swings_more_and_is_warmer_by_day() -> None:
    """Bare seedbeds are warmer by day than sod in spring: common practice, no source."""
    weather = spring(rain=True)
    bare, grass = (soil_temperature(weather, depth_cm=5, surface=s) for s in ("bare", "grass"))
    assert _swing(bare) > 1.2 * _swing(grass)
    afternoon = bare.time.dt.hour.isin([13, 14, 15, 16]).values
    assert float((bare - grass)[afternoon].mean()) > 1.0


def test_covers_act_as_growers_know_them() -> None:
    """Clear film warms most, black film less, fleece a little, straw cools and calms.

    Common practice, no source; the order is that of Ham et al. (1993) for films.
    """
    weather = spring(cloud=0.8)
    mean, swing = {}, {}
    for name, cover in COVERS.items():
        series = soil_temperature(weather, depth_cm=5, surface="bare", cover=cover)
        mean[name], swing[name] = float(series.mean()), _swing(series)
    assert mean["clear polythene"] > mean["black polythene"] > mean["none"]
    assert 0.3 < mean["fleece"] - mean["none"] < 4.0
    assert mean["low tunnel"] > mean["none"] + 1.0
    assert mean["straw"] < mean["none"]
    assert swing["straw"] < 0.5 * swing["none"]
    assert mean["clear polythene"] - mean["none"] < 10.0


def test_sun_warms_and_cloud_cools() -> None:
    """The range of the day goes with the square of clearness: FAO-56, eq. 50 (Hargreaves).

    Had the air the same range under cloud, it would be stiller than under the sun.
    """
    bright, dull = (
        soil_temperature(spring(cloud=c, range_K=10.0 * (c / 0.7) ** 2), depth_cm=5, surface="bare")
        for c in (0.8, 0.5)
    )
    assert float((bright - dull).mean()) > 0.5
    same = soil_temperature(spring(cloud=0.5), depth_cm=5, surface="bare")
    clear = soil_temperature(spring(cloud=0.8), depth_cm=5, surface="bare")
    assert float((clear - same).mean()) > 0.0


def test_a_sward_in_the_cold_hardly_breathes() -> None:
    """Factor of Noilhan & Planton (1989): 1 at 25 degC, 0.84 at 15 degC; from memory."""
    np.testing.assert_allclose(
        leaf_activity(np.array([30.0, 25.0, 15.0, 0.0, -20.0])),
        [1.0, 1.0, 0.84, DORMANT_SHARE, DORMANT_SHARE],
    )


def test_wind_is_read_from_the_range_per_sun() -> None:
    """The same small range is a windy place under much sun and a dull one under little."""
    ground, sunny = GroundParameters(), np.full((1, 24), 500.0)

    def exchange(range_K: float, sun: float) -> float:
        day = np.array([[range_K]])
        return float(usual_exchange("grass", sunny, day, np.array([[sun]]), ground)[0, 0])

    assert exchange(USUAL_RANGE_K, USUAL_SUN) == pytest.approx(ground.exchange_day)
    assert exchange(6.0, 220.0) > exchange(6.0, 110.0) > exchange(12.0, 110.0)


@pytest.mark.parametrize("texture", list(SOILS))
def test_every_texture_runs(texture: str) -> None:
    series = soil_temperature(spring(days=20), depth_cm=5, surface="bare", soil=SOILS[texture])
    assert 2 < float(series.mean()) < 20


def test_start_of_the_series_matters_little_after_a_month() -> None:
    long = spring(days=120, start="02-01")
    whole = soil_temperature(long, depth_cm=5, surface="grass")
    late = soil_temperature(long.isel(time=slice(24 * 40, None)), depth_cm=5, surface="grass")
    apart = (whole - late).dropna("time").values
    assert np.abs(apart[24 * 30 :]).max() < 0.6


def test_missing_radiation_and_rain_are_said() -> None:
    weather = spring(rain=False).drop_vars("ghi")
    series = soil_temperature(weather, depth_cm=5, surface="bare")
    assert "no radiation" in series.attrs["notes"]
    assert "no precipitation" in series.attrs["notes"]
    assert series.attrs["moisture"] == "assumed moist"


def test_humidity_and_wind_are_used_where_known() -> None:
    weather = spring()
    base = soil_temperature(weather, depth_cm=5, surface="bare")
    humid = weather.assign(relative_humidity=("time", np.full(weather.sizes["time"], 95.0)))
    windy = weather.assign(wind_speed=("time", np.full(weather.sizes["time"], 9.0)))
    assert float((soil_temperature(humid, depth_cm=5, surface="bare") - base).mean()) > 0.2
    assert _swing(soil_temperature(windy, depth_cm=5, surface="bare")) < _swing(base)


def test_short_holes_are_bridged_long_ones_refused() -> None:
    weather = spring()
    weather["air_temperature"][100:110] = np.nan
    series = soil_temperature(weather, depth_cm=5, surface="bare")
    assert "10 h of air temperature bridged" in series.attrs["notes"]
    weather["air_temperature"][500:700] = np.nan
    with pytest.raises(CoverageError, match="air temperature is missing from 2025-04-04T20:00"):
        soil_temperature(weather, depth_cm=5, surface="bare")
    pieces = model_between_gaps(weather, depth_cm=5, surface="bare")
    assert pieces.attrs["holes"] == 1
    assert np.isnan(pieces.values[500:700]).all()
    assert np.isfinite(pieces.values[700:]).all()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"depth_cm": 45}, "outside 0.5 to 30 cm"),
        ({"depth_cm": 0.1}, "outside 0.5 to 30 cm"),
        ({"surface": "asphalt"}, "surface 'asphalt' is unknown"),
    ],
)
def test_wrong_wishes_are_refused(change: dict[str, object], words: str) -> None:
    options = {"depth_cm": 5, "surface": "bare", **change}
    with pytest.raises(InputError, match=words):
        soil_temperature(spring(days=5), **options)


def test_fahrenheit_in_a_celsius_column_is_refused() -> None:
    weather = spring()
    weather["air_temperature"] = weather["air_temperature"] * 1.8 + 32
    with pytest.raises(InputError, match="which no air reaches"):
        soil_temperature(weather, depth_cm=5, surface="bare")


def test_uneven_hours_and_short_weather_are_refused() -> None:
    weather = spring()
    with pytest.raises(InputError, match="not hourly after 2025-03-15T09:00"):
        soil_temperature(weather.drop_isel(time=10), depth_cm=5, surface="bare")
    with pytest.raises(CoverageError, match="two days"):
        soil_temperature(weather.isel(time=slice(0, 30)), depth_cm=5, surface="bare")


def test_unknown_names_list_the_known_ones() -> None:
    with pytest.raises(InputError, match="fleece"):
        cover_named("tarpaulin")
    with pytest.raises(InputError, match="silt loam"):
        soil_type("gravel")
    assert cover_named("Black_Plastic").name == "black polythene"


def test_conversion_of_surface_is_shown_and_right() -> None:
    weather = spring()
    grass = soil_temperature(weather, depth_cm=5, surface="grass")
    bare = soil_temperature(weather, depth_cm=5, surface="bare")
    moved = convert_surface(grass, weather, to="bare")
    np.testing.assert_allclose(moved.values, bare.values, atol=1e-6)
    assert "from grass to bare" in moved.attrs["steps"]
    assert moved.attrs["surface"] == "bare"
    blind = convert_surface(grass, None, to="bare")
    assert blind.attrs["site_sd_K"] > grass.attrs["site_sd_K"]
    assert convert_surface(bare, weather, to="bare") is bare
    back = convert_surface(blind, None, to="grass")
    np.testing.assert_allclose(back.values, grass.values, atol=0.6)
    with pytest.raises(InputError, match="cannot be told without weather"):
        convert_surface(bare, None, to="bare", cover=COVERS["fleece"])


def test_conversion_keeps_members() -> None:
    weather = spring(members=3)
    grass = soil_temperature(weather, depth_cm=5, surface="grass")
    moved = convert_surface(grass, weather, to="bare", cover=COVERS["fleece"])
    assert moved.dims == ("member", "time")
    assert moved.attrs["cover"] == "fleece"


def test_moving_by_depth_agrees_with_the_model() -> None:
    weather = spring()
    five, ten, two = (soil_temperature(weather, depth_cm=d, surface="grass") for d in (5, 10, 2))
    down = to_depth(five, 10)
    up = to_depth(five, 2)
    for moved, truth, start in ((down, ten, five), (up, two, five)):
        left = float(np.sqrt(((moved - truth) ** 2).mean()))
        before = float(np.sqrt(((start - truth) ** 2).mean()))
        assert left < 0.3 * before
    assert to_depth(five, 5.02) is five


def test_moving_up_does_not_blow_up_noise() -> None:
    weather = spring()
    deep = soil_temperature(weather, depth_cm=20, surface="bare")
    noisy = deep + np.random.default_rng(0).normal(0, 0.1, deep.size)
    noisy.attrs = deep.attrs
    up = to_depth(noisy, 2)
    assert float((up - to_depth(deep, 2)).std()) < 0.1 * 4.5


def test_moving_keeps_holes_and_members() -> None:
    series = soil_temperature(spring(members=3), depth_cm=5, surface="bare")
    series[1, 200:230] = np.nan
    moved = to_depth(series, 8)
    assert np.isnan(moved.values[1, 200:230]).all()
    assert np.isfinite(np.delete(moved.values, np.arange(200, 230), axis=1)).all()
    np.testing.assert_allclose(
        moved.values[0], to_depth(series.isel(member=0), 8).values, atol=1e-9
    )
