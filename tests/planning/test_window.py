from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.emergence.plain_crop import plain_crop
from tests.planning.climates import INLAND, ask_window, series, soil_under, years
from thermosprout.planning.options import usual_options
from thermosprout.planning.window import best_day, sensible_days, usual_within_d, window_netcdf

CROP = plain_crop()
AIR = years(INLAND, 6, days=500)
SOIL = soil_under(AIR)


@pytest.fixture(scope="module")
def window() -> xr.Dataset:
    beds = {"open bed": series(SOIL), "warmer": series(SOIL + 2.0)}
    return ask_window(
        CROP, beds, usual_options(CROP), np.arange(60, 280), air=series(AIR), within_d=20.0
    )


def test_warmer_bed_and_sprouted_seed_are_faster(window: xr.Dataset) -> None:
    half = window["days_to_half"].sel(probability=0.5).isel(sowing=slice(60, 120))
    assert bool((half.sel(cover="warmer") < half.sel(cover="open bed")).all())
    assert bool((half.sel(treatment="pre-sprouted") < half.sel(treatment="direct")).all())


def test_shares_and_odds_are_shares(window: xr.Dataset) -> None:
    for name in ("odds_in_time", "stand", "stand_low", "frost_risk", "odds_harvest_before_frost"):
        values = window[name].values
        known = values[np.isfinite(values)]
        assert known.size
        assert known.min() >= 0
        assert known.max() <= 1 + 1e-9


def test_frost_follows_the_air() -> None:
    air = np.full((1, 24 * 120 + 1), 15.0)
    air[:, 24 * 60 : 24 * 60 + 3] = -0.5
    result = ask_window(
        CROP, {"open bed": series(np.full((1, 24 * 120 + 1), 20.0))}, usual_options(CROP)[:1],
        np.arange(90), air=series(air),
    ).isel(cover=0, treatment=0)  # fmt: skip
    risk = result["frost_risk"].values
    # About ten days to emergence at 20 C: seedlings stand in the four weeks before day 60.
    assert risk[5] == 0
    assert risk[40] == 1
    assert risk[70] == 0


def test_a_record_that_ends_early_leaves_frost_open() -> None:
    result = ask_window(
        CROP, {"open bed": series(np.full((1, 24 * 40 + 1), 20.0))}, usual_options(CROP)[:1],
        np.zeros(1), air=series(np.full((1, 24 * 40 + 1), 18.0)),
    )  # fmt: skip
    assert np.isnan(result["odds_harvest_before_frost"].values).all()
    assert np.isinf(result["days_to_harvest"].values).all()
    assert (
        sensible_days(result.assign(odds_in_time=result["odds_in_time"] * 0 + 1.0))[0].earliest
        is not None
    )


def test_one_air_serves_many_soils() -> None:
    one, many = (
        ask_window(
            CROP, {"open bed": series(SOIL[:4])}, usual_options(CROP)[:1], np.arange(130, 136),
            air=series(air),
        )
        for air in (AIR[0], np.repeat(AIR[:1], 4, axis=0))
    )  # fmt: skip
    xr.testing.assert_allclose(one, many)


def test_a_day_no_year_holds_is_open() -> None:
    holed = SOIL.copy()
    holed[:, 24 * 150 : 24 * 151] = np.nan
    result = ask_window(
        CROP, {"open bed": series(holed)}, usual_options(CROP)[:1], np.array([120, 150, 152])
    ).isel(cover=0, treatment=0)
    middle = result["days_to_half"].sel(probability=0.5).values
    assert np.isfinite(middle).tolist() == [True, False, True]
    assert np.isfinite(result["stand"].values).tolist() == [True, False, True]


