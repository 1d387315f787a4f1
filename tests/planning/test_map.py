"""Maps of emergence: what they hold, and which grids they are made from."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

import thermosprout
from tests.emergence.plain_crop import plain_crop
from tests.planning.map_grids import daily_grid, hourly_grid
from thermosprout.crops.catalogue import find_crop
from thermosprout.emergence.forecast import forecast_constant
from thermosprout.errors import CoverageError, InputError
from thermosprout.maps.files import grid_soil
from thermosprout.maps.map import NO_SOIL, REACHED, TOO_SHORT, emergence_map, pool

DAYS = ["2026-03-10", "2026-04-10", "2026-06-01"]


def test_the_library_offers_the_map_by_its_short_name() -> None:
    assert thermosprout.map is emergence_map
    assert "map" in dir(thermosprout)
    with pytest.raises(AttributeError, match="no attribute"):
        _ = thermosprout.mapp


def test_map_has_days_outcomes_and_both_clocks() -> None:
    result = emergence_map(
        daily_grid(), ["carrot", "snap bean"], sowings=DAYS, treatments=["direct", "presprouted"]
    )
    days, outcome = result["days_since_planted"], result["outcome"]
    assert days.dims == ("crop", "treatment", "sowing", "stage", "odds", "lat", "lon")
    assert days.dtype == np.float32
    assert outcome.dtype == np.int8
    assert (outcome.isel(lat=3) == NO_SOIL).all()
    assert ((outcome == REACHED) == days.notnull()).all()
    assert (outcome.sel(crop="snap bean", treatment="direct", odds=0.9).isel(sowing=2)
            == TOO_SHORT).any()  # fmt: skip
    ordered = days.where(outcome == REACHED)
    assert not (ordered.diff("odds") < 0).any()
    assert not (ordered.diff("stage") < 0).any()
    lead = result["days_before_planting"]
    assert (lead.sel(treatment="direct") == 0).all()
    assert (lead.sel(treatment="presprouted") > 1).all()
    sooner = days.sel(treatment="presprouted") < days.sel(treatment="direct")
    middle = sooner.sel(stage="half", odds=0.5).isel(sowing=0)
    assert middle.where(days.isel(lat=[0, 1, 2]).notnull().all(), True).isel(lat=[0, 1, 2]).all()
    assert result.attrs["Conventions"].startswith("CF-")
    assert result["lat"].attrs["standard_name"] == "latitude"


def test_seed_that_hardly_lives_is_answered_without_a_warning() -> None:
    with np.errstate(all="raise"):
        result = emergence_map(
            daily_grid(3, 4), "carrot", sowings=DAYS[:1], seeds=1, viability=1e-9
        )
    assert (result["outcome"].sel(stage="half", odds=0.9) == TOO_SHORT).all()


def test_constant_ground_gives_the_days_of_the_published_table_model() -> None:
    # The same model as `thermosprout crops carrot --constant 15`.
    crop = find_crop("carrot")
    soil = hourly_grid() * 0 + 15.0
    soil = soil.fillna(15.0)
    soil.attrs = {"units": "degC"}
    result = emergence_map(soil, "carrot", sowings=["2026-03-05"])
    days = result["days_since_planted"].sel(stage="half").squeeze(["crop", "treatment", "sowing"])
    expected = forecast_constant(crop, 15.0).stage_quantile("half", [0.1, 0.5, 0.9]) / 24
    for k in range(3):
        assert days.isel(odds=k).values == pytest.approx(expected[k], rel=0.03)


def test_daily_values_come_near_the_hours_they_stand_for() -> None:
    hourly = hourly_grid()
    # The hours of these grids are counted from midnight at both.
    by_hour = emergence_map(hourly, plain_crop(), sowings=[np.datetime64("2026-03-20T12:00")])
    daily = daily_grid(4, 5, 80)
    by_day = emergence_map(daily, plain_crop(), sowings=["2026-03-20"])
    off = (by_hour["days_since_planted"] - by_day["days_since_planted"]).values
    assert np.nanmax(np.abs(off)) < 0.25
    assert abs(np.nanmean(off)) < 0.05


def test_chunks_threads_and_kelvin_change_nothing() -> None:
    soil = daily_grid()
    plain = emergence_map(soil, "carrot", sowings=DAYS)
    lazy = emergence_map(soil.chunk(time=20, lat=5, lon=4), "carrot", sowings=DAYS)
    assert lazy["days_since_planted"].chunks is not None
    xr.testing.assert_allclose(lazy.compute(), plain, rtol=1e-6)
    warm = soil + 273.15
    for name in warm.data_vars:
        warm[name].attrs = soil[name].attrs | {"units": "K"}
    xr.testing.assert_allclose(
        emergence_map(warm, "carrot", sowings=DAYS)["days_since_planted"],
        plain["days_since_planted"],
        atol=0.01,
    )


def test_members_are_pooled_with_the_draws() -> None:
    soil = daily_grid(3, 4)
    members = xr.concat([soil - 1.5, soil, soil + 1.5], dim="member")
    for name in members.data_vars:
        members[name].attrs = soil[name].attrs
    alone = emergence_map(soil, "carrot", sowings=DAYS[:1]).sel(stage="half")
    pooled = emergence_map(members, "carrot", sowings=DAYS[:1]).sel(stage="half")
    assert "member" not in pooled.dims
    one, many = alone["days_since_planted"], pooled["days_since_planted"]
    assert many.sel(odds=0.5).values == pytest.approx(one.sel(odds=0.5).values, rel=0.06)
    assert (many.sel(odds=0.9) > one.sel(odds=0.9)).all()
    assert (many.sel(odds=0.1) < one.sel(odds=0.1)).all()


def test_pool_is_numpys_hazen_quantile_with_infinity_last() -> None:
    rng = np.random.default_rng(0)
    levels = rng.normal(10, 2, (3, 9, 2, 4, 5)).astype(np.float32)
    result = pool(levels, [0.1, 0.5, 0.9])
    flat = levels.transpose(0, 2, 4, 1, 3).reshape(3, 2, 5, 36)
    expected = np.quantile(flat, [0.1, 0.5, 0.9], axis=-1, method="hazen")
    assert result == pytest.approx(np.moveaxis(expected, 0, 1), rel=1e-5)
    levels[:, :, 0, 0] = np.inf
    late = pool(levels, [0.5, 0.9])
    assert np.isinf(late[:, 1, 0]).all()
    assert np.isfinite(late[:, 0]).all()
    levels[0, 0, 1, 1, 2] = np.nan
    assert np.isnan(pool(levels, [0.1])[0, 0, 1, 2])


def test_noon_of_an_hourly_grid_is_that_of_its_middle() -> None:
    grid = hourly_grid()
    assert grid_soil(grid).noon_h == 12 - round(7 / 15)
    assert grid_soil(grid.assign_coords(lon=grid["lon"] - 100)).noon_h == 18


def faulty(change: str) -> xr.Dataset:
    grid = daily_grid(3, 4, 20)
    if change == "units":
        grid["tslmin"].attrs["units"] = "furlong"
    elif change == "gap":
        grid = grid.isel(time=[0, 1, 2, 5, 6])
    elif change == "names":
        grid = grid.rename(tslmin="a", tslmax="b")
        for name in ("a", "b"):
            grid[name].attrs = {"units": "degC"}
    elif change == "calendar":
        grid = grid.convert_calendar("noleap")
    elif change == "mixed":
        grid["tslmin"].attrs["units"] = "K"
    elif change == "no time":
        grid = grid.rename(time="hour")
    return grid


@pytest.mark.parametrize(
    ("change", "sentence"),
    [
        ("units", "degC or K, found 'furlong'"),
        ("gap", "daily without jumps; found 72 h after 2026-03-03"),
        ("names", "which variable is soil temperature. The grid has a, b"),
        ("calendar", "common calendar"),
        ("mixed", "different units"),
        ("no time", "no dimension 'time'"),
    ],
)
def test_grids_that_are_not_understood_are_refused(change: str, sentence: str) -> None:
    with pytest.raises(InputError, match=sentence):
        emergence_map(faulty(change), "carrot", sowings=["2026-03-05"])


def test_questions_that_make_no_sense_are_refused() -> None:
    soil = daily_grid(3, 4, 20)
    with pytest.raises(InputError, match="no crop 'carott'"):
        emergence_map(soil, "carott", sowings=["2026-03-05"])
    with pytest.raises(InputError, match="no treatment 'fried'"):
        emergence_map(soil, "carrot", sowings=["2026-03-05"], treatments=["fried"])
    with pytest.raises(InputError, match="'soon' is not a date; write it like 2026-05-01"):
        emergence_map(soil, "carrot", sowings=["soon"])
    with pytest.raises(InputError, match="must rise"):
        emergence_map(soil, "carrot", sowings=["2026-03-05", "2026-03-05"])
    with pytest.raises(InputError, match="odds"):
        emergence_map(soil, "carrot", sowings=["2026-03-05"], odds=[0.9, 0.1])
    with pytest.raises(InputError, match="at least one"):
        emergence_map(soil, [], sowings=["2026-03-05"])
    with pytest.raises(CoverageError, match="2026-03-01T00:00 to 2026-03-21T00:00"):
        emergence_map(soil, "carrot", sowings=["2026-04-05"])


def test_grid_variables_can_be_named() -> None:
    grid = daily_grid(3, 4, 20).rename(tslmin="a", tslmax="b")
    for name in ("a", "b"):
        grid[name].attrs = {"units": "degC"}
    assert grid_soil(grid, minimum="a", maximum="b").daily
    with pytest.raises(InputError, match="both the minimum and the maximum"):
        grid_soil(grid, minimum="a")
    with pytest.raises(InputError, match="no variable 'c', found a, b"):
        grid_soil(grid, variable="c")
