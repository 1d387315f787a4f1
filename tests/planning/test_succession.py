from __future__ import annotations

import numpy as np
import pytest
import xarray as xr

from tests.emergence.plain_crop import plain_crop
from tests.planning.climates import INLAND, START, ask_window, series, soil_under, years
from thermosprout.errors import CoverageError, InputError
from thermosprout.planning.options import usual_options
from thermosprout.planning.season_window import years_as_members
from thermosprout.planning.succession import (
    FINE_PROBABILITIES,
    Aim,
    Opening,
    fit_openings,
    odds_within,
    plan_succession,
)

CROP = plain_crop()
AIR = years(INLAND, 5, days=500)


@pytest.fixture(scope="module")
def window() -> xr.Dataset:
    return ask_window(
        CROP, {"open bed": series(soil_under(AIR))}, usual_options(CROP)[:1], np.arange(110, 240),
        air=series(AIR), probabilities=FINE_PROBABILITIES,
    )  # fmt: skip


def test_rows_come_even_although_they_are_not_sown_even(window: xr.Dataset) -> None:
    one = window.isel(cover=0, treatment=0)
    sowings = plan_succession(one, every_d=8, count=6, aim=Aim.EMERGENCE)
    assert len(sowings) == 6
    ready = np.array([sowing.middle for sowing in sowings])
    gaps = np.diff(ready) / np.timedelta64(1, "D")
    np.testing.assert_allclose(gaps, 8, atol=1.1)
    sown = np.diff([sowing.sow for sowing in sowings]) / np.timedelta64(1, "D")
    # The ground warms, so what is sown later comes faster: gaps between sowings are longer.
    assert sown.sum() > 8 * 5
    for sowing in sowings:
        assert sowing.early <= sowing.middle <= sowing.late
        assert abs(sowing.miss_d) <= 1.1


def test_a_season_that_ends_gives_fewer_sowings(window: xr.Dataset) -> None:
    one = window.isel(cover=0, treatment=0, sowing=slice(100, None))
    sowings = plan_succession(one, every_d=30, count=12, aim=Aim.EMERGENCE)
    assert 1 <= len(sowings) < 12
    assert len({sowing.sow for sowing in sowings}) == len(sowings)


def test_a_row_that_is_never_ready_is_refused(window: xr.Dataset) -> None:
    last = window.isel(cover=0, treatment=0)
    never = last.assign(days_to_harvest=last["days_to_harvest"] * 0 + np.inf)
    with pytest.raises(InputError, match="is not ready before the temperature record ends"):
        plan_succession(never, every_d=7, count=3, aim=Aim.HARVEST)


def _window(days: float, sowing: np.ndarray) -> xr.Dataset:
    """A window in which harvest takes about so many days whatever the day."""
    points = np.array(FINE_PROBABILITIES)
    spread = days * (0.8 + 0.4 * points)
    shape = (1, 1, sowing.size)
    return xr.Dataset(
        {
            "days_to_harvest": (
                ("cover", "treatment", "sowing", "probability"),
                np.broadcast_to(spread, (*shape, points.size)),
            ),
            "stand": (("cover", "treatment", "sowing"), np.full(shape, 0.7)),
        },
        coords={
            "cover": ["open bed"], "treatment": ["direct"], "sowing": sowing,
            "probability": points,
        },
    )  # fmt: skip


def test_a_gap_gets_a_crop_that_is_ready() -> None:
    sowing = (START + np.arange(0, 240, 24) * np.timedelta64(1, "h")).astype("datetime64[ns]")
    opening = Opening(bed="north", start=sowing[2], end=sowing[2] + np.timedelta64(70, "D"))
    windows = {name: _window(days, sowing).assign_attrs(called=name) for name, days in
               (("quick", 25.0), ("fitting", 55.0), ("slow", 110.0))}  # fmt: skip
    fits = fit_openings(windows, [opening])
    assert [fit.crop for fit in fits] == ["fitting", "quick", "slow"]
    assert fits[0].ready_odds > 0.95
    assert fits[2].ready_odds < 0.02
    assert fits[0].spare_d == pytest.approx(15, abs=0.1)


def test_odds_between_points() -> None:
    days, points = np.array([20.0, 30.0, 40.0]), np.array([0.1, 0.5, 0.9])
    assert odds_within(days, points, 30.0) == pytest.approx(0.5)
    assert odds_within(days, points, 35.0) == pytest.approx(0.7)
    assert odds_within(days, points, 0.0) == 0
    assert odds_within(np.array([20.0, np.inf, np.inf]), points, 80.0) == pytest.approx(0.1)
    assert odds_within(np.full(3, np.inf), points, 80.0) == 0


def test_years_of_a_record_become_members() -> None:
    record = years(INLAND, 1, days=3 * 365 + 120)[0]
    cut, _ = years_as_members(series(record), np.datetime64("2030-03-01T00"), 200, must_d=100)
    assert list(cut["year"].values) == [2026, 2027, 2028]
    assert cut["time"].values[0] == np.datetime64("2030-03-01T00")
    begin = 59 * 24
    np.testing.assert_array_equal(cut.values[0, :100], record[begin : begin + 100])
    np.testing.assert_array_equal(
        cut.values[1, :100], record[begin + 365 * 24 : begin + 365 * 24 + 100]
    )
    assert cut.attrs["source"].endswith("years 2026 to 2028")
    # A year of which too little is held does not count, one that ends later ends in nothing.
    short, _ = years_as_members(series(record), np.datetime64("2030-03-01T00"), 200, must_d=30)
    assert list(short["year"].values) == [2026, 2027, 2028, 2029]
    assert np.isnan(short.values[3, -1])


def test_a_record_without_the_season_is_refused() -> None:
    with pytest.raises(CoverageError, match=r"too short for .* from 2026-06-01"):
        years_as_members(
            series(years(INLAND, 1, days=60)[0]), np.datetime64("2026-06-01T00"), 100, must_d=50
        )


def test_members_stay_members() -> None:
    members = series(AIR)
    start = START + np.timedelta64(24 * 30, "h")
    cut, _ = years_as_members(members, start, 100, must_d=50)
    assert cut.sizes["member"] == 5
    assert cut["time"].values[0] == start


def test_drought_is_cut_into_years_like_the_temperature() -> None:
    hours = 24 * (2 * 365 + 60)
    record = np.arange(hours) / 1000.0
    levels = np.stack([record / 1000.0 + level for level in range(3)])
    same = series(np.repeat(record[None], 3, axis=0))
    cut, slowing = years_as_members(
        same, np.datetime64("2030-03-01T00"), 100, must_d=30, slowing=levels
    )
    assert slowing is not None
    # Two years and three levels of drought: each year is seen at each level.
    pairs = {(int(year), round(float(slow[0] - first[0] / 1000.0))) for year, slow, first in
             zip(cut["year"].values, slowing, cut.values, strict=True)}  # fmt: skip
    assert pairs == {(year, level) for year in (2026, 2027) for level in range(3)}
    np.testing.assert_allclose(slowing % 1.0, cut.values / 1000.0, atol=1e-9)
    assert float(cut["member_weight"].sum()) == pytest.approx(1.0)