def test_netcdf_reads_back_with_cf_attributes(window: xr.Dataset, tmp_path: Path) -> None:
    path = tmp_path / "window.nc"
    path.write_bytes(window_netcdf(window))
    with xr.open_dataset(path, engine="h5netcdf") as read:
        assert read.attrs["Conventions"].startswith("CF-")
        np.testing.assert_array_equal(read["sowing"], window["sowing"])
        np.testing.assert_allclose(read["stand"], window["stand"], atol=1e-6)
        for name in read.data_vars:
            assert read[name].attrs["units"]
            assert read[name].attrs["long_name"]
        assert read["sowing"].attrs["standard_name"] == "time"
        gone = np.isinf(window["days_to_harvest"].values)
        assert gone.any()
        assert np.isnan(read["days_to_harvest"].values[gone]).all()


def test_netcdf_is_understood_by_a_cf_library(window: xr.Dataset, tmp_path: Path) -> None:
    pytest.importorskip("cf_xarray")
    path = tmp_path / "window.nc"
    path.write_bytes(window_netcdf(window))
    with xr.open_dataset(path, engine="h5netcdf") as read:
        assert read.cf["time"].name == "sowing"
        for name in read.cf.coordinates.get("time", ["sowing"]):
            assert "_FillValue" not in read[name].encoding
    with xr.open_dataset(path, engine="h5netcdf", decode_cf=False) as raw:
        assert "_FillValue" not in raw["probability"].attrs
        assert raw["sowing"].attrs["units"].startswith("minutes since 1970-01-01")
        assert raw["sowing"].attrs["calendar"] in ("proleptic_gregorian", "standard")


def test_sensible_days_lie_between_cold_and_frost(window: xr.Dataset) -> None:
    result = {(one.cover, one.treatment): one for one in sensible_days(window)}
    bare = result["open bed", "pre-sprouted"]
    assert bare.earliest is not None
    assert bare.last is not None
    assert bare.earliest < bare.last
    assert "20 days" in bare.early_reason
    dry, warm = result["open bed", "direct"], result["warmer", "direct"]
    assert warm.earliest is not None
    assert dry.earliest is None or warm.earliest <= dry.earliest


def test_best_day_weighs_waiting_against_growing_and_gaps(window: xr.Dataset) -> None:
    best = best_day(window)
    assert best is not None
    # The window opens in the cold: a warmer bed and sprouted seed, not at once.
    assert (best.cover, best.treatment) == ("warmer", "pre-sprouted")
    assert best.wait_d > 0
    one = window.sel(cover=best.cover, treatment=best.treatment, sowing=best.day)
    days = float(one["days_to_harvest"].sel(probability=0.5))
    assert best.bed_days == pytest.approx(best.wait_d + days)
    # Where nothing saves a day, the plainest way at once is best.
    flat = window.assign(
        days_to_harvest=0 * window["stand_low"] + 60 + 0 * window["probability"],
        stand=0 * window["stand"] + 0.8,
        stand_mean=0 * window["stand"] + 0.8,
    )
    plain = best_day(flat)
    assert plain is not None
    assert (plain.wait_d, plain.treatment, plain.cover) == (0.0, "direct", "open bed")
    # Of days that are alike within a day, the first: nobody waits a week for half a day.
    slope = xr.DataArray(np.linspace(0.0, 1.0, window.sizes["sowing"]), dims="sowing")
    wait = (window["sowing"] - window["sowing"][0]) / np.timedelta64(1, "D")
    sprouted = 10.0 * (window["treatment"] == "pre-sprouted")
    alike = flat["days_to_harvest"] - wait - 0.5 * slope - sprouted
    early = best_day(flat.assign(days_to_harvest=alike.transpose(*flat["days_to_harvest"].dims)))
    assert early is not None
    assert (early.wait_d, early.treatment) == (0.0, "pre-sprouted")
    never = window.assign(days_to_harvest=window["days_to_harvest"] * 0 + np.inf)
    assert best_day(never) is None


def test_no_sensible_day_is_said_with_its_reason(window: xr.Dataset) -> None:
    hopeless = window.assign(odds_in_time=0 * window["odds_in_time"])
    for one in sensible_days(hopeless):
        assert one.earliest is None
        assert one.last is None
        assert one.early_reason.startswith("no suitable day: half the row would take longer than")


def test_half_a_row_is_given_time_by_its_crop() -> None:
    assert usual_within_d(CROP) >= 10
