from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import xarray as xr

from tests.emergence.plain_crop import plain_crop
from tests.planning.climates import INLAND, series, soil_under, years
from thermosprout.emergence.quantiles import weighted_quantile
from thermosprout.emergence.stand import stand_share
from thermosprout.emergence.thermal_time import ThermalClock
from thermosprout.emergence.treatments import Handling, seed_state
from thermosprout.errors import InputError
from thermosprout.planning.air_steps import AirSteps
from thermosprout.planning.few_draws import FewDraws, draws_for
from thermosprout.planning.many_sowings import SoilSteps
from thermosprout.planning.options import usual_options
from thermosprout.planning.sensible_days import best_day, sensible_days
from thermosprout.planning.window import _quantiles, sowing_window, usual_within_d
from thermosprout.planning.window_dataset import window_netcdf

CROP = plain_crop()
AIR = years(INLAND, 6, days=500)
SOIL = soil_under(AIR)


@pytest.fixture(scope="module")
def steps() -> SoilSteps:
    return SoilSteps.of(series(SOIL))


@pytest.fixture(scope="module")
def window(steps: SoilSteps) -> xr.Dataset:
    return sowing_window(
        CROP,
        {"open bed": steps, "warmer": SoilSteps.of(series(SOIL + 2.0))},
        usual_options(CROP),
        sowing_h=steps.start_h + 12 + 24.0 * np.arange(60, 280),
        depth_cm=2.5,
        draws=FewDraws.of(CROP, viability=np.array([0.8, 0.9])),
        air=AirSteps.of(series(AIR)),
        within_d=20.0,
    )


def test_window_agrees_with_the_forecast_of_each_day(steps: SoilSteps) -> None:
    draws = FewDraws.of(CROP, size=32, viability=np.full(3, 0.9))
    day = 150
    sown_h = steps.start_h + 12 + 24.0 * day
    one = sowing_window(
        CROP, {"open bed": SoilSteps.of(series(SOIL[2]))}, usual_options(CROP)[:1],
        sowing_h=np.array([sown_h]), depth_cm=2.5, draws=draws,
    ).isel(cover=0, treatment=0, sowing=0)  # fmt: skip
    state = seed_state(
        CROP, draws.crop.values, draws.crop.rates, Handling(), depth_cm=2.5,
        ln_shift=draws.row_speed,
    )  # fmt: skip
    clock = ThermalClock(series(SOIL[2]), draws.crop.rates)
    half = clock.cross(sown_h, state.needed(np.full((32, 1), 0.5)))[:, 0]
    share = stand_share(
        CROP, draws.crop.values, state, clock, planted_h=sown_h, half_h=half,
        viability=draws.viability,
    )  # fmt: skip
    expected = weighted_quantile((half - sown_h) / 24, np.ones(32), [0.1, 0.5, 0.9])
    np.testing.assert_allclose(one["days_to_half"], expected, atol=0.1)
    assert float(one["stand"]) == pytest.approx(share.mean(), abs=0.01)
    assert one.attrs["harvest_on"] == "soil temperature"
    assert "frost_risk" not in one


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
    bed = SoilSteps.of(series(np.full((1, 24 * 120 + 1), 20.0)))
    found = sowing_window(
        CROP, {"open bed": bed}, usual_options(CROP)[:1],
        sowing_h=bed.start_h + 12 + 24.0 * np.arange(0, 90), depth_cm=2.5,
        draws=FewDraws.of(CROP), air=AirSteps.of(series(air)),
    ).isel(cover=0, treatment=0)  # fmt: skip
    risk = found["frost_risk"].values
    # About ten days to emergence at 20 C: seedlings stand in the four weeks before day 60.
    assert risk[5] == 0
    assert risk[40] == 1
    assert risk[70] == 0


def test_a_record_that_ends_before_harvest_and_frost_leaves_it_open() -> None:
    warm = SoilSteps.of(series(np.full((1, 24 * 40 + 1), 20.0)))
    air = AirSteps.of(series(np.full((1, 24 * 40 + 1), 18.0)))
    found = sowing_window(
        CROP, {"open bed": warm}, usual_options(CROP)[:1], sowing_h=np.array([warm.start_h + 12]),
        depth_cm=2.5, draws=FewDraws.of(CROP), air=air,
    )  # fmt: skip
    assert np.isnan(found["odds_harvest_before_frost"].values).all()
    assert np.isinf(found["days_to_harvest"].values).all()
    assert sensible_days(found, in_time_odds=0.0)[0].earliest is not None


def test_one_air_serves_many_soils() -> None:
    bed = SoilSteps.of(series(SOIL[:4]))
    asked = {
        "sowing_h": bed.start_h + 12 + 24.0 * np.arange(130, 136), "depth_cm": 2.5,
        "draws": FewDraws.of(CROP),
    }  # fmt: skip
    one, many = (
        sowing_window(
            CROP, {"open bed": bed}, usual_options(CROP)[:1], air=AirSteps.of(series(air)), **asked
        )  # type: ignore[arg-type]
        for air in (AIR[0], np.repeat(AIR[:1], 4, axis=0))
    )
    xr.testing.assert_allclose(one, many)


@pytest.mark.parametrize("equal", [True, False])
def test_quantiles_are_the_weighted_ones(equal: bool) -> None:
    rng = np.random.default_rng(3)
    values = rng.gamma(2.0, 5.0, (40, 5, 3))
    values[values > 18] = np.inf
    weights = np.full((40, 5), 1 / 200) if equal else rng.dirichlet(np.ones(200)).reshape(40, 5)
    points = np.array([0.1, 0.5, 0.9])
    found = _quantiles(values, weights, points)
    for day in range(3):
        expected = weighted_quantile(values[:, :, day].ravel(), weights.ravel(), points.tolist())
        finite = np.isfinite(expected)
        np.testing.assert_array_equal(np.isfinite(found[day]), finite)
        np.testing.assert_allclose(found[day][finite], expected[finite], rtol=0.1)


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
    found = {(one.cover, one.treatment): one for one in sensible_days(window)}
    bare = found["open bed", "pre-sprouted"]
    assert bare.earliest is not None
    assert bare.last is not None
    assert bare.earliest < bare.last
    assert "20 days" in bare.early_reason
    dry, warm = found["open bed", "direct"], found["warmer", "direct"]
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
    )
    plain = best_day(flat)
    assert plain is not None
    assert (plain.wait_d, plain.treatment, plain.cover) == (0.0, "direct", "open bed")
    never = window.assign(days_to_harvest=window["days_to_harvest"] * 0 + np.inf)
    assert best_day(never) is None


def test_no_sensible_day_is_said_with_its_reason(window: xr.Dataset) -> None:
    hopeless = window.assign(odds_in_time=0 * window["odds_in_time"])
    for one in sensible_days(hopeless):
        assert one.earliest is None
        assert one.last is None
        assert one.early_reason.startswith("no day will do: half the row needs more than")


def test_draws_fill_up_where_years_are_few() -> None:
    assert draws_for(30) == 16
    assert draws_for(1) == 512
    assert draws_for(8) * 8 >= 480
    assert usual_within_d(CROP) >= 10


def test_empty_question_is_refused(steps: SoilSteps) -> None:
    with pytest.raises(InputError):
        sowing_window(CROP, {}, (), sowing_h=np.array([0.0]), depth_cm=2.5, draws=FewDraws.of(CROP))
